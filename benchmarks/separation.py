"""How fast the separation is beside least squares, one frequency after the other: normal equations and lstsq.

    python benchmarks/separation.py [--every 8]

All solve the same made scan with the same orders in one run. The competitors, normal equations with a Cholesky factor
(scipy.linalg.cho_solve) and numpy.linalg.lstsq, are timed at every n-th frequency and scaled up by the number of
frequencies; their matrices are built beforehand. For irregular points the same scan is solved as if nobody knew of its
rings, in the precision that the program chooses on this machine. Of each the best of three runs counts, taken in turns,
so that no one has the quiet minutes. The share of the machine's rate counts the multiplications of the
normal equations for the dense route, and of the route's own Gram matrices for rings.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from earwitness.dsp.spherical import acn, complex_harmonics
from earwitness.reduce.separate.field import Shell, incoming_columns, outgoing_columns, wanted_orders
from earwitness.reduce.separate.ring_route import fit_rings, order_caps
from earwitness.reduce.separate.sampling import find_rings
from earwitness.reduce.separate.solve import Scan, fit_scan

SPEED_M_S = 343.2
RUNS = 3


def ring_points(count: int = 26) -> np.ndarray:
    """(4 count², 3) two spheres of `count` Gauss-Legendre rings with twice as many azimuths."""
    z, azimuth = np.polynomial.legendre.leggauss(count)[0], np.pi * np.arange(2 * count) / count
    rho = np.sqrt(1 - z * z)
    unit = np.stack(
        [np.outer(rho, np.cos(azimuth)), np.outer(rho, np.sin(azimuth)), np.outer(z, np.ones(2 * count))], axis=-1
    ).reshape(-1, 3)
    return np.concatenate([0.42 * unit, 0.47 * unit])


def made_pressure(points: np.ndarray, k: np.ndarray) -> np.ndarray:
    """(P, F) two sources inside, eight far ones, noise 60 dB down."""
    rng = np.random.default_rng(5)
    near = np.array([[0.12, 0.02, 0.05], [0.1, -0.03, -0.08]])
    far = rng.normal(size=(8, 3))
    far *= rng.uniform(1.5, 4.0, (8, 1)) / np.linalg.norm(far, axis=1)[:, None]
    total = np.zeros((len(points), k.size), dtype=complex)
    for source in np.concatenate([near, far]):
        distance = np.linalg.norm(points - source, axis=1)[:, None]
        total += np.exp(-1j * k * distance) / distance
    noise = rng.normal(size=total.shape) + 1j * rng.normal(size=total.shape)
    return total + 1e-3 / np.sqrt(2) * np.sqrt(np.mean(np.abs(total) ** 2, axis=0)) * noise


def plain_matrix(points: np.ndarray, k: float, shell: Shell, out: int, into: int, basis: np.ndarray) -> np.ndarray:
    radius, one = np.linalg.norm(points, axis=1), np.array([k])
    outgoing = outgoing_columns(one, radius, out, shell)[0][:, acn(out)[0]] * basis[:, : (out + 1) ** 2]
    incoming = incoming_columns(one, radius, into, shell)[0][:, acn(into)[0]] * basis[:, : (into + 1) ** 2]
    return np.concatenate([outgoing, incoming], axis=1)


def machine_gflops() -> float:
    """Rate of a float64 matrix product of order 1500, best of three [GFLOP/s]."""
    a = np.random.default_rng(1).normal(size=(1500, 1500))
    best = min(_timed(lambda: a @ a) for _ in range(3))
    return 2 * 1500**3 / best / 1e9


def _timed(act) -> float:
    start = time.perf_counter()
    act()
    return time.perf_counter() - start


def normal_equations(matrix: np.ndarray, right: np.ndarray) -> np.ndarray:
    gram = matrix.conj().T @ matrix
    gram[np.diag_indices_from(gram)] += 1e-6 * gram.diagonal().real.max()
    return cho_solve(cho_factor(gram, lower=True, overwrite_a=True, check_finite=False), matrix.conj().T @ right)


def competitors_seconds(points, pressure, k, shell, out, into, rows) -> tuple[float, float]:
    """Times of normal equations and of lstsq over `rows`, building of the matrices not counted."""
    basis_order = int(max(out.max(), into.max()))
    radius = np.linalg.norm(points, axis=1)
    basis = complex_harmonics(basis_order, points[:, 2] / radius, np.arctan2(points[:, 1], points[:, 0]))
    normal, plain = 0.0, 0.0
    for f in rows:
        matrix = plain_matrix(points, k[f], shell, int(out[f]), int(into[f]), basis)
        right = pressure[:, f]
        normal += _timed(lambda matrix=matrix, right=right: normal_equations(matrix, right))
        plain += _timed(lambda matrix=matrix, right=right: np.linalg.lstsq(matrix, right, rcond=None))
    return normal, plain


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--every", type=int, default=8, help="time the plain method at every n-th frequency")
    every = parser.parse_args().every
    hz = np.geomspace(20.0, 16_000.0, 97)
    k, points, shell = 2 * np.pi * hz / SPEED_M_S, ring_points(), Shell(0.18, 0.47, 0.94)
    pressure = made_pressure(points, k)
    rings, nobody = find_rings(points), np.zeros(len(points), dtype=bool)
    cap = order_caps(rings, incoming=True)
    out, into = (np.minimum(order, cap) for order in wanted_orders(k, shell))
    rate = machine_gflops()
    rows = np.arange(every // 2, k.size, every)
    some = (pressure[:, rows], k[rows], shell, (out[rows], into[rows]), nobody)
    times = []
    for _ in range(RUNS):
        times.append(
            (
                *competitors_seconds(points, pressure, k, shell, out, into, rows),
                _timed(lambda: fit_rings(rings, pressure, k, shell, out, into, nobody)),
                _timed(lambda: fit_scan(Scan(points, None, (0, 1, 2)), *some)),
            )
        )
    normal, plain, ring, dense = np.min(times, axis=0)
    normal_all, plain_all = normal * k.size / rows.size, plain * k.size / rows.size
    columns = (out[rows] + 1.0) ** 2 + (into[rows] + 1.0) ** 2
    work = np.sum(len(points) * columns**2 + columns**3) / 1e9
    print(f"matrix product on this machine: {rate:.0f} GFLOP/s in float64")
    print(f"normal equations with Cholesky, {rows.size} of {k.size}: {normal:.2f} s, all: about {normal_all:.1f} s")
    print(f"plain lstsq, {rows.size} of {k.size} frequencies: {plain:.2f} s, all: about {plain_all:.1f} s")
    print(f"rings, {k.size} frequencies: {ring:.3f} s, {normal_all / ring:.0f} times faster than normal equations "
          f"(aim 130), {plain_all / ring:.0f} times faster than lstsq")  # fmt: skip
    print(f"irregular points, {rows.size} frequencies: {dense:.2f} s, {normal / dense:.1f} times faster than normal "
          f"equations (aim 4), {plain / dense:.1f} times faster than lstsq")  # fmt: skip
    # Kilobytes, but bytes on macOS.
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)
    print(f"irregular route: {work / dense:.1f} GFLOP/s, {100 * work / dense / rate:.0f} % of the matrix product")
    print(f"peak memory of both routes and the plain method: {peak / 2**30:.2f} GiB (aim: below 2)")


if __name__ == "__main__":
    main()
