"""The same made-up measurement as the exhibits are tested with."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

_place = Path(__file__).parents[1] / "exhibits" / "conftest.py"
_spec = importlib.util.spec_from_file_location("measured_example", _place)
assert _spec is not None
assert _spec.loader is not None
_example = importlib.util.module_from_spec(_spec)
sys.modules["measured_example"] = _example
_spec.loader.exec_module(_example)

measurement, reading, session = _example.measurement, _example.reading, _example.session
measure, describe = _example.measure, _example.describe
