"""Output into a pipe that closes early, as `head` does: no traceback, no report of a fault.

141 is 128 + SIGPIPE, the code shells give to a program that ends so (POSIX; signal number from memory).
"""

from __future__ import annotations

import os
import subprocess
import sys

from patience import PATIENCE_S


def test_a_reader_that_has_had_enough_is_no_fault() -> None:
    script = (
        "import sys, click\n"
        "from earwitness.cli.show import Command\n"
        "@click.command(cls=Command)\n"
        "def talk():\n"
        "    for n in range(100_000):\n"
        "        click.echo(f'line {n}')\n"
        "talk()\n"
    )
    reading, writing = os.pipe()
    with subprocess.Popen([sys.executable, "-c", script], stdout=writing, stderr=subprocess.PIPE, text=True) as process:
        os.close(writing)
        os.read(reading, 100)
        os.close(reading)
        _, told = process.communicate(timeout=PATIENCE_S)
    assert (process.returncode, told) == (141, "")
