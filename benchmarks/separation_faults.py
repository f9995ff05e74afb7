"""Scans that are spoiled on purpose: is each mistake corrected, told, or covered by what is stated?

    python benchmarks/separation_faults.py [--worlds 3] [--seed 100] [--only EXPRESSION] [--frequencies 10]
        [--kinds recordings,pressures,concentric] [--highest 1000]
    python benchmarks/separation_faults.py --plans 12 [--seed 100]

Loudspeakers in live rooms with exactly known truth (separation_worlds.py): drawn spheres, drawn stacks of two spheres
that are told as a box, and a box by boundary elements. Each is scanned by the program's own plan, with 0.5 mm of
scatter of the places and noise 60 dB down, clean (asked about itself, and taken for what was told of it: what the new
doubt costs) and with every spoiler at two sizes. Three ways to hand a scan in:
recordings (with the sound before the first reflection), pressures alone, and pressures of two concentric spheres, the
hardest case. Printed for each spoiler: rms error of the shown directions below and above 400 Hz, share of directions,
curves and directivity indices inside 2 u, share beyond 4 u, median u, rms of error over u, what was told. Errors of
values that are not shown count nowhere, but their share is printed. A clean scan is better than its tolerances say, so
that u is wide beside its error; whether u is as large as it should be is told by the last rows: scans of which
everything that has a tolerance is off at random by as much as that says, of a usual rig and of one that was stated to
be good. There error over u should be 1. With --plans: drawn spheres and stacks in turn, clean, with places that scatter
as the robot of the plan does: how far errors stay below the bounds that the plan prints, where a body scatters.
"""

from __future__ import annotations

import argparse
import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import separation_worlds as worlds
from separation_held_out import GOOD_RIG

from earwitness.figures.windows import window_weights
from earwitness.quantities import DirectionalResponse, FrequencyAxis, Gate
from earwitness.quantities.directions import cta_orbits
from earwitness.reduce import scan
from earwitness.reduce.scan import ScanResult
from earwitness.reduce.scan_doubt import Doubted, tolerances_of
from earwitness.reduce.scan_gather import ScanData
from earwitness.reduce.separate.robust import first_visits, scan_of_visits
from earwitness.session.plan import JITTER_M, plan_scan
from earwitness.session.responses import ScanSetup

HIGHEST_HZ = 1000.0
DIRECT_FROM_HZ = 450.0
PLACE_M, NOISE_DB = 5e-4, -60.0
ASKED = ("asked about itself", "taken as told")
AT_RANDOM, DRAWS = "everything off at random", 4
RIGS = {"a usual rig": {}, "a good rig, stated": GOOD_RIG}
TIME_NAMES = ("listening_window", "early_reflections", "sound_power")


@dataclass(frozen=True)
class Layout:
    """Points (P, 3) from the middle in the order of travel, surfaces, whether the gated sound is there."""

    name: str
    points: np.ndarray
    surfaces: tuple[str, ...]
    gated: bool


@dataclass
class Spoiled:
    """What is wrong with a scan: lengths in m, angles in degrees, gains in dB, times in s."""

    gain_drift: float = 0.0
    gain_step: float = 0.0
    gain_scatter: float = 0.0
    clock_drift: float = 0.0
    clock_step: float = 0.0
    radius_outer: float = 0.0
    radius_both: float = 0.0
    speed: float = 0.0
    shift: float = 0.0
    tilt: float = 0.0
    origin: float = 0.0
    body_off: float = 0.0
    body_size: float = 0.0
    body_assumed: bool = False
    turned: float = 0.0
    place: float = PLACE_M
    noise_db: float = NOISE_DB
    bad_share: float = 0.0


SPOILERS: dict[str, tuple[Spoiled, Spoiled]] = {
    "clean": (Spoiled(), Spoiled()),
    "gain drift 0.02, 0.5 dB": (Spoiled(gain_drift=0.02), Spoiled(gain_drift=0.5)),
    "gain step between surfaces 0.1, 0.3 dB": (Spoiled(gain_step=0.1), Spoiled(gain_step=0.3)),
    "outer radius 1, 3 mm too large": (Spoiled(radius_outer=-1e-3), Spoiled(radius_outer=-3e-3)),
    "both radii 1, 3 mm too large": (Spoiled(radius_both=-1e-3), Spoiled(radius_both=-3e-3)),
    "clock drift 10, 50 us": (Spoiled(clock_drift=1e-5), Spoiled(clock_drift=5e-5)),
    "clock step 5, 20 us": (Spoiled(clock_step=5e-6), Spoiled(clock_step=2e-5)),
    "loudspeaker turned in a room of 0.4 and 1 times the sound": (Spoiled(turned=0.4), Spoiled(turned=1.0)),
    "speed of sound 0.2, 0.5 % wrong": (Spoiled(speed=0.002), Spoiled(speed=0.005)),
    "cabinet assumed, and 20 % larger": (Spoiled(body_assumed=True), Spoiled(body_assumed=True, body_size=0.2)),
    "cabinet 10, 30 mm off its place": (Spoiled(body_off=0.01), Spoiled(body_off=0.03)),
    "outer surface shifted 1, 3 mm": (Spoiled(shift=1e-3), Spoiled(shift=3e-3)),
    "outer surface turned 0.2, 0.5 degrees": (Spoiled(tilt=0.2), Spoiled(tilt=0.5)),
    "origin 3, 10 mm off": (Spoiled(origin=3e-3), Spoiled(origin=1e-2)),
    "gain scatters by 0.1, 0.3 dB": (Spoiled(gain_scatter=0.1), Spoiled(gain_scatter=0.3)),
    "places scatter by 1, 2 mm": (Spoiled(place=1e-3), Spoiled(place=2e-3)),
    "noise 50, 40 dB down": (Spoiled(noise_db=-50.0), Spoiled(noise_db=-40.0)),
    "1, 3 % of points bad": (Spoiled(bad_share=0.01), Spoiled(bad_share=0.03)),
}


def off_as_stated(rng: np.random.Generator, kind: str, stated: dict[str, float]) -> Spoiled:
    """Everything off by the program's tolerances, each once; drifts are straight, not the walks they are taken for.

    Surfaces visited in turns by one microphone, with the direct sound, are told apart by half the gain.
    """
    usual = tolerances_of(ScanSetup.model_validate(stated))
    usual = usual.in_turns() if kind == "recordings" else usual
    alike, each = (share * usual.radius_m for share in (0.8, 0.6))
    draw = rng.normal
    return Spoiled(
        gain_step=usual.gain_db * draw(), clock_step=usual.clock_s * draw(), speed=usual.speed * draw(),
        radius_both=alike * draw() + each * draw(), radius_outer=np.sqrt(2) * each * draw(),
        shift=usual.shift_m * draw(), tilt=np.degrees(usual.tilt_rad) * draw(),
        gain_drift=usual.gain_drift_db * draw(), clock_drift=usual.clock_drift_s * draw(),
    )  # fmt: skip


def laid_out(cabinet_m: tuple[float, float, float], kind: str, highest_hz: float = HIGHEST_HZ) -> Layout:
    """A plan of the program, or two concentric spheres surface by surface."""
    if kind in ("recordings", "pressures"):
        plan = plan_scan(cabinet_m, highest_hz, body_center_m=(0.0, 0.0, 0.0))
        return Layout(kind, plan.points_m, plan.surfaces, kind == "recordings")
    reach = np.linalg.norm(cabinet_m) / 2 + 0.07
    count = int(np.ceil(2 * np.pi * highest_hz / 343 * (reach + 0.05))) + 5
    z = np.polynomial.legendre.leggauss(2 * count)[0]
    parts = []
    for radius, heights, turn in ((reach, z[::2], 0.0), (reach + 0.05, z[1::2], 0.5)):
        azimuth, flat = np.pi * (np.arange(2 * count) + turn) / count, np.sqrt(1 - heights**2)
        grid = [np.outer(flat, np.cos(azimuth)), np.outer(flat, np.sin(azimuth)), np.outer(heights, 1 + 0 * azimuth)]
        parts.append(radius * np.stack(grid, axis=-1).reshape(-1, 3))
    return Layout(kind, np.concatenate(parts), ("",) * (4 * count**2), False)


def heard(world: worlds.World, layout: Layout, wrong: Spoiled, rng: np.random.Generator) -> ScanData:
    """The scan as the program gets it."""
    told, hz = layout.points, world.hz
    radius = np.linalg.norm(told, axis=1)
    reference = np.array([name == "reference" for name in layout.surfaces])
    if layout.surfaces[0]:
        outer = np.array([name.startswith("outer") for name in layout.surfaces])
    else:
        outer = radius > np.median(radius)
    moved = ~reference
    normal = told / radius[:, None]
    true = told + normal * (wrong.radius_both * moved + wrong.radius_outer * outer)[:, None]
    true = true + wrong.shift * outer[:, None] * np.array([0.6, -0.64, 0.48])
    axis = np.array([0.48, 0.6, 0.64])
    true = true + np.radians(wrong.tilt) * outer[:, None] * np.cross(axis, told)
    places = rng.normal(size=told.shape) * wrong.place
    # A place visited again is met to 0.2 mm.
    _, first, same = np.unique(told.round(5), axis=0, return_index=True, return_inverse=True)
    true = true + places[first][same.ravel()] + (np.arange(len(told)) != first[same.ravel()])[:, None] * places * 0.4
    true = true + wrong.origin * np.array([0.6, 0.64, -0.48])
    time_of = np.linspace(0, 1, len(told))
    gain = wrong.gain_drift * time_of + wrong.gain_step * outer + wrong.gain_scatter * rng.normal(size=len(told))
    late = wrong.clock_drift * time_of + wrong.clock_step * outer
    speed = worlds.SPEED_M_S / (1 + wrong.speed)
    own = worlds.sounded(world.own, hz, true, incoming=False)
    if wrong.turned:
        whole = own + turned_room(world, true, told, wrong.turned)
    else:
        whole = own + worlds.sounded(world.back, hz, true, incoming=False)
        whole = whole + worlds.sounded(world.room, hz, true, incoming=True)
    factor = 10 ** (gain / 20)[:, None] * np.exp(-2j * np.pi * hz * late[:, None])
    bad = rng.permutation(len(told))[: round(wrong.bad_share * len(told))]
    factor[bad] *= 1.5
    noise = rng.normal(size=(2, *whole.shape)) + 1j * rng.normal(size=(2, *whole.shape))
    size = 10 ** (wrong.noise_db / 20) / np.sqrt(2) * np.sqrt(np.mean(np.abs(whole) ** 2, axis=0))
    gate = Gate(-1e-3, 1.2 / DIRECT_FROM_HZ, 1e-3, 3e-3, "room dimensions", DIRECT_FROM_HZ) if layout.gated else None
    return ScanData(
        axis=FrequencyAxis(hz), rows=np.arange(hz.size), points_m=told, surfaces=layout.surfaces,
        ids=tuple(map(str, range(len(told)))), whole=whole * factor + size * noise[0],
        gated=own * factor + size * noise[1] if layout.gated else None, gate=gate, gate_u_db=np.zeros(hz.size),
        noise_rms=np.zeros(hz.size), speed_m_s=speed, impulse=np.zeros(1) if layout.gated else None,
    )  # fmt: skip


def turned_room(world: worlds.World, points: np.ndarray, told: np.ndarray, share: float) -> np.ndarray:
    """(P, F) the room's sound, `share` of it, where the loudspeaker turns with the points, not scattered."""
    azimuth = np.arctan2(told[:, 1], told[:, 0]).round(6)
    out = np.empty((len(points), world.hz.size), complex)
    for one in np.unique(azimuth):
        rows = np.flatnonzero(azimuth == one)
        yaw = -one
        for f, hz in enumerate(world.hz):
            k, order = 2 * np.pi * hz / worlds.SPEED_M_S, int(np.sqrt(len(world.room[f]))) - 1
            came = worlds.arriving(world.own[f], world.images, k, order, yaw)
            out[rows, f] = worlds.sounded([came], world.hz[f : f + 1], points[rows], incoming=True)[:, 0]
    return share * out


@contextmanager
def unasked() -> Iterator[None]:
    """The program as it would be if a scan was taken for what was told of it, its places visited again left out."""

    def believed(data: ScanData, _setup: ScanSetup, _cabinet: tuple, center: np.ndarray) -> Doubted:
        kept = scan_of_visits(data.points_m, first_visits(data.points_m, 1e-3), center)
        kept &= np.array([name != "reference" for name in data.surfaces])
        return Doubted(data.taken(np.flatnonzero(kept), np.linspace(0, 1, kept.size)), None, None, None, (), False)

    asked, scan.doubted = scan.doubted, believed
    try:
        yield
    finally:
        scan.doubted = asked


def solved(world: worlds.World, data: ScanData, wrong: Spoiled, stated: dict[str, float] | None = None) -> ScanResult:
    width, height, depth = (side * (1 + wrong.body_size) for side in world.cabinet_m)
    speaker = SimpleNamespace(width_m=width, height_m=height, depth_m=depth)
    off = wrong.body_off * np.array([0.6, 0.48, -0.64])
    keys = {"body_center_m": tuple(float(x) for x in off), **(stated or {})}
    if not wrong.body_assumed:
        keys = {**world.setup, **keys}
        if wrong.body_size and "sphere_radius_m" in keys:
            keys["sphere_radius_m"] *= 1 + wrong.body_size
    return scan.solve_scan(data, speaker, ScanSetup.model_validate(keys))


WEIGHTS = {key: value for key, value in window_weights(cta_orbits()).items() if key in TIME_NAMES}


def levels_of(pressure: np.ndarray) -> np.ndarray:
    """(75, F) levels: 70 directions, three curves, two directivity indices."""
    power = np.abs(pressure) ** 2
    curves = [10 * np.log10(WEIGHTS[name] @ power) for name in TIME_NAMES]
    return np.vstack([10 * np.log10(power), curves, [curves[0] - curves[1], curves[0] - curves[2]]])


def doubt_of(response: DirectionalResponse) -> np.ndarray:
    """(75, F) standard uncertainties of the same: each cause at once for all directions, the rest each by itself."""
    power = np.abs(response.pressure) ** 2
    shares = [WEIGHTS[name][:, None] * power / np.maximum(WEIGHTS[name] @ power, 1e-300) for name in TIME_NAMES]
    rows = [*shares, shares[0] - shares[1], shares[0] - shares[2]]
    out = []
    for row in rows:
        own = np.sum((row * response.u_db) ** 2, axis=0)
        out.append(np.sqrt(own + sum(np.sum(row * one.pull_db, axis=0) ** 2 for one in response.causes)))
    return np.vstack([response.u_total_db(), *out])


@dataclass
class Score:
    error: list[np.ndarray]
    u: list[np.ndarray]
    low: list[np.ndarray]
    kind: list[np.ndarray]
    shown: list[float]
    told: list[str]

    @staticmethod
    def empty() -> Score:
        return Score([], [], [], [], [], [])


def scored(score: Score, world: worlds.World, found: ScanResult) -> None:
    answer = found.response
    error = levels_of(np.where(answer.pressure == 0, 1e-9, answer.pressure)) - levels_of(world.truth)
    shown = np.vstack([answer.valid, np.tile(answer.valid.mean(axis=0) > 0.9, (5, 1))])
    kind = np.repeat([0, 1, 2], [70, 3, 2])[:, None] + np.zeros((1, world.hz.size), int)
    score.error.append(error[shown])
    score.u.append(doubt_of(answer)[shown])
    score.low.append((np.tile(world.hz < 400, (75, 1)))[shown])
    score.kind.append(kind[shown])
    score.shown.append(float(answer.valid.mean()))
    score.told += [flag.id for flag in found.flags if flag.severity != "info" and flag.id != "scan band"]


def line(name: str, score: Score) -> str:
    if not sum(one.size for one in score.error):
        return f"| {name} | none shown | | | | | | 0 % | {words(score)} |"
    error, u, low, kind = (np.concatenate(one) for one in (score.error, score.u, score.low, score.kind))
    inside = np.abs(error) <= 2 * u + 0.005
    shares = [f"{100 * inside[kind == one].mean():.0f}" if (kind == one).any() else "-" for one in range(3)]
    ratio = (error / u) ** 2
    over = [f"{np.sqrt(ratio[kind == one].mean()):.2f}" if (kind == one).any() else "-" for one in range(3)]
    beyond = 100 * np.mean(np.abs(error) > 4 * u + 0.01)
    rms = [f"{np.sqrt(np.mean(error[(kind == 0) & part] ** 2)):.3f}" if ((kind == 0) & part).any() else "-"
           for part in (low, ~low)]  # fmt: skip
    doubt = [f"{np.median(u[(kind == 0) & part]):.3f}" if ((kind == 0) & part).any() else "-" for part in (low, ~low)]
    cells = [name, *(" / ".join(one) for one in (rms, doubt, over, shares)), f"{beyond:.1f}"]
    return f"| {' | '.join(cells)} | {100 * np.mean(score.shown):.0f} % | {words(score)} |"


def words(score: Score) -> str:
    count = len(score.shown)
    return ", ".join(f"{one} {score.told.count(one)}/{count}" for one in dict.fromkeys(score.told))


def drawn_worlds(count: int, seed: int, frequencies: int, highest_hz: float = HIGHEST_HZ) -> list[worlds.World]:
    hz = np.geomspace(45.0, highest_hz, frequencies)
    makers: list[Callable] = [worlds.drawn_ball, worlds.drawn_stack]
    found = [makers[n % 2](np.random.default_rng(seed + n), hz, seed + n) for n in range(max(count - 1, 0))]
    box = worlds.box_world()
    rows = np.flatnonzero(box.hz < 1.05 * highest_hz)[:: max(1, round(15 / frequencies))]
    cut = [[part[row] for row in rows] for part in (box.own, box.room, box.back)]
    return [*found, replace(box, hz=box.hz[rows], own=cut[0], room=cut[1], back=cut[2], truth=box.truth[:, rows])]


def planned(count: int, seed: int) -> None:
    """Print rms errors over a plan's bounds, by kind of body and by frequency."""
    robot, makers = "rotating arc", (worlds.drawn_ball, worlds.drawn_stack)
    ratios: dict[tuple[str, float], list[float]] = {}
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        maker = makers[number % 2]
        outside = maker(np.random.default_rng([seed, number]), np.zeros(0), number).outside_m
        plan = plan_scan(outside, HIGHEST_HZ, robot=robot, body_center_m=(0.0, 0.0, 0.0))
        bounds = [pair for pair in plan.expected_error_db if pair[0] <= HIGHEST_HZ]
        world = maker(rng, np.array([hz for hz, _bound in bounds]), number)
        wrong = Spoiled(place=JITTER_M[robot] / np.sqrt(3))
        data = heard(world, Layout(robot, plan.points_m, plan.surfaces, False), wrong, rng)
        found = solved(world, data, wrong).response.pressure
        loud = np.abs(world.truth) > 0.1 * np.abs(world.truth).max(axis=0)
        off = 20 * np.log10(np.abs(found) / np.abs(world.truth))
        for f, (hz, bound) in enumerate(bounds):
            rms = float(np.sqrt(np.mean(off[loud[:, f], f] ** 2)))
            ratios.setdefault((world.name, hz), []).append(rms / bound)
    print("| body | Hz | loudspeakers | below the bound | rms over bound: median / largest |\n|" + " --- |" * 5)
    for (name, hz), found in sorted(ratios.items()):
        each = np.array(found)
        cells = [name, f"{hz:g}", f"{each.size}", f"{(each <= 1).sum()}", f"{np.median(each):.2f} / {each.max():.2f}"]
        print(f"| {' | '.join(cells)} |")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--worlds", type=int, default=3)
    parser.add_argument("--seed", type=int, default=100)
    parser.add_argument("--only", default="")
    parser.add_argument("--kinds", default="recordings,pressures,concentric")
    parser.add_argument("--frequencies", type=int, default=10)
    parser.add_argument("--highest", type=float, default=HIGHEST_HZ)
    parser.add_argument("--plans", type=int, default=0)
    given = parser.parse_args()
    if given.plans:
        planned(given.plans, given.seed)
        return
    start = time.time()
    every = drawn_worlds(given.worlds, given.seed, given.frequencies, given.highest)
    print(f"{len(every)} loudspeakers: {', '.join(one.name for one in every)}; {time.time() - start:.0f} s to draw")
    for kind in given.kinds.split(","):
        print(f"\n### {kind}\n")
        print("| spoiler | rms dB, below / above 400 Hz | median u | error over u (directions / curves / indices) | "
              "inside 2u % (the same) | beyond 4u % | shown | told |")  # fmt: skip
        print("|" + " --- |" * 8)
        for name, sizes in SPOILERS.items():
            if not re.search(given.only, name):
                continue
            for number, wrong in enumerate(sizes):
                score, drawn = Score.empty(), 0 if name == "clean" else number
                for n, world in enumerate(every):
                    if wrong.body_assumed and wrong.body_size == 0 and world.name == "box":
                        continue
                    layout = laid_out(world.outside_m, kind, given.highest)
                    data = heard(world, layout, wrong, np.random.default_rng(given.seed * 1000 + 10 * n + drawn))
                    with unasked() if name == "clean" and number else nullcontext():
                        scored(score, world, solved(world, data, wrong))
                label = ASKED[number] if name == "clean" else str(number + 1)
                print(line(f"{name}, {label}", score), flush=True)
        for name, stated in RIGS.items():
            if not re.search(given.only, AT_RANDOM):
                continue
            score = Score.empty()
            for n, world in enumerate(every):
                layout = laid_out(world.outside_m, kind, given.highest)
                for draw in range(DRAWS):
                    rng = np.random.default_rng([given.seed, n, draw])
                    wrong = off_as_stated(rng, kind, stated)
                    scored(score, world, solved(world, heard(world, layout, wrong, rng), wrong, stated))
            print(line(f"{AT_RANDOM}, {name}", score), flush=True)
    print(f"\n{time.time() - start:.0f} s")


if __name__ == "__main__":
    main()
