"""What is typed is kept: while the bench does not answer, while another tab writes too; and what is pressed says so."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_browser import entered_browser
from playwright.sync_api import Browser, BrowserContext, Page, Route, expect

from settled import ready, settled

pytestmark = pytest.mark.browser
SAVED = re.compile(r"^\s*saved")
DRAFT = "**/api/drafts/listen:new"


@pytest.fixture(scope="module")
def entered(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[BrowserContext, str]]:
    """A bench on an archive with nothing in it."""
    with entered_browser(browser, tmp_path_factory.mktemp("nothing") / "archive") as made:
        yield made


def opened(context: BrowserContext, base: str, path: str = "/listen") -> Page:
    page = context.new_page()
    page.goto(base + path)
    return ready(page)


@pytest.fixture
def page(context: BrowserContext, base: str) -> Iterator[Page]:
    made = opened(context, base)
    yield made
    made.close()


def typed(page: Page, words: str) -> None:
    page.locator("#own").fill(words)
    expect(settled(page).locator("#draft-state")).to_have_text(SAVED)


def test_what_is_typed_while_the_bench_is_away_is_saved_once_it_is_back(
    page: Page, context: BrowserContext, base: str
) -> None:
    page.route(DRAFT, lambda route: route.abort())
    for words in ("typed while", "typed while it was away"):
        page.locator("#own").fill(words)
        expect(page.locator("#draft-state")).to_contain_text("not saved; tries again")
    expect(page.locator("#notes .note")).to_have_count(1)
    expect(page.locator("#notes")).to_contain_text("the bench does not answer")
    page.unroute(DRAFT)
    # Another one that does not know this browser yet: the words change, and it tries on.
    refusal = '{"what": "the bench does not know this browser", "where": "", "expected": "", "remedy": "open it"}'
    page.route(DRAFT, lambda route: route.fulfill(status=401, content_type="application/json", body=refusal))
    expect(page.locator("#notes")).to_contain_text("does not know this browser")
    expect(page.locator("#notes .note")).to_have_count(1)
    page.unroute(DRAFT)
    expect(page.locator("#draft-state")).to_have_text(SAVED)
    expect(page.locator("#notes .note")).to_have_count(0)
    other = opened(context, base)
    expect(other.locator("#own")).to_have_value("typed while it was away")
    other.close()


def test_taking_over_the_newer_state_keeps_ones_own_in_the_history(
    page: Page, context: BrowserContext, base: str
) -> None:
    other = opened(context, base)
    typed(other, "by the other tab")
    page.locator("#own").fill("by this tab")
    expect(page.locator("#draft-state")).to_contain_text("changed elsewhere")
    page.get_by_role("button", name="Take over the newer").click()
    expect(page.locator("#own")).to_have_value("by the other tab")
    expect(page.locator("#draft-state")).to_have_text(SAVED)
    page.get_by_role("button", name="Undo").click()
    expect(page.locator("#own")).to_have_value("by this tab")
    other.close()


def test_one_question_about_two_states_and_the_latest_words_go_on(
    page: Page, context: BrowserContext, base: str
) -> None:
    other = opened(context, base)
    typed(other, "by the other tab, again")
    with page.expect_response(lambda answer: answer.status == 409):
        page.locator("#own").fill("mine")
    with page.expect_response(lambda answer: answer.status == 409):
        page.locator("#own").fill("mine, and more")
    question = page.get_by_role("button", name="Go on with mine")
    expect(question).to_have_count(1)
    question.click()
    expect(page.locator("#own")).to_have_value("mine, and more")
    expect(page.locator("#draft-state")).to_have_text(SAVED)
    page.reload()
    expect(page.locator("#own")).to_have_value("mine, and more")
    other.close()


def test_a_remark_that_is_being_typed_outlives_an_undo(page: Page) -> None:
    typed(page, "something to undo")
    page.locator("#word").fill("bright")
    page.locator("#text").fill("a cymbal stings")
    page.get_by_role("button", name="Undo").click()
    expect(page.locator("#own")).not_to_have_value("something to undo")
    expect(page.locator("#text")).to_have_value("a cymbal stings")
    expect(page.locator("#word")).to_have_value("bright")


def test_a_remark_that_is_begun_is_not_left_out_of_a_seal_that_cannot_be_undone(
    context: BrowserContext, base: str
) -> None:
    page = opened(context, base)
    for field, value in (
        ("loudspeaker", "Heron Nine"), ("maker", "Nobody"), ("time", "2026-03-01T20:00"), ("level_db", "80"),
        ("distance_m", "2,5"), ("aim_deg", "\N{MINUS SIGN}10"), ("pieces", "2"),
    ):  # fmt: skip
        page.locator(f"[data-field={field}]").fill(value)
    for field in ("equalizer", "blind"):
        page.locator(f"[data-field={field}]").select_option("no")
    page.locator("#passage-name").fill("a slow song")
    page.locator("#passage-name").press("Enter")
    page.locator("#word").fill("bright")
    page.locator("#word").press("Enter")
    page.locator("#seal").click()
    expect(page.locator("#missing")).to_contain_text("the remark that is begun")
    expect(page.locator("#notes")).to_contain_text("Not sealed yet. Still wanted: the remark that is begun")
    page.locator("#add").click()
    page.locator("#seal").click()
    expect(page.locator("#sealed-now")).to_contain_text("1 remark sealed")
    expect(page.locator("#draft-state")).to_have_text(SAVED)
    # Nothing takes the seal back, so nothing looks as if it did.
    undo = page.locator("#draft-state").get_by_role("button", name="Undo")
    expect(undo).to_be_disabled()
    page.keyboard.press("Control+z")
    settled(page).reload()
    expect(page.locator("#sealed-now")).to_contain_text("1 remark sealed")
    expect(undo).to_be_disabled()
    ready(page).get_by_role("button", name="Begin another sheet").click()
    expect(undo).to_be_enabled()
    page.close()


def test_a_job_says_that_it_has_begun_and_is_not_begun_twice(browser: Browser, tmp_path: Path) -> None:
    # An archive of its own: once another test has sealed notes, the desk offers no demo.
    with entered_browser(browser, tmp_path / "archive") as (context, base):
        _begun_once(opened(context, base, "/"))


def _begun_once(page: Page) -> None:
    asked: list[str] = []
    page.on("request", lambda one: asked.append(one.url) if one.url.endswith("/api/demo") else None)
    demo = page.get_by_role("button", name="Bring in the demo")
    demo.click()
    expect(page.locator("#notes")).to_contain_text("Bring in the demo: begun; progress stands under Jobs.")
    demo.click()
    expect(page.locator("#notes")).to_contain_text("under way already")
    assert len(asked) == 1
    # Whoever goes by keys keeps the place in the list, however often it is told anew.
    page.keyboard.press("j")
    stop = page.locator("#jobs-list").get_by_role("button", name="Stop")
    stop.focus()
    told = page.locator("#jobs-list .job-words").first.inner_text()
    expect(page.locator("#jobs-list .job-words").first).not_to_have_text(told)
    expect(stop).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#jobs-list li").first).to_have_class("canceled")


def test_a_fault_in_the_drawer_is_told_in_words(page: Page) -> None:
    """A button of the kind Read has many of: its evidence is gone, or the bench is."""
    button = "<button id=asked data-evidence=/read/7/evidence/f6>how</button>"
    page.locator("main").evaluate("(main, html) => main.insertAdjacentHTML('beforeend', html)", button)
    page.locator("#asked").click()
    expect(page.locator("#drawer-body")).to_contain_text("the archive has no loudspeaker number 7")
    # Not a whole page in the drawer.
    expect(page.locator("#drawer-body :is(nav, main, header)")).to_have_count(0)

    def away(route: Route) -> None:
        route.abort()

    page.route("**/read/7/**", away)
    page.locator("#asked").click()
    expect(page.locator("#notes")).to_contain_text("the bench does not answer")
    expect(page.locator("#notes")).not_to_contain_text("fault of this page")


def test_numbers_between_the_steps_of_the_arrows_are_taken_and_those_out_of_range_are_not(
    context: BrowserContext, base: str
) -> None:
    page = opened(context, base, "/measure#plan")
    save = page.get_by_role("button", name="Save the list of points")
    # The arrows go in halves from 0.1 s.
    page.locator("#plan-time").fill("5")
    page.locator("#plan-distance").fill("1.23")
    with page.expect_download():
        save.click()

    def away(route: Route) -> None:
        route.abort()

    # Where the server is faster than the finger, the button is off and says why above it.
    page.route("**/api/measure/plan", away)
    page.locator("#plan-time").fill("0.01")
    asked: list[str] = []
    page.on("request", lambda one: asked.append(one.url) if one.url.endswith("/plan/points") else None)
    save.click()
    expect(page.locator("#plan-time")).to_be_focused()
    assert asked == []
    page.close()


def test_the_empty_archive_leads_on_from_every_place(context: BrowserContext, base: str) -> None:
    for path in ("/read", "/mend", "/match", "/compare", "/publish"):
        page = opened(context, base, path)
        expect(page.locator("main a[href='/measure']").first).to_be_visible()
        page.close()
