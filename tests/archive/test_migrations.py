"""An archive of every earlier schema, filled with the rows that schema could hold, opened by this version."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from archive_worlds import measurement, write_session
from earlier_catalogues import at_revision, copied_rows, rows_of, tables_of

from earwitness.archive import migrations
from earwitness.archive.catalogue import CATALOGUE, Archive, session_key
from earwitness.archive.integrity import check
from earwitness.archive.notes import all_sheets, keep_sheet
from earwitness.archive.package import export_package, import_package
from earwitness.archive.search import SearchQuery, SummaryFacts, put_summary, search
from earwitness.quantities import Figure

PINNED = "ec9b557a74f0bdbf9b24ad7ed1de74c7111930b9a91f1c3a405253f480fad43d"
EARLIER = migrations.REVISIONS[:-1]


@pytest.mark.parametrize("revision", EARLIER)
def test_every_row_of_an_earlier_schema_is_still_there(tmp_path: Path, revision: str) -> None:
    with Archive.open(tmp_path / "new") as archive:
        added = archive.add_session(write_session(tmp_path / "in"), tmp_path / "in")
        archive.keep_measurement(added.session_id, measurement(1))
        archive.keep_publication(1, "site", {"f3": 41.5})
        keep_sheet(archive, name="A", maker="M", facts="{}", sha256="a" * 64, sealed_at="2026-01-01T00:00:00+00:00")
        facts = SummaryFacts("monitor", 100.0, "EUR", "2026-01-01", "bass")
        put_summary(archive, 1, [Figure("f3", 41.5, 1.0, "Hz", None, "m")], facts)
    newest = tmp_path / "new" / CATALOGUE
    path = at_revision(tmp_path / "old", revision)
    had = copied_rows(newest, path)
    before = {name: rows_of(path, name, columns) for name, columns in had.items()}
    assert sum(map(len, before.values())) >= 5
    for part in ("objects", "arrays"):
        (tmp_path / "new" / part).rename(tmp_path / "old" / part)

    with Archive.open(tmp_path / "old") as archive:
        assert check(archive).findings == ()
        assert [len(archive.results_of(s.id)) for s in archive.sessions_of(1)] == [1]
        assert len(all_sheets(archive)) == (1 if "listening_sheet" in had else 0)
        assert search(archive, SearchQuery(text="bass")).total == (1 if "summary" in had else 0)
    assert {name: rows_of(path, name, columns) for name, columns in had.items()} == before
    assert tables_of(path) == tables_of(newest)


def earlier_key(facts: dict[str, object]) -> str:
    """Session keys of programs before 0005 stood for all facts as they were stored."""
    text = json.dumps(facts, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def test_facts_of_an_earlier_program_which_lack_a_field_are_sound_and_travel(tmp_path: Path) -> None:
    """A field with a default is added to sessions now and then; what was stored before has its key without it."""
    with Archive.open(tmp_path / "old") as archive:
        archive.add_session(write_session(tmp_path / "in"), tmp_path / "in")
    with closing(sqlite3.connect(tmp_path / "old" / CATALOGUE)) as plain:
        facts = json.loads(plain.execute("SELECT facts FROM session").fetchone()[0])
        assert facts["loudspeaker"].pop("year", "absent") is None
        plain.execute("UPDATE session SET facts = ?, key = ?", (json.dumps(facts), earlier_key(facts)))
        plain.commit()
    with Archive.open(tmp_path / "old") as archive:
        assert check(archive).findings == ()
        export_package(archive, 1, tmp_path / "bag")
    with Archive.open(tmp_path / "new") as archive:
        assert import_package(tmp_path / "bag", archive).sessions == 1
        assert check(archive).findings == ()
        assert import_package(tmp_path / "bag", archive).sessions == 0
        session = write_session(tmp_path / "again")
        assert session_key(session) != archive.sessions_of(1)[0].key


def test_a_session_is_the_same_after_a_program_that_knows_more_facts(tmp_path: Path) -> None:
    """Its folder added again, to a row whose facts lack a field, is known; so is one under an earlier key."""
    for had_key in (session_key, lambda session: earlier_key(session.model_dump(mode="json", by_alias=True))):
        folder = tmp_path / had_key.__name__.strip("<>")
        session = write_session(folder / "in")
        with Archive.open(folder / "a") as archive:
            first = archive.add_session(session, folder / "in")
        with closing(sqlite3.connect(folder / "a" / CATALOGUE)) as plain:
            facts = json.loads(plain.execute("SELECT facts FROM session").fetchone()[0])
            if had_key is session_key:
                assert facts["loudspeaker"].pop("year", "absent") is None
                assert facts.pop("environment")
            plain.execute("UPDATE session SET facts = ?, key = ?", (json.dumps(facts), had_key(session)))
            plain.commit()
        with Archive.open(folder / "a") as archive:
            again = archive.add_session(session, folder / "in")
            assert (again.session_id, again.reused) == (first.session_id, True)
            assert check(archive).findings == ()


def test_keys_of_sessions_are_pinned(tmp_path: Path) -> None:
    """What is said counts, what is left unsaid does not: a change of either is a change of every archive."""
    session = write_session(tmp_path / "in")
    assert session_key(session) == PINNED
    spoken = session.loudspeaker.model_copy(update={"year": 2020})
    assert session_key(session.model_copy(update={"loudspeaker": spoken})) != PINNED
