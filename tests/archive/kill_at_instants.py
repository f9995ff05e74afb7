"""For scripts that tests run: children forked with everything imported, each killed at another instant."""

from __future__ import annotations

import itertools
import os
import shutil
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any


def killed_at(instant: int, *acts: str) -> Callable[..., None]:
    """A tick that kills this process when it is called for the `instant`-th time.

    Every sync ticks, and so do these acts of paths ("replace", "chmod"), each before and after.
    """
    left = itertools.count(instant, -1)

    def tick(*_: object) -> None:
        if next(left) == 1:
            os.kill(os.getpid(), signal.SIGKILL)

    def ticking(call: Callable[..., Any]) -> Callable[..., Any]:
        def called(*given: Any, **named: Any) -> Any:
            tick()
            found = call(*given, **named)
            tick()
            return found

        return called

    os.fsync = ticking(os.fsync)
    for name in acts:
        setattr(Path, name, ticking(getattr(Path, name)))
    return tick


def kill_one_after_another(step: int, prepared: Callable[[int], Path], act: Callable[[Path, int], None]) -> None:
    """Children for every `step`-th instant, each in the folder prepared for it, until one runs to its end.

    Prints "whole" with its instant and exit code.
    """
    for instant in itertools.count(1, step):
        folder = prepared(instant)
        pid = os.fork()
        if pid == 0:
            act(folder, instant)
            os._exit(0)
        status = os.waitpid(pid, 0)[1]
        if not os.WIFSIGNALED(status):
            print("whole", instant, os.waitstatus_to_exitcode(status), flush=True)
            break


def copied(work: Path, name: str) -> Path:
    """The folder `name` in `work`, a copy of the one named "base" where there is one."""
    if (work / "base").is_dir():
        shutil.copytree(work / "base", work / name)
    return work / name
