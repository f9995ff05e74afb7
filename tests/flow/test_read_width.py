"""What `earwitness read` prints on terminals of two widths and into a pipe: every reason whole, no color in a pipe."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import shutil
import struct
import subprocess
import sys
import termios
from pathlib import Path

import pytest

from earwitness.app.read import read_loudspeaker
from earwitness.exhibits.figures_table import figures_table, ordered_figures
from earwitness.figures.registry import LEVEL_FIGURES, base_key
from made_once import MadeOnce

NAME = "lantern"
# Longer ones want more than a line of the second column, or nearly.
LONG_REASON = 44


@pytest.fixture(scope="module")
def archive(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy: reading records that the data were opened."""
    return shutil.copytree(made_once.archive(NAME), tmp_path_factory.mktemp("width") / "archive")


def on_terminal(archive: Path, columns: int) -> str:
    """What the command writes to a terminal of so many columns; its errors and progress go elsewhere."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 50, columns, 0, 0))
    environment = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
    arguments = [sys.executable, "-m", "earwitness", "read", NAME, "--archive", str(archive)]
    with subprocess.Popen(arguments, stdout=theirs, stderr=subprocess.DEVNULL, env=environment) as process:
        os.close(theirs)
        parts = []
        while True:
            try:
                part = os.read(ours, 65_536)
            # Linux tells the end of a terminal so.
            except OSError:
                break
            if not part:
                break
            parts.append(part)
    os.close(ours)
    assert process.returncode == 0
    return b"".join(parts).decode().replace("\r\n", "\n")


def told_of(archive: Path) -> list[tuple[str, str]]:
    """Names and values; what is told at a level, and judged, stands with its band and the frequency in it."""
    reading = read_loudspeaker(NAME, archive).reading
    pairs = []
    for row, figure in zip(figures_table(reading).rows, ordered_figures(reading), strict=True):
        beside = ""
        if figure.value is not None and figure.band_hz is not None and base_key(figure.key) in LEVEL_FIGURES:
            at = [note for note in figure.caveats if re.fullmatch(r"at \d+ Hz", note)][:1]
            beside = f" ({', '.join([row[2], *at])})"
        pairs.append((row[0], row[1] + beside))
    assert any("Hz)" in value for _, value in pairs), "no band stands beside a number"
    return pairs


def whole(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("columns", [80, 120])
def test_on_a_terminal_every_reason_stands_whole_within_its_width(archive: Path, columns: int) -> None:
    lines = on_terminal(archive, columns).splitlines()
    assert max(map(len, lines)) <= columns
    assert "…" not in "".join(lines)
    # The second column, read down, holds every value in order.
    pairs = told_of(archive)
    values = [value for _, value in pairs if not value.startswith("not judged")]
    first = whole(values[0])
    start = next(
        whole(line).index(first) and line.index(values[0].split()[0]) for line in lines if first in whole(line)
    )
    gap = slice(start - 2, start)
    right = whole(" ".join(line[start:] for line in lines[2:] if line[gap] == "  "))
    assert whole(" ".join(values)) in right
    # Each reason stands once, with all that it keeps from being judged behind it.
    text = whole("\n".join(lines))
    reasons = dict.fromkeys(value for _, value in pairs if value.startswith("not judged"))
    assert any(len(one) > LONG_REASON for one in reasons), "no reason is long enough to tell"
    for reason in reasons:
        names = "; ".join(name for name, value in pairs if value == reason)
        assert text.count(f"{whole(reason)}: {whole(names)}") == 1


def test_into_a_pipe_each_figure_is_one_plain_line(archive: Path) -> None:
    arguments = [sys.executable, "-m", "earwitness", "read", NAME, "--archive", str(archive)]
    environment = {**os.environ, "COLUMNS": "40", "FORCE_COLOR": "1"}
    told = subprocess.run(arguments, capture_output=True, text=True, check=True, env=environment).stdout
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f]", told), "control characters in a pipe"
    pairs = told_of(archive)
    lines = told.splitlines()[2 : 2 + len(pairs)]
    assert [whole(one) for one in lines] == [whole(f"{name} {value}") for name, value in pairs]
