"""Random loudspeakers over directions for the golden tests of this room."""

from __future__ import annotations

import numpy as np
from figure_worlds import off_octaves
from scipy.special import j1

from earwitness.figures.windows import DirectionalLevels
from earwitness.quantities import (
    Cause,
    DirectionalResponse,
    Directions,
    FrequencyAxis,
    cta_orbits,
    from_orbit,
)
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.directions import join

AXIS = off_octaves(125.0, 16_000.0, 6)


def _angles(step: float, low: float = -180.0, high: float = 180.0) -> FloatArray:
    angles = np.arange(low, high + step / 2, step)
    return angles[angles > -180.0 + 1e-6]


def layouts() -> dict[str, Directions]:
    """Whole and half orbits, coarse and fine ones, gaps at and about 30 degrees, positions measured twice."""
    across = {step: from_orbit("horizontal", _angles(step)) for step in (5.0, 10.0, 15.0, 20.0, 30.0, 45.0)}
    up = {
        step: from_orbit("vertical", [a for a in _angles(step) if a not in (0.0, 180.0)]) for step in (5.0, 10.0, 30.0)
    }
    near, above = from_orbit("vertical", [-20.0, -10.0, 10.0, 20.0]), [-10.0, 15.0, 45.0, 75.2, 120.0, -90.0]
    few = [-120.0, -90.0, -61.0, -31.0, 0.0, 29.0, 60.0, 91.5, 121.0, 180.0]
    return {
        "all": cta_orbits(),
        "all in 5": cta_orbits(5.0),
        "all in 15": cta_orbits(15.0),
        "all in 30": join([across[30.0], up[30.0]]),
        "in 45": across[45.0],
        "across": across[10.0],
        "across in 20": join([across[20.0], up[10.0]]),
        "half across": from_orbit("horizontal", _angles(10.0, 0.0)),
        "right half in 15": join([from_orbit("horizontal", _angles(15.0, -180.0, 0.0)), up[30.0]]),
        "front": join([from_orbit("horizontal", _angles(10.0, -90.0, 90.0)), near]),
        "uneven": join([from_orbit("horizontal", few), from_orbit("vertical", above)]),
        "twice": join([cta_orbits(), from_orbit("horizontal", [0.0, 0.0, 30.0]), from_orbit("vertical", [10.0])]),
        "axis": from_orbit("horizontal", [0.0]),
        "up": join([from_orbit("vertical", _angles(10.0))]),
        "no axis": from_orbit("horizontal", [-20.0, -10.0, 10.0, 20.0, 40.0]),
        "rear and axis": from_orbit("horizontal", [0.0, 180.0]),
        "near axis": from_orbit("horizontal", [-25.0, -5.0, 0.0, 8.0, 12.0, 26.0, 33.0]),
    }  # fmt: skip


def pressure(random: np.random.Generator, directions: Directions, hz: FloatArray) -> FloatArray:
    """Woofer below a tweeter in a cabinet, a crossover dip, and a little of everything at random; real, (D, F)."""
    x, y, z = directions.unit_vectors().T
    k = 2 * np.pi * hz / 343.0
    woofer, apart, crossover, aside = (
        random.uniform(0.04, 0.1),
        random.uniform(0.1, 0.2),
        random.uniform(1e3, 3e3),
        0.03,
    )
    off = np.sqrt(np.maximum(1 - x**2, 1e-12))[:, None]

    def piston(radius: float) -> FloatArray:
        a = np.maximum(k * radius * off, 1e-6)
        return np.asarray(2 * j1(a) / a)

    grown = (k * random.uniform(0.1, 0.25)) ** 2
    body = np.sqrt(((1 + x[:, None] * grown / (1 + grown)) / 2) ** 2 + 0.003)
    s = 1j * hz / crossover
    delay = np.exp(-1j * k * (apart * z[:, None] + aside * y[:, None]) + random.uniform(0, 3) * 1j)
    low = 1 / (1 + s + s * s) * piston(woofer) * delay
    field = np.abs(low + s * s / (1 + s + s * s) * piston(0.0125)) * body
    # A ring of cancellation before the axis at some frequencies, so that the axis lies in a dip.
    dip = 1 - 0.6 * np.exp(-((np.log2(hz / random.uniform(2e3, 9e3)) / 0.3) ** 2)) * np.exp(-((off / 0.12) ** 2))
    return np.asarray(np.abs(field * dip) / (1 + (60.0 / hz) ** 4))


def causes_of(random: np.random.Generator, shape: tuple[int, int], *, pulled: bool = True) -> tuple[Cause, ...]:
    """One alike for all directions, one over directions, one of each direction, with and without a device."""
    across = random.normal(0.0, 0.2, (shape[0], 1)) * np.linspace(0.5, 1.5, shape[1])
    found = [
        Cause(name="calibrator", source="", pull_db=np.full((1, shape[1]), 0.15), device="calibrator K 2"),
        Cause(name="microphone file", source="", pull_db=0.1 + 0.1 * np.linspace(0, 1, shape[1])[None, :]),
    ]
    if pulled:
        found += [
            Cause(name="turntable", source="", pull_db=across, device="turntable T 1"),
            Cause(name="place", source="", pull_db=0.05 + 0.1 * np.abs(across), each=True),
            Cause(name="air", source="", pull_db=np.full((1, shape[1]), 0.07), each=True),
        ]
    return tuple(found)


def field(
    random: np.random.Generator, directions: Directions, axis: FrequencyAxis = AXIS, *, caused: bool = False,
    invalid: float = 0.0, common: bool = True, half_space: bool = False, absolute: bool = True, reference: str = "",
) -> DirectionalResponse:  # fmt: skip
    """A response with uncertainties that differ from direction to direction, and some points that cannot be trusted."""
    shape = (len(directions), len(axis))
    made = pressure(random, directions, axis.hz)
    behind = directions.unit_vectors()[:, :1] < -0.3
    u = 0.05 + 0.3 * random.random(shape) + 2.5 * behind * (np.arange(shape[1]) % 5 == 0)
    valid = np.asarray(random.random(shape) >= invalid * (0.1 + behind), dtype=bool)
    u_common = (0.1 + 0.2 * np.linspace(0.0, 1.0, shape[1])) * common
    return DirectionalResponse(
        axis, directions, np.asarray(0.02 * made, dtype=complex), u, u_common, valid, absolute, 2.0, ("step",),
        causes_of(random, shape) if caused else (), half_space=half_space, reference=reference,
    )  # fmt: skip


def levels(
    level_db: FloatArray, directions: Directions, axis: FrequencyAxis, *, u_db: float = 0.3,
    valid: BoolArray | None = None,
) -> DirectionalLevels:  # fmt: skip
    """Levels over directions and frequencies as they are given."""
    inside = np.ones(level_db.shape, dtype=bool) if valid is None else valid
    return DirectionalLevels(
        axis, directions, level_db, np.full(level_db.shape, u_db), np.full(len(axis), 0.2), inside, "dB"
    )
