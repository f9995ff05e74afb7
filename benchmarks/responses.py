"""Many loudspeakers of 72 responses each taken into an archive: time of the processor, and memory.

    python benchmarks/responses.py --loudspeakers 100

Writes text tables of invented loudspeakers into a temporary folder, then takes them in by a list as
`earwitness archive add-list` does: survey, session, check, copies, reduction, figures of the index. Prints the seconds
of processor time of that, and the greatest memory after a tenth and after all of them.
"""

from __future__ import annotations

import argparse
import os
import resource
import tempfile
import time
from pathlib import Path

import numpy as np

from earwitness.app.add import failed, take_in_all

TITLES = "folder,name,maker,type,enclosure,width_m,height_m,depth_m,reference_axis,date,voltage_v,space,price,currency"
ANGLES = range(-170, 181, 10)


def written(root: Path, number: int, random: np.random.Generator) -> str:
    """One loudspeaker of eight peaks and dips, darker with angle; its line of the list."""
    hz = np.geomspace(20.0, 20_000.0, 480)
    on_axis = 85.0 - 20 * np.log10(1 + (50.0 / hz) ** 2)
    for _ in range(8):
        octaves = np.log2(hz / random.uniform(50, 15_000)) / random.uniform(0.1, 1)
        on_axis += random.normal(0.0, 1.5) * np.exp(-(octaves**2))
    folder = root / f"box{number:03d}"
    folder.mkdir()
    for orbit, stretch in (("h", 1.0), ("v", 1.3)):
        for angle in ANGLES:
            turn = stretch * np.sin(np.radians(angle) / 2)
            tilt = 0.002 * angle * (hz > 2000.0) * (abs(angle) < 180)
            level = on_axis - 10 * np.log10(1 + (hz / 3000.0 * turn) ** 2) + tilt
            rows = "".join(f"{f:.3f}\t{one:.3f}\n" for f, one in zip(hz, level, strict=True))
            (folder / f"{orbit}_{angle}.txt").write_text("Hz\tdB SPL\n" + rows)
    made = "Nobody (invented),stand-mount,closed,0.2,0.3,0.25,tweeter,2026-10-01,2.83,anechoic"
    return f"{folder.name},Box {number},{made},{100 + number},EUR"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--loudspeakers", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        random = np.random.default_rng(asked.seed)
        lines = [written(root, number, random) for number in range(asked.loudspeakers)]
        first = max(asked.loudspeakers // 10, 1)
        (root / "some.csv").write_text("\n".join([TITLES, *lines[:first]]) + "\n")
        (root / "all.csv").write_text("\n".join([TITLES, *lines[first:]]) + "\n")
        began, wall = os.times(), time.monotonic()
        done = take_in_all(root / "some.csv", root / "archive")
        early = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        done += take_in_all(root / "all.csv", root / "archive")
        ended = os.times()
        late = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    assert not failed(done), failed(done)[0].why
    used = ended.user - began.user + ended.system - began.system
    print(f"{len(done)} loudspeakers of {2 * len(ANGLES)} responses: {used:.1f} s of processor time", end=", ")
    print(f"{1e3 * used / len(done):.0f} ms each; {time.monotonic() - wall:.0f} s by the clock")
    print(f"greatest memory after {first}: {early:.0f} MiB, after {len(done)}: {late:.0f} MiB")


if __name__ == "__main__":
    main()
