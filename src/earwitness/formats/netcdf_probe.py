"""netCDF-4 files of strangers, opened first where a crash or an endless loop of the C library does no harm.

HDF5 takes no care of damaged files: some make it loop for ever or end the process. A process of its own opens the file
and reads all that is in it, within a time and a memory; only what came through is opened here.
"""

import atexit
import contextlib
import json
import os
import queue
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

LIMIT_S = 30.0
START_S = 120.0
SPARE_BYTES = 3 * 2**30

# Runs by itself, without this package: one path and limit a line in, one answer a line out.
_CHILD = """
import json, sys
import netCDF4, numpy
try:
    import resource
    pages = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (pages + SPARE_BYTES,) * 2)
except (ImportError, OSError, ValueError):
    pass

def sizes(group):
    values = unpacked = 0
    for one in group.variables.values():
        count = 1
        for length in one.shape:
            count *= int(length)
        values += count
        # Text is a variable of no fixed size: one scalar a file, as this program writes it.
        unpacked += count * (1 if one.dtype is str else int(one.dtype.itemsize))
    for inner in group.groups.values():
        more = sizes(inner)
        values, unpacked = values + more[0], unpacked + more[1]
    return values, unpacked

def read_all(group):
    for one in group.variables.values():
        one[...]
    for inner in group.groups.values():
        read_all(inner)

def look(path, most):
    # By its content: the library takes a file that it could not close for open, and goes on with what it knew of it.
    with open(path, "rb") as stream:
        data = stream.read()
    with netCDF4.Dataset("probe", "r", memory=data) as file:
        file.set_auto_mask(False)
        texts = {name: str(file.getncattr(name)) for name in file.ncattrs()}
        values, unpacked = sizes(file)
        found = {"attributes": texts, "names": sorted(file.variables), "values": values, "unpacked": unpacked}
        if unpacked <= most:
            read_all(file)
        return found

print("ready", flush=True)
for line in sys.stdin:
    try:
        answer = look(*json.loads(line))
    except Exception as error:
        answer = {"error": (str(error).splitlines() or [type(error).__name__])[0][:200]}
    print(json.dumps(answer), flush=True)
"""


@dataclass(frozen=True, slots=True)
class NetcdfFacts:
    """What a file's header says. names : of the variables outside groups; values, unpacked_bytes : of all arrays."""

    attributes: dict[str, str]
    names: tuple[str, ...]
    values: int
    unpacked_bytes: int


def probe(path: Path, *, most_unpacked_bytes: int, limit_s: float = LIMIT_S) -> NetcdfFacts:
    """Open the file in another process and read all its arrays, if they are not larger than that.

    Raises ValueError with the reason, for a file that is none, and for one that takes longer than `limit_s` or ends
    the process.
    """
    with _LOCK:
        answer = _ask(json.dumps([str(path.absolute()), most_unpacked_bytes]), limit_s)
    if "error" in answer:
        raise ValueError(str(answer["error"]))
    return NetcdfFacts(answer["attributes"], tuple(answer["names"]), answer["values"], answer["unpacked"])


class _Child:
    """The process, and a thread that hands on its lines."""

    def __init__(self) -> None:
        self.owner = os.getpid()
        code = _CHILD.replace("SPARE_BYTES", str(SPARE_BYTES))
        self.process = subprocess.Popen(
            [sys.executable, "-c", code],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, encoding="utf-8",
        )  # fmt: skip
        self._lines: queue.Queue[str] = queue.Queue()
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        assert self.process.stdout is not None
        with contextlib.suppress(OSError, ValueError):
            for line in self.process.stdout:
                self._lines.put(line)
        self._lines.put("")

    def line(self, limit_s: float) -> str:
        """Its next line, "" where it ended. Raises queue.Empty."""
        return self._lines.get(timeout=limit_s)

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout):
            with contextlib.suppress(OSError):
                if pipe is not None:
                    pipe.close()


_LOCK = threading.Lock()
_RUNNING: list[_Child] = []


def _ask(question: str, limit_s: float) -> dict[str, Any]:
    child = _running()
    try:
        assert child.process.stdin is not None
        child.process.stdin.write(question + "\n")
        child.process.stdin.flush()
        line = child.line(limit_s)
    except queue.Empty:
        _end()
        return {"error": f"reading it takes longer than {limit_s:g} s"}
    except OSError:
        line = ""
    if not line:
        _end()
        return {"error": "it is damaged, so that reading it ends the program that reads"}
    answer: dict[str, Any] = json.loads(line)
    return answer


def _running() -> _Child:
    # A copy of this process must not talk through the pipes of the first.
    if _RUNNING and _RUNNING[0].owner != os.getpid():
        _RUNNING.clear()
    if not _RUNNING:
        _RUNNING.append(_Child())
        try:
            ready = _RUNNING[0].line(START_S)
        except queue.Empty:
            ready = ""
        if not ready:
            _end()
            raise RuntimeError("the process that reads netCDF files does not start")
    return _RUNNING[0]


def _end() -> None:
    while _RUNNING:
        child = _RUNNING.pop()
        if child.owner == os.getpid():
            child.end()


atexit.register(_end)
