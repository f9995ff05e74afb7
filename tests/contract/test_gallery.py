"""The scripts of docs/gallery run, and what they print is right; `earwitness` has the names they use."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

import earwitness

GALLERY = Path(__file__).parents[2] / "docs" / "gallery"
SCRIPTS = sorted(path.stem for path in GALLERY.glob("*.py") if path.stem != "invented")


def printed(script: str, *words: str | Path) -> str:
    command = [sys.executable, str(GALLERY / f"{script}.py"), *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


def numbers(text: str) -> list[float]:
    return [float(one.replace("\N{MINUS SIGN}", "-")) for one in re.findall(r"[+\-\N{MINUS SIGN}]?\d+(?:\.\d+)?", text)]


def test_every_script_is_in_the_list_of_the_page() -> None:
    page = (GALLERY.parent / "scripting.md").read_text(encoding="utf-8")
    assert set(re.findall(r"gallery/(\w+)\.py", page)) - {"invented"} == set(SCRIPTS)
    assert len(SCRIPTS) >= 8


def test_every_name_of_the_face_is_there() -> None:
    names = [name for name in earwitness.__all__ if name != "__version__"]
    assert 25 <= len(names) <= 40
    assert all(getattr(earwitness, name) is not None for name in names)
    assert set(earwitness.__all__) == set(dir(earwitness))
    with pytest.raises(AttributeError, match="nothing_like_it"):
        earwitness.nothing_like_it  # noqa: B018


def test_importing_the_face_brings_in_nothing() -> None:
    code = "import sys, earwitness; assert not {'numpy', 'scipy', 'pydantic', 'sqlalchemy'} & set(sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_a_piston_has_the_directivity_of_the_handbook() -> None:
    """Outside: the closed form of a baffled piston's directivity factor. Two orbits see its lobes twice."""
    for line in printed("piston_directivity").splitlines():
        _, found, exact = numbers(line)
        assert found == pytest.approx(exact, abs=1.0)


def test_a_planted_filter_comes_back_from_a_sweep() -> None:
    """Outside: scipy.signal's Butterworth filter."""
    for line in printed("sweep_and_impulse").splitlines():
        _, found, planted = numbers(line)
        assert found == pytest.approx(planted, abs=0.002)


def test_a_directivity_comes_back_from_sofa(tmp_path: Path) -> None:
    assert "70 directions" in printed("sofa_and_back", tmp_path / "one.sofa")


def test_a_chart_is_drawn(tmp_path: Path) -> None:
    assert "On axis the bass" in printed("balance_chart", tmp_path / "one.svg")
    assert (tmp_path / "one.svg").read_text(encoding="utf-8").startswith("<svg")


def test_ten_of_twelve_are_heard() -> None:
    """Outside: the binomial tail, (66 + 12 + 1) / 4096."""
    assert f"{79 / 4096:.3f}" in printed("heard_or_guessed")


@pytest.mark.parametrize("script", ["bands_that_pay", "compare_two", "findings", "plan_a_scan"])
def test_the_others_say_something(script: str) -> None:
    assert len(numbers(printed(script))) >= 4
