"""The session.toml of a demo session, written as a person would write it."""

from __future__ import annotations

import json
from collections.abc import Sequence

import numpy as np

from earwitness.demo import box, rig, world
from earwitness.demo.lineup import Claim, DemoLoudspeaker

TONES_PLAYED_FILE = "multitone_played.flac"
PAIR_FILE, RUN_FILE, TABLE_FILE = "two_tones.flac", "noise_run.flac", "impedance.txt"
_WITH_TABLE = ("lantern",)
Value = str | float | bool | Sequence[float]


def session_text(one: DemoLoudspeaker) -> str:
    """The whole file."""
    near = [cap.name for cap in one.near_caps]
    parts = [
        "# An invented session: a simulated loudspeaker in a simulated hall. No such product or maker exists.",
        _keys(format=1, date=one.date),
        *_loudspeaker(one),
        *_specimen(one),
        *_rig(),
        *(_few_takes(near) if one.like else _takes(near, one.key)),
    ]
    return "\n\n".join(parts) + "\n"


def near_file(driver: str) -> str:
    """File of a near-field take."""
    return f"near/{driver.replace(' ', '_')}.flac"


def level_file(step: int) -> str:
    """File of a step of the level series, from 1."""
    return f"level/step_{step}.flac"


def tones_file(step: int) -> str:
    """File of a multitone take, from step 1."""
    return f"multitone_{step}.flac"


def burst_file(frequency_hz: float, step: int) -> str:
    """File of a burst, from step 1."""
    return f"burst/{frequency_hz:g}hz_{step}.flac"


def has_table(key: str) -> bool:
    """Whether the tester of that loudspeaker had an impedance meter and brings its table."""
    return key in _WITH_TABLE


def _loudspeaker(one: DemoLoudspeaker) -> list[str]:
    parts = [
        "[loudspeaker]\n"
        + _keys(
            name=one.name,
            maker=one.maker,
            type=one.type,
            enclosure="vented",
            invented=True,
            year=2026,
            width_m=one.width_m,
            height_m=one.height_m,
            depth_m=one.depth_m,
            shape="box" if one.box else "sphere",
            mass_kg=one.mass_kg,
            reference_axis=_axis_words(one),
            **_reference_place(one),
            symmetric=True,
            rated_impedance_ohm=one.rated_impedance_ohm,
        ),
        "[loudspeaker.price]\n" + _keys(amount=one.price, currency=one.currency, per="pair"),
    ]
    for cap in (*one.bass.cones, one.bass.port, *(way.cap for way in one.high)):
        position = [round(float(x), 4) for x in world.cap_position(one, cap) + _tape_error_m(one, cap.name)]
        row = _keys(name=cap.name, kind=cap.kind, diameter_m=round(2 * cap.radius_m, 4), position_m=position)
        parts.append("[[loudspeaker.driver]]\n" + row)
    return [*parts, *(_claim(claim) for claim in one.claims)]


def _reference_place(one: DemoLoudspeaker) -> dict[str, float]:
    if not one.box:
        return {}
    return {"reference_below_top_m": round(one.height_m / 2 + float(box.stored(one.box).middle_m[2]), 3)}


def _tape_error_m(one: DemoLoudspeaker, name: str) -> np.typing.NDArray[np.float64]:
    found = [(left, up) for cap, left, up in one.place_errors_m if cap == name]
    return np.array([0.0, *found[0]]) if found else np.zeros(3)


def _axis_words(one: DemoLoudspeaker) -> str:
    return f"axis of the {one.high[-1].cap.name}, from its middle on the front"


def _claim(claim: Claim) -> str:
    words = _keys(quantity=claim.quantity, value=claim.value, unit=claim.unit, text=claim.text)
    drop = "" if claim.drop_db is None else "\n" + _keys(drop_db=claim.drop_db)
    return "[[loudspeaker.claim]]\n" + words + drop


def _specimen(one: DemoLoudspeaker) -> list[str]:
    unit = ["[unit]\n" + _keys(serial=one.unit)] if one.unit else []
    return [*unit, *(["[variant]\n" + _keys(**dict(one.state))] if one.state else [])]


def _rig() -> list[str]:
    microphone = rig.LOUDSPEAKER_M + np.array([rig.FAR_DISTANCE_M, 0.0, 0.0])
    length, width, height = (float(x) for x in rig.ROOM_M)
    return [
        "[tester]\n"
        + _keys(
            name="the demo world (invented)",
            obtained="simulated",
            disclosure="Simulated recordings of a loudspeaker that does not exist.",
        ),
        "[microphone]\n"
        + _keys(
            name="simulated pressure microphone (invented)",
            serial="M 31",
            sensitivity_u_db=0.1,
            correction_file="mic.txt",
            correction_u_db=rig.CORRECTION_U_DB,
        ),
        "[microphone.calibrator]\n"
        + _keys(
            file="calibrator.flac",
            serial="C 8",
            level_db=rig.CALIBRATOR_LEVEL_DB,
            frequency_hz=rig.CALIBRATOR_HZ,
            channel=1,
            tolerance_db=0.2,
        ),
        "[drive]\n" + _keys(voltage_v=rig.DRIVE_V, u_db=0.05),
        "[stimulus]\n"
        + _keys(
            kind="sweep",
            form="synchronized",
            start_hz=rig.SWEEP_START_HZ,
            stop_hz=rig.SWEEP_STOP_HZ,
            duration_s=rig.SWEEP_S,
            fade_in_s=rig.FADE_IN_S,
            fade_out_s=rig.FADE_OUT_S,
            lead_in_s=rig.LEAD_IN_S,
        ),
        "# Tapped at the terminals through a divider.\n[reference]\n" + _keys(channel=2, volts_per_fs=rig.VOLTS_PER_FS),
        "[environment]\n" + _keys(temperature_c=rig.TEMPERATURE_C, humidity_percent=rig.HUMIDITY_PERCENT),
        "[environment.room]\n"
        + _keys(
            length_m=length,
            width_m=width,
            height_m=height,
            loudspeaker_m=[float(x) for x in rig.LOUDSPEAKER_M],
            microphone_m=[float(x) for x in microphone],
        ),
    ]


def _few_takes(near: list[str]) -> list[str]:
    return [*_linear(near), _take(kind="noise floor", file="silence.flac")]


def _linear(near: list[str]) -> list[str]:
    far = [
        _take(kind="far-field", orbit=orbit, files=f"far/{orbit[0]}_{{angle}}.flac", distance_m=rig.FAR_DISTANCE_M)
        for orbit in ("horizontal", "vertical")
    ]
    close = [
        _take(
            kind="near-field",
            driver=name,
            file=near_file(name),
            distance_m=world.NEAR_FIELD_GAP_M,
            drive_v=rig.NEAR_DRIVE_V,
        )
        for name in near
    ]
    return [*far, *close]


def _takes(near: list[str], key: str) -> list[str]:
    levels = [
        _take(
            kind="level",
            file=level_file(step),
            drive_v=volts,
            distance_m=rig.LEVEL_DISTANCE_M,
            note="the first level again, to see drift" if volts in rig.LEVEL_SERIES_V[: step - 1] else None,
            pause_s=rig.LEVEL_PAUSE_S if step > 1 else None,
        )
        for step, volts in enumerate(rig.LEVEL_SERIES_V, 1)
    ]
    tones = [
        _take(
            kind="multitone",
            file=tones_file(step),
            stimulus_file=TONES_PLAYED_FILE,
            drive_v=volts,
            distance_m=rig.LEVEL_DISTANCE_M,
            period_s=rig.TONE_PERIOD_SAMPLES / rig.RATE_HZ,
            run_in_s=rig.LEAD_IN_S + rig.TONE_PERIOD_SAMPLES / rig.RATE_HZ,
        )
        for step, volts in enumerate(rig.MULTITONE_V, 1)
    ]
    silence = _take(kind="noise floor", file="silence.flac")
    return [*_linear(near), *levels, *tones, *_loud(), *_electric(key), silence]


def _loud() -> list[str]:
    pair = _take(kind="two-tone", file=PAIR_FILE, drive_v=rig.PAIR_V, distance_m=rig.LEVEL_DISTANCE_M)
    pair += "\n" + _keys(low_hz=rig.PAIR_HZ[0], high_hz=rig.PAIR_HZ[1], run_in_s=rig.LEAD_IN_S + 0.2, length_s=1.0)
    bursts = [
        _take(kind="burst", file=burst_file(frequency, step), drive_v=peak_v, distance_m=rig.LEVEL_DISTANCE_M)
        + "\n"
        + _keys(frequency_hz=frequency, before_s=rig.BURST_BEFORE_S)
        for frequency in rig.BURST_HZ
        for step, peak_v in enumerate(rig.BURST_PEAK_V, 1)
    ]
    run = _take(kind="noise run", file=RUN_FILE, drive_v=rig.RUN_V, distance_m=rig.LEVEL_DISTANCE_M) + "\n"
    # The noise fades over its first and last tenth of a second.
    whole_s = round(rig.RUN_S - 2 * rig.RUN_IN_S, 3)
    run += _keys(run_in_s=rig.LEAD_IN_S + rig.RUN_IN_S, duration_s=whole_s, length_s=rig.RUN_LENGTH_S)
    return [pair, *bursts, run]


def _electric(key: str) -> list[str]:
    if has_table(key):
        return [_take(kind="impedance table", file=TABLE_FILE) + "\n" + _keys(u_percent=1.0, u_deg=1.0)]
    resistor = _keys(
        circuit="series resistor",
        resistor_ohm=rig.SENSE_RESISTOR_OHM,
        resistor_tolerance_percent=rig.SENSE_TOLERANCE_PERCENT,
        channel_a=1,
        channel_b=2,
    )
    load = _take(kind="impedance", file="impedance.flac", role="load") + "\n" + resistor
    known = _take(
        kind="impedance",
        file="impedance_reference.flac",
        role="reference",
        reference_ohm=rig.REFERENCE_RESISTOR_OHM,
    )
    return [load, known + "\n" + resistor]


def _take(
    *,
    kind: str,
    file: str | None = None,
    files: str | None = None,
    orbit: str | None = None,
    driver: str | None = None,
    role: str | None = None,
    stimulus_file: str | None = None,
    distance_m: float | None = None,
    drive_v: float | None = None,
    period_s: float | None = None,
    run_in_s: float | None = None,
    reference_ohm: float | None = None,
    pause_s: float | None = None,
    note: str | None = None,
) -> str:
    given: dict[str, Value | None] = {
        "kind": kind,
        "file": file,
        "files": files,
        "orbit": orbit,
        "driver": driver,
        "role": role,
        "stimulus_file": stimulus_file,
        "distance_m": distance_m,
        "drive_v": drive_v,
        "period_s": period_s,
        "run_in_s": run_in_s,
        "reference_ohm": reference_ohm,
        "pause_s": pause_s,
        "note": note,
    }
    return "[[take]]\n" + _keys(**{name: value for name, value in given.items() if value is not None})


def _keys(**values: Value) -> str:
    # JSON spells strings, finite numbers, true, false and flat lists exactly as TOML does.
    return "\n".join(f"{name} = {json.dumps(value, ensure_ascii=False)}" for name, value in values.items())
