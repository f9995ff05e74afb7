"""The predicted level at seats against takes there: whether it holds, where not, and an equalizer of the bass."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import bdtr

from earwitness.errors import InputError
from earwitness.files.data import worded
from earwitness.insight.match.in_room import (
    DB_PER_NEPER,
    THIRD,
    ListeningRoom,
    schroeder_hz,
    u_of_mean_db,
    values_at_places,
    values_in_band,
    values_on_path,
)
from earwitness.insight.match.off_axis import orbits_of, sound_toward
from earwitness.insight.match.seats import seat_angles
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.insight.spread import decibels
from earwitness.quantities import Curve, DirectionalResponse, FrequencyAxis, Reading, SeatReading
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.axis import hz_words
from earwitness.session.room_plan import RoomPlan

# What the formulas miss of random boxes (dB), read on log frequency; alike over an octave. What one place in a box
# with hard walls scatters beyond the statistics of a diffuse field goes with the places.
MODEL_HZ, MODEL_DB = (250.0, 500.0, 1000.0, 2000.0, 4000.0), (1.8, 1.3, 0.8, 0.5, 0.35)
_U_TIME, _TIME_MODEL_DB = 0.1, 1.0
MOST_U_DB: Final = 1.5
K95: Final = 1.96
LEAST_SEATS: Final = 4
LEAST_BANDS: Final = 4
_HZ: Final = 10.0 ** (np.arange(20, 43) / 10.0)
MOST_BANDS, MOST_BOOST_DB, MOST_CUT_DB, MOST_SPREAD_DB, LEAST_DB, BASS_ENDS_DB = 5, 3.0, 12.0, 3.0, 1.0, 6.0
_QS: Final = (1.0, 1.4, 2.0, 2.8, 4.0)


@dataclass(frozen=True, slots=True, eq=False)
class BassEqualizer:
    """For all seats at once. before_db, after_db : standard deviation over frequency of their mean about the goal up
    to high_hz; u_db : of what it gains, by leaving out each seat; lost_db : what the most boost takes of the level."""

    equalizer: Equalizer
    high_hz: float
    before_db: float
    after_db: float
    u_db: float
    lost_db: float


@dataclass(frozen=True, slots=True, eq=False)
class AtSeats:
    """measured, predicted : third octaves, the energy mean of the takes' seats, u of the second that of the difference;
    level_db, slope_db : of the difference, value and u; outside_hz : third octaves beyond U; bass : or why there is
    none."""

    measured: Curve
    predicted: Curve
    level_db: tuple[float, float]
    slope_db: tuple[float, float]
    outside_hz: tuple[float, ...]
    does_hold: bool
    bass: BassEqualizer | str
    sentences: tuple[str, ...]


def thirds_db(hz: FloatArray, level_db: FloatArray, centers_hz: FloatArray) -> FloatArray:
    """(..., C) level of the energy mean over each third octave of level_db (..., F)."""
    inside = np.abs(np.log10(hz / centers_hz[:, None])) <= 0.05
    energy = np.where(np.isfinite(level_db), 10.0 ** (level_db / 10.0), 0.0)
    return np.asarray(10.0 * np.log10(energy @ (inside / inside.sum(axis=1, keepdims=True)).T))


@dataclass(frozen=True, slots=True, eq=False)
class _Bands:
    """Energies of all third octaves (B,), means over the takes: direct and all that is predicted, and heard; u_stat_db
    of the places and the band."""

    direct: FloatArray
    total: FloatArray
    heard: FloatArray
    known: BoolArray
    u_stat_db: FloatArray


def at_seats(
    reading: Reading, response: DirectionalResponse, takes: Sequence[SeatReading], plan: RoomPlan, room: ListeningRoom
) -> AtSeats:
    """Measured against predicted by generalized least squares.

    InputError where a take's seat or loudspeaker is not on the plan, or too few third octaves are known.
    """
    power, on_axis = reading.curves.get("sound_power"), reading.curves.get("on_axis")
    if power is None or on_axis is None or not takes:
        raise InputError("the prediction at seats needs the sound power, the level on axis and takes at seats")
    bands, from_hz = _bands(power, response, takes, plan, room), schroeder_hz(room.volume_m3, room.decay_s)
    is_told = (2.0 * from_hz <= _HZ) | ((from_hz <= _HZ) & (bands.u_stat_db <= MOST_U_DB))
    rows = np.flatnonzero(bands.known & is_told)
    if rows.size < LEAST_BANDS:
        raise InputError.of("insight.too_few_thirds", count=rows.size, from_hz=2.0 * from_hz)
    hz, x = _HZ[rows], np.log2(_HZ[rows])
    total, heard = bands.total[rows], bands.heard[rows]
    u_same = float(np.mean(np.interp(hz, on_axis.axis.hz, np.hypot(on_axis.u, on_axis.u_common))))
    model = np.interp(np.log(hz), np.log(MODEL_HZ), MODEL_DB)
    time = math.hypot(DB_PER_NEPER * _U_TIME, _TIME_MODEL_DB if room.absorption is None else 0.0)
    by_time = (1.0 - bands.direct[rows] / total) * time
    doubt = np.diag(bands.u_stat_db[rows] ** 2) + u_same**2 + np.outer(by_time, by_time)
    doubt += np.outer(model, model) * np.exp(-np.abs(x[:, None] - x))
    off, u = 10.0 * np.log10(heard / total), np.sqrt(np.diag(doubt))
    lines = np.stack([np.ones(rows.size), x - x.mean()], axis=1)
    spread = np.linalg.inv(lines.T @ np.linalg.solve(doubt, lines))
    line, u_line = spread @ lines.T @ np.linalg.solve(doubt, off), np.sqrt(np.diag(spread))
    outside = tuple(float(one) for one in hz[np.abs(off) > K95 * u])
    # As many outside as chance alone has in 95 of 100 cases at most: the quantile of the binomial distribution.
    chance = int(np.argmax(bdtr(np.arange(hz.size + 1), hz.size, 0.05) >= 0.95))
    holds = bool(np.all(np.abs(line) <= K95 * u_line)) and len(outside) <= chance
    level, slope = ((float(line[i]), float(u_line[i])) for i in (0, 1))
    axis, zero = FrequencyAxis(hz), np.zeros(hz.size)

    def curve(key: str, name: str, energy: FloatArray, u_db: FloatArray) -> Curve:
        found = 10.0 * np.log10(energy)
        return Curve.of(key, name, axis, found, u=u_db, reference="dB SPL, 2.83 V", lineage=response.lineage)

    measured, predicted = curve("at_seats", "measured", heard, zero), curve("at_seats_predicted", "predicted", total, u)
    bass = _bass(takes, on_axis, 2.0 * from_hz)
    said = _words(len(takes), (level, slope), outside, hz, holds, bass)
    return AtSeats(measured, predicted, level, slope, outside, holds, bass, said)


def _bands(
    power: Curve, response: DirectionalResponse, takes: Sequence[SeatReading], plan: RoomPlan, room: ListeningRoom
) -> _Bands:
    angles = {(one.loudspeaker, one.seat): one for one in seat_angles(plan)}
    hz, orbits, known = response.axis.hz, orbits_of(response), _known(power.axis.hz, power.valid)
    direct, total, heard, paths = [], [], [], []
    for take in takes:
        one = angles.get((take.loudspeaker or plan.loudspeakers[0].name, take.seat))
        if one is None:
            raise InputError.of("insight.seat_not_on_plan", take=take, listed=", ".join(s.name for s in plan.seats))
        sound = sound_toward(orbits, one.azimuth_deg, one.elevation_deg)
        if sound is None:
            raise InputError(f"the sound toward {take.seat} was not measured", remedy="measure both orbits")
        straight = 10.0 ** (thirds_db(hz, sound.level_db, _HZ) / 10.0) / one.distance_m**2
        kept = thirds_db(power.axis.hz, power.values, _HZ) + room.reverberant_db(one.distance_m)
        direct.append(straight)
        total.append(straight + 10.0 ** (kept / 10.0))
        heard.append(10.0 ** (thirds_db(take.axis.hz, take.level_db, _HZ) / 10.0))
        paths.append(values_on_path(_HZ, take.path_m) if take.path_m else np.ones(_HZ.size))
        known &= _known(hz, sound.valid) & _known(take.axis.hz, take.valid)
    places = {one.name: one.position_m for one in plan.seats}
    many = values_in_band(_HZ * THIRD, room.decay_s) * np.mean(paths, axis=0)
    many = many * values_at_places(_HZ, np.array([places[take.seat] for take in takes]))
    straight, whole = np.mean(direct, axis=0), np.mean(total, axis=0)
    u_stat = u_of_mean_db(many, straight / (whole - straight))
    return _Bands(straight, whole, np.mean(heard, axis=0), known, u_stat)


def _known(hz: FloatArray, valid: BoolArray) -> BoolArray:
    """(B,) third octaves of which every frequency is valid, and that lie within."""
    inside = np.abs(np.log10(hz / _HZ[:, None])) <= 0.05
    whole = (hz[0] / 1.03 <= _HZ * 10**-0.05) & (hz[-1] * 1.03 >= _HZ * 10**0.05)
    return np.asarray(whole & ~(inside & ~valid).any(axis=1))


def _bass(takes: Sequence[SeatReading], on_axis: Curve, high_hz: float) -> BassEqualizer | str:
    """Cuts, and small boosts where the seats agree, of the takes' energy mean against the shape on axis."""
    seats = len({take.seat for take in takes})
    if seats < LEAST_SEATS:
        return f"an equalizer of the bass needs takes at {LEAST_SEATS} seats, there are {seats}"
    hz = takes[0].axis.hz
    known = np.all([take.valid for take in takes], axis=0) & (hz <= high_hz)
    known &= np.interp(hz, on_axis.axis.hz, on_axis.valid.astype(float)) > 0.99
    shape = np.interp(hz, on_axis.axis.hz, on_axis.values)
    # Below its own bass the room alone rises: nothing to level there.
    known &= shape >= np.median(shape[known]) - BASS_ENDS_DB if known.any() else False
    if known.sum() < 12:
        return f"the bass at the seats is not known up to {high_hz:.0f} Hz"
    at, shape = hz[known], shape[known]
    rows = np.array([thirds_db(at, take.level_db[known], at) for take in takes])

    def over(some: FloatArray) -> FloatArray:
        left = 10.0 * np.log10(np.mean(10.0 ** (some / 10.0), axis=0)) - shape
        return np.asarray(left - np.median(left))

    over_db, spread, bands = over(rows), rows.std(axis=0, ddof=1), list[Band]()
    for _ in range(MOST_BANDS):
        rest = over_db + gain_db(Equalizer(tuple(bands)), at)
        wanted = np.clip(-rest, -MOST_CUT_DB, np.where(spread < MOST_SPREAD_DB, MOST_BOOST_DB, 0.0))
        # Cuts first: a boost beside a peak would only raise it.
        worst = int(np.argmin(wanted) if wanted.min() <= -LEAST_DB else np.argmax(wanted))
        if abs(wanted[worst]) < LEAST_DB:
            break
        tried = [Band("peaking", float(at[worst]), float(wanted[worst]), q).rounded() for q in _QS]
        tried = [one for one in tried if gain_db(Equalizer((*bands, one)), at).max() <= MOST_BOOST_DB + 0.05]
        errors = [np.sum((rest + gain_db(Equalizer((one,)), at)) ** 2) for one in tried]
        if not errors or min(errors) >= np.sum(rest**2):
            break
        bands.append(tried[int(np.argmin(errors))])
    if not bands:
        return "the bass of the seats' mean needs no equalizer that is within the limits"
    made, gains = Equalizer(tuple(bands)), gain_db(Equalizer(tuple(bands)), at)
    gained = [over(some).std() - (over(some) + gains).std()
              for some in (np.delete(rows, i, axis=0) for i in range(len(rows)))]  # fmt: skip
    u_db = math.sqrt((len(rows) - 1) * float(np.var(gained)))
    before_db, after_db, lost = float(over_db.std()), float((over_db + gains).std()), max(float(gains.max()), 0.0)
    if before_db - after_db <= 2.0 * u_db:
        return f"an equalizer of the bass gains nothing certain, {decibels(before_db - after_db, u_db)} dB rms"
    return BassEqualizer(made, high_hz, before_db, after_db, u_db, lost)


def _words(
    count: int, line: tuple[tuple[float, float], tuple[float, float]], outside: Sequence[float], hz: FloatArray,
    holds: bool, bass: BassEqualizer | str,
) -> tuple[str, ...]:  # fmt: skip
    (level_db, u_level), (slope_db, u_slope) = line
    level, slope = decibels(level_db, u_level, "+"), f"{slope_db:+.2f} ± {2.0 * u_slope:.2f}"
    band, verdict = f"{hz_words(float(hz[0]))} to {hz_words(float(hz[-1]))}", "holds" if holds else "does not hold"
    off = f"{len(outside)} of {hz.size}"
    said = [
        worded("insight.prediction_holds", verdict=verdict, count=count, band=band),
        worded("insight.prediction_off", level=level, slope=slope, off=off),
    ]
    if outside:
        said.append(worded("insight.prediction_outside", listed=", ".join(hz_words(one) for one in outside)))
    if isinstance(bass, str):
        return (*said, f"{bass[0].upper()}{bass[1:]}.")
    listed = "; ".join(f"{one.frequency_hz:g} Hz {one.gain_db:+.1f} dB Q {one.q:.2g}" for one in bass.equalizer.bands)
    gain = decibels(bass.before_db - bass.after_db, bass.u_db)
    return (*said, worded("insight.bass_equalizer", listed=listed, bass=bass, gain=gain))


def whose_part(one: AtSeats, other: AtSeats, name: str) -> str:
    """What another loudspeaker at the same places says of the third octaves that are off: shared by both, it is the
    room's; else this loudspeaker's or its directivity's."""

    def off(seen: AtSeats) -> dict[float, float]:
        over = (seen.measured.values - seen.predicted.values) / (K95 * seen.predicted.u)
        return {round(float(hz)): float(part) for hz, part in zip(seen.measured.axis.hz, over, strict=True)}

    here, there = off(one), off(other)
    beyond = [round(hz) for hz in one.outside_hz if round(hz) in there]
    shared = [hz for hz in beyond if there[hz] * here[hz] > 0.0 and abs(there[hz]) > 0.5]
    own = [hz for hz in beyond if hz not in shared]
    parts = [f"{what} at {', '.join(hz_words(hz) for hz in some)}" for what, some in (
        ("the room's, shared by both,", shared), ("this loudspeaker's or its directivity's", own)) if some]  # fmt: skip
    return f"Against {name} at the same seats, what is off is " + (" and ".join(parts) or "nothing of either") + "."
