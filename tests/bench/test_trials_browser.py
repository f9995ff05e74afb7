"""Trials in Chromium: planned, listened to, answered, and told only when they are over."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_browser import empty_page
from playwright.sync_api import BrowserContext, Page, expect

from accessible import serious
from earwitness.app.trial import all_trials
from earwitness.insight.listening.trials import dealt
from settled import ready, settled

pytestmark = pytest.mark.browser


@pytest.fixture
def page(context: BrowserContext) -> Iterator[Page]:
    with empty_page(context) as made:
        yield made


def planned(page: Page, base: str, count: int, kind: str = "abx") -> None:
    page.goto(f"{base}/listen/1/trials")
    closed, plan = page.locator("#open-data"), page.locator("#plan")
    expect(page.locator("#open-data:visible, #plan:visible")).to_have_count(1)
    if closed.is_visible():
        closed.click()
    expect(plan).to_be_visible()
    page.locator("#kind").select_option(kind)
    if kind != "threshold":
        page.locator("#form-a").select_option("flat")
        page.locator("#form-b").select_option("as-is")
    page.locator("#sound").select_option("drums")
    page.locator("#count").fill(str(count))
    page.locator("#listener").fill("Somebody")
    page.get_by_role("button", name="Begin").click()


def test_trials_are_done_by_mouse_and_by_keyboard(page: Page, base: str, bench_archive: Path) -> None:
    planned(page, base, 5)
    for trial in range(1, 6):
        expect(page.locator("#trial-title")).to_have_text(f"Trial {trial} of 5")
        expect(page.locator("[data-answer=A]")).to_be_enabled()
        if trial == 1:
            page.locator("#play").click()
            expect(page.locator("#play")).to_have_text("Stop")
            page.keyboard.press("x")
            expect(page.locator("[data-slot=x]")).to_have_attribute("aria-pressed", "true")
            assert serious(page) == []
            # Neither key nor secret is anywhere in the page while trials go on.
            secret = "".join(c for c in page.content() if c.isalnum())
            stands = all_trials(bench_archive)[0]
            assert not stands.secret
            assert stands.promise in secret
        page.locator("[data-answer=A]").click()
    expect(page.locator("#outcome")).to_be_visible()
    over = all_trials(bench_archive)[0]
    assert over.outcome is not None
    assert list(over.outcome.key) == ["AB"[dealt(over.secret, trial)] for trial in range(1, 6)]
    expect(page.locator("#outcome-words")).to_have_text(over.outcome.sentence)
    expect(page.locator("#secret")).to_have_text(over.secret)
    expect(page.locator("#earlier li").first).to_contain_text("Somebody")
    assert serious(page) == []


def test_a_threshold_is_begun_broken_off_and_gone_on_with(page: Page, base: str) -> None:
    planned(page, base, 6, kind="threshold")
    expect(page.locator("#trial-title")).to_have_text("Trial 1 of 6")
    expect(page.locator("#question")).to_contain_text("Which one has it")
    page.locator("[data-answer='1']").click()
    expect(page.locator("#trial-title")).to_have_text("Trial 2 of 6")
    page.goto(f"{base}/listen/1/trials")
    page.get_by_role("button", name="Go on at trial 2 of 6").click()
    expect(page.locator("#trial-title")).to_have_text("Trial 2 of 6")
    page.locator("#end").click()
    expect(page.locator("#outcome-words")).to_contain_text("6 trials were answered: too few")


@pytest.mark.parametrize("width", [390, 1280])
def test_nothing_scrolls_sideways(page: Page, base: str, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 900})
    planned(page, base, 5)
    expect(page.locator("[data-answer=B]")).to_be_enabled()
    assert settled(page).evaluate("document.documentElement.scrollWidth") <= width
    page.locator("#end").click()
    expect(page.locator("#outcome")).to_be_visible()


def test_the_fade_between_sounds_is_half_a_cosine_of_equal_gains(page: Page, base: str) -> None:
    """Equal gain: of two sounds that are alike the sum stays 1 (handbook)."""
    page.goto(f"{base}/listen/1/trials")
    both = page.evaluate(
        "import('/static/listen_trials.js').then((m) => [Array.from(m.fadeCurve(0, 1)), Array.from(m.fadeCurve(1, 0))])"
    )
    assert [up + down for up, down in zip(*both, strict=True)] == pytest.approx([1.0] * len(both[0]), abs=1e-6)
    assert both[0][0] == 0.0
    assert both[0][-1] == pytest.approx(1.0)


def led_to_a_preference(page: Page) -> None:
    """The plan that a link from Mend opens, with its data open."""
    expect(page.locator("#open-data:visible, #plan:visible")).to_have_count(1)
    if page.locator("#open-data").is_visible():
        page.locator("#open-data").click()
    expect(page.locator("#kind")).to_have_value("prefer")


def test_mend_leads_to_trials_and_they_play_in_a_room(page: Page, base: str, bench_archive: Path) -> None:
    page.goto(f"{base}/mend/1")
    page.get_by_role("link", name="which is better").click()
    led_to_a_preference(page)
    expect(page.locator("#form-a")).to_have_value("as-is")
    page.locator("#form-b").select_option("flat")
    page.locator("#sound").select_option("drums")
    page.locator("#count").fill("5")
    page.locator("#in-room").check()
    page.locator("#room-size").fill("5x4x2.5")
    assert serious(page) == []
    page.get_by_role("button", name="Begin").click()
    expect(page.locator("[data-answer='1']")).to_be_enabled()
    assert all_trials(bench_archive)[0].versions[0].endswith("a pair in a room")
    page.locator("#end").click()
    expect(page.locator("#outcome")).to_be_visible()


def test_bands_set_in_mend_are_heard_among_three(page: Page, base: str, bench_archive: Path) -> None:
    page.goto(f"{base}/mend/1")
    expect(page.locator("#mend-design")).to_be_visible()
    ready(page).locator("#clear").click()
    expect(page.locator("#hear-own")).to_be_hidden()
    page.locator("#add-band").click()
    settled(page).locator("#hear-own").click()
    led_to_a_preference(page)
    expect(page.locator("#form-b")).to_have_value("own")
    page.locator("#form-c").select_option("flat")
    page.locator("#form-d").select_option("")
    expect(page.locator("#count")).to_have_value("36")
    expect(page.locator("#plan-hint")).to_contain_text("every pair in both orders")
    assert serious(page) == []
    page.locator("#sound").select_option("drums")
    page.get_by_role("button", name="Begin").click()
    expect(page.locator("#trial-title")).to_have_text("Trial 1 of 36")
    expect(page.locator("[data-answer='2']")).to_be_enabled()
    page.locator("[data-answer='2']").click()
    expect(page.locator("#trial-title")).to_have_text("Trial 2 of 36")
    stands = all_trials(bench_archive)[0]
    assert len(stands.versions) == 3
    assert "an equalizer set by hand, of 1 band" in stands.versions[1]
    page.locator("#end").click()
    expect(page.locator("#outcome-words")).to_contain_text("not every pair was compared")
