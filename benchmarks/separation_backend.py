"""The route of irregular points on a GPU beside the processor: times, and the largest difference of the results.

    PYTHONPATH=src python benchmarks/separation_backend.py [--frequencies 24]

Needs numpy, scipy and torch. Both solve the same made scan in double precision: 2,704 points with outgoing and incoming
waves and, higher up, with outgoing waves alone. The processor is timed as the program uses it (single-precision factors
refined to double) and in plain double; differences are against plain double, relative to the largest value.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from separation import made_pressure, ring_points

from earwitness.reduce.separate.dense_route import ComputeDevice, accelerator, fit_points, torch_device
from earwitness.reduce.separate.field import Shell
from earwitness.reduce.separate.normal_equations import Fit

SPEED_M_S = 343.2


def case(count: int, *, incoming: bool) -> tuple:
    """Arguments of fit_points."""
    hz = np.geomspace(50.0, 2500.0, count) if incoming else np.geomspace(2500.0, 10_000.0, count)
    k, shell = 2 * np.pi * hz / SPEED_M_S, Shell(0.18, 0.47, 0.94)
    out = np.minimum(np.ceil(k * 0.18).astype(int) + 7, 22) if incoming else np.full(count, 34)
    into = np.minimum(np.ceil(k * 0.47).astype(int) + 3, 22) if incoming else np.full(count, -1)
    points = ring_points() + np.random.default_rng(3).normal(size=(2704, 3)) * 1e-3
    return points, made_pressure(points, k), k, shell, out, into, np.zeros(len(points), dtype=bool)


def timed(arguments: tuple, *, device: ComputeDevice | None = None, single: bool = False) -> tuple[float, Fit]:
    start = time.perf_counter()
    found = fit_points(*arguments, device=device, single=single)
    return time.perf_counter() - start, found


def difference(one: Fit, other: Fit) -> float:
    """Largest difference of coefficients, residuals and variances, each relative to the largest value."""
    names = ("outgoing", "incoming", "residual", "variance")
    pairs = [(getattr(one, name), getattr(other, name)) for name in names]
    return max(float(np.abs(a - b).max() / max(np.abs(a).max(), 1e-300)) for a, b in pairs)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frequencies", type=int, default=24)
    count = parser.parse_args().frequencies
    device = accelerator() or torch_device("cpu")
    print(f"device: {device.name}")
    for incoming in (True, False):
        arguments = case(count, incoming=incoming)
        timed(
            tuple(a[:, :1] if n == 1 else a[:1] if n in (2, 4, 5) else a for n, a in enumerate(arguments)),
            device=device,
        )
        plain_s, plain = timed(arguments)
        used_s, used = timed(arguments, single=True)
        there_s, there = timed(arguments, device=device)
        print(f"{'outgoing and incoming' if incoming else 'outgoing alone'}, {count} frequencies:")
        print(f"  processor, double: {plain_s:.2f} s")
        print(f"  processor, single refined: {used_s:.2f} s, largest difference {difference(plain, used):.1e}")
        print(f"  device, double: {there_s:.2f} s, {plain_s / there_s:.1f} times faster than double")
        print(f"  device, largest difference {difference(plain, there):.1e} (aim 1e-6)")


if __name__ == "__main__":
    main()
