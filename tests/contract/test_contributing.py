"""The contributor's guide, followed line by line in a copy of the program."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
GUIDE = (ROOT / "docs" / "contributing.md").read_text(encoding="utf-8")
STEP = re.compile(
    r"(?:New file `(?P<new>[^`]+)`|In `(?P<old>[^`]+)`, (?P<how>before|behind|in place of) the line `(?P<line>[^`]+)`)"
    r":\n\n"
    r"```\w+\n(?P<text>.*?)```$",
    re.MULTILINE | re.DOTALL,
)
PUBLISH = """
import sys
from pathlib import Path
from earwitness.app.add import add_catalogue
from earwitness.app.publish import publish_review
from earwitness.archive.catalogue import Archive

archive, out = Path(sys.argv[1]), Path(sys.argv[2])
add_catalogue(archive, count=1)
with Archive.open(archive) as opened:
    (only,) = opened.loudspeakers()
publish_review(only.name, out, archive)
"""


def section(title: str) -> str:
    found = re.search(rf"^## {re.escape(title)}$(.*?)(?=^## |\Z)", GUIDE, re.MULTILINE | re.DOTALL)
    assert found is not None, title
    return found.group(1)


def follow(title: str, root: Path) -> list[Path]:
    """Do what a section says in a copy of the program; the tests that it wrote."""
    tests = []
    steps = list(STEP.finditer(section(title)))
    assert len(steps) == section(title).count("```") // 2, "a block that names no place"
    for step in steps:
        if step["new"] is not None:
            path = root / step["new"]
            assert not path.exists(), path
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(step["text"], encoding="utf-8")
            tests += [path] if path.name.startswith("test_") else []
            continue
        path = root / step["old"]
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        places = [place for place, line in enumerate(lines) if line.rstrip("\n") == step["line"]]
        assert len(places) == 1, f"{step['line']!r} stands {len(places)} times in {step['old']}"
        first = places[0] + (step["how"] == "behind")
        lines[first : places[0] + (step["how"] == "in place of")] = [step["text"]]
        path.write_text("".join(lines), encoding="utf-8")
    return tests


def run(root: Path, *words: str | Path) -> str:
    environment = {**os.environ, "PYTHONPATH": f"{root / 'src'}{os.pathsep}{root / 'tests'}"}
    done = subprocess.run(
        [sys.executable, *map(str, words)], cwd=root, env=environment, text=True, capture_output=True, check=False
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    return done.stdout


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A copy of the program without tests of its own."""
    root = tmp_path / "checkout"
    ignore = shutil.ignore_patterns("__pycache__", "*.pyc")
    for name in ("src", "docs"):
        shutil.copytree(ROOT / name, root / name, ignore=ignore)
    shutil.copy2(ROOT / "pyproject.toml", root)
    for extra in ("CHANGELOG.md", "README.md"):
        shutil.copy2(ROOT / extra, root)
    return root


def pages_of(root: Path) -> str:
    run(root, "-c", PUBLISH, root / "archive", root / "page")
    return "".join(path.read_text(encoding="utf-8") for path in (root / "page").rglob("*.html"))


def checked(root: Path, tests: list[Path]) -> None:
    run(root, "-m", "ruff", "check", "src", *tests)
    run(root, "-m", "ruff", "format", "--check", "src", *tests)
    if tests:
        run(root, "-m", "pytest", "-q", "-p", "no:cacheprovider", *tests)


def test_a_newcomers_figure_stands_on_the_page(checkout: Path) -> None:
    tests = follow("A figure", checkout)
    checked(checkout, tests)
    run(checkout, "docs/reference.py")
    pages = pages_of(checkout)
    assert "Treble against midrange" in pages
    assert "from 5 to 10 kHz less that from 500 Hz to 2 kHz" in pages


def test_a_newcomers_exhibit_stands_on_the_page(checkout: Path) -> None:
    checked(checkout, follow("An exhibit", checkout))
    pages = pages_of(checkout)
    assert "Octave by octave" in pages
    assert "Octave around" in pages


def test_a_newcomers_reader_reads_and_refuses(checkout: Path) -> None:
    checked(checkout, follow("A reader of a file", checkout))


def test_the_places_of_a_kind_of_take_are_there() -> None:
    rows = re.findall(r"^\| [^|]+ \| `(src/[^`]+)` \| ([^|]+) \|$", section("A kind of take"), re.MULTILINE)
    assert len(rows) == 8
    for path, words in rows:
        text = (ROOT / path).read_text(encoding="utf-8")
        named = [one for one in re.findall(r"`([A-Za-z_-]+)`", words) if not one.endswith(".toml")]
        assert all(one in text for one in named[:1]), f"{path}: {named}"
