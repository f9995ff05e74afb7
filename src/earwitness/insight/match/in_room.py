"""How loud it is at a seat of a room: direct sound, the room's share, how much one place tells, and takes there.

The energy of one frequency at one place is exponentially distributed (Schroeder 1954, from memory), so that the level
of a mean over M independent values scatters by 10 / ln 10 of the root of the trigamma function of M.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.special import bdtr, polygamma, sici

from earwitness.errors import InputError
from earwitness.figures.registry import figure_infos
from earwitness.figures.sensitivity import band_level
from earwitness.files.data import worded
from earwitness.insight.match.amplifier import sources_gain_db
from earwitness.insight.match.seats import orbits_of, seat_angles, sound_toward
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.insight.words import decibels
from earwitness.quantities import Curve, DirectionalResponse, Figure, FrequencyAxis, Reading, SeatReading
from earwitness.quantities.arrays import BoolArray, FloatArray, hz_words
from earwitness.session.room_plan import RoomPlan

SPEED_M_S: Final = 343.0
DB_PER_NEPER: Final = 10.0 / math.log(10.0)
_SEED: Final = 17
THIRD: Final = 10.0**0.05 - 10.0**-0.05
"""Width of a third octave over its center (IEC 61260-1, base ten)."""


def schroeder_hz(volume_m3: float, decay_s: float) -> float:
    """2000 sqrt(T / V): below it single modes decide (Schroeder and Kuttruff 1962, from memory)."""
    return 2000.0 * math.sqrt(decay_s / volume_m3)


def values_in_band(width_hz: FloatArray, decay_s: FloatArray | float) -> FloatArray:
    """Independent values in a band: 1 / M = 2 / x atan x - ln(1 + x^2) / x^2, x = B / b, b = 3 ln 10 / (pi T)."""
    x = np.asarray(width_hz) * math.pi * np.asarray(decay_s) / (3.0 * math.log(10.0))
    return np.asarray(1.0 / (2.0 / x * np.arctan(x) - np.log1p(x * x) / x**2))


def values_at_places(hz: FloatArray, places_m: FloatArray) -> FloatArray:
    """(F,) independent ones among places (N, 3): N^2 over the sum of sinc^2(k d) of all pairs (diffuse field)."""
    apart = np.linalg.norm(places_m[:, None] - places_m[None], axis=-1)
    alike = np.sinc(2.0 * np.asarray(hz)[:, None, None] * apart / SPEED_M_S) ** 2
    return np.asarray(len(places_m) ** 2 / alike.sum(axis=(1, 2)))


def values_on_path(hz: FloatArray, length_m: float) -> FloatArray:
    """(F,) independent places on a straight path: 1 / M = 2 / L^2 times the integral of (L - x) sinc^2(kx) dx.

    In closed form with v = 2 k L: (2 / v)^2 (v Si(v) + cos v - 1 - ln v - gamma + Ci(v)).
    """
    v = 4.0 * math.pi * np.asarray(hz) * length_m / SPEED_M_S
    si, ci = sici(v)
    return np.asarray(v**2 / (4.0 * (v * si + np.cos(v) - 1.0 - (np.log(v) + np.euler_gamma - ci))))


def u_of_mean_db(values: FloatArray, direct_over_reverberant: FloatArray) -> FloatArray:
    """Standard deviation [dB] of the level of an energy mean over independent values of which direct sound is a part:
    the relative variance of the energy is (1 + 2 D) / ((1 + D)^2 M)."""
    ratio = np.asarray(direct_over_reverberant)
    share = (1.0 + 2.0 * ratio) / (1.0 + ratio) ** 2
    return np.asarray(DB_PER_NEPER * np.sqrt(polygamma(1, np.maximum(values / share, 1.0))))


def perturbed(
    answer: Callable[[dict[str, FloatArray]], FloatArray], reach: Mapping[str, FloatArray], *, draws: int = 24
) -> FloatArray:
    """Standard deviation of an answer when what it rests on lies evenly within `reach` of what is given.

    answer : takes the errors by the names of `reach`. One seed makes the same answer every time.
    """
    random = np.random.default_rng(_SEED)
    errors = [{key: random.uniform(-1.0, 1.0, far.shape) * far for key, far in reach.items()} for _ in range(draws)]
    return np.asarray(np.std([answer(one) for one in errors], axis=0, ddof=1))


_SABINE: Final = 24.0 * math.log(10.0) / SPEED_M_S
# Own choices: a floor of 4 to 3; reverberation and absorption known to 10 %; what random boxes left (dB) where the
# absorption or the time is given.
_SIDES, _U_GIVEN, _U_ABSORPTION_DB, _U_TIME_DB = 4.0 / 3.0, 0.1, 0.6, 1.0
_BAND_WIDTH_HZ: Final = 2700.0
PAIR_HZ, PAIR_M = 50.0, 2.5
_ROWS: Final = {row.key: row for row in figure_infos("room")}


@dataclass(frozen=True, slots=True)
class ListeningRoom:
    """A room by floor area and height, and either its reverberation time or the mean absorption of its surfaces.

    sides : length over width of the floor, or width over length.
    """

    area_m2: float
    height_m: float
    reverberation_s: float | None = None
    absorption: float | None = None
    sides: float = _SIDES

    def __post_init__(self) -> None:
        has_one = (self.reverberation_s is None) != (self.absorption is None)
        sizes = (
            self.area_m2 / 1000.0,
            self.height_m / 20.0,
            (1.0 if self.reverberation_s is None else self.reverberation_s) / 10.0,
        )
        if not (
            has_one
            and all(
                0.0 < size <= 1.0 for size in (*sizes, (0.5 if self.absorption is None else self.absorption) / 0.99)
            )
        ):
            raise InputError.of("insight.no_such_room", given=self)

    @property
    def volume_m3(self) -> float:
        return self.area_m2 * self.height_m

    @property
    def surface_m2(self) -> float:
        """Of a box whose floor has the ratio `sides`."""
        around = 2.0 * math.sqrt(self.area_m2) * (math.sqrt(self.sides) + 1.0 / math.sqrt(self.sides))
        return 2.0 * self.area_m2 + around * self.height_m

    def reverberant_db(self, distance_m: float) -> float:
        """Reverberant level over the mean level at 1 m in all directions [dB].

        10 lg(16 pi / R). With the absorption a given, R = S a / (1 - a) (Hopkins and Stryker 1948, from memory); with
        the time given, 16 pi / A with Sabine's A and what the sound lost on its way, the mean free path at least
        (Barron and Lee 1988, from memory), which was nearest to random boxes.
        """
        if self.absorption is not None:
            return 10.0 * math.log10(16.0 * math.pi * (1.0 / self.absorption - 1.0) / self.surface_m2)
        path_m = max(distance_m, 4.0 * self.volume_m3 / self.surface_m2)
        lost = 60.0 * path_m / (SPEED_M_S * self.decay_s)
        return 10.0 * math.log10(16.0 * math.pi * self.decay_s / (_SABINE * self.volume_m3)) - lost

    @property
    def decay_s(self) -> float:
        """The reverberation time, by Eyring's formula where the absorption is given."""
        if self.absorption is None:
            return self.reverberation_s or 0.0
        return _SABINE * self.volume_m3 / (-self.surface_m2 * math.log(1.0 - self.absorption))


def level_in_room(
    on_axis: tuple[float, float], power: tuple[float, float], room: ListeningRoom, *, distance_m: float, count: int = 1
) -> tuple[float, float]:
    """Level at a seat on axis and its standard uncertainty [dB], of `count` loudspeakers that play, not in phase; the
    rest as in `level_of_set`, of one."""
    level, u_db = level_of_set([on_axis], power, room, [distance_m])
    return level + sources_gain_db(count), u_db


def more_in_room(
    on_axis: tuple[float, float], power: tuple[float, float], room: ListeningRoom, *, distance_m: float
) -> tuple[float, float]:
    """What the room adds to the level on axis in free field, and its standard uncertainty [dB]: an error of the level
    that both share is in no difference, so only what the power's doubt is beyond the axis's counts."""
    level, u_db = level_in_room((on_axis[0], 0.0), (power[0], abs(power[1] - on_axis[1])), room, distance_m=distance_m)
    return level - on_axis[0] + 20.0 * math.log10(distance_m), u_db


def level_of_set(
    toward: Sequence[tuple[float, float]], power: tuple[float, float], room: ListeningRoom, distances_m: Sequence[float]
) -> tuple[float, float]:
    """Level at a seat of several loudspeakers that play different signals, energies added, and its u [dB].

    toward, power : level at 1 m of each toward the seat, and the mean of one over all directions, each with its
    standard uncertainty [dB], taken to err together. What of the doubt is the reverberation's goes by its share of the
    energy; that of one place in a band 2.7 kHz wide is 4.34 sqrt((1 + 2 D) / ((1 + D)^2 B T / 6.91)), D direct over
    reverberant energy (statistical room acoustics, after Schroeder, from memory). From 100 Hz up also for the same
    signal; below, places and modes decide (`pair_bass_db`, modes.py).
    """
    level, common_db, u_room_db, u_place_db = _of_set(toward, power, room, distances_m)
    return level, math.hypot(common_db, u_room_db, u_place_db)


def causes_of_set(
    toward: Sequence[tuple[float, float]], power: tuple[float, float], room: ListeningRoom, distances_m: Sequence[float]
) -> tuple[tuple[str, float], ...]:
    """What of that u moves all seats of a room alike [dB], as a figure's `shared`: the level as measured, and the
    room's reverberation by its share of the energy. The rest is the place's own."""
    _, common_db, u_room_db, _ = _of_set(toward, power, room, distances_m)
    return ("level", common_db), ("reverberation", u_room_db)


def _of_set(
    toward: Sequence[tuple[float, float]], power: tuple[float, float], room: ListeningRoom, distances_m: Sequence[float]
) -> tuple[float, float, float, float]:
    """Level, and its standard uncertainty by the measured level, by the reverberation, and by the place [dB]."""
    parts = [10.0 ** ((one[0] - 20.0 * math.log10(r)) / 10.0) for one, r in zip(toward, distances_m, strict=True)]
    direct = math.fsum(parts)
    reverberant = math.fsum(10.0 ** ((power[0] + room.reverberant_db(r)) / 10.0) for r in distances_m)
    u_direct = math.fsum(part * one[1] for part, one in zip(parts, toward, strict=True)) / direct
    share, ratio = reverberant / (direct + reverberant), direct / reverberant
    u_room_db = share * math.hypot(4.34 * _U_GIVEN, _U_TIME_DB if room.absorption is None else _U_ABSORPTION_DB)
    places = _BAND_WIDTH_HZ * room.decay_s / 6.91
    u_place_db = 4.34 * math.sqrt((1.0 + 2.0 * ratio) / places) / (1.0 + ratio)
    return 10.0 * math.log10(direct + reverberant), (1.0 - share) * u_direct + share * power[1], u_room_db, u_place_db


def pair_bass_db(frequency_hz: float, apart_m: float) -> float:
    """Sound power of two small loudspeakers with the same signal over that of one [dB]: 10 lg 2 (1 + sin kd / kd)."""
    return float(10.0 * np.log10(2.0 + 2.0 * np.sinc(2.0 * frequency_hz * apart_m / SPEED_M_S)))


def match_room(
    reading: Reading, room: ListeningRoom, *, distance_m: float, amplifier: Figure | None = None
) -> tuple[dict[str, Figure], tuple[str, ...]]:
    """Figures by key, and what they say; for 2.83 V, of the maximum clean SPL, and of what an amplifier's voltage and
    current give at 1 m, each beside the same in free field."""
    sensitivity, clean = (reading.figures.get(key) for key in ("sensitivity", "highest_clean_level"))
    curve = reading.curves.get("sound_power")
    power = None if curve is None else band_level(curve, key="power")
    if sensitivity is None or sensitivity.value is None or power is None or power.value is None:
        reason = "the room needs the level on axis and the sound power, both from 300 Hz to 3 kHz"
        return {key: row.refused(reason) for key, row in _ROWS.items()}, (f"{reason}.",)
    on_axis = (sensitivity.value, sensitivity.judged_u)
    around = (power.value, power.judged_u)
    value, u_db = level_in_room(on_axis, around, room, distance_m=distance_m)
    more, u_more = more_in_room(on_axis, around, room, distance_m=distance_m)
    asked = _ROWS["room_level"].asked(sensitivity.lineage, sensitivity.band_hz)
    found = {asked.key: asked.judged(value, u_db)}
    given = f"{room.reverberation_s:g} s" if room.absorption is None else f"a mean absorption of {room.absorption:g}"
    told = decibels(value, u_db)
    said = [
        worded(
            "insight.in_the_room", distance_m=distance_m, room=room, given=given, told=told, more=decibels(more, u_more)
        ),
        worded("insight.pair_in_the_room", low_db=pair_bass_db(PAIR_HZ, PAIR_M), hz=PAIR_HZ, apart_m=PAIR_M),
    ]
    for key, at_1_m, words in (
        ("room_clean_level", clean, "One plays cleanly"),
        ("room_amplifier_level", amplifier, "This amplifier drives one"),
    ):
        if at_1_m is None or at_1_m.value is None:
            continue
        at = at_1_m.value + value - on_axis[0]
        u_at, bound = math.hypot(at_1_m.judged_u, u_more), f"{at_1_m.bound} " if at_1_m.bound else ""
        found[key] = replace(at_1_m, key=key, value=at, u=u_at, method=_ROWS[key].method)
        told, free = bound + decibels(at, u_at), bound + decibels(at - more, at_1_m.judged_u)
        pair = f"{bound}{at + sources_gain_db(2):.1f}"
        said.append(worded("insight.level_there", words=words, told=told, pair=pair, free=free))
    return found, tuple(said)


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
# Of the gain: what a few seats' bass has by chance, which others beside them do not share (benchmarks/seat_rooms.py).
CHANCE_SHARE = 0.2
_QS: Final = (1.0, 1.4, 2.0, 2.8, 4.0)


@dataclass(frozen=True, slots=True, eq=False)
class BassEqualizer:
    """For all seats at once. before_db, after_db : standard deviation over frequency of their mean about the goal up
    to high_hz; u_db : of what it gains at other seats there, by leaving out each and by chance; lost_db : what the most
    boost takes of the level."""

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
    said = _words(count=len(takes), line=(level, slope), outside=outside, hz=hz, holds=holds, bass=bass)
    return AtSeats(measured, predicted, level, slope, outside_hz=outside, does_hold=holds, bass=bass, sentences=said)


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
        there = f"there {'is' if seats == 1 else 'are'} {seats}"
        return f"an equalizer of the bass needs takes at {LEAST_SEATS} seats, {there}"
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

    def best_at(place: int, db: float, rest: FloatArray, bands: Sequence[Band]) -> Band | None:
        """The band there that lessens the error most within the limits; None where none does."""
        tried = [Band("peaking", float(at[place]), db, q).rounded() for q in _QS] if abs(db) >= LEAST_DB else []
        tried = [one for one in tried if gain_db(Equalizer((*bands, one)), at).max() <= MOST_BOOST_DB + 0.05]
        errors = [np.sum((rest + gain_db(Equalizer((one,)), at)) ** 2) for one in tried]
        return tried[int(np.argmin(errors))] if errors and min(errors) < np.sum(rest**2) else None

    over_db, spread, bands = over(rows), rows.std(axis=0, ddof=1), list[Band]()
    for _ in range(MOST_BANDS):
        rest = over_db + gain_db(Equalizer(tuple(bands)), at)
        wanted = np.clip(-rest, -MOST_CUT_DB, np.where(spread < MOST_SPREAD_DB, MOST_BOOST_DB, 0.0))
        # Cuts first: a boost beside a peak would only raise it, and costs level. Where no cut helps, a boost may.
        places = [(int(np.argmin(wanted)), min(float(wanted.min()), 0.0))]
        if wanted.min() > -LEAST_DB or not bands:
            places.append((int(np.argmax(wanted)), float(wanted.max())))
        better = next(filter(None, (best_at(place, db, rest, bands) for place, db in places)), None)
        if better is None:
            break
        bands.append(better)
    if not bands:
        return "the bass of the seats' mean needs no equalizer that is within the limits"
    made, gains = Equalizer(tuple(bands)), gain_db(Equalizer(tuple(bands)), at)
    gained = [over(some).std() - (over(some) + gains).std()
              for some in (np.delete(rows, i, axis=0) for i in range(len(rows)))]  # fmt: skip
    before_db, after_db, lost = float(over_db.std()), float((over_db + gains).std()), max(float(gains.max()), 0.0)
    u_db = math.hypot(math.sqrt((len(rows) - 1) * float(np.var(gained))), CHANCE_SHARE * (before_db - after_db))
    if before_db - after_db <= 2.0 * u_db:
        return f"an equalizer of the bass gains nothing certain, {decibels(before_db - after_db, u_db)} dB rms"
    return BassEqualizer(made, high_hz=high_hz, before_db=before_db, after_db=after_db, u_db=u_db, lost_db=lost)


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
