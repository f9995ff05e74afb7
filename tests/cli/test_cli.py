"""The command line: starts fast, speaks plainly, ends with documented exit codes."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from earwitness import __version__
from earwitness.cli import main


def run(*arguments: str) -> tuple[int, str, str]:
    """Exit code, stdout and stderr of one command."""
    result = CliRunner().invoke(main, list(arguments))
    return result.exit_code, result.stdout, result.stderr


def test_help_lists_every_verb() -> None:
    code, out, _ = run("--help")
    assert code == 0
    for verb in ("add", "read", "publish", "demo", "measure", "where"):
        assert f"  {verb} " in out


@pytest.mark.parametrize("verb", ["add", "read", "publish", "demo", "measure", "where"])
def test_every_verb_has_help(verb: str) -> None:
    code, out, _ = run(verb, "--help")
    assert code == 0
    assert "Usage:" in out


def test_version() -> None:
    assert run("--version")[1].strip().endswith(__version__)


def test_help_loads_nothing_heavy() -> None:
    code = "import sys, earwitness.cli as c\ntry: c.main(['--help'])\nexcept SystemExit: pass\nprint(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert not loaded & {"numpy", "scipy", "netCDF4", "sqlalchemy", "pydantic", "jinja2", "sofar", "soundfile"}


def test_a_folder_without_session_ends_in_words_and_code_2(tmp_path: Path) -> None:
    code, out, err = run("add", str(tmp_path), "--archive", str(tmp_path / "archive"))
    assert code == 2
    assert out == ""
    assert "session.toml" in err
    assert "Traceback" not in err
    assert not (tmp_path / "archive").exists()


def test_a_session_with_faults_ends_with_code_3(tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text("format = 1\n", encoding="utf-8")
    code, _, err = run("add", str(tmp_path), "--archive", str(tmp_path / "archive"))
    assert code == 3
    assert "loudspeaker" in err


def test_reading_from_no_archive_ends_with_code_6(tmp_path: Path) -> None:
    code, _, err = run("read", "anything", "--archive", str(tmp_path / "none"))
    assert code == 6
    assert "no archive" in err


def test_an_unknown_demo_loudspeaker_lists_all(tmp_path: Path) -> None:
    code, _, err = run("demo", "--to", str(tmp_path), "--loudspeaker", "nobody")
    assert code == 2
    assert "thimble" in err


def test_new_folder_writes_a_template_once(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    code, out, _ = run("measure", "new-folder", str(folder))
    assert code == 0
    assert "session.toml" in out
    assert (folder / "session.toml").is_file()
    code, _, err = run("measure", "new-folder", str(folder))
    assert code != 0
    assert "session.toml" in err


def test_signals_are_written_with_sidecars_and_a_warning(tmp_path: Path) -> None:
    code, out, _ = run("measure", "signals", str(tmp_path / "s"), "--level", "94", "--distance", "1")
    assert code == 0
    assert len(list((tmp_path / "s").glob("*.wav"))) == len(list((tmp_path / "s").glob("*.json"))) == 19
    # NIOSH 98-126: 85 dBA for 8 h, 3 dB exchange; 97 dBA (94 and 3 for the room) give half an hour.
    assert "97 dBA where you stand" in out
    assert "0:30:00" in out
    assert "hearing protection" in out
    assert "bridged outputs must not be grounded" in out


def test_signals_are_not_overwritten_and_never_beyond_full_scale(tmp_path: Path) -> None:
    assert run("measure", "signals", str(tmp_path / "s"), "--peak", "1")[0] == 2
    assert not (tmp_path / "s").exists()
    assert run("measure", "signals", str(tmp_path / "s"))[0] == 0
    code, _, err = run("measure", "signals", str(tmp_path / "s"))
    assert code == 2
    assert "not overwritten" in err


@pytest.mark.parametrize("package", ["uvicorn", "fastapi"])
def test_the_bench_without_its_packages_says_what_brings_them(package: str, tmp_path: Path) -> None:
    # In a process of its own: what this one has loaded stays loaded.
    code = (
        f"import sys; sys.modules[{package!r}] = None; from earwitness.cli import main; "
        f"main(['bench', '--archive', {str(tmp_path / 'archive')!r}])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 8
    assert "pip install 'earwitness[bench]'" in done.stderr
    assert "Traceback" not in done.stderr
