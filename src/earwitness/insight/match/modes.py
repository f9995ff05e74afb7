"""Modes of a box: what subwoofers give at seats, the mean and the spread, and which places even it out.

The sum over modes with rigid walls and one damping, 3 ln 10 / T, closed in one dimension and truncated in two. Real
rooms with light walls and furniture move modes by several percent.
"""

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from earwitness.insight.match.places import SPEED_M_S, perturbed
from earwitness.quantities import log_axis
from earwitness.quantities.arrays import ComplexArray, FloatArray

BASS_HZ: Final = (20.0, 80.0)
_ORDERS: Final = 24
_PER_OCTAVE: Final = 20
# Each distance within 5 cm, the time within 20 %, each side of the room within 2 %, evenly (own choices).
_REACH_M, _REACH_TIME, _REACH_SIDES = 0.05, 0.2, 0.02
Size = tuple[float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """One way to place subwoofers, all driven alike, the sum of their signals the same for all layouts.

    spread_db : mean over frequency of the standard deviation between seats; uneven_db : standard deviation over
    frequency of the seats' energy mean; level_db : of that mean over one subwoofer in free field at 1 m; u : standard
    uncertainties of the three
    """

    name: str
    places_m: tuple[Size, ...]
    spread_db: float
    uneven_db: float
    level_db: float
    u: tuple[float, float, float]


def mode_hz(size_m: Size, orders: Sequence[int]) -> float:
    """c / 2 times the root of the summed squares of order over side."""
    return SPEED_M_S / 2.0 * math.hypot(*(n / side for n, side in zip(orders, size_m, strict=True)))


def modes_below(size_m: Size, high_hz: float) -> tuple[tuple[float, tuple[int, int, int]], ...]:
    """Every mode up to high_hz with its orders, from the lowest."""
    ranges = [range(int(2.0 * high_hz * side / SPEED_M_S) + 1) for side in size_m]
    every = [(mode_hz(size_m, n), (n[0], n[1], n[2])) for n in itertools.product(*ranges) if any(n)]
    return tuple(sorted(one for one in every if one[0] <= high_hz))


def transfer(
    size_m: FloatArray, sources_m: FloatArray, seats_m: FloatArray, hz: FloatArray, decay_s: float,
    orders: int = _ORDERS,
) -> ComplexArray:  # fmt: skip
    """(S, R, F) pressure of each source (S, 3) at each seat (R, 3), over that of the same volume velocity at 1 m in
    free field, for exp(+j omega t)."""
    (length, width, height), n = size_m, np.arange(orders)
    wave = 2.0 * np.pi * hz / SPEED_M_S - 3.0j * math.log(10.0) / decay_s / SPEED_M_S
    across = (np.pi * n / width)[:, None] ** 2 + (np.pi * n / height) ** 2
    root = np.sqrt(across[:, :, None] - wave**2)
    both = np.where(n == 0, 1.0, 2.0)
    weight = both[:, None] * both / (width * height)

    def shapes(at: FloatArray) -> FloatArray:
        y, z = (np.cos(np.pi * n * at[:, i, None] / side) for i, side in ((1, width), (2, height)))
        return np.asarray(y[:, :, None] * z[:, None, :])

    of_sources, of_seats = shapes(sources_m), shapes(seats_m)
    found = np.empty((len(sources_m), len(seats_m), hz.size), dtype=np.complex128)
    ends = root * (1.0 - np.exp(-2.0 * root * length))
    for s, r in itertools.product(range(len(sources_m)), range(len(seats_m))):
        near, far = sorted((float(sources_m[s, 0]), float(seats_m[r, 0])))
        # cosh(g near) cosh(g (L - far)) / (g sinh(g L)) without numbers that overflow.
        along = np.exp(-root * (far - near)) * (1.0 + np.exp(-2.0 * root * near))
        along = along * (1.0 + np.exp(-2.0 * root * (length - far))) / (2.0 * ends)
        found[s, r] = np.einsum("mn,mnf->f", weight * of_sources[s] * of_seats[r], along)
    return 4.0 * np.pi * found


def usual_layouts(size_m: Size) -> dict[str, tuple[Size, ...]]:
    """Places that are tried against each other, 0.3 m off the walls."""
    a, b, d = size_m[0], size_m[1], min(0.3, min(size_m) / 4.0)
    corners = ((d, d, d), (d, b - d, d), (a - d, d, d), (a - d, b - d, d))
    return {
        "one in a corner": corners[:1],
        "one at the middle of the front wall": ((d, b / 2.0, d),),
        "two at the middles of front and back wall": ((d, b / 2.0, d), (a - d, b / 2.0, d)),
        "four in the corners": corners,
    }


def layouts(
    size_m: Size, decay_s: float, seats_m: Sequence[Size], tried: Mapping[str, Sequence[Size]]
) -> tuple[Layout, ...]:
    """Mean and spread over the seats of every layout, with u, from 20 Hz to 80 Hz: the least spread first."""
    axis = log_axis(*BASS_HZ, _PER_OCTAVE)
    found = []
    for name, places in tried.items():

        def seen(off: dict[str, FloatArray], given: Sequence[Size] = places) -> FloatArray:
            size = np.asarray(size_m) * (1.0 + off["sides"])
            at, ears = (
                np.clip(np.asarray(one) + off[key], 0.0, size) for one, key in ((given, "sources"), (seats_m, "seats"))
            )
            pressure = transfer(size, at, ears, axis.hz, decay_s * (1.0 + float(off["time"]))).mean(axis=0)
            return _told(pressure)

        reach = {
            "sides": np.full(3, _REACH_SIDES),
            "time": np.array(_REACH_TIME),
            "sources": np.full((len(places), 3), _REACH_M),
            "seats": np.full((len(seats_m), 3), _REACH_M),
        }
        middle, u = seen({key: np.zeros(far.shape) for key, far in reach.items()}), perturbed(seen, reach)
        spread, uneven, level = (float(one) for one in middle)
        found.append(Layout(name, tuple(places), spread, uneven, level, (float(u[0]), float(u[1]), float(u[2]))))
    return tuple(sorted(found, key=lambda one: one.spread_db))


def _told(pressure: ComplexArray) -> FloatArray:
    """Spread, unevenness and level (3,) [dB] of pressure (R, F)."""
    energy = np.abs(pressure) ** 2
    spread = (10.0 * np.log10(energy)).std(axis=0, ddof=1).mean() if len(energy) > 1 else 0.0
    return np.array([spread, (10.0 * np.log10(energy.mean(axis=0))).std(ddof=1), 10.0 * np.log10(energy.mean())])
