"""A loudspeaker with several sessions in Chromium: which is shown is said and changed, any two are compared."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_browser import empty_page, entered_browser, on_page
from playwright.sync_api import Browser, BrowserContext, expect

from accessible import serious
from earwitness.archive.catalogue import Archive
from earwitness.demo.lineup import BEFORE_REPAIR, SECOND_UNIT
from made_once import MadeOnce
from settled import settled

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def archive(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return shutil.copytree(made_once.family(), tmp_path_factory.mktemp("sessions") / "archive")


@pytest.fixture(scope="module")
def entered(browser: Browser, archive: Path) -> Iterator[tuple[BrowserContext, str]]:
    with entered_browser(browser, archive) as made:
        yield made


def test_the_session_shown_is_said_changed_and_compared(entered: tuple[BrowserContext, str], archive: Path) -> None:
    context, base = entered
    with Archive.open(archive) as opened:
        number = opened.find("thimble").id
        ids = {one.date: str(one.id) for one in opened.sessions_of(number)}
    with on_page(context, f"{base}/read/{number}", "read") as page:
        chooser = page.get_by_label("Session", exact=True)
        expect(chooser.locator("option:checked")).to_contain_text(
            "latest (default): unit A 0112, preset treble flat, session 4 of 2026-03-02"
        )
        assert serious(settled(page)) == []
        with page.expect_navigation():
            chooser.select_option(ids[SECOND_UNIT.date])
        expect(page.get_by_label("Session", exact=True).locator("option:checked")).to_contain_text("unit B 0207")
        expect(page.locator("main")).to_contain_text(SECOND_UNIT.date)
    for place in ("mend", "match", "publish"):
        with empty_page(context) as page:
            page.goto(f"{base}/{place}/{number}")
            expect(page.get_by_label("Session", exact=True).locator("option:checked")).to_contain_text("unit B 0207")
    with on_page(context, f"{base}/compare/{number}?with={number}", "compare") as page:
        page.get_by_role("button", name="Add another session of").click()
        chips = page.locator("#chosen .chip select")
        expect(chips).to_have_count(2)
        chips.first.focus()
        chips.first.select_option(ids[BEFORE_REPAIR.date])
        expect(page.locator("#chosen .chip select").first).to_have_value(ids[BEFORE_REPAIR.date])
        assert serious(settled(page)) == []
        page.get_by_role("button", name="Overlay the curves").click()
        expect(page.locator("#beside-body")).to_contain_text("before repair")
        expect(page.locator("#beside-body figure.chart")).to_have_count(3)
        address = page.url
    with on_page(context, address, "compare") as page:
        expect(page.locator("#beside-body")).to_contain_text("before repair")
