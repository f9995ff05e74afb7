"""The script of bench and page is kept like the Python: its types hold, no lint, one format, and its own tests pass.

The checker, linter and test runner are one program, pinned among the requirements of the tests; it asks no network.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FILES = sorted(str(path.relative_to(ROOT)) for path in (ROOT / "src").rglob("*.js"))
TOOL = Path(sys.executable).with_name("deno.exe" if os.name == "nt" else "deno")


def told_by(*arguments: str, home: Path) -> str:
    """What it says; the test fails, with that, where it finds a fault."""
    done = subprocess.run(
        [TOOL, *arguments],
        cwd=ROOT,
        env={**os.environ, "NO_COLOR": "1", "DENO_NO_UPDATE_CHECK": "1", "DENO_DIR": str(home)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


def test_all_types_hold(tmp_path: Path) -> None:
    assert len(FILES) > 20
    told_by("check", "--no-remote", *FILES, home=tmp_path)


def test_a_wrong_type_is_found(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.js"
    wrong.write_text('/** @type {number} */\nexport const wrong = "words";\n', encoding="utf-8")
    with pytest.raises(AssertionError, match="not assignable"):
        told_by("check", "--config", str(ROOT / "deno.json"), str(wrong), home=tmp_path)


def test_no_lint(tmp_path: Path) -> None:
    told_by("lint", home=tmp_path)


def test_one_format(tmp_path: Path) -> None:
    """To write it: `.venv/bin/deno fmt`."""
    told_by("fmt", "--check", home=tmp_path)


def test_its_own_tests_pass(tmp_path: Path) -> None:
    told = told_by("test", "--no-remote", "--allow-read", "tests/script", home=tmp_path)
    assert " 0 failed" in told
