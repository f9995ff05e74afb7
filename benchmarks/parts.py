"""The parts of benchmarks/all.py; each returns rows and runs in a process of its own.

python benchmarks/parts.py NAME FILE [--quick]     one part, its rows as JSON
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import pickle
import resource
import shutil
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from http.cookiejar import CookieJar
from pathlib import Path
from urllib.request import HTTPCookieProcessor, build_opener

import numpy as np

from earwitness.archive.catalogue import Archive

Row = dict[str, object]


def row(what: str, value: float, *, most: float | None = None, least: float | None = None, form: str = ".3g") -> Row:
    """One line of the table; a goal is a largest or a smallest value."""
    limit = most if most is not None else least
    met = None if limit is None else bool(value <= limit if most is not None else value >= limit)
    goal = "" if limit is None else f"{'≤' if most is not None else '≥'} {limit:g}"
    return {"what": what, "value": format(value, form), "number": float(value), "goal": goal, "met": met}


def exponent(sizes: list[float], times: list[float]) -> float:
    """Slope of the straight line through log time against log size, by least squares."""
    return float(np.polyfit(np.log(sizes), np.log(times), 1)[0])


def cpu(run: Callable[[], object], runs: int = 3) -> float:
    """Smallest processor time of some runs, this process and its threads [s]."""
    taken = []
    for _ in range(runs):
        began = time.process_time()
        run()
        taken.append(time.process_time() - began)
    return min(taken)


def peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def reduction(work: Path, quick: bool) -> list[Row]:
    """Recordings to figures; growth with the number of far-field takes."""
    from reduction import best, by_ours, by_pyfar, figured, files_read, floor_of, reduced

    from earwitness.formats.audio import read_audio
    from earwitness.formats.correction_file import read_correction
    from earwitness.reduce.flow import reduce_session
    from earwitness.session.load import load_session
    from earwitness.session.session import FarFieldTake

    # In a process of its own: what making the recordings needs is not the reduction's memory.
    made = "import sys, pathlib; from earwitness.demo.recorder import write_session; "
    made += f"write_session('thimble', pathlib.Path(sys.argv[1]), quick={quick})"
    subprocess.run([sys.executable, "-c", made, str(work)], check=True)
    session, runs = load_session(work), 1 if quick else 3
    files = files_read(work)
    ours = best(lambda: figured(work), runs)
    peak = peak_mib()
    alone = best(lambda: reduced(work), runs)
    bare = best(lambda: floor_of(work, files, 1), runs)
    far = session.takes_of(FarFieldTake)
    recordings = [read_audio(work / one.file) for one in far]
    own, other = (
        best(lambda run=run: run(), runs)
        for run in (lambda: by_ours(recordings, session, 1), lambda: by_pyfar(recordings, session))
    )
    correction = read_correction(work / str(session.microphone.correction_file))
    sizes, times = [], []
    for step in (1, 2, 3) if not quick else (1, 2):
        some = tuple(
            one for one in session.takes if not isinstance(one, FarFieldTake) or one.angle_deg % (10 * step) == 0
        )
        fewer = session.model_copy(update={"takes": some})
        sizes.append(float(len(some)))
        times.append(
            cpu(lambda f=fewer: reduce_session(f, lambda n: read_audio(work / n), correction=correction), runs)
        )
    return [
        row(
            f"recordings to figures, {len(far)} far-field takes of {recordings[0].samples.shape[1]} samples: cpu s",
            ours[1],
        ),
        row("the same, wall s", ours[0]),
        row(f"floor (the same {len(files)} files hashed, decoded, transformed, in single precision): cpu s", bare[1]),
        row("recordings to figures over the floor, cpu, times", ours[1] / bare[1], most=1.5),
        row("recordings to figures over the floor, wall, times", ours[0] / bare[0], most=1.5),
        row("of it loading and reduction, cpu s", alone[1]),
        row("pyfar's deconvolution over ours, cpu, times", other[1] / own[1], least=5.0),
        row("peak memory, MiB", peak, most=1536.0, form=".0f"),
        row(
            f"growth of cpu with takes ({', '.join(f'{n:.0f}' for n in sizes)}), exponent",
            exponent(sizes, times),
            form=".2f",
        ),
    ]


def separation(work: Path, quick: bool) -> list[Row]:
    """A made scan by rings and by irregular points beside plain least squares."""
    import separation as bench

    from earwitness.reduce.separate.dense_route import fit_points

    del work
    every = 24 if quick else 8
    hz = np.geomspace(20.0, 16_000.0, 97)
    k, points, shell = 2 * np.pi * hz / bench.SPEED_M_S, bench.ring_points(), bench.Shell(0.18, 0.47, 0.94)
    pressure, rings = bench.made_pressure(points, k), bench.find_rings(points)
    nobody = np.zeros(len(points), dtype=bool)
    cap = bench.order_caps(rings, incoming=True)
    out, into = (np.minimum(order, cap) for order in bench.wanted_orders(k, shell))
    rows = np.arange(every // 2, k.size, every)
    rate = bench.machine_gflops()
    normal, plain = bench.competitors_seconds(points, pressure, k, shell, out, into, rows)
    ring = cpu(lambda: bench.fit_rings(rings, pressure, k, shell, out, into, nobody))
    some = (points, pressure[:, rows], k[rows], shell, out[rows], into[rows], nobody)
    dense = cpu(lambda: fit_points(*some), 1)
    dense_single = cpu(lambda: fit_points(*some, single=True), 1)
    columns = (out[rows] + 1.0) ** 2 + (into[rows] + 1.0) ** 2
    gigaflops = np.sum(len(points) * columns**2 + columns**3) / 1e9
    sizes, times = [], []
    for count in (12, 18, 26, 36) if not quick else (12, 18):
        fewer = bench.ring_points(count)
        found = bench.find_rings(fewer)
        limit = bench.order_caps(found, incoming=True)
        a, b = (np.minimum(order, limit) for order in bench.wanted_orders(k, shell))
        p, none = bench.made_pressure(fewer, k), np.zeros(len(fewer), dtype=bool)
        sizes.append(float(len(fewer)))
        times.append(cpu(lambda f=found, p=p, a=a, b=b, n=none: bench.fit_rings(f, p, k, shell, a, b, n)))
    return [
        row(f"rings, {len(points)} points, {k.size} frequencies: cpu s", ring),
        row("normal equations over rings, times", normal * k.size / rows.size / ring, least=130.0),
        row("plain least squares over rings, times", plain * k.size / rows.size / ring, least=300.0),
        row("plain least squares over irregular points, in double, times", plain / dense, least=4.0),
        row("normal equations over irregular points, in double, times", normal / dense),
        row("the same as the program uses it (single, refined), times", normal / dense_single, least=4.0),
        row("matrix product of this machine, GFLOP/s (wall)", rate),
        row("irregular route, share of that rate, %", 100 * gigaflops / dense / rate, form=".0f"),
        row(
            f"growth of cpu of rings with points ({', '.join(f'{n:.0f}' for n in sizes)}), exponent",
            exponent(sizes, times),
            form=".2f",
        ),
        row("peak memory, MiB", peak_mib(), most=2048.0, form=".0f"),
    ]


def equalizer(work: Path, quick: bool) -> list[Row]:
    """The whole answer on an equalizer, and the calculation behind a slider."""
    from mend import Bench

    del work
    bench, runs = Bench("causeway"), 5 if quick else 25
    return [
        row("verdict with up to 5 bands, cpu ms", 1e3 * cpu(bench.whole, runs), most=100.0),
        row("moved slider: 70 positions and all curves, cpu ms", 1e3 * cpu(bench.slider, 4 * runs), most=5.0),
    ]


def slider(work: Path, quick: bool) -> list[Row]:
    """A band dragged in Chromium until its frame."""
    from slider import drag_times

    times, weighed = drag_times(work, moves=60 if quick else 300)
    ordered = sorted(times)
    return [
        row("drag until its frame, median, wall ms", statistics.median(times), most=50.0),
        row("drag until its frame, 95 % within, wall ms", ordered[round(0.95 * (len(ordered) - 1))]),
        row("weighing the equalizer on the server, median, cpu ms", statistics.median(weighed)),
    ]


def publication(work: Path, quick: bool) -> list[Row]:
    """A site of which one loudspeaker changed, and one full publication."""
    # Named like a module of Python's own, so it is loaded by its path.
    spec = importlib.util.spec_from_file_location("site_benchmark", Path(__file__).with_name("site.py"))
    assert spec is not None
    assert spec.loader is not None
    bench = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(bench)
    count = 100 if quick else 1000
    changed, opened = bench.one_changed(work, count), bench.index_in_browser(work, count)
    many = bench.index_in_browser(work, 10 * count)
    return [
        row(f"site of {count:,}, one changed, cpu s", changed, most=2.0),
        row(f"index of {count:,} opened in Chromium, wall s", opened, most=1.0),
        row(f"index of {10 * count:,} opened in Chromium, wall s", many),
        row(
            "page, PDF, stills of both shapes, talk, data set of one, cpu s",
            bench.full(work, None, "Alder 1"),
            most=10.0,
        ),
    ]


def catalogue(work: Path, quick: bool) -> list[Row]:
    """The slowest of all questions at each size."""
    from catalogue import QUESTIONS, fill

    from earwitness.archive.search import search

    sizes, slowest, found = (100, 1000) if quick else (100, 1000, 10_000), [], []
    for count in sizes:
        with Archive.open(work / str(count)) as archive:
            fill(archive, count)
            times = {name: 1e3 * cpu(lambda q=query, a=archive: search(a, q), 5) for name, query in QUESTIONS.items()}
            picked = {name: 1e3 * cpu(ask, 5) for name, ask in choices_of(archive, count).items()}
        name = max(times, key=lambda one: times[one])
        slowest.append(times[name])
        found.append(row(f"{count:,} loudspeakers, slowest question ({name}), cpu ms", times[name], most=50.0))
        found += [row(f"{count:,} loudspeakers, {name}, cpu ms", taken, most=20.0) for name, taken in picked.items()]
    found.append(
        row("growth of cpu of the slowest with loudspeakers, exponent", exponent(list(sizes), slowest), form=".2f")
    )
    return found


def choices_of(archive: Archive, count: int) -> dict[str, Callable[[], object]]:
    """What is asked of one loudspeaker, or of all, when a command has its name."""
    from earwitness.archive.latest import latest_of, latest_sessions
    from earwitness.archive.neighbors import neighbors
    from earwitness.exhibits.compare import RANKED

    return {
        "found by maker and name": lambda: archive.find(f"Maker {count % 200} Invented {count}"),
        "found by a part of its name": lambda: archive.find(f"nvented {count}"),
        "latest session of one": lambda: latest_of(archive, count),
        "latest session of all": lambda: latest_sessions(archive),
        "neighbors of one type": lambda: neighbors(archive, RANKED, kind="horn"),
        "neighbors, a page of 50": lambda: neighbors(archive, RANKED, only=range(1, 51)),
    }


def stale(archive: Path) -> None:
    """What an upgrade leaves behind: no result of this version, and an index that was made from other ones."""
    for path in (archive / "arrays").rglob("*.nc"):
        path.unlink()
    with closing(sqlite3.connect(archive / "catalogue.sqlite")) as catalogue:
        for change in ("summary SET made_from = 'x'", "summary_shape SET made_from = 'x'"):
            catalogue.execute(f"UPDATE {change}")
        catalogue.commit()


def rebuilt(archive: Path, count: int, **how: object) -> tuple[float, float]:
    """Wall time and processor time [s], that of ended workers included, of making everything anew."""
    from earwitness.app.archive import rebuild as act

    def used() -> float:
        both = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
        return sum(one.ru_utime + one.ru_stime for one in both)

    stale(archive)
    began, before = time.perf_counter(), used()
    report = act(archive, **how)  # type: ignore[arg-type]
    assert report.count("made anew") == count, report
    return time.perf_counter() - began, used() - before


def on_dask(archive: Path, count: int) -> tuple[float, float]:
    """The same on a Dask cluster of two workers on this machine; their processor time, start left out."""
    import psutil
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        workers = [psutil.Process(worker.process.process.pid) for worker in cluster.workers.values()]

        def used() -> float:
            return sum(sum(one.cpu_times()[:2]) for one in workers)

        rebuilt(archive, count, cluster=cluster.scheduler_address)
        before = used()
        wall, _ = rebuilt(archive, count, cluster=cluster.scheduler_address)
        return wall, used() - before


def rebuild(work: Path, quick: bool) -> list[Row]:
    """All results of an archive anew: on one and two processes, and on a Dask cluster of two on this machine."""
    from earwitness.app.add import add_catalogue
    from earwitness.app.archive import rebuild as act

    count = 12 if quick else 100
    add_catalogue(work / "archive", count=count)
    rebuilt(work / "archive", count, workers=1)
    one, two = (rebuilt(work / "archive", count, workers=number) for number in (1, 2))
    idle = cpu(lambda: act(work / "archive", workers=1))
    return [
        row(f"{count} sessions at response level after an upgrade, 1 worker, cpu s", one[1]),
        row("the same, wall s", one[0]),
        row("the same, 2 workers, started for it, wall s", two[0]),
        row("1 worker over 2 workers, wall, times", one[0] / two[0], least=1.6),
        row("nothing to do, cpu ms a session", 1e3 * idle / count),
    ]


def recordings_rebuild(work: Path, quick: bool) -> list[Row]:
    """The same from recordings: short sessions of an invented loudspeaker under many names."""
    from earwitness.app.add import add_folder
    from earwitness.demo.recorder import write_session

    count = 2 if quick else 10
    write_session("thimble", work / "pattern", quick=True)
    for number in range(count):
        folder = work / f"session-{number}"
        shutil.copytree(work / "pattern", folder)
        toml = folder / "session.toml"
        text = toml.read_text(encoding="utf-8").replace(
            'name = "Thimble Two', f'name = "Copy {number} of Thimble Two', 1
        )
        toml.write_text(text, encoding="utf-8")
        add_folder(folder, work / "archive")
    archive = work / "archive"
    one, two, dask = rebuilt(archive, count, workers=1), rebuilt(archive, count, workers=2), on_dask(archive, count)
    return [
        row(f"{count} short sessions of recordings, 1 worker (which uses two threads), wall s", one[0]),
        row("the same, cpu s a session", one[1] / count),
        row("the same, 2 workers, started for it, wall s", two[0]),
        row("1 worker over 2 workers, wall, times", one[0] / two[0], least=1.6),
        row("the same, warm Dask cluster of 2 workers on this machine, wall s", dask[0]),
        row("a session on Dask over one in a process, cpu, times", dask[1] / one[1], most=1.3),
    ]


def command_cpu(runs: int, *words: str, before: Callable[[], object] = lambda: None) -> float:
    """Smallest processor time [s] of a command from its start to its end, in processes of their own."""
    taken = []
    for _ in range(runs):
        before()
        began = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        ended = resource.getrusage(resource.RUSAGE_CHILDREN)
        taken.append(ended.ru_utime + ended.ru_stime - began.ru_utime - began.ru_stime)
    return min(taken)


def commands(work: Path, quick: bool) -> list[Row]:
    """Commands as they are typed, each from the start of its process; beside them what the machine itself takes."""
    runs, program = 2 if quick else 4, ("-m", "earwitness")
    first = command_cpu(1, *program, "demo", "--to", str(work / "demo"))
    given = ("--archive", str(work / "demo" / "archive"))
    session, name, new = work / "demo" / "recordings" / "causeway", "Causeway", work / "new"

    def fresh() -> None:
        shutil.rmtree(new, ignore_errors=True)

    def row_of(what: str, most: float | None, *words: str, before: Callable[[], object] = lambda: None) -> Row:
        return row(f"{what}, cpu s", command_cpu(runs, *words, before=before), most=most)

    review = ("--to", str(work / "review"))
    return [
        row_of("floor: Python alone", None, "-c", "pass"),
        row_of("floor: Python with numpy and the database library", None, "-c", "import numpy, sqlalchemy.orm"),
        row_of("earwitness --help", 0.1, *program, "--help"),
        row_of("earwitness archive search", 0.5, *program, "archive", "search", *given),
        row_of("earwitness read, of what was read before", 0.8, *program, "read", name, *given),
        row_of("earwitness read --json, which reads anew", None, *program, "read", name, "--json", *given),
        row_of("earwitness add of a full session to a new archive", 2.8, *program, "add", str(session), "--archive",
               str(new), before=fresh),
        row_of("earwitness mend", None, *program, "mend", name, *given),
        row_of("earwitness publish", 2.0, *program, "publish", name, *given, *review),
        row_of("earwitness archive rebuild, nothing to do", None, *program, "archive", "rebuild", *given),
        row("earwitness demo, first run, cpu s", first, most=10.0),
    ]  # fmt: skip


def start(work: Path, quick: bool) -> list[Row]:
    """From the command until the bench has answered."""
    runs = 3 if quick else 9
    found = []
    until = {"until it says its address": False, "until the first page is answered": True}
    for event, wants_page in until.items():
        times = [bench_started(work / "archive", wants_page) for _ in range(max(2, runs // 2))]
        found.append(row(f"earwitness bench {event}, best wall s", min(wall for wall, _ in times), most=2.0))
        found.append(row(f"earwitness bench {event}, best cpu s", min(used for _, used in times)))
    return found


def bench_started(archive: Path, wants_page: bool) -> tuple[float, float]:
    """Wall and processor time [s] from the command until the bench has said its address, or answered its page."""
    opener = build_opener(HTTPCookieProcessor(CookieJar()))
    command = [sys.executable, "-m", "earwitness", "bench", "--no-browser", "--archive", str(archive)]
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as child:
        assert child.stdout is not None
        told = child.stdout.readline()
        if wants_page:
            address = next(word for word in told.split() if word.startswith("http"))
            assert b"Earwitness" in opener.open(address).read()
        wall = time.perf_counter() - began
        child.kill()
    assert "open at" in told
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def findings(work: Path, quick: bool) -> list[Row]:
    """Findings of a simulated loudspeaker with planted flaws."""
    import detection

    del work
    count = 5 if quick else 30
    return [row("findings of one loudspeaker with its making, cpu s", cpu(lambda: detection.main(count), 1) / count)]


def long_sweeps(work: Path, quick: bool) -> list[Row]:
    """Memory of a session at 192 kHz with sweeps of 10 s; the recordings are made in a process of their own."""
    from earwitness.formats.audio import read_audio
    from earwitness.reduce.flow import reduce_session

    made = (
        "import sys, pathlib, pickle; sys.path.insert(0, sys.argv[2]); import made_session as m; "
        "from earwitness.formats.audio import write_audio; m.RATE = 192_000; "
        "made = m.Made(duration_s=float(sys.argv[3]), stop_hz=40_000.0, angles=tuple(range(0, 80, 10))); "
        "folder = pathlib.Path(sys.argv[1]); "
        "[write_audio(folder / f'h{a:g}.wav', m.recording(made, a, n).samples, m.RATE) "
        "for n, a in enumerate(made.angles)]; "
        "(folder / 'session.pickle').write_bytes(pickle.dumps(m.facts(made)))"
    )
    beside = str(Path(__file__).parents[1] / "tests" / "reduce")
    subprocess.run([sys.executable, "-c", made, str(work), beside, "2" if quick else "10"], check=True)
    session = pickle.loads((work / "session.pickle").read_bytes())
    began = time.process_time()
    reduce_session(session, lambda name: read_audio(work / name))
    spent = time.process_time() - began
    return [
        row("8 takes of a sweep of 10 s at 192 kHz: cpu s", spent),
        row("the same, peak memory, MiB", peak_mib(), most=400.0, form=".0f"),
    ]


def large_scan(work: Path, quick: bool) -> list[Row]:
    """Memory and time of a scan of 10,000 points that form no rings."""
    import separation as bench

    from earwitness.reduce.separate.solve import affordable_orders

    del work
    count, every = (2000, 24) if quick else (10_000, 12)
    random = np.random.default_rng(7)
    unit = random.normal(size=(count, 3))
    points = unit / np.linalg.norm(unit, axis=1)[:, None] * random.uniform(0.42, 0.47, (count, 1))
    k = 2 * np.pi * np.geomspace(20.0, 16_000.0, 97)[every // 2 :: every] / bench.SPEED_M_S
    shell = bench.Shell(0.18, 0.47, 0.94)
    pressure, nobody = bench.made_pressure(points, k), np.zeros(count, dtype=bool)
    scan = bench.Scan(points, None, (0, 1, 2))
    orders = affordable_orders(scan, k, shell, count, incoming=True)
    spent = cpu(lambda: bench.fit_scan(scan, pressure, k, shell, orders, nobody), 1)
    return [
        row(f"{count:,} irregular points, {k.size} of 97 frequencies: cpu s", spent),
        row("the same, peak memory, MiB", peak_mib(), most=1024.0, form=".0f"),
    ]


PARTS: dict[str, Callable[[Path, bool], list[Row]]] = {
    "commands": commands,
    "start": start,
    "reduction": reduction,
    "long sweeps": long_sweeps,
    "separation": separation,
    "large scan": large_scan,
    "equalizer": equalizer,
    "findings": findings,
    "slider": slider,
    "publication": publication,
    "catalogue": catalogue,
    "rebuild": rebuild,
    "rebuild from recordings": recordings_rebuild,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("name", choices=tuple(PARTS))
    parser.add_argument("file", type=Path)
    parser.add_argument("--quick", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as work:
        found = PARTS[given.name](Path(work), given.quick)
    given.file.write_text(json.dumps(found), encoding="utf-8")


if __name__ == "__main__":
    main()
