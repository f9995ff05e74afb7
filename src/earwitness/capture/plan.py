"""The takes that a session.toml asks for: what each plays, and whether kept ones were played as they would be now."""

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
from pydantic import ValidationError

from earwitness.capture.sound import Wiring
from earwitness.capture.take import Signal
from earwitness.capture.verdict import SPEED_OF_SOUND_M_S
from earwitness.dsp.limiter import limiter_tone
from earwitness.dsp.signals import burst, pink_noise, two_tone
from earwitness.dsp.sweep import sweep_law, sweep_samples
from earwitness.errors import Fault, InputError, SessionError
from earwitness.files.data import worded
from earwitness.formats.audio import read_audio
from earwitness.quantities import FloatArray
from earwitness.session.check import check
from earwitness.session.draft import draft_of
from earwitness.session.load import session_document
from earwitness.session.patterns import ANGLE, FILE, WrittenTake, spell_out
from earwitness.session.responses import LimiterTake, SelfNoiseTake
from earwitness.session.session import (
    BurstTake,
    FarFieldTake,
    FileStimulus,
    ImpedanceTableTake,
    ImpedanceTake,
    LevelTake,
    MultitoneTake,
    NoiseFloorTake,
    NoiseRunTake,
    Session,
    SweepStimulus,
    Take,
    TwoToneTake,
)
from earwitness.session.toml_text import Keys
from earwitness.session.wording import fault_of

_NO_HASH = "0" * 64
_MOST_BYTES = 2**20
Angles = Mapping[str, Sequence[float]]


@dataclass(frozen=True, slots=True, eq=False)
class PlannedSession:
    """A session whose recordings may not be there yet; `live` : its takes that a sound card can record, in order."""

    folder: Path
    session: Session
    live: tuple[Take, ...]

    def take(self, take_id: str) -> Take:
        """InputError for an unknown id."""
        for one in self.live:
            if one.id == take_id:
                return one
        raise InputError(f"there is no take {take_id!r}", expected="one of " + ", ".join(one.id for one in self.live))


def plan_session(folder: Path, angles_deg: Angles) -> PlannedSession:
    """Read session.toml; a pattern such as "horizontal/{angle}.wav" becomes one take for each angle of its orbit.

    angles_deg : by orbit; of a vertical orbit beside a horizontal one, 0 and 180 degrees are left out: they are the
    same places. InputError where session.toml cannot be read, SessionError with all its faults.
    """
    return planned_of(folder, *session_document(folder), angles_deg)


def planned_of(folder: Path, document: dict[str, Any], lines: dict[Keys, int], angles_deg: Angles) -> PlannedSession:
    """The same of a document that may not be written yet."""
    tables = document.pop("take", None)
    tables = tables if isinstance(tables, list) else []
    expanded = _expanded(tables, angles_deg)
    faults: list[Fault] = []
    spelled = spell_out([table for _, table in expanded], folder, lines, faults)
    takes = [WrittenTake(expanded[one.index][0], {**one.table, "sha256": _NO_HASH}) for one in spelled]
    session: Session | None = None
    try:
        session = Session.model_validate({**document, "takes": [one.table for one in takes], "file_hashes": {}})
    except ValidationError as error:
        faults += [fault_of(detail, takes, lines) for detail in error.errors(include_url=False)]
    faults += check(draft_of(document, takes, lines))
    faults += _shared_files(session)
    if faults or session is None:
        raise SessionError(str(folder), list(dict.fromkeys(faults)))
    live = tuple(one for one in session.takes if not isinstance(one, ImpedanceTableTake))
    return PlannedSession(folder, session, live)


def orbit_angles(step_deg: float) -> tuple[float, ...]:
    """0, step ... 180, then back from the other side: -180 + step ... -step, as a turntable goes round.

    InputError unless the step divides 360 degrees and is 1 degree or more.
    """
    count = round(360.0 / step_deg) if step_deg > 0 else 0
    if step_deg < 1.0 or count < 1 or abs(count * step_deg - 360.0) > 1e-9:
        raise InputError.of("capture.step_divides_not", step_deg=step_deg)
    around = [n * step_deg for n in range(count)]
    return tuple(angle if angle <= 180.0 else angle - 360.0 for angle in around)


def wiring_for(planned: PlannedSession, take: Take, wiring: Wiring) -> Wiring:
    """The wiring of one take: its microphone and loop-back are what session.toml says, so that both always agree."""
    if isinstance(take, ImpedanceTake):
        # Channel A holds the source, as the loop-back does elsewhere.
        return replace(wiring, microphone=take.channel_b, reference=take.channel_a)
    told = planned.session.reference
    reference = take.reference_channel or (told.channel if told is not None else None)
    return replace(wiring, microphone=take.microphone_channel, reference=reference)


def _expanded(tables: list[Any], angles_deg: Angles) -> list[tuple[int, Any]]:
    """(number of the [[take]] table, table) with patterns spelled out; what is no good pattern stays, to be told."""
    horizontal = any(isinstance(one, dict) and one.get("orbit") == "horizontal" for one in tables)
    out: list[tuple[int, Any]] = []
    for index, table in enumerate(tables):
        pattern = table.get("files") if isinstance(table, dict) else None
        if not isinstance(pattern, str) or ANGLE not in PurePosixPath(pattern).name:
            out.append((index, table))
            continue
        orbit = str(table.get("orbit"))
        angles = [a for a in angles_deg.get(orbit, ()) if not (horizontal and orbit == "vertical" and a % 180 == 0)]
        if not angles:
            raise InputError.of("capture.angles_not_said", where=f"session.toml, files = {pattern!r}", orbit=orbit)
        shared = {key: value for key, value in table.items() if key != "files"}
        out += [(index, {**shared, "file": pattern.replace(ANGLE, f"{a:g}"), "angle_deg": float(a)}) for a in angles]
    return out


def _shared_files(session: Session | None) -> list[Fault]:
    seen: dict[str, str] = {}
    faults = []
    for take in () if session is None else session.takes:
        if not take.file.lower().endswith(".wav") and not isinstance(take, ImpedanceTableTake):
            what = f"{take.file!r}: live takes are written as WAV"
            faults.append(
                Fault(what, FILE, None, f"take {take.id}", "a name that ends in .wav", remedy="change the suffix")
            )
        if not _inside(take.file):
            what = f"{take.file!r} leads out of the folder"
            faults.append(
                Fault(what, FILE, None, f"take {take.id}", "a name inside the folder", remedy="change the name")
            )
        if take.file in seen and isinstance(take, FarFieldTake):
            what = f"takes {seen[take.file]!r} and {take.id!r} share {take.file!r}"
            faults.append(Fault(what, FILE, None, f"take {take.id}", "a file for each", remedy="record the place once"))
        seen.setdefault(take.file, take.id)
    return faults


def _inside(name: str) -> bool:
    path = PurePosixPath(name)
    plain = not path.is_absolute() and ".." not in path.parts and "\\" not in name and ":" not in name
    return plain and bool(path.parts) and path.parts[0] != "spoiled"


# Levels are set to a tenth of a decibel at best.
LEVEL_DB = 0.1


@dataclass(frozen=True, slots=True)
class SignalMismatch:
    """Takes that were played otherwise than they would be now, all in the same way.

    louder_db : by which they were louder then, None where the signal or its sample rate is another; sentence : what
    differs, and what to do.
    """

    takes: tuple[str, ...]
    louder_db: float | None
    sentence: str


def played_facts(planned: PlannedSession, take: Take, rate_hz: int, peak_dbfs: float) -> dict[str, Any]:
    """What a take plays, as plain values for the journal. level_dbfs : of the sine of its voltage, None for silence;
    rate_hz, peak_dbfs : as in `signal_for`."""
    if isinstance(take, NoiseFloorTake):
        return {"rate_hz": rate_hz, "level_dbfs": None, "signal": {"kind": take.kind}}
    drive = planned.session.drive.voltage_v
    level = peak_dbfs + 20.0 * math.log10((drive if take.drive_v is None else take.drive_v) / drive)
    return {"rate_hz": rate_hz, "level_dbfs": round(level, 2), "signal": _signal_facts(planned, take)}


def unlike_takes(
    planned: PlannedSession, entries: Mapping[str, Mapping[str, Any]], rate_hz: int, peak_dbfs: float
) -> tuple[SignalMismatch, ...]:
    """Kept takes that were played otherwise than they would be now. entries : of the journal, by take; those of
    earlier versions, and of takes that session.toml does not ask for any more, say nothing."""
    found: dict[tuple[str, float | None], list[str]] = {}
    for take in planned.live:
        then = entries.get(take.id, {}).get("played")
        if not isinstance(then, Mapping) or not isinstance(then.get("signal"), Mapping):
            continue
        now = played_facts(planned, take, rate_hz, peak_dbfs)
        before, after = then.get("level_dbfs"), now["level_dbfs"]
        if words := _other_signal(then, now):
            found.setdefault((words, None), []).append(take.id)
        elif isinstance(before, int | float) and after is not None and abs(before - after) > LEVEL_DB:
            found.setdefault(("", round(before - after, 1)), []).append(take.id)
    return tuple(_told(tuple(takes), words, louder) for (words, louder), takes in found.items())


def _signal_facts(planned: PlannedSession, take: Take) -> dict[str, Any]:
    if isinstance(take, MultitoneTake):
        return _file_facts(planned.folder, take.stimulus_file)
    if isinstance(take, BurstTake):
        return {"frequency_hz": take.frequency_hz, "before_s": take.before_s}
    if isinstance(take, TwoToneTake):
        return {name: getattr(take, name) for name in ("low_hz", "high_hz", "run_in_s", "length_s")}
    if isinstance(take, LimiterTake):
        return {"frequency_hz": take.frequency_hz}
    if isinstance(take, NoiseRunTake):
        return {"run_in_s": take.run_in_s, "duration_s": take.duration_s}
    told = planned.session.stimulus_of(take)
    # What is as it is when nothing is said stays out, so that a later version with more keys finds the same facts.
    facts = told.model_dump(mode="json", exclude_defaults=True, exclude={"name"})
    return facts | _file_facts(planned.folder, told.file) if isinstance(told, FileStimulus) else facts


def _file_facts(folder: Path, name: str) -> dict[str, Any]:
    try:
        with (folder / name).open("rb") as stream:
            return {"file": name, "content": hashlib.file_digest(stream, "sha256").hexdigest()}
    except OSError:
        return {"file": name, "content": "missing"}


def _other_signal(then: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    """What differs in words; nothing where the signal is the same."""
    before, after = ({"rate_hz": facts.get("rate_hz"), **facts["signal"]} for facts in (then, now))
    odd = [key for key in {**before, **after} if before.get(key) != after.get(key)]
    if "content" in odd and "file" not in odd:
        return f"{after.get('file', before.get('file'))} holds something else"
    told = [f"{key} was {_shown(before, key)} and is {_shown(after, key)}" for key in odd if key != "content"]
    return ", ".join(told)


def _shown(facts: Mapping[str, Any], key: str) -> str:
    value = facts.get(key, "not said")
    return f"{value:g}" if isinstance(value, int | float) and not isinstance(value, bool) else str(value)


def _told(takes: tuple[str, ...], words: str, louder_db: float | None) -> SignalMismatch:
    named = ", ".join(takes[:6]) + (f" and {len(takes) - 6} more" if len(takes) > 6 else "")
    which = f"Take {named} was" if len(takes) == 1 else f"Takes {named} were"
    again = "or repeat " + ("it." if len(takes) == 1 else "them.")
    if louder_db is None:
        sentence = f"{which} recorded with another signal than the session asks for ({words}): put it back, {again}"
        return SignalMismatch(takes, None, sentence)
    than = "louder" if louder_db > 0.0 else "softer"
    sentence = worded("capture.played_louder", which=which, louder_db=abs(louder_db), than=than, again=again)
    return SignalMismatch(takes, louder_db, sentence)


TAIL_S = 1.0
QUIET_S = 5.0
_FADE_S = 0.05


def signal_for(planned: PlannedSession, take: Take, rate_hz: int, peak_dbfs: float) -> Signal:
    """The samples that a take plays.

    peak_dbfs : peak of the sweep's sine at [drive].voltage_v; every other voltage follows from it. InputError or
    AudioError for a signal that cannot be made.
    """
    if isinstance(take, NoiseFloorTake | SelfNoiseTake):
        return Signal(np.zeros(round(QUIET_S * rate_hz)), QUIET_S, silent=True)
    samples, before_s = _shape(planned, take, rate_hz)
    drive = planned.session.drive.voltage_v
    volts = take.drive_v if take.drive_v is not None else drive
    # Digital peak for each volt of peak at the terminals.
    per_volt = 10.0 ** (peak_dbfs / 20.0) / (drive * math.sqrt(2.0))
    if isinstance(take, MultitoneTake | TwoToneTake | NoiseRunTake):
        heard = np.trim_zeros(samples)
        scale = volts * per_volt / math.sqrt(float(np.mean(heard**2))) if heard.size else 0.0
    elif isinstance(take, BurstTake):
        scale = volts * per_volt
    else:
        scale = volts * math.sqrt(2.0) * per_volt
    flight_s = float(getattr(take, "distance_m", 0.0)) / SPEED_OF_SOUND_M_S
    is_faint = isinstance(take, ImpedanceTake) and take.role != "load"
    silence, tail = np.zeros(round(before_s * rate_hz)), np.zeros(round(TAIL_S * rate_hz))
    return Signal(np.concatenate([silence, samples * scale, tail]), before_s, flight_s, may_be_faint=is_faint)


def _shape(planned: PlannedSession, take: Take, rate_hz: int) -> tuple[FloatArray, float]:
    """Samples without silence around, and how much silence comes before [s]."""
    if isinstance(take, MultitoneTake):
        return _file(planned, take.stimulus_file, 1, rate_hz), 0.0
    if isinstance(take, BurstTake):
        return burst(take.frequency_hz, rate_hz), take.before_s
    if isinstance(take, LimiterTake):
        return limiter_tone(take.frequency_hz, rate_hz), _FADE_S
    if isinstance(take, TwoToneTake):
        before = max(take.run_in_s - 2.0 * _FADE_S, 0.0)
        length = take.run_in_s - before + take.length_s + 2.0 * _FADE_S
        return two_tone(take.low_hz, take.high_hz, length, rate_hz, fade_s=_FADE_S), before
    if isinstance(take, NoiseRunTake):
        before = max(take.run_in_s - 2.0 * _FADE_S, 0.0)
        length = take.run_in_s - before + take.duration_s + 2.0 * _FADE_S
        high = min(20_000.0, 0.45 * rate_hz)
        return pink_noise(length, rate_hz, high_hz=high, seed=1, fade_s=_FADE_S), before
    told = planned.session.stimulus_of(take)
    if isinstance(told, SweepStimulus):
        law = sweep_law(told.start_hz, told.stop_hz, told.duration_s, synchronized=told.form == "synchronized")
        return sweep_samples(law, rate_hz, fade_in_s=told.fade_in_s, fade_out_s=told.fade_out_s), told.lead_in_s
    samples = _file(planned, told.file, told.channel, rate_hz)
    return samples / np.max(np.abs(samples)), told.lead_in_s


def _file(planned: PlannedSession, name: str, channel: int, rate_hz: int) -> FloatArray:
    found = read_audio(planned.folder / name)
    if found.rate_hz != rate_hz or channel > found.samples.shape[0] or not np.any(found.samples[channel - 1]):
        raise InputError.of("capture.file_does_not_fit", where=name, rate_hz=rate_hz, channel=channel)
    return np.array(found.samples[channel - 1])


def distance_of(take: Take) -> float | None:
    """Distance [m] at which the take's level can be turned into that at 1 m; None near a cone or without sound."""
    if isinstance(take, FarFieldTake):
        return take.distance_m
    if isinstance(take, LevelTake):
        return take.distance_m if take.driver is None else None
    if isinstance(take, MultitoneTake | TwoToneTake | NoiseRunTake | BurstTake | LimiterTake):
        return take.distance_m
    return None
