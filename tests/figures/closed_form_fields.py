"""Fields with closed-form answers, for the tests of this room."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from earwitness.figures.windows import DirectionalLevels
from earwitness.quantities import (
    DirectionalResponse,
    Directions,
    FrequencyAxis,
    Gate,
    Measurement,
    cta_orbits,
    report_axis,
)
from earwitness.quantities.arrays import BoolArray, FloatArray

PASCAL_PER_VOLT_FOR_86_DB = 20e-6 / 2.83 * 10 ** (86 / 20)


def response(
    pattern: FloatArray,
    *,
    directions: Directions | None = None,
    axis: FrequencyAxis | None = None,
    on_axis: Callable[[FloatArray], FloatArray] | None = None,
    u_db: float = 0.3,
    u_common_db: float = 0.2,
    valid: BoolArray | None = None,
    absolute: bool = True,
) -> DirectionalResponse:
    """pattern : (D,) or (D, F) pressure relative to the axis; 86 dB SPL at 1 m for 2.83 V where it is 1."""
    axis = report_axis() if axis is None else axis
    directions = cta_orbits() if directions is None else directions
    shape = (len(directions), len(axis))
    shaped = np.broadcast_to(pattern[:, None] if pattern.ndim == 1 else pattern, shape)
    spectrum = np.ones(len(axis)) if on_axis is None else on_axis(axis.hz)
    return DirectionalResponse(
        axis,
        directions,
        PASCAL_PER_VOLT_FOR_86_DB * shaped * spectrum,
        np.full(shape, u_db),
        np.full(len(axis), u_common_db),
        np.ones(shape, bool) if valid is None else valid,
        absolute,
        lineage=("step",),
    )


def levels(level_db: FloatArray, directions: Directions, *, u_db: float = 0.3, points: int = 2) -> DirectionalLevels:
    """level_db : (D,), the same at every frequency from 1 kHz on."""
    both = np.repeat(np.asarray(level_db, dtype=float)[:, None], points, axis=1)
    axis = FrequencyAxis(1000.0 * 2.0 ** np.arange(points))
    return DirectionalLevels(
        axis, directions, both, np.full(both.shape, u_db), np.full(points, 0.2), np.ones(both.shape, bool), "dB"
    )


def bare_measurement(response: DirectionalResponse, **facts: object) -> Measurement:
    """A measurement of nothing but its response, in an anechoic room, with `facts` in place of what it lacks."""
    snr_db, gate = np.full(response.pressure.shape, 60.0), Gate(0.0, 1.0, 0.1, None, "anechoic", 20.0)
    made = Measurement(response, snr_db, gate, None, (), (), None, 48_000.0, np.zeros(8), 0.0, (), (), (), ())
    return replace(made, **facts)  # type: ignore[arg-type]
