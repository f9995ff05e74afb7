"""Scans of loudspeakers that nobody tuned on: drawn by a seed, simulated exactly, separated, held against the truth.

Two kinds in turn. A sphere: caps on a rigid one by the exact series of the demo world, told to the program as a cube
in it. A box: small cardioid sources, each an exact wave, over the drivers' disks in its front and, weaker and later,
along its edges; no body stands in the way, so there is no deep shadow. Sizes, drivers, places, crossover, levels,
noise, offsets of the points, the number of points and an error of the temperature are drawn within what a tester might
meet (the ranges stand in the code: common practice, no source). Called by separation_accuracy.py --held-out.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from itertools import pairwise
from types import SimpleNamespace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from earwitness.demo.sources import cap_at_points, cap_coefficients, cap_far_field, cap_volume_velocity, spread
from earwitness.figures.read import levels_of
from earwitness.figures.windows import windows
from earwitness.formats.positions_table import REFERENCE
from earwitness.formats.scan_pressures import ScanPressures
from earwitness.quantities import DirectionalResponse
from earwitness.quantities.directions import cta_orbits
from earwitness.reduce.scan import ScanResult, solve_scan
from earwitness.reduce.scan_measurement import data_of_pressures
from earwitness.reduce.separate import response, separate, separate_gated
from earwitness.session.plan import GATE_DB, JITTER_M, Robot, ScanPlan, plan_scan
from earwitness.session.responses import ScanSetup

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

SPEED_M_S = 343.0
BANDS_HZ = (1000.0, 2000.0, 4000.0, 6300.0, 8000.0, 10_000.0, 12_500.0, 16_000.0)
RINGS = (14, 17, 20, 23, 26)
# Half as dense as the program's own axis, by which places are told.
PILOTS_HZ = (700.0, 6000.0, 28)
ORDERS_ABOVE_KA = 40
# What a tester with a robot may know; radii and gains of these scans are as told, the temperature is off by up to 1 C.
GOOD_RIG = {"gain_u_db": 0.02, "drift_u_db": 0.05, "clock_drift_us": 1.0, "radius_u_m": 3e-4, "temperature_u_c": 1.0}
CURVES = ("listening_window", "early_reflections", "sound_power")
_CHUNK = 300


@dataclass(frozen=True, slots=True, eq=False)
class Radiator:
    """place_m (3,) from the body's middle, size and what it plays: low-pass below and high-pass above, gain, delay."""

    place_m: Real
    radius_m: float
    low_hz: float
    high_hz: float
    gain: complex
    delay_s: float
    radial: bool


@dataclass(frozen=True, slots=True, eq=False)
class Loudspeaker:
    """half_m (3,) of the box as told, along x, y, z; reach_m : radius about the middle that holds all of it;
    edge : strength of the edges of a box against the driver."""

    kind: Literal["sphere", "box"]
    half_m: Real
    reach_m: float
    radiators: tuple[Radiator, ...]
    edge: float


@dataclass(frozen=True, slots=True, eq=False)
class Conditions:
    """What goes wrong: noise against the mean sound at the points, offsets, error of the speed of sound (share)."""

    noise_db: float
    jitter_m: float
    smooth_m: float
    speed_error: float
    rings: int
    gap_m: float


def drawn(rng: np.random.Generator, kind: Literal["sphere", "box"]) -> Loudspeaker:
    """A loudspeaker of two or three ways."""
    if kind == "sphere":
        reach = float(np.exp(rng.uniform(np.log(0.12), np.log(0.32))))
        half = np.full(3, reach / np.sqrt(3))
        width, height = 1.2 * reach, 1.2 * reach
    else:
        width = rng.uniform(0.14, 0.30)
        height, depth = width * rng.uniform(1.2, 2.2), width * rng.uniform(0.8, 1.4)
        half = np.array([depth, width, height]) / 2
        reach = float(np.linalg.norm(half))
    crossover = float(np.exp(rng.uniform(np.log(1200.0), np.log(3500.0))))
    up = height * rng.uniform(0.1, 0.3)

    def one(y: float, z: float, radius: float, low: float, high: float, level_db: float, radial: bool) -> Radiator:
        gain = 10 ** (level_db / 20) * (-1 if rng.random() < 0.3 else 1)
        front = np.sqrt(reach**2 - y**2 - z**2) if kind == "sphere" else half[0]
        return Radiator(np.array([front, y, z]), radius, low, high, gain, rng.uniform(0.0, 6e-5), radial)

    horn = rng.random() < 0.3
    small = rng.uniform(0.03, 0.32 * width) if horn else rng.uniform(0.009, 0.018)
    aside = rng.uniform(-0.1, 0.1) * width
    wide = min(rng.uniform(0.3, 0.42) * width, 0.4 * height)
    parts = [one(aside, up, small, crossover, 1e9, rng.uniform(-3, 3), horn)]
    parts.append(one(0.0, -0.2 * height, wide, 0.0, crossover, rng.uniform(-3, 3), False))
    if rng.random() < 0.3:
        parts.append(one(-aside, 0.0, 0.5 * wide, 0.4 * crossover, crossover, rng.uniform(-6, 0), False))
    if rng.random() < 0.5:
        # A port, a leak or a singing panel at the rear, at all frequencies.
        back = one(rng.uniform(-0.2, 0.2) * width, rng.uniform(-0.3, 0.3) * height, 0.02, 0.0, 1e9, -25.0, True)
        parts.append(Radiator(back.place_m * [-1, 1, 1], *(getattr(back, n) for n in back.__slots__[1:])))
    return Loudspeaker(kind, half, reach, tuple(parts), rng.uniform(0.05, 0.3))


def drawn_conditions(rng: np.random.Generator) -> Conditions:
    """Those of one scan with a robot."""
    return Conditions(
        noise_db=rng.uniform(-70.0, -50.0), jitter_m=float(np.exp(rng.uniform(np.log(2e-4), np.log(9e-4)))),
        smooth_m=rng.uniform(0.0, 3e-4), speed_error=rng.uniform(-0.001, 0.001), rings=int(rng.choice(RINGS)),
        gap_m=rng.uniform(0.06, 0.15),
    )  # fmt: skip


def two_spheres(radius_m: float, rings: int) -> Real:
    """(4 rings^2, 3) the layout of the demo world's scans: rings in turn on both, turned by half a step."""
    z = np.polynomial.legendre.leggauss(2 * rings)[0]
    parts = []
    for radius, heights, turn in ((radius_m, z[::2], 0.0), (radius_m + 0.05, z[1::2], 0.5)):
        azimuth, flat = np.pi * (np.arange(2 * rings) + turn) / rings, np.sqrt(1 - heights**2)
        grid = [np.outer(flat, np.cos(azimuth)), np.outer(flat, np.sin(azimuth)), np.outer(heights, 1 + 0 * azimuth)]
        parts.append(radius * np.stack(grid, axis=-1).reshape(-1, 3))
    return np.concatenate(parts)


def strength(one: Radiator, hz: Real) -> Complex:
    """(F,) what a radiator plays: fourth-order slopes (squared second-order Butterworth, from memory)."""
    with np.errstate(divide="ignore"):
        s_high, s_low = 1j * hz / max(one.low_hz, 1e-9), 1j * hz / one.high_hz
        high = (s_high**2 / (s_high**2 + np.sqrt(2) * s_high + 1)) ** 2 if one.low_hz else 1.0
    return high / (s_low**2 + np.sqrt(2) * s_low + 1) ** 2 * one.gain * np.exp(-2j * np.pi * hz * one.delay_s)


def sound(one: Loudspeaker, points_m: Real, hz: Real, look: Real) -> tuple[Complex, Complex]:
    """(P, F) pressure at points about the middle, and (D, F) lim r e^(jkr) p along `look`, by exact waves."""
    return _caps(one, points_m, hz, look) if one.kind == "sphere" else _cardioids(one, points_m, hz, look)


def _caps(one: Loudspeaker, points_m: Real, hz: Real, look: Real) -> tuple[Complex, Complex]:
    distance = np.linalg.norm(points_m, axis=1)
    near, far = np.zeros((len(points_m), hz.size), dtype=complex), np.zeros((len(look), hz.size), dtype=complex)
    order = int(2 * np.pi * hz.max() / SPEED_M_S * one.reach_m) + ORDERS_ABOVE_KA
    caps = []
    for part in one.radiators:
        half_angle = float(np.arcsin(part.radius_m / one.reach_m))
        series = cap_coefficients(half_angle, order, motion="radial" if part.radial else "axial")
        # A volume acceleration that does not change with frequency.
        drive = strength(part, hz) / (2j * np.pi * hz) / cap_volume_velocity(series, one.reach_m)
        axis = part.place_m / np.linalg.norm(part.place_m)
        caps.append((series, drive, axis))
        far += drive * cap_far_field(series, one.reach_m, look @ axis, hz, speed_of_sound_m_s=SPEED_M_S)
    for start in range(0, len(points_m), _CHUNK):
        rows = slice(start, start + _CHUNK)
        waves = spread(order, one.reach_m, distance[rows], hz)
        for series, drive, axis in caps:
            near[rows] += drive * cap_at_points(waves, series, points_m[rows] @ axis / distance[rows])
    return near, far


def _cardioids(one: Loudspeaker, points_m: Real, hz: Real, look: Real) -> tuple[Complex, Complex]:
    """(1 + (1 + 1 / jkR) cos) / 2 e^(-jkR) / R over the disks: a monopole and a dipole; monopoles along the edges."""
    k = 2 * np.pi * hz / SPEED_M_S
    near, far = np.zeros((len(points_m), hz.size), dtype=complex), np.zeros((len(look), hz.size), dtype=complex)
    for part in one.radiators:
        side = np.array([np.sign(part.place_m[0]), 0.0, 0.0])
        disk, edges = part.place_m + _disk(part.radius_m), _edges(one.half_m, side[0])
        away = np.linalg.norm(edges - part.place_m, axis=1)
        share = one.edge * (1 / away) / np.sum(1 / away)
        played = strength(part, hz)
        for places, weights, facing in ((disk, np.full(len(disk), 1 / len(disk)), 1.0), (edges, -share, 0.0)):
            late = np.zeros(len(places)) if facing else away
            for f, wave in enumerate(k):
                if abs(played[f]) < 1e-6:
                    continue
                drive = played[f] * weights * np.exp(-1j * wave * late)
                far[:, f] += (np.exp(1j * wave * (look @ places.T)) @ drive) * _lean(facing, look @ side)
                for start in range(0, len(points_m), _CHUNK):
                    rows = slice(start, start + _CHUNK)
                    line = points_m[rows, None, :] - places
                    distance = np.linalg.norm(line, axis=2)
                    cosine = (1 + 1 / (1j * wave * distance)) * (line @ side) / distance
                    near[rows, f] += (np.exp(-1j * wave * distance) / distance * _lean(facing, cosine)) @ drive
    return near, far


def _lean(facing: float, cosine: Complex | Real) -> Complex | Real:
    return (1 + cosine) / 2 if facing else np.ones_like(cosine)


def _disk(radius_m: float) -> Real:
    """(Q, 3) golden-angle points on a disk across x, 7 mm apart or less."""
    count = max(19, int(np.pi * (radius_m / 0.007) ** 2))
    number = np.arange(count) + 0.5
    rho, angle = radius_m * np.sqrt(number / count), np.pi * (1 + np.sqrt(5)) * number
    return np.stack([np.zeros(count), rho * np.cos(angle), rho * np.sin(angle)], axis=1)


def _edges(half_m: Real, side: float) -> Real:
    """(E, 3) points along the four edges of the front or the back, some 12 mm apart."""
    depth, width, height = half_m
    across, up = (np.linspace(-one, one, int(one / 0.006), endpoint=False) for one in (width, height))
    parts = [np.stack([np.full(up.size, side * depth), np.full(up.size, y), up], axis=1) for y in (-width, width)]
    parts += [
        np.stack([np.full(across.size, side * depth), across, np.full(across.size, z)], axis=1)
        for z in (-height, height)
    ]
    return np.concatenate(parts)


def spoiled(pressure: Complex, noise_db: float, rng: np.random.Generator) -> Complex:
    """Pressures (P, F) with noise of a level against the mean sound of each frequency."""
    noise = rng.normal(size=pressure.shape) + 1j * rng.normal(size=pressure.shape)
    return pressure + 10 ** (noise_db / 20) / np.sqrt(2) * np.sqrt(np.mean(np.abs(pressure) ** 2, axis=0)) * noise


def cabinet_m(one: Loudspeaker) -> tuple[float, float, float]:
    """Width, height, depth as told to the program."""
    depth, width, height = 2 * one.half_m
    return float(width), float(height), float(depth)


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """By frequency (F,): rms within 20 dB of the loudest direction, the same of those that are shown, largest error of
    a shown curve (listening window, early reflections, sound power; NaN: none), the same over its u, share shown,
    values shown, of which inside 2 u, mean square of their error over u, values beyond 4 u."""

    near_db: Real
    told_db: Real
    curve_db: Real
    curve_u: Real
    shown: Real
    count: Real
    inside: Real
    square: Real
    beyond: Real


def judged(ours: DirectionalResponse, truth: Complex) -> Judged:
    """Levels against the truth (D, F)."""
    error = 20 * np.log10(np.maximum(np.abs(ours.pressure), 1e-300) / np.abs(truth))
    u, shown = ours.u_total_db(), ours.valid
    near = np.abs(truth) > 0.1 * np.abs(truth).max(axis=0)
    rms = np.sqrt(np.sum(near * error**2, axis=0) / near.sum(axis=0))
    near &= shown
    told = np.sqrt(np.sum(near * error**2, axis=0) / np.where(near.any(axis=0), near.sum(axis=0), np.nan))
    times = np.where(shown, np.abs(error) / u, 0.0)
    inside, beyond = (shown & (times <= 2)).sum(axis=0), (times > 4).sum(axis=0)
    off, over_u = curves_off(ours, truth)
    count = shown.sum(axis=0)
    return Judged(rms, told, off, over_u, shown.mean(axis=0), count, inside, (times**2).sum(axis=0), beyond)


def curves_off(ours: DirectionalResponse, truth: Complex) -> tuple[Real, Real]:
    """(F,) largest error of a curve that would be drawn, and largest error over its u; NaN where none would."""
    made = [windows(levels_of(one)).curves for one in (ours, replace(ours, pressure=truth))]
    off = [np.where(made[0][key].valid, np.abs(made[0][key].values - made[1][key].values), -1.0) for key in CURVES]
    over_u = [one / made[0][key].u for one, key in zip(off, CURVES, strict=True)]
    worst, most = np.max(off, axis=0), np.max(over_u, axis=0)
    return np.where(worst < 0, np.nan, worst), np.where(worst < 0, np.nan, most)


def table_axis() -> tuple[Real, Real]:
    """(F,) two frequencies of every band, (G,) those and what the program needs besides to tell the places."""
    told = np.concatenate([[low * (high / low) ** share for share in (0.3, 0.8)] for low, high in pairwise(BANDS_HZ)])
    return told, np.unique(np.concatenate([told, np.geomspace(*PILOTS_HZ)]))


@dataclass(frozen=True, slots=True, eq=False)
class Scanned:
    """A drawn loudspeaker at stated_m (P, 3) and true_m (P, 3) places; heard (P, F) with noise of power noise (F,),
    truth (D, F) along the directions of ANSI/CTA-2034-A."""

    one: Loudspeaker
    bad: Conditions
    stated_m: Real
    true_m: Real
    heard: Complex
    noise: Real
    truth: Complex

    def answered(self, hz: Real) -> ScanResult:
        """What the program makes of it, with its doubt of a good rig that was stated; pressures of a free field."""
        width, height, depth = cabinet_m(self.one)
        found = ScanPressures(self.stated_m, hz, self.heard)
        data = data_of_pressures(found, SPEED_M_S * (1 + self.bad.speed_error), anechoic=True)
        told = ScanSetup(body="none", body_center_m=(0.0, 0.0, 0.0), **GOOD_RIG)
        return solve_scan(data, SimpleNamespace(width_m=width, height_m=height, depth_m=depth), told)


def scanned(seed: int, number: int, hz: Real, *, by_plan: bool = False) -> Scanned:
    """One scan of a draw: on two spheres of as many points as the draw says, or by the program's own plan."""
    rng = np.random.default_rng([seed, number])
    one, bad = drawn(rng, "box" if number % 2 else "sphere"), drawn_conditions(rng)
    stated = two_spheres(one.reach_m + bad.gap_m, bad.rings)
    if by_plan:
        plan = plan_scan(cabinet_m(one), None, body_center_m=(0.0, 0.0, 0.0), room_gate_s=PLANNED_GATE_S)
        stated = plan.points_m[np.array(plan.surfaces) != REFERENCE]
    bent = rng.normal(size=(3, 3))
    true = stated + bad.jitter_m / np.sqrt(3) * rng.normal(size=stated.shape)
    true += bad.smooth_m * (stated @ (bent / np.linalg.norm(bent)).T) / one.reach_m
    clean, truth = sound(one, true, hz, cta_orbits().unit_vectors())
    noise = 10 ** (bad.noise_db / 10) * np.mean(np.abs(clean) ** 2, axis=0)
    return Scanned(one, bad, stated, true, spoiled(clean, bad.noise_db, rng), noise, truth)


def held_out(count: int, seed: int, *, by_plan: bool = False) -> None:
    """Print the table of `count` drawn loudspeakers: largest rms and curves of what is shown, to 2 and to 10 kHz."""
    told, hz = table_axis()
    rows, results = np.searchsorted(hz, told), []
    heads = ("loudspeaker", "kind", "cabinet, mm", "points", "tell to, kHz", "off by, mm", "noise, dB")
    heads += ("rms to 2 kHz", "rms to 10 kHz", "curves to 10 kHz", "shown", "inside 2 u", "beyond 4 u", "s")
    print(f"| {' | '.join(heads)} |")
    print(f"|{' --- |' * len(heads)}")
    for number in range(count):
        cells, result = row_of(seed, number, hz, by_plan=by_plan)
        results.append(Judged(*(getattr(result, name)[rows] for name in result.__slots__)))
        last = results[-1]
        for off, most_hz in ((last.told_db, 2000.0), (last.told_db, 10_000.0), (last.curve_db, 10_000.0)):
            part = off[(told <= most_hz) & ~np.isnan(off)]
            cells.insert(-1, f"{part.max():.2f}" if part.size else "none")
        cells.insert(-1, f"{last.shown[told <= 10_000.0].mean():.0%}")
        cells.insert(-1, f"{last.inside.sum() / max(last.count.sum(), 1):.1%}")
        cells.insert(-1, f"{last.beyond.sum():.0f}")
        print(f"| {' | '.join(cells)} |", flush=True)
    _print_bands(results)


def row_of(seed: int, number: int, hz: Real, *, by_plan: bool) -> tuple[list[str], Judged]:
    """What a scan is, in words, with the processor's seconds last, and how it comes out at hz (F,)."""
    scan = scanned(seed, number, hz, by_plan=by_plan)
    one, bad, start = scan.one, scan.bad, time.process_time()
    answer = scan.answered(hz).response
    seconds = time.process_time() - start
    cells = [f"{number + 1}", one.kind, " x ".join(f"{1000 * side:.0f}" for side in cabinet_m(one))]
    cells += [f"{len(scan.stated_m):,}", f"{tell_khz(scan):.1f}", f"{1000 * bad.jitter_m:.1f}"]
    return [*cells, f"{bad.noise_db:.0f}", f"{seconds:.0f}"], judged(answer, scan.truth)


def tell_khz(scan: Scanned) -> float:
    """Frequency up to which the points tell all directions apart: k times the half diagonal is the root of their
    number (the plan's rings lie 1 / 0.95 times as dense as its azimuths)."""
    return float(np.sqrt(len(scan.stated_m)) * SPEED_M_S / (2 * np.pi * np.linalg.norm(scan.one.half_m)) / 1000)


def _print_bands(results: list[Judged]) -> None:
    near, told, curve, curve_u, shown, count, inside, square, beyond = (
        np.array([getattr(r, name) for r in results]) for name in Judged.__slots__
    )
    heads = ("Hz", "rms within 20 dB", "of shown", "curves", "curves inside 2 u / largest error over u", "shown")
    heads += ("inside 2 u, all / worst loudspeaker", "error over u", "beyond 4 u")
    print(f"\n| {' | '.join(heads)} |\n|{' --- |' * len(heads)}")
    for row, (low, high) in enumerate(pairwise(BANDS_HZ)):
        part = slice(2 * row, 2 * row + 2)
        many, good = count[:, part].sum(axis=1), inside[:, part].sum(axis=1)
        level, seen = near[:, part].max(axis=1), shown[:, part].mean(axis=1)
        each = good[many > 0] / many[many > 0]
        cells = [f"{low:g} to {high:g}", f"{np.median(level):.2f} / {level.max():.2f}"]
        drawn = curve_u[:, part][~np.isnan(curve_u[:, part])]
        cells += [_middle_and_worst(told[:, part]), _middle_and_worst(curve[:, part])]
        cells += [f"{np.mean(drawn <= 2):.0%} / {drawn.max():.1f}" if drawn.size else "none"]
        cells += [f"{np.median(seen):.0%} / {seen.min():.0%}"]
        cells += [f"{good.sum() / many.sum():.1%} / {each.min():.0%}"] if many.any() else ["none"]
        cells += [f"{np.sqrt(square[:, part].sum() / max(many.sum(), 1)):.2f}", f"{beyond[:, part].sum():.0f}"]
        print(f"| {' | '.join(cells)} |")
    print(f"\ninside 2 u, all shown values: {inside.sum() / count.sum():.1%} (aim 95 %), beyond 4 u {beyond.sum():.0f}")


def _middle_and_worst(off: Real) -> str:
    """Median and worst of the loudspeakers' larger error of two frequencies; NaN where nothing is shown."""
    largest = np.array([np.nanmax(one) for one in off if not np.isnan(one).all()])
    return f"{np.median(largest):.2f} / {largest.max():.2f}" if largest.size else "none"


LAYOUTS: tuple[tuple[Robot, float | None], ...] = (
    ("rotating arc", None),
    ("rotating arc", 1000.0),
    ("rotating arc", 2000.0),
    ("turntable and arm", 1000.0),
    ("by hand", 700.0),
)
PLANNED_GATE_S = 3e-3
PLANNED_NOISE_DB = -60.0


def planned(count: int, seed: int) -> None:
    """Print which share of frequencies stays below what `earwitness measure plan` promises."""
    look = cta_orbits().unit_vectors()
    print("| layout | points | with | frequencies | below the bound | rms over bound: median / largest |")
    print("| --- | --- | --- | --- | --- | --- |")
    for robot, highest in LAYOUTS:
        ratios: dict[str, list[tuple[float, float]]] = {"separation": [], "gate": []}
        sizes = []
        for number in range(count):
            rng = np.random.default_rng([seed, number])
            one = drawn(rng, "box" if number % 2 or robot == "turntable and arm" else "sphere")
            plan = plan_scan(
                cabinet_m(one), highest, robot=robot, body_center_m=(0.0, 0.0, 0.0), room_gate_s=PLANNED_GATE_S
            )
            sizes.append(len(plan.points_m))
            for name, ratio in _planned_ratios(one, plan, robot, look, rng):
                ratios[name].append(ratio)
        for name, found in ratios.items():
            if not found:
                continue
            share = np.array([ratio for _hz, ratio in found])
            asked = "10 kHz" if highest is None else f"{highest:g} Hz"
            cells = [f"{robot}, {asked}", f"{min(sizes)} to {max(sizes)}", name, f"{share.size}"]
            cells += [f"{np.mean(share <= 1):.0%}", f"{np.median(share):.2f} / {share.max():.2f}"]
            print(f"| {' | '.join(cells)} |", flush=True)


def _planned_ratios(
    one: Loudspeaker, plan: ScanPlan, robot: Robot, look: Real, rng: np.random.Generator
) -> list[tuple[str, tuple[float, float]]]:
    """(way, (frequency, rms over the bound)) of every frequency for which the plan prints one.

    The gate's own error is not in the simulation: bounds are compared without it.
    """
    assert plan.gated_from_hz is not None
    highest_hz = plan.separable_hz
    told = dict(plan.expected_error_db)
    true = plan.points_m + JITTER_M[robot] / np.sqrt(3) * rng.normal(size=plan.points_m.shape)
    above = np.array([hz for hz in told if hz > highest_hz])
    out: list[tuple[str, tuple[float, float]]] = []
    if above.size:
        hz = np.unique(np.concatenate([np.geomspace(500.0, 4000.0, 14), above]))
        heard, truth = sound(one, true, hz, look)
        found = separate_gated(
            plan.points_m, spoiled(heard, PLANNED_NOISE_DB, rng), hz, cabinet_m=cabinet_m(one), speed_of_sound=SPEED_M_S
        )
        rms = judged(response(found.field, cta_orbits()), truth).near_db[np.searchsorted(hz, above)]
        bound = [np.sqrt(told[f] ** 2 - (GATE_DB * plan.gated_from_hz / f) ** 2) for f in above]
        out += [("gate", (float(f), float(r / b))) for f, r, b in zip(above, rms, bound, strict=True)]
    if one.kind == "box":
        # Nothing stands in the way of the room's sound here: there is nothing scattered to take off.
        hz = np.array([f for f in told if f <= highest_hz])
        heard, truth = sound(one, true, hz, look)
        places = rng.normal(size=(24, 3))
        places *= rng.uniform(1.5, 4.0, size=(24, 1)) / np.linalg.norm(places, axis=1, keepdims=True)
        away = np.linalg.norm(true[:, None, :] - places, axis=2)
        turns = np.exp(2j * np.pi * rng.random((24, hz.size)))
        room = np.stack(
            [(np.exp(-2j * np.pi * f / SPEED_M_S * away) / away) @ turns[:, n] for n, f in enumerate(hz)], axis=1
        )
        size = np.sqrt(np.mean(np.abs(heard) ** 2, axis=0) / np.mean(np.abs(room) ** 2, axis=0))
        found = separate(
            plan.points_m, spoiled(heard + 0.5 * size * room, PLANNED_NOISE_DB, rng), hz, cabinet_m=cabinet_m(one),
            speed_of_sound=SPEED_M_S, body="none",
        )  # fmt: skip
        rms = judged(response(found.field, cta_orbits()), truth).near_db
        out += [("separation", (float(f), float(r / told[f]))) for f, r in zip(hz, rms, strict=True)]
    return out


def cost(points: int) -> None:
    """Print processor seconds a frequency of the waves of several origins: one band of 3 and one of 12 frequencies."""
    rng = np.random.default_rng(1)
    rings = max(5, round(np.sqrt(points / 4)))
    one = drawn(rng, "sphere")
    stated = two_spheres(one.reach_m + 0.1, rings)
    spent = []
    for count in (3, 12):
        low = np.geomspace(700.0, 3000.0, 12)
        hz = np.concatenate([low, np.geomspace(14_000.0, 16_000.0, count)])
        heard = spoiled(sound(one, stated, hz, cta_orbits().unit_vectors())[0], -60.0, rng)
        start = time.process_time()
        separate_gated(stated, heard, hz, cabinet_m=cabinet_m(one), speed_of_sound=SPEED_M_S)
        spent.append(time.process_time() - start)
    each = (spent[1] - spent[0]) / 9
    print(f"| {4 * rings**2:,} | {each:.1f} | {spent[0] - 3 * each:.0f} |")
