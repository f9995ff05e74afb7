"""The script that reads a session folder tells what the program itself tells of it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from flow_world import QuickWorld

from made_once import QUICK_KEYS

SCRIPT = Path(__file__).parents[2] / "docs" / "gallery" / "session_to_curves.py"


def test_a_session_folder_becomes_figures_in_ten_lines(quick_world: QuickWorld) -> None:
    folder = quick_world.recordings / QUICK_KEYS[0]
    done = subprocess.run([sys.executable, str(SCRIPT), str(folder)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    lines = dict(line.split(": ", 1) for line in done.stdout.splitlines())
    assert float(lines["sensitivity"].split()[0]) > 70.0
    assert "not judged" in done.stdout
