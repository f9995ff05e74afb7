"""A bench in a process of its own, which a test may kill; a real one, with the simulated wire at its real speed."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def bench_process(
    archive: Path, *, port: int | None = None, life_s: float | None = None, **environment: str
) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The process and the address to enter by.

    life_s : how long a page may give no sign of life while it sounds, where a slow machine's is no matter of the test.
    """
    patiently = f"import sys, earwitness.bench.live as l, earwitness.cli as c; l.LIFE_S = {life_s}; sys.exit(c.main())"
    program = ["-m", "earwitness"] if life_s is None else ["-c", patiently]
    command = [sys.executable, *program, "bench", "--no-browser", "--archive", str(archive)]
    command += [] if port is None else ["--port", str(port)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env={**os.environ, **environment}
    ) as process:
        try:
            assert process.stdout is not None
            words = ""
            while "http" not in words:
                words = process.stdout.readline()
                assert words, "the bench has ended"
            yield process, next(word for word in words.split() if word.startswith("http"))
        finally:
            process.kill()
            process.wait()
