"""Acts of live measuring through the sound card: devices, calibrator, levels, takes, resume."""

import time
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from earwitness.app.measure import Turner, count_exposure, exposure_file, exposure_today
from earwitness.capture import guard, simulated
from earwitness.capture import series as live
from earwitness.capture.disk import PART, FolderLock, GrowingRecording, move, read_part, recover
from earwitness.capture.levels import REFERENCE_PA, CalibratorReading, LoopbackReading, read_calibrator, read_loopback
from earwitness.capture.plan import distance_of, signal_for
from earwitness.capture.ramp import LevelSet, Wanted, set_level
from earwitness.capture.sound import AudioDevice, AudioHost, Block, Wiring, require_outputs, sound_card
from earwitness.capture.take import Alive, Recorded, Tell, run_stream, silent_source
from earwitness.capture.turntable import Turntable
from earwitness.dsp.sweep import sweep_law, sweep_samples
from earwitness.errors import EarwitnessError, InputError
from earwitness.files.data import worded
from earwitness.formats.audio import read_audio
from earwitness.quantities import FloatArray
from earwitness.session.session import FarFieldTake

CALIBRATOR_FILE = "calibrator.wav"
LOOPBACK_PEAK_DBFS = -40.0
SHORTEST_LEAD_IN_S = 0.2
Answer = Literal["go", "skip", "stop"]


@dataclass(frozen=True, slots=True)
class Calibrated:
    """file : the recording, None where the reading has faults and it went to `spoiled/`; lines : for session.toml."""

    reading: CalibratorReading
    file: Path | None
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LevelsChecked:
    """level : how the ramp ended; loopback : None where session.toml names none or the ramp was cut short; peak_dbfs :
    of the sweep that comes out as loud, None where no level was read."""

    level: LevelSet
    loopback: LoopbackReading | None
    peak_dbfs: float | None


@dataclass(frozen=True, slots=True)
class RecordingDone:
    """map : all takes; spoiled : attempts of this run that were not kept; stopped : why it ended early, or empty;
    dose_percent : of the day so far, None where no level is known; checks : what is odd about the angles of all."""

    map: tuple[live.TakeState, ...]
    spoiled: int
    stopped: str
    dose_percent: float | None
    checks: tuple[str, ...] = ()

    @property
    def open(self) -> tuple[live.TakeState, ...]:
        return tuple(one for one in self.map if one.state == "open")


def sound_for(wiring: Wiring | None = None) -> AudioHost:
    """The sound card; the simulated wire where the wiring names it. MissingExtraError without sounddevice."""
    if wiring is not None and is_rehearsal(wiring):
        # To whoever only listens it gives a calibrator's tone, else the sound of a loudspeaker 1 m away.
        tone = None if wiring.outputs else (1000.0, 0.1)
        return simulated.SimulatedSound(
            speed=1.0, seed=time.time_ns(), microphone_delay=76, tone=tone, loudspeaker=simulated.RehearsedLoudspeaker()
        )
    return sound_card()


def is_rehearsal(wiring: Wiring) -> bool:
    """Whether the simulated wire takes the place of a sound card."""
    return simulated.KEY in (wiring.input_device, wiring.output_device)


def day_file(wiring: Wiring) -> Path:
    """Where the exposure of the day is kept; a rehearsal, which nobody hears, has a file of its own."""
    path = exposure_file()
    return path.with_name("exposure-rehearsed.json") if is_rehearsal(wiring) else path


def list_devices() -> tuple[AudioDevice, ...]:
    """All sound devices, looked for anew."""
    card = sound_for()
    card.rescan()
    return card.devices()


def begin_or_open(folder: Path, settings: live.LiveSettings | None) -> live.Series:
    """The live session of the folder: begun with `settings`, or gone on with, changed where settings are given.

    No other program can record into the folder until the series is closed or forgotten. InputError where one does, the
    session was not begun and there are no settings, or a simulated wire would record a real loudspeaker.
    """
    if not live.is_live(folder):
        if settings is None:
            return live.open_series(folder)
        series = live.start_series(folder, settings)
    else:
        series = live.open_series(folder, settings=settings)
    try:
        require_outputs(series.settings.wiring)
        if is_rehearsal(series.settings.wiring) and not series.planned.session.loudspeaker.invented:
            raise InputError.of("app.simulated_wire", where=str(series.folder))
    except InputError:
        series.close()
        raise
    return series


def calibrate(
    folder: Path,
    wiring: Wiring,
    *,
    level_db: float = 94.0,
    frequency_hz: float = 1000.0,
    duration_s: float = 6.0,
    sound: AudioHost | None = None,
    silencer: guard.Silencer | None = None,
    tell: Tell | None = None,
) -> Calibrated:
    """Record a sound calibrator on the microphone; a good one becomes calibrator.wav in the folder.

    Nothing is played, and only the input device is opened. An earlier recording and one with faults go to `spoiled/`.
    InputError where the device does not open or another program records into the folder, DeviceLostError where the
    device goes away.
    """
    wiring = replace(wiring, outputs=(), reference=None)
    if not folder.is_dir():
        raise InputError.of("app.calibrator_folder", where=str(folder), folder=folder)
    card = sound_for(wiring) if sound is None else sound
    switch = guard.Silencer() if silencer is None else silencer
    path = folder / CALIBRATOR_FILE
    part = path.with_name(path.name + PART)
    lock = FolderLock(folder)
    try:
        if part.exists():
            recover(part, _free(folder))
        file = GrowingRecording(part, wiring.rate_hz, wiring.input_channels)
        outlet = guard.Outlet(
            silent_source(duration_s, wiring.rate_hz), wiring, guard.OutputLimits(highest_dbfs=-200.0), switch
        )
        try:
            lost = run_stream(card, wiring, outlet, file, round(duration_s * wiring.rate_hz), tell=tell)
        finally:
            file.close()
        if lost is not None:
            recover(part, _free(folder))
            raise lost
        samples, _ = read_part(part)
        heard = samples[:, wiring.microphone - 1].astype(np.float64)
        reading = read_calibrator(heard, wiring.rate_hz, level_db=level_db, frequency_hz=frequency_hz)
        if reading.fs_per_pa is None or switch.pressed:
            recover(part, _free(folder))
            return Calibrated(reading, None, ())
        if path.exists():
            move(path, _free(folder))
        recover(part, path)
    finally:
        lock.release()
    lines = (
        "[microphone.calibrator]",
        f'file = "{CALIBRATOR_FILE}"',
        f"level_db = {float(level_db)}",
        f"frequency_hz = {float(frequency_hz)}",
        f"channel = {wiring.microphone}",
    )
    return Calibrated(reading, path, lines)


def sensitivity_of(folder: Path) -> float | None:
    """Digital full scale for each pascal by session.toml or its calibrator recording; None where neither tells."""
    try:
        document = tomllib.loads((folder / "session.toml").read_text(encoding="utf-8-sig"))
        microphone = document.get("microphone", {})
        if isinstance(stated := microphone.get("sensitivity_fs_per_pa"), int | float) and stated > 0:
            return float(stated)
        told = microphone.get("calibrator")
        name = str(told["file"]) if told else CALIBRATOR_FILE
        found = read_audio(folder / name)
        channel = int(told.get("channel", 1)) if told else 1
        level = float(told.get("level_db", 94.0)) if told else 94.0
        tone = float(told.get("frequency_hz", 1000.0)) if told else 1000.0
        return read_calibrator(found.samples[channel - 1], found.rate_hz, level_db=level, frequency_hz=tone).fs_per_pa
    except (OSError, ValueError, KeyError, TypeError, AttributeError, IndexError, EarwitnessError):
        return None


def check_levels(
    series: live.Series,
    target_db: float,
    distance_m: float,
    *,
    sound: AudioHost | None = None,
    silencer: guard.Silencer | None = None,
    tell: Tell | None = None,
    alive: Alive | None = None,
    budget_file: Path | None = None,
) -> tuple[LevelsChecked, live.Series]:
    """Raise the level from silence to target_db at the microphone, then look at the loop-back; the journal keeps both.

    InputError where the microphone's sensitivity is not known.
    """
    fs_per_pa = sensitivity_of(series.folder)
    if fs_per_pa is None:
        raise InputError.of("app.sensitivity_unknown", where=str(series.folder), series=series)
    wiring = _session_wiring(series)
    card = sound_for(wiring) if sound is None else sound
    switch = guard.Silencer() if silencer is None else silencer
    limits = series.settings.limits
    wanted = Wanted(target_db, fs_per_pa, distance_m)
    level = set_level(card, wiring, wanted, limits=limits, silencer=switch, tell=tell, alive=alive)
    count_exposure(level.ear_db, level.played_s, budget_file)
    if level.calibration is None:
        return LevelsChecked(level, None, None), series
    peak = min(level.output_dbfs + 10.0 * np.log10(2.0), limits.highest_dbfs)
    loopback = None
    if wiring.reference is not None and not switch.pressed:
        loopback = _look_at_loopback(card, wiring, series, peak_dbfs=float(peak), switch=switch, tell=tell, alive=alive)
    settings = replace(series.settings, peak_dbfs=round(float(peak), 2), calibration=level.calibration)
    return LevelsChecked(level, loopback, settings.peak_dbfs), live.change_settings(series, settings)


def check_loopback(
    series: live.Series,
    *,
    sound: AudioHost | None = None,
    silencer: guard.Silencer | None = None,
    tell: Tell | None = None,
    alive: Alive | None = None,
) -> LoopbackReading:
    """Look at the loop-back alone with a sweep of one second, LOOPBACK_PEAK_DBFS at most: levels need not be known.

    InputError where session.toml names no loop-back or nothing was heard, DeviceLostError.
    """
    wiring = _session_wiring(series)
    if wiring.reference is None:
        raise InputError.of("app.no_loop_back", where=str(series.folder))
    card = sound_for(wiring) if sound is None else sound
    switch = guard.Silencer() if silencer is None else silencer
    peak = min(series.settings.peak_dbfs, LOOPBACK_PEAK_DBFS)
    return _look_at_loopback(card, wiring=wiring, series=series, peak_dbfs=peak, switch=switch, tell=tell, alive=alive)


def record(
    series: live.Series,
    *,
    sound: AudioHost | None = None,
    before: Callable[[live.TakeState], Answer] | None = None,
    decide: Callable[[Recorded], bool] | None = None,
    told: Callable[[live.TakeState, Recorded], None] | None = None,
    silencer: guard.Silencer | None = None,
    tell: Tell | None = None,
    alive: Alive | None = None,
    only: str | None = None,
    away: bool = False,
    budget_file: Path | None = None,
    table: Turntable | None = None,
) -> RecordingDone:
    """Record every open take, or `only` one, in order; the journal is kept after each.

    before : asked before each take ("go" by default); decide : whether to keep a whole but faulty recording; told :
    after each attempt. It stops at the abort key and at a device that went away; take up again with `begin_or_open`.
    table : turns before each take; it is stopped, and so is the run, at whatever is odd about it (TurntableError), at
    a take that does not fit its angle, and where hands are needed: for another orbit, or a take without an angle.
    InputError where `only` is no take or is recorded already, and where kept takes hold another signal than the open
    ones would: with `only` they can be repeated one by one.
    """
    _require_sensible(series, only)
    card = sound_for(series.settings.wiring) if sound is None else sound
    switch = guard.Silencer() if silencer is None else silencer
    fs_per_pa = sensitivity_of(series.folder)
    turner = Turner(series, table, card, fs_per_pa, lambda: not switch.pressed and (alive is None or alive()))
    run = _Run(series, card, turner=turner, switch=switch, tell=tell, alive=alive, away=away, budget_file=budget_file)
    series.readings.clear()  # A calibration since may have set another scale.
    spoiled, stopped, hands = 0, "", ""

    def after(state: live.TakeState, done: Recorded) -> None:
        nonlocal spoiled
        spoiled += not done.verdict.keep
        if told is not None:
            told(state, done)

    side = turner.at_the_side(only)
    if side is not None:
        stopped = turner.opened(side, run.check(side, before))
    for state in () if stopped else live.states(series):
        if state.state != "open" or (only is not None and state.id != only):
            continue
        if hands := turner.needs_hands(state):
            break
        answer = "go" if before is None else before(state)
        if answer == "stop":
            stopped = "as you wished"
        if switch.pressed:
            stopped = switch.reason
        if stopped:
            break
        if answer != "skip" and (stopped := run.take(state, decide, after)):
            break
    checks = turner.checks(side, run.check(side, before)) if side is not None and not stopped else ()
    budget = exposure_today(budget_file)
    dose = budget.dose_percent if budget.exposures else None
    return RecordingDone(live.states(series), spoiled, stopped or switch.reason or hands, dose, checks)


@dataclass(frozen=True, slots=True)
class _Run:
    """What all takes of one run are recorded with."""

    series: live.Series
    card: AudioHost
    turner: Turner
    switch: guard.Silencer
    tell: Tell | None
    alive: Alive | None
    away: bool
    budget_file: Path | None

    def take(
        self,
        state: live.TakeState,
        decide: Callable[[Recorded], bool] | None,
        told: Callable[[live.TakeState, Recorded], None],
    ) -> str:
        """Turn and record until it is good; returns why the run must stop, or nothing."""
        self._prepare(state)

        def after(done: Recorded) -> None:
            self._count(state, done)
            told(state, done)

        done = live.record_until_good(
            self.series, state.id, self.card, decide=decide, after=after, silencer=self.switch, tell=self.tell,
            alive=self.alive, fs_per_pa=self.turner.fs_per_pa,
        )  # fmt: skip
        if done.lost is not None or self.switch.pressed:
            return done.lost.what if done.lost is not None else self.switch.reason
        return self.turner.doubts(state, done)

    def check(self, side: live.TakeState, before: Callable[[live.TakeState], Answer] | None) -> Recorded:
        """The turntable's own check of a place; its part is not kept."""
        if before is not None:
            before(side)
        self._prepare(side)
        made = live.attempt(
            self.series, side.id, self.card, silencer=self.switch, tell=self.tell, alive=self.alive,
            fs_per_pa=self.turner.fs_per_pa, closing=True,
        )  # fmt: skip
        self._count(side, made)
        return made

    def _prepare(self, state: live.TakeState) -> None:
        settings = self.series.settings
        level = _predicted_db(self.series, state.id) if settings.calibration is not None else None
        if level is not None:
            time_s = _played(self.series, state.id).size / settings.wiring.rate_hz
            ear_db = guard.at_tester_db(level, settings.limits)
            guard.require_budget(exposure_today(self.budget_file), ear_db, time_s, away=self.away)
        self.turner.turn(state)

    def _count(self, state: live.TakeState, done: Recorded) -> None:
        ear_db = None if self.away else _ear_db(self.series, state.id, done, self.turner.fs_per_pa)
        count_exposure(ear_db, done.played_s, self.budget_file)


def _require_sensible(series: live.Series, only: str | None) -> None:
    if only is None:
        other = [one for one in live.unlike(series) if one.louder_db is None]
        if other and live.next_open(series) is not None:
            raise InputError(
                " ".join(one.sentence for one in other) + " Nothing was played.",
                where=str(series.folder),
                expected="one signal for all takes of a session",
                remedy=worded("app.repeat_takes", series=series, take=other[0].takes[0]),
            )
        return
    series.planned.take(only)
    if all(one.state != "open" for one in live.states(series) if one.id == only):
        raise InputError.of("app.take_recorded", where=str(series.folder), only=only, series=series)


def cautions(series: live.Series) -> tuple[str, ...]:
    """What to read before anything is played: safety, the limits in force, and how loud it will be."""
    limits, calibration = series.settings.limits, series.settings.calibration
    lines = [*guard.SAFETY]
    lines.append(f"Nothing is played above {limits.highest_dbfs:g} dB re full scale.")
    if calibration is None:
        lines.append("The level is not calibrated, so its sound pressure is unknown. Set the level first.")
        return tuple(lines)
    loudest = max((_predicted_db(series, one) or -200.0 for one in _unlike_takes(series)), default=-200.0)
    ear = guard.at_tester_db(loudest, limits)
    lines.append(worded("app.how_loud", loudest=loudest, ear=ear, limits=limits))
    return tuple(lines)


def remarks(series: live.Series) -> tuple[str, ...]:
    """What makes live takes worse than they could be, and what to do: in session.toml, and between takes."""
    told = series.planned.session
    lines = []
    if told.played.lead_in_s < SHORTEST_LEAD_IN_S:
        lines.append(worded("app.short_lead_in", told=told))
    if told.reference is None:
        lines.append("Without a loop-back, [reference], time is not known and short gaps can hide.")
    lines += [one.sentence for one in live.unlike(series)]
    return tuple(lines)


def _look_at_loopback(
    card: AudioHost,
    wiring: Wiring,
    series: live.Series,
    peak_dbfs: float,
    switch: guard.Silencer,
    tell: Tell | None,
    alive: Alive | None,
) -> LoopbackReading:
    """A sweep of one second with this peak."""
    rate = wiring.rate_hz
    sweep = sweep_samples(sweep_law(50.0, 16_000.0, 1.0), rate, fade_in_s=0.05, fade_out_s=0.01)
    played = sweep * 10.0 ** (peak_dbfs / 20.0)
    room = np.zeros(rate)
    blocks: list[Block] = []
    source = guard.FixedSignal(np.concatenate([np.zeros(rate // 4), played, room]))
    outlet = guard.Outlet(source, wiring, series.settings.limits, switch)
    lost = run_stream(card, wiring, outlet, None, 9 * rate // 4, tell=tell, alive=alive, hear=blocks.append)
    if lost is not None:
        raise lost
    if not blocks or wiring.reference is None:
        raise InputError("the sound card gave nothing back", remedy="check the device, then look again")
    heard = np.concatenate(blocks)[:, wiring.reference - 1].astype(np.float64)
    return read_loopback(played, heard[rate // 4 :])


def _session_wiring(series: live.Series) -> Wiring:
    session = series.planned.session
    channels = [one.microphone_channel for one in series.planned.live]
    return replace(
        series.settings.wiring,
        microphone=channels[0] if channels else 1,
        reference=None if session.reference is None else session.reference.channel,
    )


def _played(series: live.Series, take_id: str) -> FloatArray:
    take = series.planned.take(take_id)
    settings = series.settings
    return signal_for(series.planned, take, settings.wiring.rate_hz, settings.peak_dbfs).samples


def _unlike_takes(series: live.Series) -> tuple[str, ...]:
    """One take of each loudness: the angles of an orbit play the same."""
    found: dict[object, str] = {}
    for one in series.planned.live:
        key = (one.kind, one.drive_v) if isinstance(one, FarFieldTake) else one.id
        found.setdefault(key, one.id)
    return tuple(found.values())


def _predicted_db(series: live.Series, take_id: str) -> float | None:
    settings = series.settings
    loud = guard.loudness_of(_played(series, take_id), settings.wiring.rate_hz, settings.limits, settings.calibration)
    return loud.level_1m_db


def _ear_db(series: live.Series, take_id: str, done: Recorded, fs_per_pa: float | None) -> float | None:
    """Level at the tester as measured in the take, else as predicted; None where neither is known."""
    distance = distance_of(series.planned.take(take_id))
    limits = series.settings.limits
    if fs_per_pa is not None and distance is not None and done.verdict.level_dbfs > -120.0:
        at_microphone = done.verdict.level_dbfs - 20.0 * float(np.log10(fs_per_pa * REFERENCE_PA))
        return guard.at_tester_db(at_microphone + 20.0 * float(np.log10(distance)), limits)
    level = _predicted_db(series, take_id)
    return None if level is None else guard.at_tester_db(level, limits)


def _free(folder: Path) -> Path:
    number = 1
    while (path := folder / live.SPOILED / f"calibrator-{number}.wav").exists():
        number += 1
    return path
