"""Which route solves a scan, rings or irregular points, and the orders that the points allow."""

import os
from dataclasses import dataclass
from typing import Literal

import numpy as np

from earwitness.quantities import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate import dense_route, ring_route
from earwitness.reduce.separate.dense_route import accelerator
from earwitness.reduce.separate.field import ORDERS_BEYOND_SOURCE, Shell, wanted_orders
from earwitness.reduce.separate.normal_equations import Fit
from earwitness.reduce.separate.sampling import Rings, find_rings

# Single-precision factors save half the work of one core; on 16 cores refining them costs more than they save.
_FEW_CORES = 4

Route = Literal["rings", "points"]


@dataclass(frozen=True, slots=True, eq=False)
class Scan:
    """Points (P, 3) from the expansion center, in local axes; rings where they are rings; axes : see Rings."""

    points_m: FloatArray
    rings: Rings | None
    axes: tuple[int, int, int]

    @property
    def route(self) -> Route:
        return "rings" if self.rings is not None else "points"


def scan_about(points_m: FloatArray, center_m: FloatArray, *, look_for_rings: bool = True) -> Scan:
    """A scan seen from `center_m` (3,)."""
    moved = points_m - center_m
    rings = find_rings(moved) if look_for_rings else None
    axes = rings.axes if rings is not None else (0, 1, 2)
    return Scan(moved[:, axes], rings, axes)


def affordable_orders(
    scan: Scan, k: FloatArray, shell: Shell, usable: int, *, incoming: bool, beyond_source: int = ORDERS_BEYOND_SOURCE
) -> tuple[IntArray, IntArray]:
    """Orders (F,) wanted and affordable, order_in -1 everywhere where no incoming waves are asked for."""
    out, into = wanted_orders(k, shell, beyond_source=beyond_source)
    cap = dense_route.order_cap(usable, incoming=incoming)
    if scan.rings is not None:
        by_rings = ring_route.order_caps(scan.rings, incoming=incoming)
        cap = min(cap, by_rings) if incoming else by_rings
    return np.minimum(out, cap), np.minimum(into, cap) if incoming else np.full_like(out, -1)


def fit_scan(
    scan: Scan,
    pressure: ComplexArray,
    k: FloatArray,
    shell: Shell,
    orders: tuple[IntArray, IntArray],
    left_out: BoolArray,
    *,
    penalty: FloatArray | None = None,
    evidence_rounds: int = 2,
) -> Fit:
    """Fit by the scan's route; shapes as in fit_rings and fit_points; penalty (2,) starts the route of points,
    evidence_rounds count for rings.

    Irregular points are solved on an accelerator where there is one.
    """
    if scan.rings is not None:
        return ring_route.fit_rings(scan.rings, pressure, k, shell, *orders, left_out, evidence_rounds=evidence_rounds)
    few = (os.cpu_count() or 1) <= _FEW_CORES
    return dense_route.fit_points(
        scan.points_m, pressure, k, shell, *orders, left_out, penalty=penalty, single=few, device=accelerator()
    )
