"""The place Compare: the catalogue's pages against plain sorting, ranks against scipy; what is kept back."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from bench_client import entered
from scipy.stats import percentileofscore
from sqlalchemy import delete
from starlette.testclient import TestClient

from earwitness.app.add import add_catalogue
from earwitness.app.shelf import index_missing, shelf_facts
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import folded
from earwitness.archive.notes import record_opening
from earwitness.archive.schema import (
    DataOpeningRow,
    LoudspeakerRow,
    SessionRow,
    SummaryFigureRow,
    SummaryRow,
    SummaryShapeRow,
)
from earwitness.demo.catalogue import catalogue, session_of

COUNT = 6
MANY = 1000


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six invented loudspeakers, indexed, never opened."""
    folder = tmp_path_factory.mktemp("shelf") / "archive"
    add_catalogue(folder, count=COUNT)
    index_missing(folder)
    return folder


@pytest.fixture
def client(shelf: Path) -> Iterator[TestClient]:
    with entered(shelf) as made:
        yield made


def rows(client: TestClient, query: str = "") -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = client.get(f"/api/compare/catalogue{query}").json()["rows"]
    return found


def test_figures_never_opened_are_kept_back_until_asked_for(tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    add_catalogue(folder, count=2)
    index_missing(folder)
    with entered(folder) as client:
        closed = rows(client)
        assert [(one["is_closed"], one["figures"]) for one in closed] == [(True, {}), (True, {})]
        by_figure = client.get("/api/compare/catalogue?sort=f6").json()
        assert (by_figure["rows"], by_figure["left_out"]) == ([], 2)
        with Archive.open(folder) as archive:
            entry = archive.loudspeaker(closed[0]["id"])
            record_opening(archive, name=entry.name, maker=entry.maker)
        assert [bool(one["figures"]) for one in rows(client)] == [True, False]
        assert [bool(one["figures"]) for one in rows(client, "?opened=true")] == [True, True]
        # Asking for it opened it.
        assert [bool(one["figures"]) for one in rows(client)] == [True, True]


def test_the_catalogue_sorts_filters_and_shows_the_columns_asked_for(client: TestClient) -> None:
    every = rows(client, "?opened=true&columns=sensitivity,f6")
    assert len(every) == COUNT
    assert set(every[0]["figures"]) == {"sensitivity", "f6"}
    invented = {f"{one.maker} {one.name}": one for one in catalogue(COUNT)}
    by_price = rows(client, "?sort=price&descending=true")
    assert [one["title"] for one in by_price] == sorted(invented, key=lambda t: -invented[t].price)
    cheap = rows(client, "?price_high=1500")
    assert {one["title"] for one in cheap} == {t for t, one in invented.items() if one.price <= 1500}
    kind = rows(client, "?type=stand-mount")
    assert {one["title"] for one in kind} == {t for t, one in invented.items() if one.type == "stand-mount"}
    word = catalogue(1)[0].name.split()[0].lower()
    assert all(word in one["title"].lower() for one in rows(client, f"?q={word}"))
    loud = rows(client, "?figure=sensitivity=85:&columns=sensitivity")
    values = [float(one["figures"]["sensitivity"].split()[0].split("\N{NO-BREAK SPACE}")[0]) for one in loud]
    assert values
    assert all(value >= 84.9 for value in values)


@pytest.mark.parametrize(
    "query", ["?figure=nothing", "?figure=f6=a:b", "?sort=nothing_known", "?price_low=-1", "?offset=-1", "?type=sofa"]
)
def test_questions_that_make_no_sense_are_refused_in_words(client: TestClient, query: str) -> None:
    answer = client.get(f"/api/compare/catalogue{query}")
    assert answer.status_code == 422
    assert answer.json()["what"]


def test_ranks_agree_with_scipy(client: TestClient) -> None:
    ids = [one["id"] for one in rows(client, "?opened=true")]
    told = client.get(f"/api/compare/standings?ids={ids[0]},{ids[1]}").json()["standings"]
    readings = {number: client.app.state.bench.reading(number).reading for number in ids}  # type: ignore[attr-defined]
    for one in told:
        for row in one["rows"]:
            values = [r.figures[row["key"]].value for r in readings.values() if r.figures[row["key"]].value is not None]
            own = readings[one["id"]].figures[row["key"]].value
            assert row["percentile"] == pytest.approx(percentileofscore(values, own, kind="mean"))
            assert row["rank"] == 1 + sum(value > own for value in values)
    assert client.get("/api/compare/standings?ids=999").status_code == 422


def test_prices_carry_the_frontier(client: TestClient) -> None:
    rows(client, "?opened=true")
    told = client.get("/api/compare/prices").json()
    offers = told["offers"]
    assert told["currency"] == "EUR"
    assert [o["price"] for o in offers] == sorted(o["price"] for o in offers)
    for one in offers:
        beaten = any(o["price"] <= one["price"] and o["value"] > one["value"] for o in offers)
        assert one["on_frontier"] is not beaten


def test_two_are_laid_over_each_other(client: TestClient) -> None:
    ids = [one["id"] for one in rows(client, "?opened=true")][:2]
    part = client.get(f"/compare/part/beside?ids={ids[0]},{ids[1]}").text
    for words in (
        "level-matched from 300\N{NO-BREAK SPACE}Hz to 3\N{NO-BREAK SPACE}kHz",
        "Figures beside each other",
        "≠",
        "Difference",
    ):
        assert words in part
    narrow = client.get(f"/compare/part/beside?ids={ids[0]},{ids[1]}&low_hz=500&high_hz=2000").text
    assert "level-matched from 500\N{NO-BREAK SPACE}Hz to 2\N{NO-BREAK SPACE}kHz" in narrow
    headers = {"Wants-Piece": "true"}
    for bad in (f"ids={ids[0]}", f"ids={ids[0]},{ids[0]}", f"ids={ids[0]},{ids[1]}&low_hz=3000&high_hz=300"):
        assert client.get(f"/compare/part/beside?{bad}", headers=headers).status_code == 422
    assert client.post("/api/compare/ready", json={"ids": ids}).json() == {"is_ready": True}


def test_what_is_not_indexed_is_told_and_brought_in(tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    add_catalogue(folder, count=2)
    with Archive.open(folder) as archive, archive.writing() as work:
        # As in an archive of before the index.
        for rows in (SummaryFigureRow, SummaryShapeRow, SummaryRow):
            work.execute(delete(rows))
    with entered(folder) as client:
        assert shelf_facts(folder).indexed == 0
        assert "2 of 2 measured loudspeakers are not in the catalogue yet" in client.get("/compare").text
        job = client.post("/api/compare/index").json()
        while job["state"] in ("waiting", "running"):
            time.sleep(0.05)
            job = client.get(f"/api/jobs/{job['id']}").json()
        assert (job["state"], job["result"]) == ("done", {"failed": 0})
        assert "not in the catalogue yet" not in client.get("/compare").text


def test_an_empty_archive_teaches_the_next_step(tmp_path: Path) -> None:
    with entered(tmp_path / "archive") as client:
        assert 'href="/measure"' in client.get("/compare").text


def test_a_thousand_are_answered_and_the_times_said(tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    keys = ("preference_rating", "sensitivity", "f6", "linearity_half_range")
    with Archive.open(folder) as archive, archive.writing() as work:
        # In one transaction: a thousand of them one by one take a minute.
        for number, one in enumerate(catalogue(MANY), 1):
            title, same = (
                f"{one.maker} {one.name}",
                {"folded_name": folded(one.name), "folded_maker": folded(one.maker)},
            )
            work.add(LoudspeakerRow(id=number, name=one.name, maker=one.maker, **same, created_at=""))
            work.add(DataOpeningRow(**same, opened_at="2026-01-01T00:00:00+00:00"))
            facts = session_of(one).model_dump(mode="json")
            more = {"key": str(number), "date": one.date, "folder": "", "facts": facts, "created_at": ""}
            work.add(SessionRow(id=number, loudspeaker_id=number, **more))
            more = {"type": one.type, "price": one.price, "currency": "EUR", "date": one.date, "notes": ""}
            folded_title = {"title": title, "folded_title": folded(title), "made_from": "", "created_at": ""}
            work.add(SummaryRow(loudspeaker_id=number, **folded_title, **more))
            work.flush()
            value = {"value": 50.0 + number % 40, "u": 0.5, "unit": "", "bound": ""}
            work.add_all(SummaryFigureRow(loudspeaker_id=number, key=key, **value) for key in keys)
    with entered(folder) as client:
        took = {}
        for path in (
            "/compare",
            "/api/compare/catalogue",
            "/api/compare/catalogue?sort=f6&descending=true&offset=900",
            "/api/compare/catalogue?q=audio&figure=f6=60:80",
            "/api/compare/standings?ids=1,2",
            "/api/compare/prices",
        ):
            begun = time.perf_counter()
            assert client.get(path).status_code == 200, path
            took[path] = time.perf_counter() - begun
        assert client.get("/api/compare/catalogue").json()["total"] == MANY
    print({path: round(seconds, 2) for path, seconds in took.items()})
