"""Every reader against damaged inputs: what is not accepted must be refused in words, soon and in bounded memory.

    python benchmarks/fuzz.py [--reader NAME|all] [--inputs N] [--seed S] [--minutes M]

Inputs are sound ones with faults: flips, cuts, repeats, numbers that are none, deep nesting, strange letters, headers
that lie, arrays that unpack to gigabytes, links. The same reader, seed and number give the same input. Each reader runs
in a process of its own with 1.25 GiB of address space more than it starts with; a process that dies is started again
behind the input that killed it. A fault is: any exception but the program's own, a warning of a library, an accepted
value that is no number, more than 5 s of processor time, more than 1 GiB of memory, the end of the process. Ends with
code 1 where there was one. --minutes : stop each reader after so long; the count told is what was run.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

ROOM = Path(__file__).resolve().parents[1] / "tests" / "property"
MOST_S, MOST_BYTES, SPARE_BYTES = 5.0, 2**30, 5 * 2**28
MEBIBYTE = 2**20
TOLD_FAULTS = 5


@dataclass
class Tally:
    """What became of one reader's inputs. faults : by what happened, with the numbers of some inputs that did it."""

    inputs: int = 0
    accepted: int = 0
    slowest_ms: float = 0.0
    slowest_input: int = -1
    peak_mib: float = 0.0
    faults: dict[str, list[int]] = field(default_factory=dict)
    counts: Counter[str] = field(default_factory=Counter)

    def fault(self, what: str, number: int) -> None:
        self.counts[what] += 1
        numbers = self.faults.setdefault(what, [])
        if len(numbers) < TOLD_FAULTS:
            numbers.append(number)


def work(reader: str, seed: int, first: int, end: int, until: float, report: Path) -> None:
    """Run inputs `first` to `end` in this process; what came of each goes to `report`, the present one first."""
    sys.path.insert(0, str(ROOM))
    from fuzz_readers import READERS, draw_for

    warnings.simplefilter("error")
    folder = Path(tempfile.mkdtemp(dir="/dev/shm" if Path("/dev/shm").is_dir() else None))
    try:
        run = READERS[reader]().prepare(folder)
        run(random.Random(0))
        started = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
        space = int(re.search(r"VmSize:\s+(\d+)", Path("/proc/self/status").read_text())[1]) * 1024
        resource.setrlimit(resource.RLIMIT_AS, (space + SPARE_BYTES, space + SPARE_BYTES))
        with report.open("a", buffering=1) as told:
            for number in range(first, end):
                if time.time() > until:
                    break
                told.write(f"{number}\n")
                signal.setitimer(signal.ITIMER_PROF, MOST_S)
                at = time.process_time()
                try:
                    outcome = "accepted" if run(draw_for(reader, seed, number)) else "refused"
                except Exception as error:
                    outcome = _told(error)
                signal.setitimer(signal.ITIMER_PROF, 0)
                peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 - started
                told.write(json.dumps([outcome, 1000 * (time.process_time() - at), peak]) + "\n")
                if peak > MOST_BYTES:
                    break
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _told(error: Exception) -> str:
    """The error and the innermost line of the program it came from."""
    frames = [f for f in traceback.extract_tb(error.__traceback__) if "/earwitness/" in f.filename]
    place = f"{frames[-1].filename.rpartition('earwitness/')[2]}:{frames[-1].lineno}" if frames else "a library"
    message = re.sub(r"\d+", "N", str(error).splitlines()[0] if str(error) else "")[:90]
    return f"{type(error).__name__} at {place}: {message}"


def drive(reader: str, seed: int, inputs: int, until: float) -> Tally:
    """Run a reader in child processes until all inputs are done or the time is up."""
    tally = Tally()
    number = 0
    while number < inputs and time.time() < until:
        with tempfile.TemporaryDirectory() as place:
            report = Path(place) / "report"
            report.touch()
            command = [sys.executable, __file__, "--worker", reader, str(seed), str(number), str(inputs), repr(until)]
            environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
            child = subprocess.Popen([*command, str(report)], stderr=subprocess.PIPE, text=True, env=environment)
            # Killed where it hangs without using the processor; the clock of the worker sees the rest.
            said = _wait(child, report)
            reached = _gather(report, tally)
        if reached is None:
            raise SystemExit(f"{reader}: the worker did not start\n{said}")
        number, finished = reached
        if not finished:
            code = child.returncode
            name = signal.Signals(-code).name if code < 0 else f"exit code {code}: {said.strip()[-90:]}"
            tally.fault("hang" if code == -signal.SIGPROF else f"the process ended: {name}", number)
            tally.inputs += 1
        number += 1
    return tally


def _wait(child: subprocess.Popen[str], report: Path) -> str:
    while True:
        try:
            return child.communicate(timeout=60)[1]
        except subprocess.TimeoutExpired:
            if time.time() - report.stat().st_mtime > 120:
                child.kill()


def _gather(report: Path, tally: Tally) -> tuple[int, bool] | None:
    """Add a worker's report; the last input it began and whether it ended that one."""
    number, finished = None, True
    for line in report.read_text().splitlines():
        if not line.startswith("["):
            number, finished = int(line), False
            continue
        outcome, ms, peak = json.loads(line)
        finished = True
        tally.inputs += 1
        tally.peak_mib = max(tally.peak_mib, peak / MEBIBYTE)
        if ms > tally.slowest_ms:
            tally.slowest_ms, tally.slowest_input = ms, number
        if outcome == "accepted":
            tally.accepted += 1
        elif outcome != "refused":
            tally.fault(outcome, number)
        if peak > MOST_BYTES:
            tally.fault("memory", number)
    return None if number is None else (number, finished)


def main() -> int:
    if sys.argv[1:2] == ["--worker"]:
        reader, seed, first, end, until, report = sys.argv[2:]
        work(reader, int(seed), int(first), int(end), float(until), Path(report))
        return 0
    sys.path.insert(0, str(ROOM))
    from fuzz_readers import READERS

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--reader", default="all", choices=["all", *READERS])
    parser.add_argument("--inputs", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=1e6)
    given = parser.parse_args()
    print(f"{'reader':<12}{'inputs':>9}{'accepted':>10}{'refused':>9}{'faults':>8}{'slowest ms':>12}{'peak MiB':>10}")
    failed = False
    for reader in READERS if given.reader == "all" else [given.reader]:
        tally = drive(reader, given.seed, given.inputs, time.time() + 60 * given.minutes)
        faults = sum(tally.counts.values())
        refused = tally.inputs - tally.accepted - faults
        row = f"{reader:<12}{tally.inputs:>9}{tally.accepted:>10}{refused:>9}{faults:>8}{tally.slowest_ms:>12.0f}"
        print(row + f"{tally.peak_mib:>10.0f}    slowest input {tally.slowest_input}", flush=True)
        for what, count in tally.counts.most_common():
            print(f"    {count} x {what}; inputs {', '.join(map(str, tally.faults[what]))}", flush=True)
        failed |= bool(faults)
    return int(failed)


if __name__ == "__main__":
    raise SystemExit(main())
