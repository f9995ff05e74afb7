"""What holds golden values notices any one value that moves, and nothing that only rounds otherwise."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

import golden_values
from golden_values import stands


@dataclass
class Result:
    level_db: np.ndarray
    found: dict[str, tuple[float, str]] = field(default_factory=lambda: {"a": (3.0, "x")})
    missing: float | None = None


@pytest.fixture(autouse=True)
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(golden_values, "FOLDER", tmp_path)
    monkeypatch.setattr(golden_values, "WRITE", True)
    stands("here/results", "first", Result(_levels()))
    stands("here/results", "second", Result(_levels()[:8]))
    monkeypatch.setattr(golden_values, "WRITE", False)
    return tmp_path


def _levels() -> np.ndarray:
    return np.random.default_rng(5).normal(80.0, 3.0, (20, 30))


def test_the_same_and_what_rounds_otherwise_stands() -> None:
    stands("here/results", "first", Result(_levels()))
    stands("here/results", "first", Result(_levels() * (1.0 + 1e-9)))
    stands("here/results", "second", Result(_levels()[:8]))


@pytest.mark.parametrize("place", range(0, 600, 37))
def test_any_one_value_of_an_array_that_moves_is_told(place: int) -> None:
    for change in (0.5, np.nan):
        levels = _levels()
        levels.flat[place] += change
        with pytest.raises(AssertionError, match=r"level_db\.(sums|finite)"):
            stands("here/results", "first", Result(levels))


def test_two_values_exchanged_are_told() -> None:
    levels = _levels()
    levels[3, 4], levels[17, 2] = levels[17, 2], levels[3, 4]
    with pytest.raises(AssertionError, match="sums"):
        stands("here/results", "first", Result(levels))


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        (Result(_levels(), {"a": (3.001, "x")}), r"found\.a\[0\]: was 3.0, is 3.001"),
        (Result(_levels(), {"a": (3.0, "y")}), r"found\.a\[1\]: was 'x', is 'y'"),
        (Result(_levels(), {}), r"found\.a: gone"),
        (Result(_levels(), {"a": (3.0, "x"), "b": (1.0, "z")}), r"found\.b: new"),
        (Result(_levels(), missing=0.0), r"missing: was 'None', is '0.0'"),
        (Result(_levels().T), "shape"),
    ],
)
def test_what_moved_is_named(changed: Result, told: str) -> None:
    with pytest.raises(AssertionError, match=told):
        stands("here/results", "first", changed)


def test_a_case_that_nothing_is_kept_of_fails() -> None:
    with pytest.raises(AssertionError, match="nothing is kept of 'third'"):
        stands("here/results", "third", 1.0)
