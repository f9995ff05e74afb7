"""How loud it is at a seat of a room: direct sound, what the room keeps of the power, and how much one place tells.

The energy of one frequency at one place is exponentially distributed (Schroeder 1954, from memory), so that the level
of a mean over M independent values scatters by 10 / ln 10 of the root of the trigamma function of M.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.special import polygamma, sici

from earwitness.errors import InputError
from earwitness.figures.registry import figure_infos
from earwitness.figures.sensitivity import band_level
from earwitness.files.data import worded
from earwitness.insight.match.amplifier import sources_gain_db
from earwitness.insight.spread import decibels
from earwitness.quantities import Figure, Reading
from earwitness.quantities.arrays import FloatArray

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
    on_axis = (sensitivity.value, sensitivity.u or 0.0)
    around = (power.value, power.u or 0.0)
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
        u_at, bound = math.hypot(at_1_m.u or 0.0, u_more), f"{at_1_m.bound} " if at_1_m.bound else ""
        found[key] = replace(at_1_m, key=key, value=at, u=u_at, method=_ROWS[key].method)
        told, free = bound + decibels(at, u_at), bound + decibels(at - more, at_1_m.u or 0.0)
        pair = f"{bound}{at + sources_gain_db(2):.1f}"
        said.append(worded("insight.level_there", words=words, told=told, pair=pair, free=free))
    return found, tuple(said)
