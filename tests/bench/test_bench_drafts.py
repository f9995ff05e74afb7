"""Drafts through the bench: saved, undone, redone, and never saved over what another tab wrote."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from bench_client import entered
from starlette.testclient import TestClient

URL = "/api/drafts/mend:12"


@pytest.fixture
def empty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with entered(tmp_path_factory.mktemp("drafts") / "archive") as client:
        yield client


def put(client: TestClient, value: object, revision: int) -> dict:
    answer = client.put(URL, json={"revision": revision, "value": value})
    assert answer.status_code == 200, answer.text
    return answer.json()


def step(client: TestClient, way: str, revision: int) -> dict:
    answer = client.post(f"{URL}/{way}", json={"revision": revision})
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_states_are_undone_and_redone(empty: TestClient) -> None:
    assert empty.get(URL).json() == {
        "key": "mend:12", "revision": 0, "value": None, "saved_at": "", "can_undo": False, "can_redo": False
    }  # fmt: skip
    first = put(empty, {"bands": 1}, 0)
    second = put(empty, {"bands": 2}, first["revision"])
    back = step(empty, "undo", second["revision"])
    assert (back["value"], back["can_undo"], back["can_redo"]) == ({"bands": 1}, False, True)
    again = step(empty, "redo", back["revision"])
    assert (again["value"], again["can_redo"]) == ({"bands": 2}, False)
    assert empty.post(f"{URL}/redo", json={"revision": again["revision"]}).status_code == 422


def test_a_change_after_an_undo_keeps_what_was_undone(empty: TestClient) -> None:
    revision = put(empty, "a", put(empty, "first", 0)["revision"])["revision"]
    back = step(empty, "undo", revision)
    other = put(empty, "b", back["revision"])
    assert step(empty, "undo", other["revision"])["value"] == "first"
    bench = empty.app.state.bench  # type: ignore[attr-defined]
    import sqlite3

    with sqlite3.connect(bench.archive_folder / "catalogue.sqlite") as database:
        kept = {row[0] for row in database.execute("select value from draft_state")}
    assert kept == {'"first"', '"a"', '"b"'}


def test_a_stale_tab_is_told_and_given_the_newer_state(empty: TestClient) -> None:
    opened = put(empty, "both tabs see this", 0)["revision"]
    newer = put(empty, "by the first tab", opened)
    stale = empty.put(URL, json={"revision": opened, "value": "by the second tab"})
    assert stale.status_code == 409
    told = stale.json()
    assert told["now"] == {"revision": newer["revision"], "value": "by the first tab"}
    assert "changed elsewhere" in told["what"]
    assert empty.get(URL).json()["value"] == "by the first tab"
    assert empty.post(f"{URL}/undo", json={"revision": opened}).status_code == 409


def test_the_first_change_goes_back_to_what_was_shown_before_it(empty: TestClient) -> None:
    answer = empty.put(URL, json={"revision": 0, "value": {"bands": 1}, "before": {"bands": 0}}).json()
    assert answer["can_undo"]
    back = step(empty, "undo", answer["revision"])
    assert (back["value"], back["can_undo"], back["can_redo"]) == ({"bands": 0}, False, True)
    assert step(empty, "redo", back["revision"])["value"] == {"bands": 1}
    # It counts for the first state alone, and not where nothing was changed.
    same = empty.put("/api/drafts/mend:13", json={"revision": 0, "value": 1, "before": 1}).json()
    assert not same["can_undo"]
    later = empty.put("/api/drafts/mend:13", json={"revision": 1, "value": 2, "before": 7}).json()
    assert empty.post("/api/drafts/mend:13/undo", json={"revision": later["revision"]}).json()["value"] == 1


def test_an_equal_value_makes_no_state(empty: TestClient) -> None:
    first = put(empty, [1, 2.5, None], 0)
    assert put(empty, [1, 2.5, None], first["revision"]) == first


def test_drafts_outlive_the_bench(tmp_path_factory: pytest.TempPathFactory) -> None:
    archive = tmp_path_factory.mktemp("outlive") / "archive"
    with entered(archive) as client:
        put(client, "kept", 0)
    with entered(archive) as client:
        assert client.get(URL).json()["value"] == "kept"


@pytest.mark.parametrize("key", ["UPPER:1", "a" * 400, "mend:1:2:3", "mend:..", "mend:%00"])
def test_odd_keys_are_refused(empty: TestClient, key: str) -> None:
    assert empty.get(f"/api/drafts/{key}").status_code in {404, 422}
