"""Highest clean level: how loud each frequency gets before distortion or compression passes a stated limit.

Compression is how much less than expected the level rises from step to step of a level series.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from earwitness.dsp.signals import BurstReading
from earwitness.errors import InputError
from earwitness.figures.distortion import AT_ONE_METER, MARGIN_DB, Distortion, distortion, level_key, level_series
from earwitness.figures.registry import figure_infos
from earwitness.figures.sampling import smoothed
from earwitness.files.data import worded
from earwitness.quantities import REFERENCE_PRESSURE_PA, Curve, Figure, Harmonics, NoiseRun
from earwitness.quantities.arrays import BoolArray, FloatArray, IntArray, Locked
from earwitness.standards.cta2010 import BurstMask

LEAST_SNR_DB = 20.0
COMPRESSION_BAND_HZ = (50.0, 5000.0)
# Repeatability of two takes minutes apart, where no repeated take shows it (project default).
U_REPEAT_DB = 0.1
WARM_K = 1.5
REFERENCE = "dB less than the lowest level promises"
COMPRESSION_FIGURES = figure_infos("compression")


@dataclass(frozen=True, slots=True, eq=False)
class Compression:
    """Compression of a level series, positive = loss [dB].

    total : per level above the lowest, against the lowest; steps : per level, against the level below
    drift : change of a level recorded twice, last against first, or None; caveats : order, heat and drift in words
    """

    drive_v: tuple[float, ...]
    total: tuple[Curve, ...]
    steps: tuple[Curve, ...]
    drift: Curve | None
    caveats: tuple[str, ...]


def compression(
    takes: Sequence[Harmonics],
    *,
    recorded: Sequence[str] = (),
    temperature_c: Mapping[str, float] | None = None,
    recovery_s: float | None = None,
    u_voltage_db: float = 0.05,
    lineage: tuple[str, ...] = (),
) -> Compression:
    """C(f, V) = L(f, V0) + 20 lg(V / V0) - L(f, V) of the fundamental, V0 the lowest level.

    takes : of one place, repeats of a level allowed; recorded : ids in the order they were recorded, so that drift
    and heat can be told; temperature_c : air at each take; recovery_s : shortest pause between takes
    u_voltage_db : standard uncertainty of a ratio of voltages

    A sweep passes each frequency once: this is instantaneous compression, with the heat that the sweep itself leaves.
    InputError for fewer than two levels, or takes of different places.
    """
    series = level_series(_in_order(takes, recorded))
    if len(series) < 2:
        raise InputError.of("figures.one_level_only", where=f"take {series[0].take}")
    drift = _drift(takes, recorded, lineage)
    changed = None if drift is None else np.abs(drift.values)
    base = series[0]

    def against(low: Harmonics, high: Harmonics, name: str, words: str) -> Curve:
        gain = 20.0 * math.log10(high.drive_v / low.drive_v)
        values = low.fundamental_db + gain - high.fundamental_db
        noise = np.hypot(_u_noise(low), _u_noise(high))
        repeat = np.full(values.size, U_REPEAT_DB) if changed is None else np.hypot(changed / math.sqrt(3.0), 0.03)
        valid = _told(low) & _told(high) & (_snr_db(low) >= LEAST_SNR_DB)
        reference = REFERENCE if low is base else "dB less than the level below promises"
        key, u = f"{name}@{level_key(high.drive_v)}", np.hypot(noise, repeat)
        return Curve.of(
            key, words, low.axis, values, valid, u=u, u_common=u_voltage_db, reference=reference, lineage=lineage
        )

    total = tuple(against(base, take, "compression", "compression") for take in series[1:])
    steps = tuple(against(low, high, "compression_step", "compression of one step") for low, high in pairwise(series))
    notes = _caveats(takes, recorded, temperature_c or {}, recovery_s, drift)
    return Compression(tuple(take.drive_v for take in series), total, steps, drift, notes)


def _in_order(takes: Sequence[Harmonics], recorded: Sequence[str]) -> list[Harmonics]:
    place = {name: row for row, name in enumerate(recorded)}
    return sorted(takes, key=lambda take: place.get(take.take, len(place)))


def _told(take: Harmonics) -> BoolArray:
    """(F,) where the fundamental's level was measured."""
    known = take.valid.any(axis=0) if take.level_known is None else take.level_known
    return np.asarray(known, dtype=np.bool_)


def _snr_db(take: Harmonics) -> FloatArray:
    """(F,) of the fundamental: noise of the harmonics is known at 2 f and above, the nearest stands for it."""
    hz = take.axis.hz
    at = hz * max(take.orders[0], 1)
    floor = np.interp(np.log2(hz), np.log2(at), take.noise_db[0])
    return np.asarray(take.fundamental_db - floor, dtype=np.float64)


def _u_noise(take: Harmonics) -> FloatArray:
    return np.asarray(
        20.0 / math.log(10.0) * 10.0 ** (-np.maximum(_snr_db(take), 0.0) / 20.0) / math.sqrt(2.0), dtype=np.float64
    )


def _drift(takes: Sequence[Harmonics], recorded: Sequence[str], lineage: tuple[str, ...]) -> Curve | None:
    """Last against first take of the lowest repeated level, in the order recorded."""
    by_level: dict[float, list[Harmonics]] = {}
    for take in _in_order(takes, recorded):
        by_level.setdefault(take.drive_v, []).append(take)
    repeated = [volts for volts in sorted(by_level) if len(by_level[volts]) > 1]
    if not repeated:
        return None
    first, last = by_level[repeated[0]][0], by_level[repeated[0]][-1]
    values = last.fundamental_db - first.fundamental_db
    u = np.hypot(_u_noise(first), _u_noise(last))
    key, words = f"level_drift@{level_key(repeated[0])}", "change of the same level over the series"
    valid = np.asarray(first.valid.any(axis=0), dtype=bool)
    return Curve.of(key, words, first.axis, values, valid, u=u, reference="dB against the first take", lineage=lineage)


def _caveats(
    takes: Sequence[Harmonics],
    recorded: Sequence[str],
    temperature_c: Mapping[str, float],
    recovery_s: float | None,
    drift: Curve | None,
) -> tuple[str, ...]:
    notes = ["instantaneous: what a sweep shows, the coils are hotter after long music"]
    volts = [take.drive_v for take in _in_order(takes, recorded)]
    if not recorded:
        notes.append("the order of the takes is not known, so heat left by a louder take cannot be told")
    elif any(later < earlier for earlier, later in pairwise(volts)) and drift is None:
        notes.append("a quieter take was recorded after a louder one and may still have been warm")
    if drift is None:
        notes.append("no level was recorded twice, so drift is not known")
    elif drift.valid.any():
        most = float(np.median(np.abs(drift.values[drift.valid])))
        notes.append(f"the level recorded again at the end had changed by {most:.2f} dB (median)")
    known = [temperature_c[take.take] for take in takes if take.take in temperature_c]
    if known and max(known) - min(known) > WARM_K:
        notes.append(f"the air warmed or cooled by {max(known) - min(known):.1f} K during the series")
    notes.append(
        "the pause between the takes is not stated"
        if recovery_s is None
        else f"the coils rested {recovery_s:g} s or more between the takes"
    )
    return tuple(notes)


def compression_figures(found: Compression, *, band_hz: tuple[float, float] = COMPRESSION_BAND_HZ) -> dict[str, Figure]:
    """Largest and mean compression of every level above the lowest, by key with the level behind "@"."""
    figures: dict[str, Figure] = {}
    for volts, curve in zip(found.drive_v[1:], found.total, strict=True):
        for name in ("compression_largest", "compression_mean"):
            figure = _figure(name, volts, curve, band_hz, found.caveats)
            figures[figure.key] = figure
    return figures


def _figure(name: str, volts: float, curve: Curve, band_hz: tuple[float, float], caveats: tuple[str, ...]) -> Figure:
    hz = curve.axis.hz
    inside = (hz >= band_hz[0]) & (hz <= band_hz[1])
    usable = inside & curve.valid
    asked = INFO[name].asked(curve.lineage, band_hz, at=level_key(volts))
    if np.count_nonzero(usable) < 0.9 * np.count_nonzero(inside) or not usable.any():
        return asked.refused("noise is too near to the lowest level in part of the band")
    if name == "compression_mean":
        steps = np.gradient(np.log2(hz))[usable]
        value = float(np.average(curve.values[usable], weights=steps))
        u = float(np.average(curve.u_total[usable], weights=steps))
    else:
        smooth = smoothed(curve, 3)
        row = int(np.flatnonzero(usable)[np.argmax(smooth.values[usable])])
        value, u = float(smooth.values[row]), float(curve.u_total[row])
        caveats = (f"at {hz[row]:.0f} Hz", *caveats)
    return asked.judged(value, u, *caveats)


def long_term(run: NoiseRun, *, lineage: tuple[str, ...] = ()) -> Curve:
    """Loss (F,) from the start of a noise run to its end, third octave by third octave [dB].

    The same signal at the same voltage, so drive and calibration cancel.
    """
    key, words = f"compression_long_term@{level_key(run.drive_v)}", f"loss after {run.after_s:g} s of noise"
    loss = run.start_db - run.hot_db
    return Curve.of(
        key, words, run.axis, loss, run.valid, u=run.u_db, reference="dB less than at the start", lineage=lineage
    )


def long_term_figure(
    run: NoiseRun, *, band_hz: tuple[float, float] = COMPRESSION_BAND_HZ, lineage: tuple[str, ...] = ()
) -> Figure:
    """Largest loss of a noise run, its key with the level behind "@"."""
    curve, hz = long_term(run, lineage=lineage), run.axis.hz
    asked = INFO["compression_long_term"].asked(lineage, band_hz, at=level_key(run.drive_v))
    inside = (hz >= band_hz[0]) & (hz <= band_hz[1])
    usable = inside & curve.valid
    if np.count_nonzero(usable) < 0.5 * np.count_nonzero(inside):
        return asked.refused("noise is too near, or the run too short, in half of the band")
    row = int(np.flatnonzero(usable)[np.argmax(curve.values[usable])])
    caveats = [f"at {hz[row]:.0f} Hz", f"after {run.after_s:g} s of noise of {run.drive_v:g} V rms"]
    if np.count_nonzero(usable) < np.count_nonzero(inside):
        rows = np.flatnonzero(usable)
        caveats.append(f"judged from {hz[rows[0]]:.0f} Hz to {hz[rows[-1]]:.0f} Hz")
    if not run.against_reference:
        caveats.append("there is no loop-back, so the noise's own ups and downs are in it")
    return asked.judged(float(curve.values[row]), float(curve.u_total[row]), *caveats)


BAND_HZ = (50.0, 10_000.0)
MEAN_BAND_HZ = (300.0, 3000.0)
HIGH_PASS_HZ = 80.0
HIGH_PASS_ORDER = 4
HIGHEST_LEVEL_FIGURES = figure_infos("highest_level")
INFO = {info.key: info for info in (*COMPRESSION_FIGURES, *HIGHEST_LEVEL_FIGURES)}
REASONS = ("", "distortion", "compression")


@dataclass(frozen=True, slots=True)
class CleanLimits:
    """What counts as clean; no source, limits and edges are own choices.

    bass_percent up to bass_hz, percent from full_hz on, between them a straight line in dB over log frequency, so that
    no figure hangs on which side of a step a frequency lies; compression_db against the lowest level.
    InputError for limits that are not above 0, or edges that do not rise.
    """

    bass_percent: float = 10.0
    percent: float = 3.0
    bass_hz: float = 50.0
    full_hz: float = 200.0
    compression_db: float = 3.0

    def __post_init__(self) -> None:
        sizes = (self.bass_percent, self.percent, self.compression_db, self.bass_hz)
        if not all(x > 0.0 and math.isfinite(x) for x in sizes) or not self.bass_hz < self.full_hz < math.inf:
            raise InputError("limits of a clean level are above 0, their edges rise", remedy="correct the limits")

    def distortion_db(self, hz: FloatArray) -> FloatArray:
        """(F,) limit as level against the fundamental."""
        edges = np.log([self.bass_hz, self.full_hz])
        ends = 20.0 * np.log10(np.array([self.bass_percent, self.percent]) / 100.0)
        return np.asarray(np.interp(np.log(hz), edges, ends), dtype=np.float64)

    def words(self) -> str:
        return worded("figures.clean_limits", given=self)


@dataclass(frozen=True, slots=True, eq=False)
class CleanLevel(Locked):
    """Highest clean level per frequency.

    level : [dB SPL at 1 m]; bound (F,) : +1 the highest step is still clean ("at least"), -1 the lowest is not
    ("at most"), 0 interpolated; reason (F,) : index into REASONS of what limits it; drive_db (F,) : voltage there
    [dB re 1 V]; steps_db, mean_db (L,) : voltage of each step and its level, energy mean from 300 Hz to 3 kHz
    """

    level: Curve
    bound: IntArray
    reason: IntArray
    drive_db: FloatArray
    steps_db: FloatArray
    mean_db: FloatArray
    limits: CleanLimits


def highest_clean_level(
    takes: Sequence[Harmonics],
    *,
    limits: CleanLimits | None = None,
    squeezed: Compression | None = None,
    distortions: Sequence[Distortion] | None = None,
    u_level_db: float = 0.0,
    lineage: tuple[str, ...] = (),
) -> CleanLevel:
    """Per frequency, the level between the last clean and the first step that is not; linear in dB of the limit.

    takes : a level series at 1 m (see `at_one_meter`), no clipped ones; u_level_db : standard uncertainty of their
    levels, calibration and all; squeezed, distortions : of the series, quietest first, where they are known. A step
    whose distortion noise covers and that may or may not be clean is passed over. Both limits are looked for, the
    lower level counts; with equal ones distortion is named. Where no step tells, the curve is invalid. InputError for
    a series of one level.
    """
    series = level_series(takes)
    allowed = CleanLimits() if limits is None else limits
    found = compression(takes, lineage=lineage) if squeezed is None else squeezed
    hz, axis = series[0].axis.hz, series[0].axis
    volts_db = np.array([20.0 * math.log10(take.drive_v) for take in series])
    level = np.array([take.fundamental_db for take in series])
    each = [distortion(take) for take in series] if distortions is None else distortions
    limit = allowed.distortion_db(hz)
    size = np.array([np.where(one.total.valid, one.total.values, one.at_most_db) for one in each]) - limit
    told = np.array([one.known & (one.total.valid | (one.at_most_db <= limit)) for one in each])
    loss = np.vstack([np.zeros(hz.size), *(curve.values for curve in found.total)]) - allowed.compression_db
    sure = np.vstack([np.ones(hz.size, dtype=bool), *(curve.valid for curve in found.total)])
    by_distortion, bound_d, slope_d, any_d = _crossing(size, told, volts_db)
    by_compression, bound_c, slope_c, any_c = _crossing(loss, sure, volts_db)
    first_is_lower = by_distortion <= by_compression
    drive = np.where(first_is_lower, by_distortion, by_compression)
    bound = np.where(first_is_lower, bound_d, bound_c)
    # Both "at least" the highest level: nothing limits it.
    free = (bound_d == 1) & (bound_c == 1)
    reason = np.where(free, 0, np.where(first_is_lower, 1, 2))
    told_both = np.asarray(any_d & any_c & sure[1:].any(axis=0), dtype=bool)
    reached = np.where(told_both, _level_at(drive, volts_db, level), level[-1])
    slope = np.where(first_is_lower, slope_d, slope_c)
    u_limit = np.where(first_is_lower, np.array([one.total.u for one in each]).max(axis=0), found.total[-1].u)
    u = np.where(bound == 0, np.minimum(u_limit / np.maximum(slope, 0.1), 6.0), 0.0)
    key, name = "highest_clean_level", "highest clean level"
    curve = Curve.of(
        key, name, axis, reached, told_both, u=u, u_common=u_level_db, reference=AT_ONE_METER, lineage=lineage
    )
    middle = (hz >= MEAN_BAND_HZ[0]) & (hz <= MEAN_BAND_HZ[1])
    mean = 10.0 * np.log10(np.mean(10.0 ** (level[:, middle if middle.any() else slice(None)] / 10.0), axis=1))
    return CleanLevel(curve, bound, reason, drive, volts_db, mean, allowed)


def _crossing(
    over: FloatArray, told: BoolArray, volts_db: FloatArray
) -> tuple[FloatArray, IntArray, FloatArray, BoolArray]:
    """Drive (F,) [dB re 1 V] at which over (L, F) first rises above 0, bound, slope per dB there, and whether told."""
    steps, column = np.arange(over.shape[0])[:, None], np.arange(over.shape[1])
    any_told = np.asarray(told.any(axis=0), dtype=bool)
    failing = told & (over > 0.0)
    fails, any_fails = failing.argmax(axis=0), failing.any(axis=0)
    passed = told & (steps < fails)
    between = any_fails & passed.any(axis=0)
    last = steps.size - 1 - passed[::-1].argmax(axis=0)
    # Where nothing fails, nothing above the highest step that was told.
    highest = np.where(any_told, steps.size - 1 - told[::-1].argmax(axis=0), steps.size - 1)
    rise = np.where(between, over[fails, column] - over[last, column], 1.0)
    slope = rise / np.where(between, volts_db[fails] - volts_db[last], 1.0)
    crossed = volts_db[last] - over[last, column] / slope
    drive = np.where(between, crossed, np.where(any_fails, volts_db[fails], volts_db[highest]))
    bound = np.where(between, 0, np.where(any_fails, -1, 1)).astype(np.int64)
    return drive, bound, slope, any_told


def _level_at(drive_db: FloatArray, volts_db: FloatArray, level: FloatArray) -> FloatArray:
    """Level (F,) at a drive (F,), linear between the steps of level (L, F)."""
    right = np.clip(np.searchsorted(volts_db, drive_db), 1, volts_db.size - 1)
    column = np.arange(drive_db.size)
    low, high = volts_db[right - 1], volts_db[right]
    part = np.clip((drive_db - low) / (high - low), 0.0, 1.0)
    return np.asarray(level[right - 1, column] * (1.0 - part) + level[right, column] * part, dtype=np.float64)


def high_pass_db(
    hz: FloatArray, *, corner_hz: float = HIGH_PASS_HZ, order: int = HIGH_PASS_ORDER
) -> FloatArray:  # fmt: skip
    """Linkwitz-Riley high-pass (F,) [dB], -6 dB at the corner: a Butterworth of half the order twice."""
    return np.asarray(-20.0 * np.log10(1.0 + (corner_hz / hz) ** order), dtype=np.float64)


def clean_level_figure(
    found: CleanLevel,
    *,
    high_pass_hz: float | None = None,
    filter_db: FloatArray | None = None,
    band_hz: tuple[float, float] = BAND_HZ,
) -> Figure:
    """Level at 1 m [dB] when the first frequency of the band passes a limit, the same voltage at every frequency.

    The level is the mean from 300 Hz to 3 kHz at that voltage, compression included. high_pass_hz : mains are crossed
    there, so that the bass gets less; filter_db : (F,) any other filter before the loudspeaker, on the level's axis.
    "at least" where no frequency limits it. Not judged where a fifth of the band is not known.
    """
    unfiltered = high_pass_hz is None and filter_db is None
    key = "highest_clean_level" if unfiltered else "highest_clean_level_high_passed"
    curve, hz = found.level, found.level.axis.hz
    asked = INFO[key].asked(curve.lineage, band_hz)
    asked = replace(asked, method=f"{asked.method.rstrip('.')}; limits: {found.limits.words()}")
    inside = (hz >= band_hz[0]) & (hz <= band_hz[1])
    usable = inside & curve.valid
    if np.count_nonzero(usable) < 0.8 * np.count_nonzero(inside) or not usable.any():
        reason = "distortion or compression is not known in a fifth of the band or more"
        rows = np.flatnonzero(curve.valid)
        if rows.size and hz[rows[0]] > band_hz[0] * 1.02:
            reason += f" (known from {hz[rows[0]]:.0f} Hz; noise, or a room without near fields, covers what is below)"
        return asked.refused(reason)
    filtered = np.zeros(hz.size) if filter_db is None else np.asarray(filter_db, dtype=np.float64)
    if high_pass_hz is not None:
        filtered = filtered + high_pass_db(hz, corner_hz=high_pass_hz)
    allowed = found.drive_db - filtered
    row = int(np.flatnonzero(usable)[np.argmin(allowed[usable])])
    free = np.flatnonzero(usable & (found.bound == 1))
    limiting = int(found.bound[row])
    value = float(np.interp(allowed[row], found.steps_db, found.mean_db))
    value += max(0.0, float(allowed[row]) - float(found.steps_db[-1]))
    bound = {1: "at least", 0: "", -1: "at most"}[limiting]
    caveats = [f"limited at {hz[row]:.0f} Hz by {REASONS[found.reason[row]]}"] if limiting != 1 else []
    if limiting == 1:
        caveats.append("the loudest take was still clean there")
    elif free.size and limiting == 0:
        caveats.append(f"{100 * free.size / np.count_nonzero(usable):.0f} % of the band was clean at the loudest take")
    if np.count_nonzero(usable) < np.count_nonzero(inside):
        caveats.append(f"judged to {hz[np.flatnonzero(usable)[-1]]:.0f} Hz")
    return asked.judged(value, float(curve.u_total[row]), *caveats, bound=bound)


def at_seat(figure: Figure, distance_m: float, *, loudspeakers: int = 1) -> Figure:
    """A clean level at a listening distance, free field: 20 lg of the distance less, 10 lg of the number more.

    loudspeakers : playing alike but not in phase. InputError unless distance_m > 0 and there is one or more.
    """
    if not (distance_m > 0.0 and math.isfinite(distance_m) and loudspeakers >= 1):
        raise InputError.of("figures.loudspeakers_at_seat", loudspeakers=loudspeakers, distance_m=distance_m)
    asked = INFO["highest_clean_level_at_seat"].asked(figure.lineage, figure.band_hz)
    if figure.value is None or figure.u is None:
        return replace(asked, band_hz=None).refused(figure.reason)
    value = figure.value - 20.0 * math.log10(distance_m) + 10.0 * math.log10(loudspeakers)
    note = f"at {distance_m:g} m, {loudspeakers} playing, no help from the room"
    return asked.judged(value, figure.u, note, *figure.caveats, bound=figure.bound)


@dataclass(frozen=True, slots=True)
class BurstVerdict:
    """passes : all harmonics under the mask; worst_order, over_db : nearest to (or furthest over) its limit."""

    passes: bool
    worst_order: int
    over_db: float


def judge_burst(reading: BurstReading, mask: BurstMask) -> BurstVerdict:
    """One burst against a mask. InputError if no harmonic of the mask was recorded."""
    rows = [(float(db) - mask.limit_db(n), n) for n, db in zip(reading.orders, reading.relative_db, strict=True)]
    if not rows:
        raise InputError(f"no harmonic of {reading.frequency_hz:g} Hz is in the recording", remedy="use a higher rate")
    over, order = max(rows)
    return BurstVerdict(over <= 0.0, order, over)


def burst_level(
    bursts: Sequence[BurstReading],
    mask: BurstMask,
    *,
    distance_m: float,
    noise_peak_pa: float = 0.0,
    u_db: float = 0.5,
    lineage: tuple[str, ...] = (),
) -> Figure:
    """Highest peak level at 1 m [dB] of bursts at one frequency that stay under the mask, samples in Pa.

    "at least" where the loudest passes, "at most" where even the quietest does not; the space the microphone stood
    in (ground plane or free field) is that of the recording. InputError for no bursts or several frequencies.
    """
    frequencies = {burst.frequency_hz for burst in bursts}
    if len(frequencies) != 1 or not distance_m > 0.0:
        raise InputError.of("figures.bursts_without_level", count=len(frequencies), distance_m=distance_m)
    frequency = frequencies.pop()
    rising = sorted(bursts, key=lambda burst: burst.peak)
    verdicts = [judge_burst(burst, mask) for burst in rising]
    failing = [row for row, verdict in enumerate(verdicts) if not verdict.passes]
    place = (failing[0] - 1) if failing else len(rising) - 1
    bound = "at least" if not failing else "at most" if place < 0 else ""
    chosen = rising[max(place, 0)]
    value = 20.0 * math.log10(chosen.peak * distance_m / REFERENCE_PRESSURE_PA)
    caveats = [f"peak, not rms; mask of {mask.edition} ({mask.source})"]
    if failing:
        stopped, louder = verdicts[failing[0]], 20.0 * math.log10(rising[failing[0]].peak / chosen.peak)
        where = f"at the next step, {louder:.1f} dB louder" if failing[0] else "even at the quietest step"
        caveats.append(f"harmonic {stopped.worst_order} passed its limit by {stopped.over_db:.1f} dB {where}")
    if noise_peak_pa > 0.0 and chosen.peak < noise_peak_pa * 10.0 ** ((40.0 + MARGIN_DB) / 20.0):
        caveats.append("noise is too near for the lowest limits of the mask")
    asked = INFO["burst_level"].asked(lineage, (frequency, frequency), at=f"{frequency:g}hz")
    return asked.judged(value, u_db, *caveats, bound=bound)


def mean_burst_level(figures: Sequence[Figure]) -> Figure:
    """Mean of the pressures of a group [dB]; not judged where one of the group is not."""
    info = INFO["burst_level_mean"]
    values = [figure.value for figure in figures if figure.value is not None]
    if not figures or len(values) < len(figures):
        return info.refused("not every frequency of the group has a level")
    bounds = {figure.bound for figure in figures} - {""}
    bound = bounds.pop() if len(bounds) == 1 else ""
    caveats = ("single levels are bounds of both kinds",) if len(bounds) else ()
    pressure = np.mean(10.0 ** (np.array(values) / 20.0))
    u = float(np.sqrt(np.mean([figure.judged_u**2 for figure in figures])))
    bands = [figure.band_hz for figure in figures if figure.band_hz is not None]
    band = (min(low for low, _ in bands), max(high for _, high in bands)) if bands else None
    return info.asked(band_hz=band).judged(float(20.0 * np.log10(pressure)), u, *caveats, bound=bound)
