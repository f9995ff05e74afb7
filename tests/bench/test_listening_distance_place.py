"""The tester's listening distance on the page Match: kept with one button, and then what every answer is for."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_browser import entered_browser, on_page
from bench_client import entered
from playwright.sync_api import Browser, expect
from starlette.testclient import TestClient

from earwitness.app.settings import distance_in


@pytest.fixture
def archive(reduced_archive: Path, tmp_path: Path) -> Path:
    return shutil.copytree(reduced_archive, tmp_path / "archive")


@pytest.fixture
def client(archive: Path) -> Iterator[TestClient]:
    with entered(archive) as made:
        yield made


def test_what_is_kept_is_what_the_answers_are_for(client: TestClient, archive: Path) -> None:
    def said() -> str:
        told = client.post("/api/match/1/words", json={}).json()
        return " ".join(one["text"] for one in told["for_whom"])

    assert "at 3 m in free field" in said()
    kept = client.put("/api/match/listening-distance", json={"distance_m": 2.5})
    assert (kept.status_code, kept.json()["distance_m"]) == (200, 2.5)
    assert distance_in(archive) == 2.5
    assert "at 2.5 m in free field" in said()
    assert '"distance_m": 2.5' in client.get("/match/1").text
    # Of the page that still shows another one, as of a command with --listening-distance.
    other = client.post("/api/match/1/words", json={"distance_m": 4.0}).json()
    assert any("at 4 m in free field" in one["text"] for one in other["for_whom"])


@pytest.mark.parametrize("wrong", [0.4, 10.5, -1, None, "3 m", [3.0]])
def test_what_cannot_be_a_distance_is_refused_and_changes_nothing(
    client: TestClient, archive: Path, wrong: object
) -> None:
    assert client.put("/api/match/listening-distance", json={"distance_m": wrong}).status_code == 422
    assert distance_in(archive) == 3.0
    assert client.post("/api/match/1/words", json={"distance_m": 0.4}).status_code == 422


@pytest.mark.browser
def test_the_button_keeps_what_stands_in_the_field(browser: Browser, archive: Path) -> None:
    with entered_browser(browser, archive) as (context, base), on_page(context, f"{base}/match/1", "match") as page:
        expect(page.locator("#distance")).to_have_value("3")
        page.locator("#distance").fill("2.2")
        page.get_by_role("button", name="Keep this distance").click()
        expect(page.get_by_text("are for 2.2 m from now on")).to_be_visible()
        page.reload()
        expect(page.locator("#distance")).to_have_value("2.2")
    assert distance_in(archive) == 2.2
