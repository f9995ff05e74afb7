"""The random worlds of benchmarks/coverage.py, for tests."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"
if str(BENCHMARKS) not in sys.path:
    # At the end, so that no program there hides a module of the same name.
    sys.path.append(str(BENCHMARKS))


def program(name: str) -> ModuleType:
    """A program of benchmarks/ as a module."""
    spec = importlib.util.spec_from_file_location(f"benchmarks_{name}", BENCHMARKS / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module
