"""The presenter in Chromium, driven by keyboard as a pedal drives it, with its notes in a second window."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import pytest
from bench_browser import on_page
from playwright.sync_api import BrowserContext, Page, expect

from accessible import serious
from patience import PATIENCE_S

pytestmark = pytest.mark.browser


@pytest.fixture
def page(context: BrowserContext, base: str) -> Iterator[Page]:
    # Where no test has shown the data yet, the presenter asks before it does.
    with context.new_page() as first:
        first.goto(f"{base}/publish/1/present")
        if first.locator("#open").count():
            expect(first.locator("#desk")).to_be_hidden()
            first.click("#open")
        first.wait_for_selector("body[data-ready=present]")
    with on_page(context, f"{base}/publish/1/present", "present") as made:
        made.set_viewport_size({"width": 1440, "height": 900})
        yield made


def sentence(page: Page) -> str:
    return page.locator("#sentence").inner_text()


def shown(page: Page, of: str) -> int:
    return page.locator(f"#picture {of}:not(.off)").count()


def to_part(page: Page, name: str) -> None:
    page.locator("#parts button", has_text=name).first.click()


def draw_a_line(page: Page) -> None:
    """Ink over the picture, by the key that draws."""
    page.keyboard.press("d")
    box = page.locator("#stage").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 200, box["y"] + 200)
    page.mouse.down()
    page.mouse.move(box["x"] + 300, box["y"] + 240, steps=5)
    page.mouse.up()


def test_keys_and_pedal_lead_through_every_sentence_and_back(page: Page) -> None:
    talk = page.request.get(page.url.replace("/publish/1/present", "/api/publish/1/talk")).json()
    told = [words for part in talk["parts"] for words in part["sentences"]]
    assert sentence(page) == told[0]
    keys = ("Space", "ArrowRight", "PageDown", "ArrowDown", "Enter")
    for at, words in enumerate(told[1:40]):
        page.keyboard.press(keys[at % len(keys)])
        assert sentence(page) == words
    for words in told[38:30:-1]:
        page.keyboard.press(("ArrowLeft", "PageUp", "ArrowUp")[len(words) % 3])
        assert sentence(page) == words
    assert page.locator("#then").inner_text() == f"Then: {told[32]}"


def test_a_chart_is_built_up_and_a_mark_comes_with_its_sentence(page: Page) -> None:
    to_part(page, "The balance")
    counts = [shown(page, "path.trace")]
    for _ in range(5):
        page.keyboard.press("PageDown")
        counts.append(shown(page, "path.trace"))
    assert counts[0] == 1
    assert counts == sorted(counts)
    assert counts[-1] == page.locator("#picture path.trace").count() > 2
    assert shown(page, "text.label") == counts[-1]
    assert shown(page, ".mark-group") == 0
    page.locator("#parts button", has_text=re.compile(r" at \d")).first.click()
    page.wait_for_function("() => document.querySelector('#sentence').textContent.includes('mark')")
    assert shown(page, ".mark-group") == 1
    number = page.locator(".mark-group:not(.off) text").text_content()
    assert f"mark {number}" in sentence(page)


def test_clock_runs_from_the_first_step_and_can_be_held(page: Page, context: BrowserContext) -> None:
    assert context.browser is not None
    # A clock that is stopped is stopped for every page of its context.
    own = context.browser.new_context(storage_state=context.storage_state())
    with on_page(own, page.url, "present") as timed:
        timed.clock.install()
        timed.reload()
        timed.wait_for_selector("body[data-ready=present]")
        assert timed.locator("#elapsed").inner_text() == "0:00"
        # From here on the machine's own time counts no more, however slow it is.
        timed.clock.pause_at(timed.evaluate("() => Date.now() + 60000"))
        timed.keyboard.press("Space")
        timed.clock.run_for(61_000)
        assert timed.locator("#elapsed").inner_text() in ("1:00", "1:01")
        assert "of about" in timed.locator("#planned").inner_text()
        timed.keyboard.press("h")
        timed.clock.run_for(1000)
        held = timed.locator("#elapsed").inner_text()
        timed.clock.run_for(30_000)
        assert timed.locator("#elapsed").inner_text() == held
        expect(timed.get_by_role("button", name="Hold clock")).to_have_attribute("aria-pressed", "true")
    own.close()


def test_marks_move_by_keys_and_what_is_drawn_can_be_cleared(page: Page) -> None:
    page.locator("#parts button", has_text=re.compile(r" at \d")).first.click()
    group = page.locator(".mark-group:not(.off)").first
    before = sentence(page)
    page.keyboard.press("m")
    expect(group).to_be_focused()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowUp")
    assert group.get_attribute("transform") == "translate(4 -4)"
    assert sentence(page) == before
    page.keyboard.press("m")
    draw_a_line(page)
    assert len((page.locator("#ink polyline").get_attribute("points") or "").split()) >= 3
    page.keyboard.press("c")
    assert page.locator("#ink polyline").count() == 0
    assert group.get_attribute("transform") == "translate(0 0)"


def test_a_build_up_is_saved_as_svg_that_moves_from_disk_and_stands_still_where_asked(
    page: Page, context: BrowserContext, tmp_path: Path
) -> None:
    page.locator("#parts button", has_text=re.compile(r" at \d")).first.click()
    with page.expect_download() as caught:
        page.keyboard.press("s")
    path = tmp_path / caught.value.suggested_filename
    caught.value.save_as(path)
    root = ElementTree.parse(path).getroot()
    assert path.name.endswith("-build-up.svg")
    curves = {node.attrib["data-curve"] for node in root.iter() if "data-curve" in node.attrib}
    steps = {name for node in root.iter() for name in node.get("class", "").split() if re.fullmatch(r"come-\d+", name)}
    assert len(steps) == len(curves) + 1
    text = path.read_text(encoding="utf-8")
    assert "<script" not in text
    assert not re.search(r"(?:href|src|url\()[^#]{0,3}https?:", text)
    # Half a second from the start the last curve has not come; where less motion is asked for, it is there at once.
    last = f".come-{len(steps) - 1}"
    opacity = f"getComputedStyle(document.querySelector('{last}')).opacity"
    moving = context.new_page()
    moving.goto(path.as_uri())
    at = "ms => document.getAnimations().forEach((one) => { one.pause(); one.currentTime = ms; })"
    moving.evaluate(at, 500)
    assert float(moving.evaluate(opacity)) < 1
    moving.evaluate("document.getAnimations().forEach((one) => one.finish())")
    moving.wait_for_function(f"() => {opacity} === '1'")
    moving.emulate_media(reduced_motion="reduce")
    moving.reload()
    assert moving.evaluate(opacity) == "1"
    moving.close()


def test_the_key_v_saves_the_build_up_as_a_video(page: Page, tmp_path: Path) -> None:
    """Decoded by FFmpeg's own VP9: full frames at 25 a second, the first one with less on it than the last."""
    av = pytest.importorskip("av")
    to_part(page, "The balance")
    button = page.locator("[data-act=film]")
    # Working a film out takes long where the machine has much to do.
    with page.expect_download(timeout=4000 * PATIENCE_S) as caught:
        page.keyboard.press("v")
        expect(button).to_be_disabled()
        expect(button).to_have_text("Making the video")
    path = tmp_path / caught.value.suggested_filename
    caught.value.save_as(path)
    assert path.name.startswith("balance")
    assert path.name.endswith("-build-up.webm")
    expect(button).to_have_text("Save video")
    expect(button).to_be_enabled()
    with av.open(str(path)) as film:
        assert film.streams.video[0].average_rate == 25
        dark = [float((frame.to_ndarray(format="gray") < 160).mean()) for frame in film.decode(video=0)]
        size = (film.streams.video[0].width, film.streams.video[0].height)
    assert size == (1920, 1080)
    assert len(dark) > 100
    assert dark[-1] > 1.1 * dark[0]


def test_another_theme_is_there_at_once_and_what_was_drawn_stays(page: Page) -> None:
    to_part(page, "The balance")
    draw_a_line(page)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    paper = page.locator("#picture svg > rect").first
    before = paper.get_attribute("fill")
    page.keyboard.press("t")
    assert paper.get_attribute("fill") != before
    page.keyboard.press("t")
    assert paper.get_attribute("fill") == before
    assert [one for one in asked if "/api/events" not in one] == []
    assert page.locator("#ink polyline").count() == 1


def test_notes_in_a_second_window_keep_step_and_lead(page: Page, context: BrowserContext) -> None:
    with context.expect_page() as caught:
        page.keyboard.press("n")
    notes = caught.value
    notes.wait_for_selector("body[data-ready=notes]")
    current = notes.locator("#sentences [aria-current]")
    expect(current).to_have_text(sentence(page))
    page.keyboard.press("Space")
    expect(current).to_have_text(sentence(page))
    before = sentence(page)
    notes.keyboard.press("PageDown")
    expect(page.locator("#sentence")).not_to_have_text(before)
    expect(current).to_have_text(sentence(page))
    assert serious(notes) == []
    notes.close()


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_nothing_and_targets_are_large_enough(page: Page, theme: str) -> None:
    page.emulate_media(color_scheme=theme)  # type: ignore[arg-type]
    page.reload()
    page.wait_for_selector("body[data-ready=present]")
    assert serious(page) == []
    # WCAG 2.2, 2.5.8: targets of 24 px each way at least.
    for target in page.locator("button:visible, .keys a").all():
        box = target.bounding_box()
        assert box is not None
        assert min(box["width"], box["height"]) >= 24
    # What is recorded has the shape of a screen.
    stage = page.locator("#stage").bounding_box()
    assert stage is not None
    assert abs(stage["width"] / stage["height"] - 16 / 9) < 0.01
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
