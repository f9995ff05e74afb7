"""How right the separation is, per frequency, on a simulated scan whose truth is known.

    python benchmarks/separation_accuracy.py SCAN.npz [--body sphere|box|none]
    python benchmarks/separation_accuracy.py --demo thimble [--points 2704]
    python benchmarks/separation_accuracy.py --recordings thimble [--points 2704] [--folder FOLDER]
    python benchmarks/separation_accuracy.py --box
    python benchmarks/separation_accuracy.py --held-out 8 --seed 1 [--by-plan] [--bands 4000,6300,8000,10000,12500]
    python benchmarks/separation_accuracy.py --oracle 8 --seed 43 [--bands ...]
    python benchmarks/separation_accuracy.py --planned 8 --seed 1
    python benchmarks/separation_accuracy.py --cost 2704

SCAN.npz holds points_m, frequency_hz, pressure_pa_per_v, directions_cta, truth_cta_1m (see the README beside it;
a part of it stands in tests/reduce/separate/data). The body there is a sphere of 0.18 m. With --demo a demo loudspeaker
is simulated in a room (exact series on its rigid sphere, noise 60 dB down, points off by 0.5 mm), without gating.
With --recordings the whole way is gone: a scan session is written (to FOLDER, used again if it is there), loaded and
reduced with separation below and gate above, and held against the far-field truth, by bands: median / largest rms over
the directions, the same within 20 dB of the loudest direction, largest error of the shown CTA curves.
With --box a vibrating box of 0.28 x 0.22 x 0.38 m stands in a live room; what it radiates and what it scatters comes
from a boundary element solver of the tests, which shares nothing with the program's and is held to the sphere's series.
With --held-out, --planned and --cost loudspeakers are drawn that nobody tuned on (separation_held_out.py): errors and
coverage of gated sound (with --by-plan at the points that the program's plan asks for), what a plan promises, and
processor seconds a frequency. With --oracle the errors of --held-out
stand beside those of estimators that are told what no tester knows (separation_oracle.py).
Printed otherwise: rms and largest level error over the 70 directions of ANSI/CTA-2034-A, the standard error that the
result states, and the share of directions whose error lies within twice the stated one; coverage of valid values last.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path

import numpy as np

from earwitness.reduce.separate import far_u_db, pressure_at, separate

SPHERE_M = 0.18
WRONG_SIZE_M, WRONG_PLACE_M = 0.004, 0.003 / np.sqrt(3)
CUBE_M = (4 * np.pi / 3) ** (1 / 3) * SPHERE_M
GOALS = ((25.0, 2000.0, 0.2), (2000.0, 10_000.0, 0.5), (10_000.0, 16_000.0, 1.0))


def from_file(path: Path, body: str) -> tuple:
    data = np.load(path)
    hz = data["frequency_hz"].astype(float)
    vectors = data["directions_cta"].astype(float)
    start = time.perf_counter()
    found = separate(
        data["points_m"].astype(float),
        data["pressure_pa_per_v"].T.astype(complex),
        hz,
        cabinet_m=(CUBE_M, CUBE_M, CUBE_M),
        speed_of_sound=343.2,
        body=body,
        sphere_radius_m=SPHERE_M if body == "sphere" else None,
    )
    seconds = time.perf_counter() - start
    return hz, found, vectors, pressure_at(found.field, vectors), data["truth_cta_1m"].T, seconds


def from_demo(key: str, points: int) -> tuple:
    sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
    from demo_truth import scan_pressure, true_pressure_at
    from earwitness.demo.scan import scan_points
    from earwitness.demo.world import loudspeaker
    from earwitness.quantities.directions import cta_orbits

    places, one = scan_points(key, points=points), loudspeaker(key)
    hz = np.geomspace(25.0, 4000.0, 40)
    heard = scan_pressure(key, places.true_m, hz)
    rng = np.random.default_rng(4)
    noise = rng.normal(size=heard.shape) + 1j * rng.normal(size=heard.shape)
    heard += 1e-3 / np.sqrt(2) * np.sqrt(np.mean(np.abs(heard) ** 2, axis=0)).max() * noise
    start = time.perf_counter()
    found = separate(
        places.nominal_m,
        heard,
        hz,
        cabinet_m=(1.0, 1.0, 1.0),
        speed_of_sound=343.0,
        cabinet_center_m=(-one.sphere_radius_m, 0.0, 0.0),
        body="sphere",
        sphere_radius_m=one.sphere_radius_m,
    )
    seconds = time.perf_counter() - start
    directions = cta_orbits()
    vectors = directions.unit_vectors()
    truth = true_pressure_at(key, directions, hz, 2.0)
    return hz, found, vectors, pressure_at(found.field, 2.0 * vectors), truth / 2.0, seconds


BANDS_HZ = (25.0, 50.0, 100.0, 400.0, 1000.0, 2000.0, 4000.0, 6300.0, 8000.0, 10_000.0, 12_500.0, 16_000.0)
CURVES = ("on_axis", "listening_window", "early_reflections", "sound_power")


def from_recordings(key: str, points: int, folder: Path) -> None:
    """The table of one demo loudspeaker."""
    from dataclasses import replace

    from earwitness.demo.scan import write_scan_session
    from earwitness.demo.world import loudspeaker, true_pressure
    from earwitness.figures.read import read_response
    from earwitness.formats.audio import read_audio
    from earwitness.formats.correction_file import read_correction
    from earwitness.reduce.flow import reduce_session
    from earwitness.session.load import load_session

    if not (folder / "session.toml").exists():
        write_scan_session(key, folder, points=points)
    session = load_session(folder)
    start = time.perf_counter()
    correction = read_correction(folder / str(session.microphone.correction_file))
    found = reduce_session(session, lambda name: read_audio(folder / name), correction=correction)
    seconds = time.perf_counter() - start
    response, scan, hz = found.response, found.scan, found.response.axis.hz
    assert scan is not None
    truth = true_pressure(key, response.directions, hz)
    # The stimulus ends where it does: the truth is compared on the frequencies that it covers.
    error = 20 * np.log10(np.maximum(np.abs(response.pressure), 1e-12) / np.abs(truth))
    loud = np.abs(truth) > 0.1 * np.abs(truth).max(axis=0)
    ours = read_response(response, symmetric=True)
    true = read_response(replace(response, pressure=truth), symmetric=True)
    kept = [name for name in CURVES if name in ours.curves and name in true.curves]
    curve = np.array([ours.curves[name].values - true.curves[name].values for name in kept])
    fine = np.array([ours.curves[name].valid for name in kept])
    gate = "no gate" if scan.joint_hz is None else f"gated sound from {scan.joint_hz:.0f} Hz"
    print(f"\n### {loudspeaker(key).name}: {len(session.takes):,} points, {gate}, {seconds:.0f} s\n")
    print("| Hz | rms | rms within 20 dB | curves | orders out/in | residual | shown | inside 2 u |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for low, high in pairwise(BANDS_HZ):
        rows = np.flatnonzero((hz >= low) & (hz < high))
        rms = [float(np.sqrt(np.mean(error[:, f] ** 2))) for f in rows]
        near = [float(np.sqrt(np.mean(error[loud[:, f], f] ** 2))) for f in rows]
        shown, u = response.valid[:, rows], response.u_total_db()[:, rows]
        inside = (np.abs(error[:, rows]) <= 2 * u)[shown]
        told = np.abs(curve[:, rows])[fine[:, rows]]
        middle = rows[rows.size // 2]
        cells = [f"{low:g} to {high:g}", f"{np.median(rms):.2f} / {max(rms):.2f}"]
        cells += [f"{np.median(near):.2f} / {max(near):.2f}", f"{told.max():.2f}" if told.size else "none"]
        cells += [f"{scan.order_out[middle]}/{scan.order_in[middle]}", f"{scan.residual_db[middle]:.0f}"]
        cells += [f"{shown.mean():.0%}", f"{inside.mean():.0%}" if inside.size else "none"]
        print(f"| {' | '.join(cells)} |")
    u = response.u_total_db()
    print(f"\ninside 2 u, all shown values: {(np.abs(error) <= 2 * u)[response.valid].mean():.1%} (aim 95 %)")


BOX_HZ = (50.0, 100.0, 250.0, 500.0, 1000.0, 1600.0, 2000.0)


def from_box() -> None:
    """The table of the box: untreated, the sphere of its volume, the box with the true size and with a wrong one."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "reduce" / "separate"))
    from box_in_room import SIZE_M, SPEED_M_S, box_scan

    from earwitness.quantities.directions import cta_orbits
    from earwitness.reduce.separate import far_pressure

    look, hz = cta_orbits().unit_vectors(), np.array(BOX_HZ)
    scan = box_scan(hz, look)
    columns, inside = [], np.zeros(hz.size)
    for body, wrong_m, place_m in (
        ("none", 0.0, 0.0), ("sphere", 0.0, 0.0), ("box", 0.0, 0.0), ("box", WRONG_SIZE_M, WRONG_PLACE_M)
    ):  # fmt: skip
        depth, width, height = SIZE_M - wrong_m
        found = separate(
            scan.points_m, scan.heard, hz, cabinet_m=(width, height, depth), speed_of_sound=SPEED_M_S, body=body,
            cabinet_center_m=(place_m, place_m, -place_m),
        )  # fmt: skip
        error = np.abs(20 * np.log10(np.abs(far_pressure(found.field, look)) / np.abs(scan.truth)))
        columns.append([f"{np.sqrt(np.mean(e**2)):.3f} / {e.max():.2f}" for e in error.T])
        inside = np.mean(error <= 2 * far_u_db(found.field, look), axis=0)
    print("| Hz | untreated | sphere of equal volume | box | box, 4 mm and 3 mm wrong | inside 2 u, wrong box |")
    print("| --- | --- | --- | --- | --- | --- |")
    for one, share, *cells in zip(hz, inside, *columns, strict=True):
        print(f"| {one:.0f} | {' | '.join(cells)} | {share:.0%} |")


def drawn_ones(given: argparse.Namespace) -> None:
    """The tables of loudspeakers drawn by a seed."""
    import separation_held_out
    import separation_oracle

    if given.bands is not None:
        separation_held_out.BANDS_HZ = tuple(float(one) for one in given.bands.split(","))
    if given.held_out:
        separation_held_out.held_out(given.held_out, given.seed, by_plan=given.by_plan)
    elif given.oracle:
        separation_oracle.oracle(given.oracle, given.seed)
    elif given.planned:
        separation_held_out.planned(given.planned, given.seed)
    elif given.cost:
        separation_held_out.cost(given.cost)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("scan", nargs="?", type=Path)
    parser.add_argument("--body", default="sphere", choices=("sphere", "box", "none"))
    parser.add_argument("--demo", choices=("thimble", "causeway", "lantern"))
    parser.add_argument("--recordings", choices=("thimble", "causeway", "lantern"))
    parser.add_argument("--box", action="store_true")
    parser.add_argument("--held-out", type=int, metavar="N")
    parser.add_argument("--by-plan", action="store_true")
    parser.add_argument("--oracle", type=int, metavar="N")
    parser.add_argument("--planned", type=int, metavar="N")
    parser.add_argument("--cost", type=int, metavar="POINTS")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--bands", metavar="HZ,HZ,...")
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--points", type=int, default=2704)
    given = parser.parse_args()
    kinds = (given.held_out, given.oracle, given.planned, given.cost)
    if sum(one is not None for one in (given.scan, given.demo, given.recordings, *kinds)) + given.box != 1:
        parser.error("give a scan, --demo, --recordings, --box, --held-out, --oracle, --planned or --cost")
    if any(one is not None for one in kinds):
        drawn_ones(given)
        return
    if given.box:
        from_box()
        return
    if given.recordings:
        with tempfile.TemporaryDirectory() as name:
            from_recordings(given.recordings, given.points, given.folder or Path(name))
        return
    hz, found, vectors, ours, truth, seconds = (
        from_demo(given.demo, given.points) if given.demo else from_file(given.scan, given.body)
    )
    error = 20 * np.log10(np.abs(ours) / np.abs(truth))
    u = far_u_db(found.field, vectors)
    inside, valid = np.abs(error) <= 2 * u, found.quality.valid
    rms = np.sqrt(np.mean(error**2, axis=0))
    print(f"{seconds:.1f} s, route {found.route}, body {found.body}, {len(found.bad_points)} bad points")
    print("      Hz  order out/in  residual dB  rms dB  max dB  stated u dB  within 2u  shown")
    for f, one in enumerate(hz):
        q = found.quality
        print(
            f"{one:8.1f}  {q.order_out[f]:5d}/{q.order_in[f]:<5d}  {q.residual_db[f]:11.1f}  {rms[f]:6.3f}  "
            f"{np.abs(error[:, f]).max():6.2f}  {q.u_db[f]:11.3f}  {100 * inside[:, f].mean():7.0f} %  "
            f"{'yes' if valid[f] else 'no'}"
        )
    print(f"within 2u, over all shown values: {100 * inside[:, valid].mean():.1f} % (aim 95)")
    for low, high, aim in GOALS:
        rows = (hz >= low) & (hz < high)
        shown = rows & valid
        if rows.any():
            worst = f"worst rms {rms[shown].max():.3f} dB" if shown.any() else "nothing shown"
            print(
                f"{low:.0f} to {high:.0f} Hz: {worst}, {shown.sum()} of {rows.sum()} frequencies shown (aim {aim} dB)"
            )


if __name__ == "__main__":
    main()
