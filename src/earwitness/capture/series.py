"""A live session: which takes are done, kept on disk after each, resumed after whatever stopped it.

The folder is a session folder like any other. Beside its recordings lie `live.json`, the journal, `live.lock`, which
keeps a second program out while a series is open, and `spoiled/`, with every attempt that was not kept. A recording is
under its own name only when it is whole and was kept; so a crash at any instant leaves either a kept take or a part,
and a part becomes a file in `spoiled/`.
"""

import contextlib
import hashlib
import json
import statistics
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from earwitness.capture import plan
from earwitness.capture.disk import PART, FolderLock, move, recover, unwritable, write_json, write_whole
from earwitness.capture.guard import OutputCalibration, OutputLimits, Silencer
from earwitness.capture.reading import TakeReading, doubts_against, read_take, reading_words, sweep_band
from earwitness.capture.sound import AudioHost, Block, Wiring
from earwitness.capture.take import Alive, Recorded, Tell, record_take
from earwitness.capture.verdict import Reason
from earwitness.errors import AudioError, InputError
from earwitness.files.durable import clean
from earwitness.formats.audio import read_audio
from earwitness.session.session import FarFieldTake, Take

JOURNAL = "live.json"
SPOILED = "spoiled"
_FORMAT = 1
ATTEMPTS = 3

State = Literal["open", "kept", "found"]


@dataclass(frozen=True, slots=True)
class LiveSettings:
    """What a live session is recorded with.

    wiring : devices and outputs, the inputs come from session.toml; peak_dbfs : of the sweep at [drive].voltage_v;
    angles_deg : by orbit; calibration : of the output, None while levels are not known.
    """

    wiring: Wiring
    peak_dbfs: float = -12.0
    limits: OutputLimits = field(default_factory=OutputLimits)
    angles_deg: tuple[tuple[str, tuple[float, ...]], ...] = ()
    calibration: OutputCalibration | None = None


@dataclass(frozen=True, slots=True)
class TakeState:
    """One place on the running map. orbit, angle_deg : None where the take has no angle; state : "open", "kept"
    (recorded here) or "found" (a file was there); spoiled : attempts not kept; sentence : the last verdict; numbers :
    what was measured of it, in words; turned_deg : read back from a turntable."""

    id: str
    file: str
    kind: str
    orbit: str | None
    angle_deg: float | None
    state: State
    good: bool
    spoiled: int
    sentence: str
    numbers: str = ""
    turned_deg: float | None = None


@dataclass(slots=True)
class Series:
    """An open live session. `recovered` : files that a crash left and that are now in `spoiled/`; lock : keeps other
    programs out of the folder until the series is closed or forgotten; readings : of kept takes."""

    planned: plan.PlannedSession
    settings: LiveSettings
    journal: dict[str, Any]
    lock: FolderLock
    recovered: tuple[str, ...] = ()
    readings: dict[str, TakeReading | None] = field(default_factory=dict)

    @property
    def folder(self) -> Path:
        return self.planned.folder

    def close(self) -> None:
        """Let other programs record into the folder. A series that was changed from this one is closed with it."""
        self.lock.release()


def is_live(folder: Path) -> bool:
    """Whether a live session was begun in the folder."""
    return (folder / JOURNAL).exists()


def start_series(folder: Path, settings: LiveSettings) -> Series:
    """Begin a live session in a folder with session.toml.

    InputError where one was begun already, or another program records into the folder.
    """
    planned = None if is_live(folder) else plan.plan_session(folder, dict(settings.angles_deg))
    with _locked(folder) as lock:
        # Asked again: another program may have begun one meanwhile.
        if planned is None or is_live(folder):
            raise InputError.of("capture.live_session_there", where=str(folder), folder=folder)
        series = Series(planned, settings, {"format": _FORMAT, "takes": {}, "spoiled": []}, lock)
        series.recovered = _recover(series)
        _keep_journal(series)
    return series


def open_series(folder: Path, *, settings: LiveSettings | None = None) -> Series:
    """Go on with a live session: parts that a crash left become files in `spoiled/`, nothing is deleted.

    settings : in place of those in the journal, such as after a sound card was changed. InputError where there is no
    live session, its journal is damaged, or another program records into the folder.
    """
    if not is_live(folder):
        raise _not_begun(folder)
    with _locked(folder) as lock:
        journal = _read_journal(folder)
        chosen = settings_of(journal) if settings is None else settings
        series = Series(plan.plan_session(folder, dict(chosen.angles_deg)), chosen, journal, lock)
        series.recovered = _recover(series)
        _keep_journal(series)
    return series


def kept_settings(folder: Path) -> LiveSettings:
    """What a live session is recorded with, without opening it. Raises as `open_series` for its journal."""
    return settings_of(_read_journal(folder))


@contextlib.contextmanager
def _locked(folder: Path) -> Iterator[FolderLock]:
    """The folder's lock, let go where the series cannot be opened."""
    lock = FolderLock(folder)
    try:
        yield lock
    except BaseException:
        lock.release()
        raise


def states(series: Series) -> tuple[TakeState, ...]:
    """The running map, in the order of recording."""
    spoiled = [str(one["take"]) for one in series.journal["spoiled"]]
    out = []
    for take in series.planned.live:
        there = (series.folder / take.file).exists()
        entry = series.journal["takes"].get(take.id, {}) if there else {}
        out.append(
            TakeState(
                id=take.id,
                file=take.file,
                kind=take.kind,
                orbit=take.orbit if isinstance(take, FarFieldTake) else None,
                angle_deg=take.angle_deg if isinstance(take, FarFieldTake) else None,
                state="kept" if entry else "found" if there else "open",
                good=there and (not entry or bool(entry["good"])),
                spoiled=spoiled.count(take.id),
                sentence=str(entry["sentence"]) if entry else "",
                numbers=str(entry.get("numbers", "")),
                turned_deg=entry.get("turned_deg"),
            )
        )
    return tuple(out)


def unlike(series: Series) -> tuple[plan.SignalMismatch, ...]:
    """Kept recordings that were played otherwise than they would be now: session.toml or the settings were changed."""
    # A copy: the page asks while a take is written.
    entries = {
        key: one
        for key, one in dict(series.journal["takes"]).items()
        if any(take.id == key and (series.folder / take.file).exists() for take in series.planned.live)
    }
    settings = series.settings
    return plan.unlike_takes(series.planned, entries, settings.wiring.rate_hz, settings.peak_dbfs)


def next_open(series: Series) -> TakeState | None:
    """The first take that is not done; None when all are."""
    return next((one for one in states(series) if one.state == "open"), None)


def attempt(
    series: Series,
    take_id: str,
    sound: AudioHost,
    *,
    silencer: Silencer | None = None,
    tell: Tell | None = None,
    alive: Alive | None = None,
    fs_per_pa: float | None = None,
    closing: bool = False,
) -> Recorded:
    """Record one attempt at a take. Follow it with `keep` or `spoil`; until then it is a part on disk.

    fs_per_pa : of the microphone, where it is known; closing : a kept take is made again to see what changed since, and
    its part is not kept. InputError for a take that is done already: move its file to `spoiled/` with `give_up` first.
    """
    take = series.planned.take(take_id)
    if (series.folder / take.file).exists() and not closing:
        raise InputError.of("capture.take_recorded", where=take.file, take_id=take_id)
    settings = series.settings
    wiring = plan.wiring_for(series.planned, take, settings.wiring)
    signal = plan.signal_for(series.planned, take, wiring.rate_hz, settings.peak_dbfs)
    done = record_take(
        sound, wiring, signal, _part(series, take), limits=settings.limits, calibration=settings.calibration,
        silencer=silencer, usual_noise_dbfs=_usual_noise(series, take), tell=tell, alive=alive,
    )  # fmt: skip
    if closing:
        done.part.unlink(missing_ok=True)
    if done.aligned is None or (reading := _reading(series, take, done.aligned, fs_per_pa)) is None:
        return done
    first = next((one["loop_db"] for one in series.journal["takes"].values() if one.get("loop_db") is not None), None)
    drift = None if reading.loop_db is None else reading.loop_db - (reading.loop_db if first is None else float(first))
    done = replace(done, reading=reading, drift_db=drift)
    earlier = None if closing else _before(series, take)
    known = None if earlier is None else reading_of(series, earlier.id, fs_per_pa)
    if earlier is None or known is None or not isinstance(take, FarFieldTake):
        return done
    doubts = doubts_against(reading, take.angle_deg, known, earlier.angle_deg, earlier.id)
    reasons = (*done.verdict.reasons, *(Reason(key, words, repeat=False) for key, words in doubts))
    verdict = replace(done.verdict, reasons=reasons)
    return replace(done, before=(earlier.id, known), verdict=verdict)


def reading_of(series: Series, take_id: str, fs_per_pa: float | None = None) -> TakeReading | None:
    """What a kept sweep tells; None for another take, or a file that somebody spoiled."""
    take = series.planned.take(take_id)
    if take_id not in series.readings:
        try:
            samples = read_audio(series.folder / take.file).samples.T
        except AudioError:
            return None
        series.readings[take_id] = _reading(series, take, samples.astype("float32"), fs_per_pa)
    return series.readings[take_id]


def _reading(series: Series, take: Take, aligned: Block, fs_per_pa: float | None) -> TakeReading | None:
    band, settings = sweep_band(series.planned.session, take), series.settings
    wiring = plan.wiring_for(series.planned, take, settings.wiring)
    played = plan.signal_for(series.planned, take, wiring.rate_hz, settings.peak_dbfs).samples
    if band is None or len(aligned) != played.size or aligned.shape[1] < wiring.input_channels:
        return None
    return read_take(played, aligned, wiring, band, fs_per_pa=fs_per_pa)


def _before(series: Series, take: Take) -> FarFieldTake | None:
    """The take of the same orbit that was kept last."""
    orbit = getattr(take, "orbit", None)
    takes = {one.id: one for one in series.planned.live if isinstance(one, FarFieldTake) and one.orbit == orbit}
    kept = [name for name in series.journal["takes"] if name in takes and name != take.id]
    return next((takes[name] for name in reversed(kept) if (series.folder / takes[name].file).exists()), None)


def note_turned(series: Series, take_id: str, angle_deg: float) -> None:
    """Write the angle read back from a turntable into the journal, beside the kept take."""
    series.journal["takes"][take_id]["turned_deg"] = round(angle_deg, 2)
    _keep_journal(series)


def keep(series: Series, take_id: str, recorded: Recorded) -> TakeState:
    """Make the attempt the take's recording, aligned, and acknowledge it in the journal.

    InputError for an attempt that is not whole.
    """
    take = series.planned.take(take_id)
    if recorded.aligned is None:
        raise InputError.of("capture.take_not_whole", take_id=take_id)
    path = series.folder / take.file
    if path.exists():
        raise InputError("there is a recording already and it is not overwritten", where=str(path))
    write_whole(path, recorded.aligned, series.settings.wiring.rate_hz)
    verdict = recorded.verdict
    series.journal["takes"][take_id] = {
        "file": take.file,
        "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "good": verdict.keep,
        "sentence": verdict.sentence,
        "reasons": [reason.key for reason in verdict.reasons],
        "numbers": reading_words(verdict, recorded.reading, recorded.drift_db),
        "loop_db": None if recorded.reading is None else recorded.reading.loop_db,
        "delay": verdict.delay,
        "peak_dbfs": round(verdict.peak_dbfs, 3),
        "level_dbfs": round(verdict.level_dbfs, 3),
        "noise_dbfs": None if verdict.noise_dbfs is None else round(verdict.noise_dbfs, 3),
        "played": plan.played_facts(series.planned, take, series.settings.wiring.rate_hz, series.settings.peak_dbfs),
    }
    series.readings[take_id] = recorded.reading
    _keep_journal(series)
    recorded.part.unlink(missing_ok=True)
    return next(one for one in states(series) if one.id == take_id)


def spoil(series: Series, take_id: str, recorded: Recorded) -> str | None:
    """Keep the attempt under `spoiled/` and leave the take open; the file's name in the folder, None for no samples."""
    take = series.planned.take(take_id)
    target = _free_name(series, take.file)
    frames = recover(recorded.part, series.folder / target)
    return _note_spoiled(series, take_id, target, recorded.verdict.sentence) if frames else None


def give_up(series: Series, take_id: str, why: str = "The tester wants to repeat it.") -> str:
    """Move a kept or found recording to `spoiled/`, so that its take is open again; returns its name there."""
    take = series.planned.take(take_id)
    target = _free_name(series, take.file)
    try:
        move(series.folder / take.file, series.folder / target)
    except FileNotFoundError:
        raise InputError(f"take {take_id!r} has no recording", remedy="record it") from None
    except OSError as error:
        raise unwritable(series.folder / target, error) from None
    series.journal["takes"].pop(take_id, None)
    series.readings.clear()
    return _note_spoiled(series, take_id, target, why)


def record_until_good(
    series: Series,
    take_id: str,
    sound: AudioHost,
    *,
    decide: Callable[[Recorded], bool] | None = None,
    after: Callable[[Recorded], None] | None = None,
    silencer: Silencer | None = None,
    tell: Tell | None = None,
    alive: Alive | None = None,
    fs_per_pa: float | None = None,
) -> Recorded:
    """Record a take; what only the technique spoiled is tried again at once, up to ATTEMPTS times.

    after : called after each attempt; decide : asked about a whole recording that is not good, True keeps it all the
    same. Good ones are kept, all others lie under `spoiled/`; the last attempt is returned.
    """
    for number in range(1, ATTEMPTS + 1):
        done = attempt(series, take_id, sound, silencer=silencer, tell=tell, alive=alive, fs_per_pa=fs_per_pa)
        if after is not None:
            after(done)
        again = done.verdict.may_retry and number < ATTEMPTS
        wanted = done.verdict.keep or (not again and done.aligned is not None and decide is not None and decide(done))
        if wanted and done.aligned is not None:
            keep(series, take_id, done)
            return done
        spoil(series, take_id, done)
        if not again:
            break
    return done


def change_settings(series: Series, settings: LiveSettings) -> Series:
    """The series with other settings, kept in the journal; the plan follows the angles."""
    planned = plan.plan_session(series.folder, dict(settings.angles_deg))
    changed = replace(series, settings=settings, planned=planned, readings={})
    _keep_journal(changed)
    return changed


def settings_of(journal: dict[str, Any]) -> LiveSettings:
    """The settings that a journal holds. InputError for a damaged one."""
    try:
        told = journal["settings"]
        wiring = {**told["wiring"], "outputs": tuple(told["wiring"]["outputs"])}
        unit = told["unit_rms_1m_db"]
        return LiveSettings(
            wiring=Wiring(**wiring),
            peak_dbfs=float(told["peak_dbfs"]),
            limits=OutputLimits(**told["limits"]),
            angles_deg=tuple((str(orbit), tuple(map(float, angles))) for orbit, angles in told["angles_deg"]),
            calibration=None if unit is None else OutputCalibration(float(unit)),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise _damaged(str(error)) from None


def _damaged(reason: str) -> InputError:
    return InputError.of("capture.journal_damaged", where=JOURNAL, reason=reason, journal=JOURNAL)


def _not_begun(folder: Path) -> InputError:
    return InputError.of("capture.no_live_session", where=str(folder), folder=folder)


def _read_journal(folder: Path) -> dict[str, Any]:
    try:
        found = json.loads((folder / JOURNAL).read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise _not_begun(folder) from None
    except (OSError, ValueError) as error:
        raise _damaged(type(error).__name__) from None
    if not isinstance(found, dict) or found.get("format") != _FORMAT:
        raise _damaged("it is of another version")
    if not isinstance(found.get("takes"), dict) or not isinstance(found.get("spoiled"), list):
        raise _damaged("takes are missing")
    return found


def _keep_journal(series: Series) -> None:
    settings = series.settings
    calibration = settings.calibration
    series.journal["settings"] = {
        "wiring": asdict(settings.wiring),
        "peak_dbfs": settings.peak_dbfs,
        "limits": asdict(settings.limits),
        "angles_deg": [[orbit, list(angles)] for orbit, angles in settings.angles_deg],
        "unit_rms_1m_db": None if calibration is None else calibration.unit_rms_1m_db,
    }
    write_json(series.folder / JOURNAL, series.journal)


def _recover(series: Series) -> tuple[str, ...]:
    """Parts of planned takes become files in `spoiled/`; halves of files that are written anew are superfluous."""
    clean(series.folder)
    recovered = []
    for take in series.planned.live:
        path = series.folder / take.file
        part = _part(series, take)
        if not part.exists():
            continue
        if path.exists() and take.id in series.journal["takes"]:
            part.unlink()
            continue
        target = _free_name(series, take.file)
        if recover(part, series.folder / target):
            _add_spoiled(series, take.id, target, "The program or the computer stopped while it was recorded.")
            recovered.append(target)
    return tuple(recovered)


def _part(series: Series, take: Take) -> Path:
    path = series.folder / take.file
    return path.with_name(path.name + PART)


def _free_name(series: Series, file: str) -> str:
    stem = file.removesuffix(".wav").removesuffix(".WAV").replace("/", "_")
    number = 1
    while (series.folder / SPOILED / f"{stem}-{number}.wav").exists():
        number += 1
    return f"{SPOILED}/{stem}-{number}.wav"


def _note_spoiled(series: Series, take_id: str, target: str, sentence: str) -> str:
    _add_spoiled(series, take_id, target, sentence)
    _keep_journal(series)
    return target


def _add_spoiled(series: Series, take_id: str, target: str, sentence: str) -> None:
    series.journal["spoiled"].append({"take": take_id, "file": target, "sentence": sentence})


def _usual_noise(series: Series, take: Take) -> float | None:
    """Median noise of the kept takes of the same kind; None before the third."""
    kinds = {one.id: one.kind for one in series.planned.live}
    rows = [
        float(entry["noise_dbfs"])
        for name, entry in dict(series.journal["takes"]).items()
        if kinds.get(name) == take.kind and entry.get("noise_dbfs") is not None
    ]
    return statistics.median(rows) if len(rows) >= 3 else None
