"""The desk through its requests: what is done on each loudspeaker, what comes next, sorting, finding, pages."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_client import entered
from sqlalchemy import text
from starlette.testclient import TestClient

from earwitness.app.add import add_catalogue
from earwitness.archive import drafts
from earwitness.archive.catalogue import Archive
from earwitness.archive.latest import WARNINGS
from earwitness.archive.notes import record_opening
from earwitness.bench.routes.home import PAGE_ROWS, home
from earwitness.bench.state import Bench

COUNT = PAGE_ROWS + 3


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """More loudspeakers than a page holds, measured, with nothing looked at."""
    folder = tmp_path_factory.mktemp("many") / "archive"
    add_catalogue(folder, count=COUNT)
    return folder


@pytest.fixture
def archive(many: Path) -> Iterator[Archive]:
    with Archive.open(many) as opened:
        yield opened


@pytest.fixture(scope="module")
def desk(many: Path) -> Iterator[TestClient]:
    with entered(many) as client:
        yield client


def test_data_that_were_not_shown_are_kept_back_and_reading_comes_next(desk: TestClient, many: Path) -> None:
    rows = home(many).rows
    waiting = [one for one in rows if one.states[2] == "open"]
    assert waiting
    assert all(one.is_kept_back and not one.curve and one.rating is None for one in waiting)
    assert {(one.words, one.action) for one in waiting} == {("Read: measured, not looked at yet", "Continue")}
    assert waiting[0].href == f"/read/{waiting[0].id}"
    page = desk.get("/").text
    assert "kept back until you read it" in page
    # One way on in each line, and one filled button.
    assert page.count('class="go"') == PAGE_ROWS
    assert page.count("button primary") == 1


def test_each_step_is_seen_and_the_next_one_named(desk: TestClient, archive: Archive, many: Path) -> None:
    one = archive.loudspeakers()[3]

    def now() -> tuple[str, str]:
        row = next(row for row in home(many, words=f"{one.maker} {one.name}").rows if row.id == one.id)
        return row.words, " ".join(row.states)

    record_opening(archive, name=one.name, maker=one.maker)
    assert now() == ("Mend: see whether EQ pays", "open done done open open open open")
    row = home(many, words=one.name).rows[0]
    assert row.curve.startswith("M")
    assert row.rating is not None
    assert row.rating_words.count("±") == 1
    bands = {"bands": [{"kind": "peaking"}], "candidates": {}}
    drafts.save_draft(archive, f"mend:{one.id}", bands, revision=0)
    assert now()[0] == "Mend: 1 band set, none kept as a candidate"
    drafts.save_draft(archive, f"mend:{one.id}", {**bands, "candidates": {"A": {}}}, revision=1)
    for place, following in (("match", "Compare: lay it beside others"), ("compare", "Publish: write your verdict")):
        assert desk.get(f"/{place}/{one.id}").status_code == 200
        assert now()[0] == following
    # Opened is not asked.
    assert now()[1] == "open done done done begun begun open"
    for place in ("match", "compare"):
        Bench(many).saw(one.id, f"{place} asked")
    assert now()[1] == "open done done done done done open"
    archive.keep_publication(one.id, "a folder", {"words": "one"})
    assert now()[0] == "Published, revision 1"
    row = home(many, which="published").rows[0]
    assert (row.id, row.action, row.href) == (one.id, "Open", f"/publish/{one.id}")
    assert not row.is_in_work


def test_orders_and_filters_are_what_they_say(archive: Archive, many: Path) -> None:
    opened = archive.loudspeakers()[10:14]
    for one in opened:
        record_opening(archive, name=one.name, maker=one.maker)
    session = archive.sessions_of(opened[1].id)[0].id
    with archive.writing() as work:
        work.execute(
            text("update result set document = :told where kind = :kind and session_id = :session"),
            {"told": '{"sentences": ["3 takes are 0.5 dB low."]}', "kind": WARNINGS, "session": session},
        )
    warned = home(many, which="warnings")
    assert [(one.id, one.warnings) for one in warned.rows] == [(opened[1].id, ("3 takes are 0.5 dB low.",))]
    assert home(many, order="warnings").rows[0].id == opened[1].id
    assert {one.id for one in opened} <= {one.id for one in home(many, which="work").rows}
    assert home(many, order="work").rows[0].is_in_work
    makers = [one.maker.casefold() for one in home(many, order="maker").rows]
    assert makers == sorted(makers)
    names = [one.name.casefold() for one in home(many, order="model").rows]
    assert names == sorted(names)
    days = [one.day for one in home(many, order="newest").rows]
    assert days == sorted(days, reverse=True)
    rated = [one.rating[0] for one in home(many, order="rating").rows if one.rating is not None]
    assert len(rated) >= 4
    assert rated == sorted(rated, reverse=True)
    # Those without a rating come last, and nothing of theirs is shown.
    assert all(one.rating is not None for one in home(many, order="rating").rows[: len(rated)])


def test_pages_hold_all_and_none_twice(desk: TestClient, many: Path) -> None:
    first, second = home(many, order="model"), home(many, order="model", page=2)
    assert (first.pages, len(first.rows), len(second.rows)) == (2, PAGE_ROWS, COUNT - PAGE_ROWS)
    assert len({one.id for one in (*first.rows, *second.rows)}) == COUNT
    page = desk.get("/?order=model").text
    following = re.search(r'<a href="([^"]+)" rel="next"', page)
    assert following is not None
    assert second.rows[0].name in desk.get(following[1].replace("&amp;", "&")).text
    # Beyond the end is the end.
    assert home(many, page=99).page == 2


def test_what_nobody_is_called_is_told(desk: TestClient) -> None:
    answer = desk.get("/?q=<nobody>", headers={"wants-piece": "true"})
    assert "is called “&lt;nobody&gt;”" in answer.text
    assert "<html" not in answer.text
    assert desk.get("/?order=fastest").status_code == 422


def test_notes_and_forms_stand_on_the_desk_before_there_are_data(tmp_path: Path) -> None:
    with Archive.open(tmp_path / "archive") as archive:
        notes = {"setup": {"loudspeaker": "Gorse 15", "maker": "Nobody"}, "remarks": [], "own": "", "sealed": None}
        drafts.save_draft(archive, "listen:new", notes, revision=0)
        form = {"document": {"loudspeaker": {"name": "Hazel 8", "maker": "Nobody"}}, "folder": "/somewhere"}
        drafts.save_draft(archive, "session:1", form, revision=0)
        drafts.save_draft(archive, "session:2", {"document": {}}, revision=0)
    told = home(tmp_path / "archive")
    assert [(one.name, one.words, one.href) for one in told.rows] == [
        ("Gorse 15", "Listen: notes begun, not sealed", "/listen"),
        ("Hazel 8", "Measure: the session is not described yet", "/measure?form=1#begin"),
    ]
    assert told.in_work == 2


def test_an_empty_archive_offers_four_starts(tmp_path: Path) -> None:
    with entered(tmp_path / "archive") as client:
        page = client.get("/").text
    for words, href in (
        ("I will record now", "/measure?new#begin"), ("I have recordings", "/measure#bring"),
        ("I have responses", "/measure#responses"),
    ):  # fmt: skip
        assert f'<a class="start" href="{href}">{words}</a>' in page
    assert 'data-act="demo">Bring in the demo</button>' in page
