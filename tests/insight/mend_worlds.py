"""Levels over both orbits for the tests of the mend: made by formula, or the invented loudspeaker's truth."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from earwitness.demo.world import true_pressure
from earwitness.figures.read import levels_of
from earwitness.figures.windows import DirectionalLevels
from earwitness.insight.mend.objective import Problem
from earwitness.insight.mend.task import DEFAULT_LIMITS, EVEN, EqualizerLimits
from earwitness.insight.mend.views import CURVES, Seen
from earwitness.quantities import DirectionalResponse, cta_orbits, report_axis
from earwitness.quantities.arrays import FloatArray


def alike(shape_db: FloatArray, *, u_db: float = 0.05) -> DirectionalLevels:
    """The same curve (F,) on the report axis in every direction."""
    axis, directions = report_axis(), cta_orbits()
    level = np.tile(80.0 + shape_db, (len(directions), 1))
    u = np.full(level.shape, u_db)
    return DirectionalLevels(axis, directions, level, u, np.zeros(len(axis)), np.ones(level.shape, dtype=bool), "dB")


@lru_cache(maxsize=3)
def truth(key: str) -> DirectionalLevels:
    """The demo loudspeaker without any recording, as if measured to 0.15 dB."""
    axis, directions = report_axis(), cta_orbits()
    pressure = true_pressure(key, directions, axis.hz)
    u, common = np.full(pressure.shape, 0.15), np.full(len(axis), 0.3)
    return levels_of(DirectionalResponse(axis, directions, pressure, u, common, np.ones(pressure.shape, dtype=bool)))


def plain_problem(hz: FloatArray, wanted_db: FloatArray, *, limits: EqualizerLimits = DEFAULT_LIMITS) -> Problem:
    """A correction (F,) on frequencies (F,) to be met everywhere alike: one curve, no doubt, no mask."""
    none, every = np.zeros(hz.size), np.ones(hz.size, dtype=bool)
    curves = np.tile(-wanted_db, (len(CURVES), 1))
    seen = Seen(
        hz,
        curves,
        np.ones(curves.shape, dtype=bool),
        -wanted_db,
        curves,
        np.ones(curves.shape),
        np.ones(len(CURVES)) / len(CURVES),
        None,
        none,
        none,
        float(hz[0]),
        False,
        {},
    )
    cap = np.full(hz.size, limits.total_boost_db)
    weight = np.full(hz.size, 1.0 / hz.size)
    return Problem(
        EVEN,
        limits,
        48_000.0,
        seen,
        hz,
        wanted_db,
        wanted_db,
        weight,
        cap,
        none,
        -wanted_db,
        every,
        ~every,
        none,
        none,
        np.zeros((0, 3)),
        np.zeros((0, 3)),
        0.0,
        0.0,
    )
