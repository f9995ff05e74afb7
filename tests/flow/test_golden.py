"""Figures of the demo loudspeakers stand where they stood: a change is explained, not just made.

The values are the program's own; what they are true to is tested in test_truth.py and by the figures' own tests.
"""

from __future__ import annotations

import importlib.util
import json
import shutil
from pathlib import Path
from types import ModuleType

import pytest
from flow_world import QuickWorld

from made_once import QUICK_KEYS, MadeOnce

ROOT = Path(__file__).parents[2]
EXPLAIN = (
    "figures changed:\n{}\nIf the change is meant, explain it in CHANGELOG.md and renew the values with "
    "`python benchmarks/golden.py --write`."
)


@pytest.fixture(scope="module")
def golden() -> ModuleType:
    spec = importlib.util.spec_from_file_location("golden", ROOT / "benchmarks" / "golden.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def archive(quick_world: QuickWorld, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy: reading records that the data were opened."""
    return shutil.copytree(quick_world.archive, tmp_path_factory.mktemp("golden") / "archive")


@pytest.mark.parametrize("key", QUICK_KEYS)
def test_figures_stand_where_they_stood(key: str, golden: ModuleType, archive: Path) -> None:
    kept = json.loads(golden.GOLDEN.read_text(encoding="utf-8"))[key]
    told = golden.differences(kept, golden.figures_of(archive, key))
    assert not told, EXPLAIN.format("\n".join(told))


def test_figures_of_the_loudspeaker_on_a_box_stand(golden: ModuleType, made_once: MadeOnce, tmp_path: Path) -> None:
    archive = shutil.copytree(made_once.archive("coffer"), tmp_path / "archive")
    kept = json.loads(golden.GOLDEN.read_text(encoding="utf-8"))["coffer"]
    told = golden.differences(kept, golden.figures_of(archive, "coffer"))
    assert not told, EXPLAIN.format("\n".join(told))


def test_a_moved_figure_is_told(golden: ModuleType) -> None:
    old = {"a": {"value": 10.0, "u": 0.5, "unit": "dB"}, "b": {"not_judged": "too short"}}
    assert golden.differences(old, {"a": {"value": 10.009, "u": 0.5, "unit": "dB"}, "b": old["b"]}) == []
    assert golden.differences(old, {"a": {"value": 10.02, "u": 0.5, "unit": "dB"}, "b": old["b"]}) != []
    assert golden.differences(old, {"a": {"value": 10.0, "u": 0.6, "unit": "dB"}, "b": old["b"]}) != []
    assert golden.differences(old, {"a": {"value": 10.0, "u": 0.5, "unit": "Hz"}, "b": old["b"]}) != []
    assert golden.differences(old, {"a": old["a"]}) == ["b: gone"]
    assert golden.differences(old, old | {"b": {"value": 1.0, "u": None, "unit": ""}}) != []
