"""All benchmarks in one run: what was measured, beside its goal, as a Markdown table.

    python benchmarks/all.py [--quick] [--parts NAME ...] [--json FILE]

Each part runs in a process of its own, one after the other; its processor time, wall time and largest memory are those
of the whole process, making of test data included. Goals are judged on processor time where a row says "cpu", on
wall time where it says "wall", and on the ratio of two things timed in the same process where it says "times". With
--quick the sizes are smaller, to see that everything runs. Wall times mean little on a machine that others use: the
load is printed. Ends with code 1 if a part failed to run; a missed goal is in the table.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import parts

HEADER = "| part | measured | value | goal | met |\n| --- | --- | ---: | ---: | --- |"
COST = "| part | cpu s | wall s | peak MiB | load |\n| --- | ---: | ---: | ---: | ---: |"


def run_part(name: str, quick: bool) -> dict[str, object]:
    """Rows and cost of one part, run in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        told = Path(folder) / "rows.json"
        command = [sys.executable, str(Path(__file__).with_name("parts.py")), name, str(told)]
        began = time.perf_counter()
        # Its own output goes to stderr, so that stdout is the table alone.
        with subprocess.Popen(command + ["--quick"] * quick, stdout=sys.stderr) as child:
            _, status, used = os.wait4(child.pid, 0)
            child.returncode = os.waitstatus_to_exitcode(status)
        rows = json.loads(told.read_text(encoding="utf-8")) if told.is_file() else []
        return {
            "name": name,
            "rows": rows,
            "failed": child.returncode != 0,
            "cpu_s": used.ru_utime + used.ru_stime,
            "wall_s": time.perf_counter() - began,
            "peak_mib": used.ru_maxrss / 1024,
            "load": os.getloadavg()[0],
        }


def table_of(found: list[dict[str, object]]) -> str:
    lines = [HEADER]
    for one in found:
        for row in one["rows"]:
            met = {True: "yes", False: "**no**", None: ""}[row["met"]]
            lines.append(f"| {one['name']} | {row['what']} | {row['value']} | {row['goal']} | {met} |")
        if one["failed"]:
            lines.append(f"| {one['name']} | did not run to its end | | | **no** |")
    return "\n".join(lines)


def costs_of(found: list[dict[str, object]]) -> str:
    lines = [COST]
    for one in found:
        lines.append(
            f"| {one['name']} | {one['cpu_s']:.1f} | {one['wall_s']:.1f} | {one['peak_mib']:.0f} | {one['load']:.1f} |"
        )
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--parts", nargs="+", choices=tuple(parts.PARTS), default=tuple(parts.PARTS))
    parser.add_argument("--json", type=Path, help="file to write the rows to as well")
    given = parser.parse_args()
    found = []
    for name in given.parts:
        print(f"... {name}, load {os.getloadavg()[0]:.1f}", file=sys.stderr, flush=True)
        found.append(run_part(name, given.quick))
        if given.json is not None:
            given.json.write_text(json.dumps(found, indent=1), encoding="utf-8")
    print(
        f"{os.cpu_count()} processors, Python {sys.version.split()[0]}, {'quick' if given.quick else 'full'} sizes.\n"
    )
    print(f"{table_of(found)}\n\n{costs_of(found)}")
    return int(any(one["failed"] for one in found))


if __name__ == "__main__":
    sys.exit(main())
