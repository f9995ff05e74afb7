"""Harmonic distortion of a level series: levels at 1 m, curves per order, total, and where it passes a limit."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from earwitness.errors import InputError
from earwitness.figures.registry import figure_infos
from earwitness.figures.sampling import smoothed
from earwitness.quantities import REFERENCE_VOLTAGE_V, Asked, BoolArray, Curve, Figure, FloatArray, Harmonics

MARGIN_DB = 6.0
# Of noise alone one average in 10,000 passes the margin: quantile of the F distribution for 2 m values in the average
# and 6 times as many in the floor, 13.4 m^-0.47 dB within 0.2 dB.
_MARGIN_ONE_DB, _MARGIN_POWER = 13.4, -0.47
LIMITS_PERCENT = (1.0, 3.0)
START_HZ = 1000.0
SMOOTHING = 6
# Shortest window that an order is usually cut out with; noise beside it is new after its inverse.
_WINDOW_S = 0.15
_LOWEST_DB = -250.0
# Microphone and room between f and n f, which the correction leaves over (project default).
U_BETWEEN_DB = 0.3
RELATIVE = "dB relative to the fundamental"
AT_ONE_METER = "dB SPL at 1 m, free field"
_NAMES = {2: "2nd harmonic", 3: "3rd harmonic", 4: "4th harmonic", 5: "5th harmonic"}

DISTORTION_FIGURES = figure_infos("distortion")
INFO = {info.key: info for info in DISTORTION_FIGURES}


def level_key(drive_v: float) -> str:
    """How a level is written in keys: "2.83v"."""
    return f"{drive_v:g}v"


def figure_at(key: str, drive_v: float) -> str:
    """Key of a registry figure at one level, such as "distortion_1_percent@2.83v"."""
    return f"{key}@{level_key(drive_v)}"


def level_series(takes: Sequence[Harmonics]) -> tuple[Harmonics, ...]:
    """The takes as one series, rising drive; of takes with the same drive the first recorded stays.

    InputError unless all stand on one axis, at one place and distance, with the same orders.
    """
    if not takes:
        raise InputError("there is no take of a level series", remedy="record the stimulus at two levels or more")
    first = takes[0]
    for take in takes[1:]:
        if take.place != first.place or not math.isclose(take.distance_m, first.distance_m, rel_tol=1e-6):
            raise InputError(
                f"takes {first.take} and {take.take} of one level series stand at different places",
                where=f"{first.place} at {first.distance_m:g} m, {take.place} at {take.distance_m:g} m",
                expected="one microphone position for all levels",
                remedy="record the series without moving the microphone, or give them as two series",
            )
        if take.orders != first.orders or not take.axis.same_as(first.axis):
            raise InputError(f"take {take.take} does not stand on the axis of {first.take}", remedy="reduce them alike")
    kept: dict[float, Harmonics] = {}
    for take in takes:
        kept.setdefault(take.drive_v, take)
    return tuple(kept[volts] for volts in sorted(kept))


def near_to_one_meter_db(radius_m: float, distance_m: float, *, full_space: bool = True) -> float:
    """Level change [dB] from the center of a cone to 1 m, for k a < 1 (Keele 1974, from memory).

    radius_m : of the cone; distance_m : gap between microphone and cone; full_space : a / 4d (a box much smaller
    than the wavelength), else a / 2d (a baffle). InputError unless radius_m > 0 and distance_m >= 0.
    """
    if not (radius_m > 0.0 and distance_m >= 0.0 and math.isfinite(radius_m + distance_m)):
        raise InputError(f"a cone of radius {radius_m} m at {distance_m} m", remedy="state the driver's diameter")
    share = distance_m / radius_m
    gap = math.sqrt(1.0 + share**2) - share
    return 20.0 * math.log10(radius_m / (4.0 if full_space else 2.0) / gap)


def at_one_meter(
    series: Sequence[Harmonics],
    *,
    on_axis: Curve | None = None,
    radius_m: float | None = None,
    in_room: bool = False,
    reference_v: float = REFERENCE_VOLTAGE_V,
) -> tuple[Harmonics, ...]:
    """A level series with levels as they would be at 1 m in free field.

    on_axis : calibrated on-axis response, dB SPL at 1 m for reference_v. Where it is valid, the series' lowest level is
    laid onto it, which takes out room, distance and nearness; harmonics are moved by what holds at their own
    frequency (a distortion made before the acoustic path). Elsewhere, and without it, the geometry decides: the
    distance law for far takes, `near_to_one_meter_db` with radius_m for near ones.
    in_room : recorded far from the drivers in a room, whose reflections the distance law leaves in: an order is then
    valid only where on_axis is, at f and at n f alike (above its band, where a room adds little, at f alone).
    InputError for a near series with neither.
    """
    ordered = level_series(series)
    first, hz = ordered[0], ordered[0].axis.hz
    shift: FloatArray | None = None
    known = np.full(hz.size, not (in_room and first.place == "far-field"))
    if first.place == "far-field":
        shift = np.full(hz.size, 20.0 * math.log10(first.distance_m))
    elif radius_m is not None:
        shift = np.full(hz.size, near_to_one_meter_db(radius_m, first.distance_m))
    if on_axis is not None:
        wanted = np.interp(np.log2(hz), np.log2(on_axis.axis.hz), on_axis.values)
        doubt = np.interp(np.log2(hz), np.log2(on_axis.axis.hz), (~on_axis.valid).astype(float), left=1.0, right=1.0)
        usable = doubt < 1e-6
        if usable.any():
            laid = wanted + 20.0 * math.log10(first.drive_v / reference_v) - first.fundamental_db
            rest = np.interp(np.log2(hz), np.log2(hz[usable]), laid[usable]) if shift is None else shift
            shift = np.where(usable, laid, rest)
            known = known | usable | (hz > hz[usable][-1])
    if shift is None:
        raise InputError.of("figures.near_driver", first=first)
    return tuple(_shifted(take, shift, known) for take in ordered)


def _shifted(take: Harmonics, shift: FloatArray, known: BoolArray) -> Harmonics:
    """Levels moved by shift (F,), valid only where that is known (F,) at the fundamental and at the order."""
    hz = take.axis.hz
    # A total has no frequency of its own.
    places = [hz * max(order, 1) for order in take.orders]
    nearest = [np.minimum(np.searchsorted(hz, at), hz.size - 1) for at in places]
    own = np.array([np.interp(np.log2(at), np.log2(hz), shift) for at in places])
    return replace(
        take,
        distance_m=1.0,
        place="far-field",
        fundamental_db=take.fundamental_db + shift,
        harmonic_db=take.harmonic_db + own,
        noise_db=take.noise_db + own,
        valid=take.valid & np.array([known & known[rows] for rows in nearest]),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Distortion:
    """Distortion of one level.

    fundamental : level [dB SPL]; harmonics : one curve per order, dB relative to the fundamental, invalid out of range
    and where less than 6 dB above the noise (more where an average holds few independent values); total : of all
    orders in range, likewise
    at_most_db (F,) : total with whatever noise it holds: distortion is not above it; known (F,) where it is told
    ranges_hz : lowest and highest valid frequency per order, None where noise covers all of it
    complete_to_hz : above it, orders are out of range and the total is a lower bound
    """

    drive_v: float
    fundamental: Curve
    harmonics: tuple[Curve, ...]
    total: Curve
    at_most_db: FloatArray
    known: BoolArray
    ranges_hz: tuple[tuple[float, float] | None, ...]
    complete_to_hz: float | None


def distortion(
    take: Harmonics, *, smoothing: int = SMOOTHING, u_level_db: float = 0.0, lineage: tuple[str, ...] = ()
) -> Distortion:
    """Harmonics 2 to 5 and their total against the fundamental: HD_n(f) = |H_n(n f)| / |H_1(f)|.

    Energies are averaged over 1/smoothing octave, and the noise's is taken off, before anything is compared.
    u_level_db : standard uncertainty of the fundamental's level, calibration and all; it cancels in the ratios.

    Total after THD_F = sqrt(sum of the squares) / fundamental; orders under the noise are left out and its
    uncertainty tells how much they may hold; it is invalid where that is more than a quarter of its energy.
    """
    axis, key = take.axis, level_key(take.drive_v)
    fundamental_db, level, noise = _averaged(take, smoothing)
    margin = level - noise
    points = _new_points(take, smoothing)
    clear = take.valid & (margin >= np.maximum(MARGIN_DB, _MARGIN_ONE_DB * points**_MARGIN_POWER))
    raw = np.where(take.valid, 10.0 ** ((level - fundamental_db) / 10.0), 0.0)
    without_noise = 10.0 * np.log10(1.0 - 10.0 ** (-np.maximum(margin, 1.0) / 10.0))
    relative = level - fundamental_db + np.where(clear, without_noise, 0.0)
    u_noise = 20.0 / math.log(10.0) * 10.0 ** (-np.maximum(margin, 0.0) / 20.0) / math.sqrt(2.0)
    u_noise = u_noise / np.sqrt(points)
    u = np.hypot(u_noise, U_BETWEEN_DB)
    zeros = np.zeros(len(axis))

    def curve(name: str, words: str, values: FloatArray, u_db: FloatArray, valid: BoolArray, reference: str) -> Curve:
        return Curve.of(f"{name}@{key}", words, axis, values, valid, u=u_db, reference=reference, lineage=lineage)

    harmonics = tuple(
        curve(
            f"distortion_{order}",
            _NAMES.get(order, f"{order}th harmonic"),
            _held(relative[row], take.valid[row]),
            u[row],
            clear[row],
            RELATIVE,
        )
        for row, order in enumerate(take.orders)
        if order
    )
    energy = np.where(take.valid, 10.0 ** (relative / 10.0), 0.0)
    heard = np.where(clear, energy, 0.0).sum(axis=0)
    hidden = np.where(clear, 0.0, energy).sum(axis=0)
    safe = np.maximum(heard, 1e-20)
    # Each order's share of the total's uncertainty, then what may lie under the noise as a rectangle.
    own = np.sqrt(np.sum((np.where(clear, energy, 0.0) / safe * u_noise) ** 2, axis=0))
    extra = 10.0 * np.log10(1.0 + hidden / safe) / math.sqrt(3.0)
    in_range = np.asarray(take.valid.any(axis=0), dtype=bool)
    valid = in_range & (heard > 0.0) & (hidden <= 0.25 * heard)
    u_total = np.where(valid, np.sqrt(own**2 + extra**2 + U_BETWEEN_DB**2), 0.0)
    at_most = 10.0 * np.log10(np.maximum(raw.sum(axis=0), 1e-20))
    shown = _held(np.where(valid, 10.0 * np.log10(safe), at_most), in_range)
    words = "total of harmonics 2 to 5"
    if take.orders != (2, 3, 4, 5):
        named = " and ".join(map(str, take.orders))
        words = f"total of harmonics {named}" if take.orders[0] else "total of harmonics, as the data state it"
    total = curve("distortion_total", words, shown, u_total, valid, RELATIVE)
    return Distortion(
        take.drive_v,
        replace(
            curve("fundamental", "fundamental", fundamental_db, zeros, in_range, _reference(take)),
            u_common=zeros + u_level_db,
        ),
        harmonics=harmonics,
        total=total,
        at_most_db=at_most,
        known=in_range,
        ranges_hz=tuple(line.valid_band_hz() for line in harmonics),
        complete_to_hz=_last_hz(take, take.valid.all(axis=0)),
    )


def _last_hz(take: Harmonics, rows: BoolArray | np.bool_) -> float | None:
    found = take.axis.hz[np.flatnonzero(rows)]
    return float(found[-1]) if found.size else None


def _held(values: FloatArray, known: BoolArray) -> FloatArray:
    """Values (F,) with the nearest known one where they are not known, for the pale ends of a drawn line."""
    rows = np.flatnonzero(known)
    return (
        values[rows[np.clip(np.searchsorted(rows, np.arange(values.size)), 0, rows.size - 1)]] if rows.size else values
    )


def _averaged(take: Harmonics, smoothing: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Fundamental (F,), harmonics and noise (K, F) as energy means over 1/smoothing octave of the fundamental."""

    def mean(values: FloatArray, valid: BoolArray) -> FloatArray:
        line = Curve.of("", "", take.axis, np.maximum(values, _LOWEST_DB), valid)
        return smoothed(line, smoothing).values

    rows = [mean(values, valid) for values, valid in zip(take.harmonic_db, take.valid, strict=True)]
    floor = [mean(values, valid) for values, valid in zip(take.noise_db, take.valid, strict=True)]
    anywhere = np.asarray(take.valid.any(axis=0), dtype=bool)
    return mean(take.fundamental_db, anywhere), np.array(rows), np.array(floor)


def _new_points(take: Harmonics, smoothing: int) -> FloatArray:
    """(K, F) how many independent values of noise an average over 1/smoothing octave holds: bandwidth times window."""
    width = 2.0 ** (0.5 / smoothing) - 2.0 ** (-0.5 / smoothing)
    turns = np.outer(np.maximum(np.array(take.orders, dtype=np.float64), 1.0), take.axis.hz)
    return np.asarray(np.maximum(turns * width * _WINDOW_S, 1.0), dtype=np.float64)


def _reference(take: Harmonics) -> str:
    far = take.place == "far-field" and math.isclose(take.distance_m, 1.0)
    return AT_ONE_METER if far else f"dB SPL at the microphone, {take.distance_m:g} m"


def in_percent(curve: Curve) -> Curve:
    """A relative level [dB] as percent, with its uncertainty; the key gains "_percent"."""
    values = 100.0 * 10.0 ** (curve.values / 20.0)
    slope = values * math.log(10.0) / 20.0
    name, _, level = curve.key.partition("@")
    return replace(
        curve,
        key=f"{name}_percent@{level}" if level else f"{name}_percent",
        values=values,
        u=curve.u * slope,
        u_common=curve.u_common * slope,
        unit="%",
        reference="% of the fundamental",
    )


def passes_limit(found: Distortion, limit_percent: float, *, start_hz: float = START_HZ) -> Figure:
    """Frequency at which the total first passes a limit, down from start_hz; linear in dB against log frequency.

    "at most" where it does not pass it down to the lowest frequency that can be judged: where noise covers the
    distortion, it is below the limit if distortion and noise together are. Not judged where the limit is passed, or
    covered by noise, already at start_hz.
    """
    key, curve, hz = f"distortion_{limit_percent:g}_percent", found.total, found.total.axis.hz
    method = f"First frequency, down from {start_hz:g} Hz, at which the total passes {limit_percent:g} %."
    method = INFO[key].method if key in INFO else method
    asked = Asked(figure_at(key, found.drive_v), "Hz", method, lineage=curve.lineage)
    limit = 20.0 * math.log10(limit_percent / 100.0)
    level = np.where(curve.valid, curve.values, found.at_most_db)
    rows = np.flatnonzero(found.known & (hz <= start_hz * (1 + 1e-9)))
    if not rows.size or hz[-1] < start_hz * (1 - 1e-9):
        return asked.refused(f"distortion is not known at {start_hz:g} Hz")
    rows = rows[::-1]
    gap = np.flatnonzero(np.diff(rows) != -1)
    rows = rows[: gap[0] + 1] if gap.size else rows
    over = np.flatnonzero(level[rows] > limit)
    if not over.size:
        low = float(hz[rows[-1]])
        return replace(asked, band_hz=(low, start_hz)).judged(low, bound="at most")
    first = int(over[0])
    if first == 0 and not curve.valid[rows[0]]:
        return asked.refused(f"noise covers what would be {limit_percent:g} % distortion already at {start_hz:g} Hz")
    if not curve.valid[rows[first]]:
        low = float(hz[rows[first - 1]])
        note = f"below {low:.0f} Hz noise covers what would be {limit_percent:g} %"
        return replace(asked, band_hz=(low, start_hz)).judged(low, 0.0, note, bound="at most")
    if first == 0:
        share = 100.0 * 10.0 ** (level[rows[0]] / 20.0)
        return asked.refused(f"distortion is {share:.2g} % already at {start_hz:g} Hz")
    above, below = rows[first - 1], rows[first]
    rise = level[below] - level[above]
    part = (limit - level[above]) / rise
    octaves = math.log2(hz[below] / hz[above])
    value = float(hz[above] * 2.0 ** (part * octaves))
    u = value * math.log(2.0) * float(curve.u_total[below]) / max(abs(rise / octaves), 1e-9)
    return replace(asked, band_hz=(float(hz[rows[-1]]), start_hz)).judged(value, min(u, value))


def largest(found: Distortion, *, band_hz: tuple[float, float] = (100.0, 5000.0)) -> Figure:
    """Largest total in a band in percent of the fundamental; not judged where less than half the band is valid."""
    asked = INFO["distortion_largest"].asked(found.total.lineage, band_hz, at=level_key(found.drive_v))
    curve, hz = found.total, found.total.axis.hz
    inside = (hz >= band_hz[0]) & (hz <= band_hz[1])
    usable = inside & curve.valid
    if not usable.any():
        quiet = inside & found.known
        if quiet.any():
            most = 100.0 * 10.0 ** (float(np.max(found.at_most_db[quiet])) / 20.0)
            return asked.judged(most, 0.0, "noise covers all of it", bound="at most")
        return replace(asked, lineage=()).refused("the sweep does not cover the band")
    percent = in_percent(curve)
    row = int(np.flatnonzero(usable)[np.argmax(percent.values[usable])])
    share = np.count_nonzero(usable) / np.count_nonzero(inside)
    caveats = [f"at {hz[row]:.0f} Hz"]
    if share < 0.95:
        caveats.append(f"judged in {100 * share:.0f} % of the band, noise or the sweep's end covers the rest")
    if found.complete_to_hz is not None and hz[row] > found.complete_to_hz:
        caveats.append(f"above {found.complete_to_hz:.0f} Hz the highest orders are not seen: a lower bound")
    return asked.judged(float(percent.values[row]), float(percent.u_total[row]), *caveats)


def distortion_figures(found: Sequence[Distortion]) -> dict[str, Figure]:
    """Where each level first passes 1 % and 3 %, and its largest distortion, by key with the level behind "@"."""
    figures: dict[str, Figure] = {}
    for one in found:
        for figure in (*(passes_limit(one, limit) for limit in LIMITS_PERCENT), largest(one)):
            figures[figure.key] = figure
    return figures
