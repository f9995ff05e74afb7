"""A folder that was mended and added again counts, whatever dates it states; other measurements go by their dates."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from archive_worlds import write_session

from earwitness.archive.catalogue import Archive
from earwitness.archive.index_facts import sessions_not_indexed
from earwitness.archive.latest import latest_sessions
from earwitness.archive.package import export_package, import_package
from earwitness.session.session import Session


def ticking() -> Callable[[], datetime]:
    """A clock that goes on by a minute whenever it is asked."""
    minutes = iter(range(10_000))
    return lambda: datetime(2026, 1, 20, tzinfo=UTC) + timedelta(minutes=next(minutes))


def opened(folder: Path) -> Archive:
    return Archive.open(folder, clock=ticking())


def changed(session: Session, **facts: object) -> Session:
    return Session.model_validate({**session.model_dump(by_alias=True), **facts})


def add(archive: Archive, folder: Path, *, takes: int = 3, name: str = "Lantern 2", **facts: object) -> int:
    return archive.add_session(changed(write_session(folder, takes=takes, name=name), **facts), folder).session_id


def order(archive: Archive) -> list[int]:
    """Numbers of the sessions of the first loudspeaker; whoever asks for the latest gets the last of them."""
    found = [session.id for session in archive.sessions_of(1)]
    assert [one.session_id for one in latest_sessions(archive) if one.loudspeaker_id == 1] == found[-1:]
    assert found[-1] in sessions_not_indexed(archive)
    return found


def test_a_mended_date_counts_though_it_is_earlier(tmp_path: Path) -> None:
    with opened(tmp_path / "archive") as archive:
        slip = add(archive, tmp_path / "s", date="2028-01-15")
        mended = add(archive, tmp_path / "s", date="2026-01-15")
        assert order(archive) == [slip, mended]


def test_other_recordings_go_by_their_date(tmp_path: Path) -> None:
    with opened(tmp_path / "archive") as archive:
        repaired = add(archive, tmp_path / "s", date="2026-06-01")
        found = add_other(archive, tmp_path / "other", date="2024-06-01")
        assert order(archive) == [found, repaired]


def add_other(archive: Archive, folder: Path, **facts: object) -> int:
    """A session of the same loudspeaker with recordings of its own."""
    other = write_session(folder, name="Other")
    spoken = {**other.loudspeaker.model_dump(by_alias=True), "name": "Lantern 2"}
    return archive.add_session(changed(other, loudspeaker=spoken, **facts), folder).session_id


def test_the_former_folder_added_again_counts_again(tmp_path: Path) -> None:
    with opened(tmp_path / "archive") as archive:
        first = add(archive, tmp_path / "s", date="2026-01-15")
        second = add(archive, tmp_path / "s", date="2026-01-16")
        session = changed(write_session(tmp_path / "s"), date="2026-01-15")
        again = archive.add_session(session, tmp_path / "s")
        assert (again.session_id, again.reused, again.counts_again) == (first, True, True)
        assert order(archive) == [second, first]
        assert not archive.add_session(session, tmp_path / "s").counts_again


@pytest.mark.parametrize(("kept", "counts"), [(4, True), (2, True), (1, False)])
def test_half_of_the_recordings_make_it_the_same_measurement(tmp_path: Path, kept: int, counts: bool) -> None:
    with opened(tmp_path / "archive") as archive:
        whole = add(archive, tmp_path / "s", takes=4, date="2028-01-15")
        part = add(archive, tmp_path / "s", takes=kept, date="2026-01-15")
        assert order(archive) == ([whole, part] if counts else [part, whole])


def test_the_same_recordings_under_another_name_are_another_loudspeakers(tmp_path: Path) -> None:
    with opened(tmp_path / "archive") as archive:
        session = write_session(tmp_path / "s")
        archive.add_session(session, tmp_path / "s")
        named = {**session.loudspeaker.model_dump(by_alias=True), "name": "Lantern II"}
        archive.add_session(changed(session, loudspeaker=named), tmp_path / "s")
        assert len(latest_sessions(archive)) == 2


def test_a_package_carries_which_one_counts(tmp_path: Path) -> None:
    with opened(tmp_path / "archive") as archive:
        add(archive, tmp_path / "s", date="2028-01-15")
        add(archive, tmp_path / "s", date="2026-01-15")
        export_package(archive, 1, tmp_path / "package")
    with opened(tmp_path / "other") as other:
        import_package(tmp_path / "package", other)
        assert [session.date for session in other.sessions_of(1)] == ["2028-01-15", "2026-01-15"]
        order(other)
