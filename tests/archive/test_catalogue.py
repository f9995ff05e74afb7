"""The archive as its users see it: add, find, keep, and say no."""

from __future__ import annotations

import dataclasses
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest
from archive_worlds import hashes, measurement, same, step_of, write_session

from earwitness.archive.catalogue import CATALOGUE, Archive, session_key
from earwitness.errors import ArchiveError, InputError, OutputError


def clock() -> datetime:
    return datetime(2026, 1, 20, 12, 0, 0, tzinfo=UTC)


def opened(tmp_path: Path) -> Archive:
    return Archive.open(tmp_path / "archive", clock=clock)


def test_a_session_comes_back_as_it_was_taken_in(tmp_path: Path) -> None:
    session = write_session(tmp_path / "in")
    with opened(tmp_path) as archive:
        added = archive.add_session(session, tmp_path / "in")
        assert (added.reused, added.new_recordings) == (False, 4)
    with Archive.open(tmp_path / "archive", create=False) as archive:
        assert archive.session(added.session_id) == session
        files = archive.files_of(added.session_id)
        assert sorted(files) == ["h0.wav", "h1.wav", "h2.wav", "mic.txt"]
        assert all(path.read_bytes() == (tmp_path / "in" / name).read_bytes() for name, path in files.items())
        assert [(t.position, t.name, t.kind) for t in archive.takes_of(added.session_id)] == [
            (0, "h0", "far-field"),
            (1, "h1", "far-field"),
            (2, "h2", "far-field"),
        ]
        (entry,) = archive.sessions_of(archive.find("Lantern 2").id)
        assert (entry.date, entry.created_at) == ("2026-01-15", "2026-01-20T12:00:00+00:00")
        assert entry.key == session_key(session)


def test_the_same_session_is_reused_and_a_changed_one_is_not(tmp_path: Path) -> None:
    session = write_session(tmp_path / "in")
    colder = session.model_copy(update={"date": "2026-01-16"})
    with opened(tmp_path) as archive:
        first = archive.add_session(session, tmp_path / "in")
        again = archive.add_session(session, tmp_path / "in")
        other = archive.add_session(colder, tmp_path / "in")
        assert (again.session_id, again.reused, again.new_recordings) == (first.session_id, True, 0)
        assert (other.reused, other.new_recordings) == (False, 0)
        assert len(archive.loudspeakers()) == 1
        assert [s.date for s in archive.sessions_of(1)] == ["2026-01-15", "2026-01-16"]
        assert len(hashes(archive.recordings)) == 4


def test_lost_recordings_are_put_back_by_adding_again(tmp_path: Path) -> None:
    session = write_session(tmp_path / "in")
    with opened(tmp_path) as archive:
        archive.add_session(session, tmp_path / "in")
        path = archive.files_of(1)["h1.wav"]
        path.unlink()
        assert archive.add_session(session, tmp_path / "in").new_recordings == 1
        assert archive.recordings.is_intact(session.takes[1].sha256)


def test_a_file_that_changed_since_it_was_validated_takes_nothing_in(tmp_path: Path) -> None:
    session = write_session(tmp_path / "in")
    (tmp_path / "in" / "h2.wav").write_bytes(b"other")
    with opened(tmp_path) as archive:
        with pytest.raises(ArchiveError, match=r"h2\.wav"):
            archive.add_session(session, tmp_path / "in")
        assert archive.loudspeakers() == ()


def test_names_are_found_without_case_and_unknown_ones_list_the_nearest(tmp_path: Path) -> None:
    with opened(tmp_path) as archive:
        with pytest.raises(InputError, match="empty"):
            archive.find("Lantern 2")
        for index, (maker, name) in enumerate([("Ash", "Lantern 2"), ("Ash", "Größe"), ("Elm", "lantern 2")]):
            session = write_session(tmp_path / str(index), name=name, maker=maker)
            archive.add_session(session, tmp_path / str(index))
        assert archive.find("GRÖSSE").name == "Größe"
        assert archive.find(" elm  LANTERN 2 ").maker == "Elm"
        with pytest.raises(InputError, match="Ash Lantern 2, Elm lantern 2"):
            archive.find("lantern 2")
        with pytest.raises(InputError, match="did you mean 'Größe'"):
            archive.find("Grösen")
        with pytest.raises(InputError, match="the archive holds"):
            archive.find("zzzzzz")


def test_maker_and_name_are_told_apart_wherever_the_one_ends(tmp_path: Path) -> None:
    with opened(tmp_path) as archive:
        for index, (maker, name) in enumerate([("Elm and Sons", "Hall 5"), ("Elm", "Porch"), ("Oak", "Elm Porch 2")]):
            archive.add_session(write_session(tmp_path / str(index), name=name, maker=maker), tmp_path / str(index))
        assert archive.find("elm AND sons hall 5").name == "Hall 5"
        assert archive.find("Elm Porch").maker == "Elm"
        assert archive.find("sons hall").name == "Hall 5"


def test_one_loudspeaker_in_other_case_is_the_same_loudspeaker(tmp_path: Path) -> None:
    with opened(tmp_path) as archive:
        for index, name in enumerate(["Lantern 2", "LANTERN  2"]):
            archive.add_session(write_session(tmp_path / str(index), name=name), tmp_path / str(index))
        assert len(archive.loudspeakers()) == 1
        assert len(archive.sessions_of(1)) == 2


def test_a_measurement_is_kept_once_under_the_key_of_its_last_step(tmp_path: Path) -> None:
    value = measurement()
    with opened(tmp_path) as archive:
        archive.add_session(write_session(tmp_path / "in"), tmp_path / "in")
        key = archive.keep_measurement(1, value)
        (result,) = archive.results_of(1)
        before = (archive.folder / str(result.array_file)).stat()
        assert key == archive.keep_measurement(1, value) == value.steps[-1].key
        after = (archive.folder / str(result.array_file)).stat()
        assert (before.st_ino, before.st_mtime_ns) == (after.st_ino, after.st_mtime_ns)
        assert archive.results_of(1) == (result,)
        assert result.step == value.steps[-1]
        assert result.step.key == key
        found = archive.measurement(key)
        assert found is not None
        assert same(found, value)
        assert archive.measurement("0" * 32) is None
        with pytest.raises(ArchiveError, match="no steps"):
            archive.keep_measurement(1, dataclasses.replace(value, steps=()))
        with pytest.raises(ArchiveError, match="no session number 7"):
            archive.keep_measurement(7, measurement(2))


@pytest.mark.parametrize("harm", ["flip", "cut", "remove", "other"])
def test_a_damaged_result_says_rebuild_and_is_mended_by_keeping_it_again(tmp_path: Path, harm: str) -> None:
    value = measurement()
    with opened(tmp_path) as archive:
        archive.add_session(write_session(tmp_path / "in"), tmp_path / "in")
        key = archive.keep_measurement(1, value)
        path = archive.folder / str(archive.results_of(1)[0].array_file)
        data = bytearray(path.read_bytes())
        data[len(data) // 3] ^= 1
        if harm == "remove":
            path.unlink()
        else:
            path.write_bytes({"flip": bytes(data), "cut": bytes(data[:900]), "other": b"rubbish"}[harm])
        with pytest.raises(ArchiveError, match="rebuild"):
            archive.measurement(key)
        archive.keep_measurement(1, value)
        assert same(archive.measurement(key), value)
        assert len(archive.results_of(1)) == 1


def test_documents_are_kept_and_replaced(tmp_path: Path) -> None:
    step = step_of("figures", ("a" * 32,), reading="A")
    with opened(tmp_path) as archive:
        archive.add_session(write_session(tmp_path / "in"), tmp_path / "in")
        archive.keep_document(1, step, "figures", {"f3": 41.5, "text": "größer"})
        archive.keep_document(1, step, "figures", {"f3": 1 / 3})
        assert archive.document(step.key, "figures") == {"f3": 1 / 3}
        assert archive.document(step.key, "other") is None
        assert [(r.kind, r.step) for r in archive.results_of(1)] == [("figures", step)]
        with pytest.raises(InputError, match="JSON"):
            archive.keep_document(1, step, "figures", {"f3": float("nan")})
        with pytest.raises(ArchiveError, match="no session number 9"):
            archive.keep_document(9, step, "figures", {})


def test_publications_are_numbered_and_an_unchanged_one_is_not_counted(tmp_path: Path) -> None:
    with opened(tmp_path) as archive:
        archive.add_session(write_session(tmp_path / "in"), tmp_path / "in")
        first = archive.keep_publication(1, "site", {"f3": 41.5})
        assert archive.keep_publication(1, "site", {"f3": 41.5}) == first
        second = archive.keep_publication(1, "site", {"f3": 42.0})
        assert [p.number for p in archive.publications_of(1)] == [1, 2]
        assert archive.publications_of(1)[1] == second
        with pytest.raises(ArchiveError, match="no loudspeaker"):
            archive.keep_publication(5, "site", {})


def test_no_archive_is_made_where_none_was_asked_for(tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match="no archive here"):
        Archive.open(tmp_path / "none", create=False)
    assert list(tmp_path.iterdir()) == []


def test_a_damaged_catalogue_or_another_database_is_refused(tmp_path: Path) -> None:
    for name, words in (("rubbish", "damaged"), ("other", "not a catalogue")):
        folder = tmp_path / name
        folder.mkdir()
        if name == "rubbish":
            (folder / CATALOGUE).write_bytes(b"not a database at all " * 500)
        else:
            connection = sqlite3.connect(folder / CATALOGUE)
            connection.execute("CREATE TABLE recipes (name TEXT)")
            connection.commit()
            connection.close()
        with pytest.raises(ArchiveError, match=words):
            Archive.open(folder)


def test_a_file_where_the_archive_should_be_is_an_output_error(tmp_path: Path) -> None:
    (tmp_path / "archive").write_text("in the way")
    with pytest.raises(OutputError, match="a file stands where a folder should be"):
        opened(tmp_path)


def test_leftovers_of_a_killed_process_are_gone_after_adding(tmp_path: Path) -> None:
    session = write_session(tmp_path / "in")
    with opened(tmp_path) as archive:
        left = archive.folder / "objects" / "ab" / ".999999999-0123abcd-0123abcd.part"
        left.parent.mkdir()
        left.write_bytes(b"half")
        archive.add_session(session, tmp_path / "in")
        assert not left.exists()
