"""How well could anybody do? Estimators that are told what no tester knows, at the points of the held-out scans.

Called by separation_accuracy.py --oracle. For each loudspeaker of a draw (separation_held_out.py) that is scanned at no
more than 1,700 points, at the frequencies of the bands above 4 kHz where the program shows something, rms within 20 dB
of the loudest direction and the largest error of listening window, early reflections and sound power, over the same
directions and frequencies, of

- the program as it is, and with every point told where it truly is and the true temperature ("places known");
- waves cut off: least squares of all orders up to one, center and order chosen by the truth, places known;
- waves weighed: the most probable field about a center where every order's true energy is told besides (Wiener's
  filter: in mean square no method that treats all directions alike about that center does better);
- sources known: the most probable field of sources wherever the loudspeaker truly has some, of their true mean
  strengths, each by itself unknown (all that place and level of the sources can tell, and their shape not).

What the program has lost is told by the second and the fourth; by the last what the points could still tell somebody
who knew the loudspeaker. Linear prediction with known covariances: Rasmussen and Williams, Gaussian Processes for
Machine Learning, chapter 2, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np
import separation_held_out as held
from numpy.typing import NDArray
from scipy.linalg import solve

from earwitness.demo.sources import cap_at_points, cap_coefficients, cap_far_field, spread
from earwitness.dsp.spherical import acn, complex_harmonics
from earwitness.figures.windows import window_weights
from earwitness.quantities.directions import cta_orbits
from earwitness.reduce.separate.field import Shell, far_factor, outgoing_columns

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

FROM_HZ = 4000.0
ORDERS_ABOVE = 6
ORDER_STEP, TRIES = 3, 4
# More take hours here, and keep the goals as it is.
MOST_POINTS = 1700
ELEMENT_M = 0.01
LOOK = cta_orbits().unit_vectors()
WEIGHTS = np.array([window_weights(cta_orbits())[name] for name in held.CURVES])
WAYS = ("as it is", "places known", "waves cut off", "waves weighed", "sources known")


def gauss_grid(order: int) -> tuple[Real, Real]:
    """Directions (Q, 3) and weights (Q,) that integrate products of two harmonics of `order`."""
    z, weight = np.polynomial.legendre.leggauss(order + 1)
    count = 2 * order + 2
    azimuth, flat = 2 * np.pi * np.arange(count) / count, np.sqrt(1 - z * z)
    grid = [np.outer(flat, np.cos(azimuth)), np.outer(flat, np.sin(azimuth)), np.outer(z, np.ones(count))]
    return np.stack(grid, axis=-1).reshape(-1, 3), np.repeat(weight, count) * 2 * np.pi / count


def harmonics(order: int, places: Real) -> Complex:
    away = np.linalg.norm(places, axis=1)
    return complex_harmonics(order, places[:, 2] / away, np.arctan2(places[:, 1], places[:, 0]))


def predicted(columns: Complex, far: Complex, variance: Real, noise: float, heard: Complex) -> Complex:
    """(D,) most probable far field: columns (P, K) at points, far (D, K), prior variances (K,), noise of a point."""
    root = np.sqrt(variance)
    scaled, away = columns * root, far * root
    if len(scaled) < scaled.shape[1]:
        inner = scaled @ scaled.conj().T + noise * np.eye(len(scaled))
        return np.asarray(away @ (scaled.conj().T @ solve(inner, heard, assume_a="pos")))
    inner = scaled.conj().T @ scaled + noise * np.eye(scaled.shape[1])
    return np.asarray(away @ solve(inner, scaled.conj().T @ heard, assume_a="pos"))


def off_db(found: Complex, truth: Complex, counted: NDArray[np.bool_]) -> float:
    """rms level error over the counted directions."""
    error = 20 * np.log10(np.abs(found[counted]) / np.abs(truth[counted]))
    return float(np.sqrt(np.mean(error**2)))


def curve_off_db(found: Complex, truth: Complex) -> float:
    return float(np.abs(10 * np.log10((WEIGHTS @ np.abs(found) ** 2) / (WEIGHTS @ np.abs(truth) ** 2))).max())


class Waves:
    """Outgoing waves of one frequency about one center, and what the truth is made of there."""

    def __init__(self, one: held.Loudspeaker, points_m: Real, hz: float, center_m: Real) -> None:
        k = 2 * np.pi * hz / held.SPEED_M_S
        away = points_m - center_m
        # Nearer to the center than the farthest source the waves of high orders do not converge.
        reach_m = min(one.reach_m + float(np.linalg.norm(center_m)), float(np.linalg.norm(away, axis=1).min()))
        self.order = int(np.ceil(k * reach_m)) + ORDERS_ABOVE
        shell = Shell(one.reach_m, float(np.linalg.norm(away, axis=1).max()), 1.0)
        wave, degree = np.array([k]), acn(self.order)[0]
        factor = far_factor(wave, self.order, shell)[0][degree]
        along = outgoing_columns(wave, np.linalg.norm(away, axis=1), self.order, shell)[0]
        # Strengths are those of the far field.
        self.columns = harmonics(self.order, away) * along[:, degree] / factor
        self.far = harmonics(self.order, LOOK) * np.exp(1j * k * (LOOK @ center_m))[:, None]
        grid, weight = gauss_grid(int(np.ceil(k * (one.reach_m + float(np.linalg.norm(center_m))))) + ORDERS_ABOVE)
        there = held.sound(one, points_m[:1], np.array([hz]), grid)[1][:, 0] * np.exp(-1j * k * (grid @ center_m))
        self.strength = harmonics(self.order, grid).conj().T @ (weight * there)
        energy = np.add.reduceat(np.abs(self.strength) ** 2, np.arange(self.order + 1) ** 2)
        self.variance = (energy / (2 * np.arange(self.order + 1) + 1))[degree]

    def weighed(self, heard: Complex) -> Complex:
        """What orders left out make at the points counts as noise, besides the noise itself."""
        rest = float(np.mean(np.abs(heard - self.columns @ self.strength) ** 2))
        return predicted(self.columns, self.far, self.variance, rest, heard)

    def cut_off(self, heard: Complex) -> Iterator[Complex]:
        """Least squares of all orders up to each that the points may bear."""
        most = min(int(np.sqrt(len(heard))) - 1, self.order)
        gram, right = self.columns.conj().T @ self.columns, self.columns.conj().T @ heard
        for order in range(max(most - ORDER_STEP * TRIES, 1), most + 1, ORDER_STEP):
            some = slice(0, (order + 1) ** 2)
            scale = np.sqrt(gram.diagonal().real[some])
            inner = gram[some, some] / np.outer(scale, scale) + 1e-10 * np.eye(scale.size)
            yield self.far[:, some] @ (solve(inner, right[some] / scale, assume_a="pos") / scale)


def sources(one: held.Loudspeaker, points_m: Real, hz: float) -> tuple[Complex, Complex, Real]:
    """Columns (P, K), far field (D, K) and prior variances (K,) of every place that truly sounds."""
    near, far, variance = [], [], []
    k = 2 * np.pi * hz / held.SPEED_M_S
    for part in one.radiators:
        played = float(np.abs(held.strength(part, np.array([hz]))[0]))
        if one.kind == "sphere":
            axis = part.place_m / np.linalg.norm(part.place_m)
            places = axis + disk_about(axis, part.radius_m / one.reach_m, ELEMENT_M / one.reach_m)
            at, away = small_caps(one, points_m, hz, places / np.linalg.norm(places, axis=1)[:, None])
            near.append(at)
            far.append(away)
            variance.append(np.full(len(places), (played / 2 / np.pi / hz) ** 2 / len(places)))
            continue
        side = np.array([np.sign(part.place_m[0]), 0.0, 0.0])
        disk, edges = part.place_m + held._disk(part.radius_m), held._edges(one.half_m, side[0])
        for places, power, facing in ((disk, 1.0, 1.0), (edges, one.edge**2, 0.0)):
            line = points_m[:, None, :] - places
            distance = np.linalg.norm(line, axis=2)
            cosine = (1 + 1 / (1j * k * distance)) * (line @ side) / distance
            near.append(np.exp(-1j * k * distance) / distance * held._lean(facing, cosine))
            far.append(np.exp(1j * k * (LOOK @ places.T)) * np.asarray(held._lean(facing, LOOK @ side))[:, None])
            variance.append(np.full(len(places), played**2 * power / len(places)))
    return np.concatenate(near, axis=1), np.concatenate(far, axis=1), np.maximum(np.concatenate(variance), 1e-16)


def disk_about(axis: Real, radius: float, apart: float) -> Real:
    """(Q, 3) golden-angle points across an axis."""
    first = np.cross(axis, [0.0, 0.0, 1.0])
    first /= np.linalg.norm(first)
    number = np.arange(max(7, int(np.pi * (radius / apart) ** 2))) + 0.5
    rho, angle = radius * np.sqrt(number / number.size), np.pi * (1 + np.sqrt(5)) * number
    return np.outer(rho * np.cos(angle), first) + np.outer(rho * np.sin(angle), np.cross(axis, first))


def small_caps(one: held.Loudspeaker, points_m: Real, hz: float, axes: Real) -> tuple[Complex, Complex]:
    """Near (P, K) and far (D, K) sound of caps of 3 mm about axes (K, 3), each of volume velocity 1."""
    order = int(2 * np.pi * hz / held.SPEED_M_S * one.reach_m) + held.ORDERS_ABOVE_KA
    series = cap_coefficients(0.003 / one.reach_m, order, motion="radial")
    flow = held.cap_volume_velocity(series, one.reach_m)
    distance, tone = np.linalg.norm(points_m, axis=1), np.array([hz])
    waves = spread(order, one.reach_m, distance, tone)
    toward = points_m / distance[:, None]
    near = np.stack([cap_at_points(waves, series, toward @ axis)[:, 0] for axis in axes], axis=1)
    far = [cap_far_field(series, one.reach_m, LOOK @ axis, tone, speed_of_sound_m_s=held.SPEED_M_S) for axis in axes]
    return near / flow, np.stack([each[:, 0] for each in far], axis=1) / flow


def centers(one: held.Loudspeaker, hz: float) -> list[Real]:
    """The middle, every radiator, and where the sound comes from in the mean."""
    power = np.array([np.abs(held.strength(part, np.array([hz]))[0]) ** 2 for part in one.radiators])
    places = np.array([part.place_m for part in one.radiators])
    loud = power > 0.01 * power.max()
    return [np.zeros(3), *places[loud], power @ places / power.sum()]


def told_ways(scan: held.Scanned, f: int, hz: float, counted: NDArray[np.bool_]) -> tuple[Complex, ...]:
    """Far fields (D,) of waves cut off, waves weighed and sources known, at row f."""
    heard, noise, truth = scan.heard[:, f], float(scan.noise[f]), scan.truth[:, f]
    cut, weighed = [], []
    for center in centers(scan.one, hz):
        waves = Waves(scan.one, scan.true_m, hz, center)
        cut += waves.cut_off(heard)
        weighed.append(waves.weighed(heard))
    best = [min(some, key=lambda found: off_db(found, truth, counted)) for some in (cut, weighed)]
    return best[0], best[1], predicted(*sources(scan.one, scan.true_m, hz), noise, heard)


def compared(seed: int, number: int) -> tuple[list[str], Real]:
    """Cells that name the scan, and (F, 5, 2) rms and largest curve error of each way; NaN where nothing is shown."""
    told, hz = held.table_axis()
    scan = held.scanned(seed, number, hz)
    ours, truth = scan.answered(hz).response, scan.truth
    knowing = replace(scan, stated_m=scan.true_m, bad=replace(scan.bad, speed_error=0.0))
    found, placed = ours.pressure, knowing.answered(hz).response.pressure
    counted = ours.valid & (np.abs(truth) > 0.1 * np.abs(truth).max(axis=0))
    drawn, rows = ~np.isnan(held.curves_off(ours, truth)[0]), np.searchsorted(hz, told[told > FROM_HZ])
    out = np.full((rows.size, len(WAYS), 2), np.nan)
    for place, f in enumerate(rows):
        if not counted[:, f].any():
            continue
        for way, far in enumerate((found[:, f], placed[:, f], *told_ways(scan, f, float(hz[f]), counted[:, f]))):
            out[place, way, 0] = off_db(far, truth[:, f], counted[:, f])
            if drawn[f]:
                out[place, way, 1] = curve_off_db(far, truth[:, f])
    return [f"{number + 1}", scan.one.kind, f"{len(scan.stated_m):,}", f"{held.tell_khz(scan):.1f}"], out


def oracle(count: int, seed: int) -> None:
    """Print both tables of `count` drawn loudspeakers: the worst frequency of each way, and each frequency."""
    told = held.table_axis()[0]
    told, results = told[told > FROM_HZ], []
    heads = ("loudspeaker", "kind", "points", "tell to, kHz", *WAYS)
    print("rms within 20 dB / curves, worst frequency shown, dB\n")
    print(f"| {' | '.join(heads)} |\n|{' --- |' * len(heads)}")
    hz = held.table_axis()[1]
    for number in range(count):
        if len(held.scanned(seed, number, hz[:1]).stated_m) > MOST_POINTS:
            continue
        cells, out = compared(seed, number)
        results.append(out)
        worst = np.nanmax(out, axis=0, initial=0.0)
        print(f"| {' | '.join([*cells, *(f'{rms:.2f} / {curve:.2f}' for rms, curve in worst)])} |", flush=True)
    every = np.array(results)
    print(f"\nrms within 20 dB, largest of all loudspeakers, dB\n\n| Hz | {' | '.join(WAYS)} |")
    print(f"|{' --- |' * (len(WAYS) + 1)}")
    edges = [band for band in pairwise(held.BANDS_HZ) if band[1] > FROM_HZ]
    for low, high in edges:
        part = every[:, (told >= low) & (told < high), :, 0].reshape(-1, len(WAYS))
        cells = [f"{np.nanmedian(one):.2f} / {np.nanmax(one):.2f}" for one in part.T]
        print(f"| {low:g} to {high:g} | {' | '.join(cells)} |")
