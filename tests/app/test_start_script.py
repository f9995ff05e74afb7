"""start.py on a machine that is not as it should be: half an environment, a moved folder, an old Python, Ctrl-C."""

from __future__ import annotations

import importlib.util
import os
import shutil
import signal
import subprocess
import sys
import venv
from pathlib import Path
from types import ModuleType

import pytest

from patience import PATIENCE_S, until

SCRIPT = Path(__file__).parents[2] / "start.py"


class _Made(Exception):
    """Instead of the network."""


def script(monkeypatch: pytest.MonkeyPatch, folder: Path) -> tuple[ModuleType, list[list[str]]]:
    """start.py as if it lay in `folder`, and the set-up commands it runs; the last of them ends it."""
    spec = importlib.util.spec_from_file_location("start_script", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    start = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(start)
    (folder / "requirements").mkdir(parents=True)
    (folder / "requirements" / "run.txt").write_text("")
    (folder / "pyproject.toml").write_text("")
    package = folder / "src" / "earwitness" / "__init__.py"
    package.parent.mkdir(parents=True)
    package.write_text("")
    ran: list[list[str]] = []

    def run(command: list[str], _remedy: str) -> None:
        ran.append(command[1:])
        if "install" in command:
            raise _Made

    python = folder / ".venv" / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    for name, value in {
        "ROOT": folder, "ENVIRONMENT": folder / ".venv", "PYTHON": python, "SOURCE": str(package), "run": run,
    }.items():  # fmt: skip
        monkeypatch.setattr(start, name, value)
    return start, ran


def environment(folder: Path, *, pip: bool, source: Path | None) -> None:
    """A virtual environment without downloads; source : folder that earwitness is imported from."""
    venv.create(folder / ".venv", with_pip=False)
    (site,) = (folder / ".venv").rglob("site-packages")
    if pip:
        (site / "pip.py").write_text("")
    if source is not None:
        (site / "earwitness.pth").write_text(str(source))


def stamped(start: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a set-up that ended well leaves."""
    with monkeypatch.context() as patch:
        patch.setattr(start, "run", lambda *_: None)
        start.prepare("run")
    assert len(list(start.ENVIRONMENT.glob("installed-run.sha256"))) == 1


def test_what_is_whole_is_not_made_again(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    start, ran = script(monkeypatch, tmp_path / "my clöne")
    environment(tmp_path / "my clöne", pip=True, source=tmp_path / "my clöne" / "src")
    stamped(start, monkeypatch)
    start.prepare("run")
    assert ran == []


def test_an_environment_without_pip_is_made_anew(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """As after Ctrl-C while it was made, or where Debian's python3-venv was missing at first."""
    start, ran = script(monkeypatch, tmp_path / "clone")
    environment(tmp_path / "clone", pip=False, source=None)
    with pytest.raises(_Made):
        start.prepare("run")
    assert ran[0] == ["-m", "venv", "--clear", str(tmp_path / "clone" / ".venv")]


def test_a_copied_clone_does_not_run_the_program_of_the_first(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    start, ran = script(monkeypatch, tmp_path / "copy")
    first = tmp_path / "first" / "src"
    shutil.copytree(tmp_path / "copy" / "src", first)
    environment(tmp_path / "copy", pip=True, source=first)
    stamped(start, monkeypatch)
    with pytest.raises(_Made):
        start.prepare("run")
    # pip is there, so the environment is filled, not made anew.
    assert "install" in ran[0]


def test_an_environment_whose_python_is_gone_is_made_anew(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    start, ran = script(monkeypatch, tmp_path / "clone")
    environment(tmp_path / "clone", pip=True, source=tmp_path / "clone" / "src")
    stamped(start, monkeypatch)
    start.PYTHON.unlink()
    start.PYTHON.symlink_to(tmp_path / "python-of-last-year")
    with pytest.raises(_Made):
        start.prepare("run")
    assert "--clear" in ran[0]


def test_an_old_python_is_told(tmp_path: Path) -> None:
    code = (
        f"import runpy, sys; sys.version_info = (3, 10, 4, 'final', 0); sys.argv = ['start.py', 'demo']; "
        f"runpy.run_path({str(SCRIPT)!r}, run_name='__main__')"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path, check=False)
    assert done.returncode == 2
    assert "needs Python 3.11 or later" in done.stderr


def test_ctrl_c_leaves_the_program_its_time_to_end(tmp_path: Path) -> None:
    """A recording is silenced and closed in order; Python's own subprocess kills a child after 0.25 s."""
    child = (
        "import pathlib, signal, time\n"
        "def end(*_):\n"
        "    time.sleep(1.0)\n"
        "    pathlib.Path('ended').touch()\n"
        "    raise SystemExit(130)\n"
        "signal.signal(signal.SIGINT, end)\n"
        "pathlib.Path('ready').touch()\n"
        "time.sleep(600)\n"
    )
    code = (
        f"import importlib.util, sys\n"
        f"spec = importlib.util.spec_from_file_location('start_script', {str(SCRIPT)!r})\n"
        f"start = importlib.util.module_from_spec(spec); spec.loader.exec_module(start)\n"
        f"sys.exit(start.hand_over([sys.executable, '-c', {child!r}]))\n"
    )
    with subprocess.Popen([sys.executable, "-c", code], cwd=tmp_path, start_new_session=True) as process:
        until((tmp_path / "ready").exists)
        os.killpg(process.pid, signal.SIGINT)
        assert process.wait(timeout=PATIENCE_S) == 130
    assert (tmp_path / "ended").exists()
