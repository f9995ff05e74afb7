"""How it was measured, in sentences built from the session's facts and the reduction's report."""

from __future__ import annotations

from earwitness.exhibits.words import frequency_words, listed, number_words, sentence
from earwitness.formats.positions_table import REFERENCE
from earwitness.quantities import Gate, Measurement
from earwitness.session.responses import NoStimulus, ResponseFacts
from earwitness.session.scan import ScanTake
from earwitness.session.session import (
    Environment,
    FarFieldTake,
    Microphone,
    NearFieldTake,
    Session,
    SweepStimulus,
    Turntable,
)


def how_measured(session: Session, measurement: Measurement) -> tuple[str, ...]:
    """Sentences: microphone and calibration, signal, positions, room and gate, near field, air, program."""
    sentences = (
        _microphone_words(session.microphone),
        _signal_words(session),
        _position_words(session.takes_of(FarFieldTake)),
        _turntable_words(session.turntable),
        *_scan_words(session, measurement),
        _level_words(measurement),
        f"The air had {session.environment.temperature_c:g} °C, {session.environment.humidity_percent:g} % relative "
        f"humidity and {session.environment.pressure_kpa:g} kPa.",
        _program_words(measurement),
    )
    return tuple(text for text in sentences if text)


def _scan_words(session: Session, measurement: Measurement) -> tuple[str, ...]:
    """How room and bass were dealt with: by a scan, or by gate and near field."""
    scan = measurement.scan
    if scan is None:
        return _room_words(session.environment, measurement.gate), _near_field_words(session, measurement)
    takes = session.takes_of(ScanTake)
    if not takes:
        return ("The scan came as pressures that were computed elsewhere.", scan.sentence)
    visits = sum(take.surface == REFERENCE for take in takes)
    surfaces = sorted({take.surface for take in takes if take.surface and take.surface != REFERENCE})
    named = f" on {len(surfaces)} surfaces" if len(surfaces) > 1 else ""
    again = f" and one place {visits} times over the scan" if visits > 1 else ""
    close = min(sum(c * c for c in take.position_m) ** 0.5 for take in takes)
    far = max(sum(c * c for c in take.position_m) ** 0.5 for take in takes)
    return (
        f"The loudspeaker was scanned: {len(takes) - visits:,} positions{named}{again}, {close:.2f} to {far:.2f} m "
        "from the reference point. Levels are referred to 1 m in the far field.",
        scan.sentence,
    )


def _microphone_words(microphone: Microphone) -> str:
    name = "The microphone" if microphone.name == "not stated" else f"The microphone was {microphone.name}"
    if microphone.serial:
        name += f" (serial {microphone.serial})"
    if microphone.calibrator is not None:
        how = (
            f"its level was set by a calibrator of {microphone.calibrator.level_db:g} dB at "
            f"{frequency_words(microphone.calibrator.frequency_hz)}"
        )
    elif microphone.sensitivity_fs_per_pa is not None:
        how = f"its level follows its stated sensitivity (± {2 * microphone.sensitivity_u_db:.1g} dB)"
    else:
        how = "its level was not calibrated, so no sound pressure levels are stated"
    shape = (
        "its own response was corrected by a file"
        if microphone.correction_file is not None
        else "its own response was not corrected"
    )
    link = "; " if "was " in name else ": "
    return f"{name}{link}{how}; {shape}."


def _signal_words(session: Session) -> str:
    stimulus = session.stimulus
    if isinstance(stimulus, NoStimulus):
        return _responses_words(session)
    if isinstance(stimulus, SweepStimulus):
        signal = (
            f"an exponential sweep from {frequency_words(stimulus.start_hz)} to {frequency_words(stimulus.stop_hz)} in "
            f"{stimulus.duration_s:.3g} s"
        )
    else:
        signal = f"the file {stimulus.file}"
    reference = (
        "Every recording carries a loop-back of what was played."
        if session.reference is not None
        else "There was no loop-back; what was played is taken from its description."
    )
    return f"The signal was {signal} at {session.drive.voltage_v:.3g} V at the terminals. {reference}"


def _responses_words(session: Session) -> str:
    """What was done to responses that others, or other programs, measured."""
    facts = session.responses or ResponseFacts()
    by = "" if facts.measured_by == "not stated" else f" by {facts.measured_by}"
    parts = [f"The data came as responses{by}, not as recordings; what follows is as their owner states it."]
    if facts.measured_distance_m is not None:
        parts.append(f"They were measured at {facts.measured_distance_m:g} m.")
    if facts.gate_ms is not None:
        parts.append(f"They were gated to {facts.gate_ms:g} ms.")
    if facts.smoothing not in ("none", "unknown"):
        parts.append(f"They were smoothed over {facts.smoothing} octave.")
    if facts.level == "absolute":
        parts.append(f"Levels are for {session.drive.voltage_v:.3g} V, referred to 1 m.")
    else:
        parts.append("Their level is not known, so no sound pressure levels are stated.")
    return " ".join(parts)


def _position_words(takes: tuple[FarFieldTake, ...]) -> str:
    if not takes:
        return ""
    distances = sorted({take.distance_m for take in takes})
    far = f"{distances[0]:g} m" if len(distances) == 1 else f"{distances[0]:g} to {distances[-1]:g} m"
    counts = {orbit: sum(take.orbit == orbit for take in takes) for orbit in ("horizontal", "vertical")}
    orbits = listed(tuple(f"{count} on the {orbit} orbit" for orbit, count in counts.items() if count))
    return f"From a distance of {far}, {len(takes)} positions were recorded: {orbits}. Levels are referred to 1 m."


def _turntable_words(turntable: Turntable | None) -> str:
    if turntable is None:
        return ""
    ahead, left, up = (1000.0 * part for part in turntable.axis_m)
    ways = (
        ("behind" if ahead < 0 else "ahead of", ahead),
        ("left of" if left > 0 else "right of", left),
        ("above" if up > 0 else "below", up),
    )
    told = listed(tuple(f"{abs(mm):.0f} mm {way}" for way, mm in ways if round(mm)))
    return (
        f"The turntable turned about a place {told} the reference point; the angle and distance of every position were "
        "worked out from that."
        if told
        else ""
    )


def _room_words(environment: Environment, gate: Gate) -> str:
    if environment.anechoic or gate.reflection_s is None:
        where = "The room was anechoic or its reflections came too late to matter"
    else:
        where = f"The first reflection came {1000 * gate.reflection_s:.1f} ms after the direct sound ({gate.source})"
    return (
        f"{where}; each impulse response was used up to {1000 * gate.end_s:.1f} ms after it, which is good from "
        f"{frequency_words(gate.lowest_valid_hz)} upward."
    )


def _near_field_words(session: Session, measurement: Measurement) -> str:
    takes = session.takes_of(NearFieldTake)
    if not takes:
        return "No near field was recorded, so the bass is stated only as far down as the room allows."
    names = listed(tuple(dict.fromkeys(take.driver for take in takes)))
    splice = measurement.splice
    if splice is None:
        return f"The near field of {names} was recorded but could not be joined to the far field."
    return (
        f"The bass was recorded in the near field of {names} and joined between {frequency_words(splice.low_hz)} and "
        f"{frequency_words(splice.high_hz)} with a shift of {number_words(splice.gain_db, 1, sign=True)} dB"
        f"{' and reversed polarity' if splice.inverted else ''}. {sentence(splice.sentence)}"
    ).strip()


def _level_words(measurement: Measurement) -> str:
    if measurement.response.absolute:
        return ""
    return "The level has no calibration: curves are relative, and no figure that needs a sound pressure is judged."


def _program_words(measurement: Measurement) -> str:
    if not measurement.steps:
        return ""
    last = measurement.steps[-1]
    kept = len(measurement.kept_takes)
    more = f" Recordings kept for other exhibits: {kept}." if kept else ""
    return f"Computed by {last.program}; the result is filed under {last.key}.{more}"
