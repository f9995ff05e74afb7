"""One session that cannot be reduced stops nothing else: it is named, can be set aside, and is never lost."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from near_session import write_near_session

from earwitness.app import add as add_module
from earwitness.app.archive import rebuild, session_lines, set_session_aside, take_session_back
from earwitness.archive.catalogue import Archive
from earwitness.archive.integrity import check
from earwitness.archive.search import summary_sources
from earwitness.cli import main
from earwitness.errors import InputError, ProgramFaultError, named
from earwitness.session.session import Session
from made_once import MadeOnce

BROKEN = "Invented Works Bushel"


@pytest.fixture(scope="module")
def made(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two sound loudspeakers with their index."""
    folder = tmp_path_factory.mktemp("poisoned") / "archive"
    shutil.copytree(made_once.catalogue(2), folder)
    assert rebuild(folder, workers=1).is_whole
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made, tmp_path / "archive")
    return tmp_path / "archive"


def run(*arguments: object) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, [str(a) for a in arguments])
    return result.exit_code, result.stdout, result.stderr


def break_reduction(monkeypatch: pytest.MonkeyPatch, *, date: str = "") -> None:
    """Sessions of the near loudspeaker (of `date` alone, where given) end in an exception nobody foresaw."""
    real: Callable[..., object] = add_module.reduce_session

    def reduce(session: Session, *arguments: object, **more: object) -> object:
        if session.loudspeaker.name == "Bushel" and date in ("", session.date):
            raise ValueError("points must lie 1.5 radii or more from the center")
        return real(session, *arguments, **more)

    monkeypatch.setattr(add_module, "reduce_session", reduce)


def poison(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    break_reduction(monkeypatch)
    code, _, err = run("add", write_near_session(tmp_path / "near"), "--archive", folder)
    assert code == ProgramFaultError.exit_code
    assert "Bushel, session of 2026-01-15" in err
    assert "ValueError: points must lie" in err
    assert 'set-aside "Invented Works Bushel" --session 3' in err


def test_a_microphone_nearer_than_the_cabinet_is_wide_is_reduced(tmp_path: Path) -> None:
    """Half a meter from a box of 0.30 x 0.50 x 0.35 m, with a take from behind and near fields."""
    code, out, err = run("add", write_near_session(tmp_path / "near"), "--archive", tmp_path / "archive")
    assert code == 0, err
    assert "taken into the archive, reduced" in out
    assert run("read", "Bushel", "--archive", tmp_path / "archive")[0] == 0
    assert rebuild(tmp_path / "archive", workers=1).is_whole


def test_of_several_folders_one_that_fails_does_not_stop_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    break_reduction(monkeypatch, date="2026-01-15")
    first, second = write_near_session(tmp_path / "a"), write_near_session(tmp_path / "b", date="2026-02-01", note="b")
    (tmp_path / "none").mkdir()
    code, out, err = run("add", first, tmp_path / "none", second, "--archive", tmp_path / "archive")
    assert code == ProgramFaultError.exit_code
    assert "Bushel: 7 takes taken into the archive, reduced" in out
    assert f"not done: {first}; {tmp_path / 'none'}" in err


@pytest.mark.parametrize("workers", [1, 2])
def test_rebuild_goes_on_and_names_it(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, workers: int
) -> None:
    if workers == 1:
        poison(folder, tmp_path, monkeypatch)
    else:
        # A process of its own knows nothing of what is changed here: there the recording is damaged instead.
        assert run("add", write_near_session(tmp_path / "near"), "--archive", folder)[0] == 0
        with Archive.open(folder) as archive:
            path = archive.files_of(3)["woofer.wav"]
        path.chmod(0o644)
        path.write_bytes(b"no recording")
    for path in (folder / "arrays").rglob("*.nc"):
        path.unlink()
    code, out, err = run("archive", "rebuild", "--workers", workers, "--archive", folder)
    assert code == 6
    assert "2 made anew, 0 current, 1 failed" in out
    assert "Bushel, session of 2026-01-15" in err
    assert "archive set-aside" in err
    assert sum(1 for _ in (folder / "arrays").rglob("*.nc")) == 2


def test_set_aside_it_counts_for_nothing_and_comes_back(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    poison(folder, tmp_path, monkeypatch)
    objects = sorted(p.name for p in (folder / "objects").rglob("*") if p.is_file())
    code, out, _ = run("archive", "set-aside", BROKEN, "--because", "microphone too near", "--archive", folder)
    assert code == 0
    assert "nothing of it is lost" in out
    code, out, _ = run("archive", "rebuild", "--workers", 1, "--archive", folder)
    assert (code, out) == (0, "sessions: 0 made anew, 2 current, 0 failed, 1 set aside\n")
    assert "set aside: microphone too near" in run("archive", "sessions", "Bushel", "--archive", folder)[1]
    code, _, err = run("read", "Bushel", "--archive", folder)
    assert code == InputError.exit_code
    assert 'archive take-back "Bushel"' in err
    assert run("site", "--to", tmp_path / "site", "--archive", folder)[0] == 0
    with Archive.open(folder) as archive:
        assert check(archive).findings == ()
        assert sorted(summary_sources(archive)) == [1, 2]
    assert sorted(p.name for p in (folder / "objects").rglob("*") if p.is_file()) == objects
    monkeypatch.undo()
    code, out, _ = run("archive", "take-back", "Bushel", "--archive", folder)
    assert code == 0
    assert "read from now on: Invented Works Bushel" in out
    assert run("read", "Bushel", "--archive", folder)[0] == 0
    with Archive.open(folder) as archive:
        assert sorted(summary_sources(archive)) == [1, 2, 3]


def test_the_former_session_is_read_while_the_later_one_is_set_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "archive"
    assert run("add", write_near_session(tmp_path / "a"), "--archive", place)[0] == 0
    break_reduction(monkeypatch, date="2026-03-01")
    assert run("add", write_near_session(tmp_path / "b", date="2026-03-01"), "--archive", place)[0] != 0
    assert run("read", "Bushel", "--archive", place)[0] == ProgramFaultError.exit_code
    moved = set_session_aside("Bushel", place)
    assert (moved.session.id, moved.session.date) == (2, "2026-03-01")
    assert moved.counts is not None
    assert moved.counts.title.endswith("session of 2026-01-15")
    assert "session of 2026-01-15" in run("read", "Bushel", "--archive", place)[1]
    with pytest.raises(InputError, match="no session 7"):
        set_session_aside("Bushel", place, session_id=7)
    assert take_session_back("Bushel", place).session.id == 2
    assert session_lines("Bushel", place)[-1].endswith(": read")
    with pytest.raises(InputError, match="no session of Bushel is set aside"):
        take_session_back("Bushel", place)


def test_a_session_that_was_mended_and_added_again_no_longer_breaks_rebuild(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "archive"
    break_reduction(monkeypatch, date="2026-01-15")
    assert run("add", write_near_session(tmp_path / "a"), "--archive", place)[0] != 0
    assert run("add", write_near_session(tmp_path / "a", date="2026-01-16"), "--archive", place)[0] == 0
    code, out, _ = run("archive", "rebuild", "--workers", 1, "--archive", place)
    assert code == 0
    assert "0 failed, 1 superseded and left" in out
    assert "which another session took the place of" in out


def test_a_folder_added_again_is_no_longer_set_aside(tmp_path: Path) -> None:
    place, session = tmp_path / "archive", write_near_session(tmp_path / "a")
    assert run("add", session, "--archive", place)[0] == 0
    set_session_aside("Bushel", place)
    assert "counts again" in run("add", session, "--archive", place)[1]
    assert run("read", "Bushel", "--archive", place)[0] == 0


def test_what_is_set_aside_travels_so(tmp_path: Path) -> None:
    place = tmp_path / "archive"
    assert run("add", write_near_session(tmp_path / "a"), "--archive", place)[0] == 0
    set_session_aside("Bushel", place, because="rumble")
    assert run("archive", "export", "Bushel", tmp_path / "bag", "--archive", place)[0] == 0
    assert run("archive", "import", tmp_path / "bag", "--archive", tmp_path / "other")[0] == 0
    with Archive.open(tmp_path / "other") as archive:
        (session,) = archive.sessions_of(1)
        assert (session.standing, session.because) == ("set aside", "rumble")
        assert check(archive).findings == ()


@pytest.mark.parametrize("workers", [1, 2])
def test_a_site_holds_all_others_and_keeps_a_former_page(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, workers: int
) -> None:
    site = tmp_path / "site"
    assert run("add", write_near_session(tmp_path / "a"), "--archive", folder)[0] == 0
    if workers == 2:
        with Archive.open(folder) as archive:
            path = archive.files_of(3)["woofer.wav"]
        path.chmod(0o644)
        path.write_bytes(b"no recording")
        for path in (folder / "arrays").rglob("*.nc"):
            path.unlink()
    else:
        assert run("site", "--to", site, "--workers", 1, "--archive", folder)[0] == 0
        break_reduction(monkeypatch, date="2026-03-01")
        assert run("add", write_near_session(tmp_path / "b", date="2026-03-01"), "--archive", folder)[0] != 0
    code, out, err = run("site", "--to", site, "--workers", workers, "--archive", folder)
    assert code not in (0, 1)
    assert f"not done: {BROKEN}" in err
    assert ("2 loudspeakers written" if workers == 2 else "0 loudspeakers written, 2 unchanged") in out
    pages = {p.parent.name for p in (site / "loudspeakers").glob("*/index.html")}
    assert len(pages) == (2 if workers == 2 else 3)
    assert (site / "index.html").is_file()


def test_two_that_can_be_read_are_compared(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    poison(folder, tmp_path, monkeypatch)
    with Archive.open(folder) as archive:
        names = [f"{one.maker} {one.name}" for one in archive.loudspeakers() if one.name != "Bushel"]
    code, out, err = run("compare", *names, BROKEN, "--among", "--archive", folder)
    assert code == ProgramFaultError.exit_code
    assert f"A: {names[0]}" in out
    assert err.count("fault of the program") == 1
    assert run("compare", names[0], BROKEN, "--archive", folder)[0] == ProgramFaultError.exit_code
    assert run("compare", *names, "Nobody at all", "--archive", folder)[0] == InputError.exit_code


def test_what_nobody_foresaw_is_named_and_its_cause_stays() -> None:
    with pytest.raises(ProgramFaultError, match="RecursionError: too deep") as caught, named("Bushel"):
        raise RecursionError("too deep\nand more")
    assert caught.value.where == "Bushel"
    assert isinstance(caught.value.__cause__, RecursionError)
    with pytest.raises(ProgramFaultError, match="not enough memory"), named("Bushel"):
        raise MemoryError
    with pytest.raises(InputError, match="as it is"), named("Bushel"):
        raise InputError("as it is")
