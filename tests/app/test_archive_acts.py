"""Rebuild, check, backup, move and search, over an archive of invented loudspeakers simulated at response level."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import bagit
import distributed
import pytest
from click.testing import CliRunner

from earwitness.app.add import add_catalogue
from earwitness.app.archive import check_archive, rebuild, rebuild_session
from earwitness.app.settings import Chosen, choice_of, draft_key, keep_choice
from earwitness.app.shelf import figure_range, search_archive
from earwitness.archive.catalogue import Archive
from earwitness.archive.drafts import undo_draft
from earwitness.archive.search import FigureRange, SearchQuery, summary_sources
from earwitness.cli.archive import command
from earwitness.demo.catalogue import catalogue, session_of, write_note
from earwitness.errors import ArchiveError, InputError, MissingExtraError
from patience import until

COUNT = 3


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive with its index; tests take copies."""
    folder = tmp_path_factory.mktemp("catalogue") / "archive"
    assert add_catalogue(folder, count=COUNT) == COUNT
    assert rebuild(folder, workers=1).count("was current") == COUNT
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made, tmp_path / "archive")
    return tmp_path / "archive"


def run(*arguments: object) -> tuple[int, str, str]:
    result = CliRunner().invoke(command, [str(a) for a in arguments])
    return result.exit_code, result.stdout, result.stderr


def arrays(folder: Path) -> list[Path]:
    return sorted((folder / "arrays").rglob("*.nc"))


def values(folder: Path) -> list[bytes]:
    """Pressures and index of every loudspeaker: what a rebuild makes."""
    found = []
    with Archive.open(folder, create=False) as archive:
        for one in archive.loudspeakers():
            (session,) = archive.sessions_of(one.id)
            result = archive.results_of(session.id)[-1]
            measurement = archive.measurement(result.step_key)
            assert measurement is not None
            found.append(measurement.response.pressure.tobytes() + summary_sources(archive)[one.id].encode())
    return found


def test_added_again_the_catalogue_is_known(folder: Path) -> None:
    assert add_catalogue(folder, count=COUNT) == 0
    assert check_archive(folder).findings == ()


def test_a_rebuild_of_a_current_archive_makes_nothing(folder: Path) -> None:
    before = [p.stat().st_mtime_ns for p in arrays(folder)]
    assert rebuild(folder, workers=1).count("was current") == COUNT
    assert [p.stat().st_mtime_ns for p in arrays(folder)] == before


@pytest.mark.parametrize("harm", [Path.unlink, lambda p: p.write_bytes(b"rotten")])
def test_lost_and_damaged_results_are_made_anew_and_the_same(folder: Path, harm: Callable[[Path], object]) -> None:
    before = values(folder)
    harm(arrays(folder)[1])
    assert not check_archive(folder).is_sound
    report = rebuild(folder, workers=1)
    assert (report.count("made anew"), report.count("was current")) == (1, COUNT - 1)
    assert check_archive(folder).findings == ()
    assert values(folder) == before


def test_processes_make_what_one_makes(folder: Path, made: Path) -> None:
    for path in arrays(folder):
        path.unlink()
    told: list[float] = []
    report = rebuild(folder, workers=2, progress=lambda share, _: told.append(share))
    assert report.count("made anew") == COUNT
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert values(folder) == values(made)


def test_a_cluster_makes_what_one_makes(folder: Path, made: Path) -> None:
    """Dask's own scheduler and two workers in processes of their own."""
    for path in arrays(folder):
        path.unlink()
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=2, processes=True, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        told: list[float] = []
        report = rebuild(folder, cluster=cluster.scheduler_address, progress=lambda share, _: told.append(share))
        assert report.count("made anew") == COUNT
        assert told == sorted(told)
        assert rebuild(folder, cluster=cluster.scheduler_address).count("was current") == COUNT
        arrays(folder)[0].write_bytes(b"rotten")
        code, out, _ = run("rebuild", "--cluster", cluster.scheduler_address, "--archive", folder)
        assert (code, out) == (0, f"sessions: 1 made anew, {COUNT - 1} current, 0 failed\n")
    assert values(folder) == values(made)
    assert check_archive(folder).findings == ()


def test_a_scheduler_that_does_not_answer_is_told(folder: Path) -> None:
    code, _, err = run("rebuild", "--cluster", "tcp://127.0.0.1:9", "--archive", folder)
    assert code == 2
    assert "scheduler" in err


def test_without_dask_a_cluster_is_refused_with_the_line_to_install(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(MissingExtraError, match=r"pip install 'earwitness\[cluster\]'"):
        rebuild(folder, cluster="tcp://192.0.2.1:8786")


def test_one_that_fails_does_not_stop_the_others(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its session holds one silent take and no longer passes for an invented one, so there is nothing to reduce."""
    for path in arrays(folder):
        path.unlink()
    from earwitness.app import add as module

    real = module.simulated
    monkeypatch.setattr(module, "simulated", lambda s: None if s.loudspeaker.name.startswith("Alder") else real(s))
    report = rebuild(folder, workers=1)
    assert (report.count("failed"), report.count("made anew")) == (1, COUNT - 1)
    assert not report.is_whole
    assert "far-field" in next(one.words for one in report.sessions if one.state == "failed")
    code, out, err = run("rebuild", "--workers", 1, "--archive", folder)
    assert code == 6
    assert "1 failed" in out
    assert "Alder" in err


def test_a_rebuild_that_is_killed_goes_on_where_it_was(folder: Path) -> None:
    for path in arrays(folder):
        path.unlink()
    script = (
        "import sys, pathlib\nfrom earwitness.app.archive import rebuild\nrebuild(pathlib.Path(sys.argv[1]), workers=1)"
    )
    process = subprocess.Popen([sys.executable, "-c", script, str(folder)])
    until(lambda: arrays(folder), pause=lambda _: time.sleep(0.005))
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    kept = len(arrays(folder))
    assert kept >= 1
    report = rebuild(folder, workers=1)
    assert report.count("made anew") >= COUNT - kept
    assert report.is_whole
    assert check_archive(folder).is_sound


def test_errors_of_one_session_are_reported_not_raised(folder: Path) -> None:
    assert rebuild_session(str(folder), 99).state == "failed"
    with pytest.raises(InputError, match="0 workers"):
        rebuild(folder, workers=0)
    with pytest.raises(ArchiveError, match="no archive"):
        rebuild(folder / "none")


def test_check_and_backup_end_with_a_code_other_than_0_when_not_whole(folder: Path, tmp_path: Path) -> None:
    assert run("check", "--archive", folder)[0] == 0
    code, out, _ = run("backup", tmp_path / "b", "--archive", folder)
    assert code == 0
    assert "is whole" in out
    arrays(folder)[0].write_bytes(b"rotten")
    code, out, _ = run("check", "--archive", folder)
    assert code == 6
    assert "1 found damaged" in out
    code, out, _ = run("backup", tmp_path / "c", "--archive", folder)
    assert code == 6
    assert "not whole" in out


def test_export_and_import_move_one_loudspeaker(folder: Path, tmp_path: Path) -> None:
    """The package is valid to the Library of Congress's bagit."""
    code, _, err = run("export", "Alder 1 (invented)", tmp_path / "bag", "--archive", folder)
    assert code == 0, err
    bagit.Bag(str(tmp_path / "bag")).validate()
    code, out, _ = run("import", tmp_path / "bag", "--archive", tmp_path / "other")
    assert code == 0
    # The reduction, what its checks warn of, and what a terminal is told of it.
    assert "1 sessions, 1 recordings, 3 results" in out
    assert run("search", "alder", "--archive", tmp_path / "other")[1].endswith("1 found\n")
    assert run("export", "nobody", tmp_path / "n", "--archive", folder)[0] == 2


def test_what_was_chosen_for_the_reduction_travels(folder: Path, tmp_path: Path) -> None:
    with Archive.open(folder) as archive:
        one = archive.find("Alder 1 (invented)")
        (session,) = archive.sessions_of(one.id)
    keep_choice(session.id, Chosen(gate_ms=6.0), folder)
    assert rebuild(folder, workers=1).count("made anew") == 1
    assert run("export", "Alder 1 (invented)", tmp_path / "bag", "--archive", folder)[0] == 0
    bagit.Bag(str(tmp_path / "bag")).validate()
    code, out, _ = run("import", tmp_path / "bag", "--archive", tmp_path / "other")
    assert code == 0
    assert "rebuild" not in out
    assert choice_of(1, tmp_path / "other")[0] == Chosen(gate_ms=6.0)
    assert search_archive(SearchQuery(text="alder", figures=(FigureRange("f6"),)), tmp_path / "other").total == 1
    assert rebuild(tmp_path / "other", workers=1).count("was current") == 1
    with Archive.open(tmp_path / "other") as archive:
        undo_draft(archive, draft_key(1), revision=1)
    assert choice_of(1, tmp_path / "other")[0].is_automatic


@pytest.mark.parametrize("value", ['{"gate_ms": 1e9}', '{"other": 1}', "[1]"])
def test_a_package_with_a_choice_that_cannot_be_is_refused(folder: Path, tmp_path: Path, value: str) -> None:
    run("export", "Alder 1 (invented)", tmp_path / "bag", "--archive", folder)
    record = tmp_path / "bag" / "data" / "loudspeaker.json"
    document = json.loads(record.read_text())
    document["choices"] = [{"session": document["sessions"][0]["key"], "value": value}]
    record.write_text(json.dumps(document))
    bagit.Bag(str(tmp_path / "bag")).save(manifests=True)
    code, _, err = run("import", tmp_path / "bag", "--archive", tmp_path / "other")
    assert code == 5
    assert "choice" in err


def test_without_a_result_of_this_version_the_search_finds_the_name_and_the_import_says_so(tmp_path: Path) -> None:
    one = catalogue(1)[0]
    write_note(one, tmp_path / "in")
    with Archive.open(tmp_path / "a") as archive:
        archive.add_session(session_of(one), tmp_path / "in")
    run("export", one.name, tmp_path / "bag", "--archive", tmp_path / "a")
    code, out, _ = run("import", tmp_path / "bag", "--archive", tmp_path / "b")
    assert code == 0
    assert "its figures come with: earwitness archive rebuild" in out
    assert search_archive(SearchQuery(text="alder"), tmp_path / "b").total == 1
    assert rebuild(tmp_path / "b", workers=1).count("made anew") == 1
    assert search_archive(SearchQuery(figures=(FigureRange("f6"),)), tmp_path / "b").total == 1


def test_search_by_words_and_figures(folder: Path) -> None:
    code, out, _ = run("search", "--figure", "f6=:60", "--sort", "price", "--archive", folder)
    assert code == 0
    assert "f6" in out
    assert out.endswith("3 found\n")
    prices = [float(line.split(", ")[1].split()[0].replace(",", "")) for line in out.splitlines() if " EUR " in line]
    found = search_archive(SearchQuery(figures=(FigureRange("f6", None, 60.0),)), folder)
    assert prices == sorted(row.price for row in found.rows if row.price is not None)
    assert len(prices) == 3
    assert run("search", "--figure", "bogus", "--archive", folder)[0] == 2


@pytest.mark.parametrize(
    ("text", "wanted"),
    [("f6=30:45", ("f6", 30.0, 45.0)), ("s=88:", ("s", 88.0, None)), ("a = :-1", ("a", None, -1.0))],
)
def test_ranges_of_figures(text: str, wanted: tuple[object, ...]) -> None:
    found = figure_range(text)
    assert (found.key, found.low, found.high) == wanted


@pytest.mark.parametrize("text", ["f6", "f6=3", "=1:2", "f6=a:b", "f6=5:1", "f6=nan:"])
def test_what_is_no_range_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        figure_range(text)


def test_an_empty_index_is_told(tmp_path: Path) -> None:
    one = catalogue(1)[0]
    write_note(one, tmp_path / "in")
    with Archive.open(tmp_path / "a") as archive:
        archive.add_session(session_of(one), tmp_path / "in")
    with pytest.raises(InputError, match="index is empty"):
        search_archive(SearchQuery(), tmp_path / "a")
    assert rebuild(tmp_path / "a", workers=1).count("made anew") == 1
    assert search_archive(SearchQuery(), tmp_path / "a").total == 1
