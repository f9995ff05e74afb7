"""What a command brings in: what it does not need is not imported, told without a clock."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from made_once import MadeOnce

NAME = "lantern"
CODE = """
import sys, earwitness.cli as c
try:
    c.main(sys.argv[1:])
except SystemExit as end:
    assert not end.code, end.code
print("imported", *sys.modules, file=sys.stderr)
"""


@pytest.fixture(scope="module")
def archive(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy: reading records that the data were opened."""
    return shutil.copytree(made_once.archive(NAME), tmp_path_factory.mktemp("imports") / "archive")


def run(*words: str) -> tuple[str, frozenset[str]]:
    """What a command prints, and the modules that are there at its end; of a package its first two names too."""
    done = subprocess.run([sys.executable, "-c", CODE, *words], check=True, capture_output=True, text=True)
    names = done.stderr.rpartition("imported ")[2].split()
    return done.stdout, frozenset(".".join(name.split(".")[:depth]) for name in names for depth in (1, 2))


def test_help_brings_in_the_library_for_commands_alone() -> None:
    told, there = run("--help")
    assert "earwitness read" in told
    assert not there & {"numpy", "scipy", "pydantic", "sqlalchemy", "jinja2", "netCDF4", "soundfile", "rich"}


def test_search_brings_in_no_numbers_and_no_models(archive: Path) -> None:
    told, there = run("archive", "search", "--archive", str(archive))
    assert "1 found" in told
    assert not there & {"scipy", "numpy", "pydantic", "netCDF4", "jinja2", "soundfile", "earwitness.reduce"}


def test_what_was_read_before_is_shown_without_reading_it_anew(archive: Path) -> None:
    """The first reading may have to make it; the second prints the same, to the letter, from what is kept."""
    first, _ = run("read", NAME, "--archive", str(archive))
    again, there = run("read", NAME, "--archive", str(archive))
    assert again == first
    assert not there & {"scipy", "pydantic", "netCDF4", "earwitness.reduce", "earwitness.figures"}


def test_what_was_printed_and_was_altered_is_not_shown(archive: Path, tmp_path: Path) -> None:
    """Neither with another number in it, nor beside a reduction that is not the one that it was made from."""
    folder = shutil.copytree(archive, tmp_path / "archive")
    first, _ = run("read", NAME, "--archive", str(folder))
    with sqlite3.connect(folder / "catalogue.sqlite") as catalogue:
        change = "UPDATE result SET document = replace(document, 'dB', 'dBx') WHERE kind = 'printed'"
        assert catalogue.execute(change).rowcount == 1
    catalogue.close()
    again, there = run("read", NAME, "--archive", str(folder))
    assert again == first
    assert "earwitness.figures" in there


def test_another_listening_distance_is_read_anew(archive: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(archive, tmp_path / "archive")
    run("read", NAME, "--archive", str(folder))
    run("archive", "listening-distance", "2", "--archive", str(folder))
    told, there = run("read", NAME, "--archive", str(folder))
    assert "levels at the seat are for 2 m" in told
    assert "earwitness.figures" in there


def test_a_reduction_brings_in_no_signal_library_and_no_statistics(made_once: MadeOnce, tmp_path: Path) -> None:
    """A half of the time of a first `add` was importing them for one filter and one search for peaks."""
    told, there = run("add", str(made_once.recordings(NAME)), "--archive", str(tmp_path / "archive"))
    assert "taken into the archive" in told
    assert not there & {"scipy.signal", "scipy.stats", "alembic", "jinja2"}
