"""The place Match in Chromium: the plan by mouse and keys, the amplifier by numbers, files in and out."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_browser import on_page
from playwright.sync_api import BrowserContext, Page, expect

from accessible import serious
from earwitness.session.room_plan import read_room_plan
from settled import settled

pytestmark = pytest.mark.browser
PLAN = """
name = "study"
[room]
length_m = 6.0
width_m = 4.0
height_m = 2.5
[[loudspeaker]]
name = "one"
position_m = [1.0, 1.0, 1.0]
azimuth_deg = 0.0
[[seat]]
name = "only"
position_m = [4.0, 1.0, 1.0]
"""
OPACITY = "+getComputedStyle(document.querySelector('#seat-table')).opacity"


@pytest.fixture
def page(entered: tuple[BrowserContext, str], tmp_path: Path) -> Iterator[Page]:
    """The place with a plan of one loudspeaker and one seat, opened from a file."""
    context, base = entered
    (tmp_path / "study.toml").write_text(PLAN, encoding="utf-8")
    with on_page(context, f"{base}/match/1", "match") as made:
        made.locator("#room-file").set_input_files(tmp_path / "study.toml")
        expect(made.locator("#notes")).to_contain_text("study.toml is taken over")
        yield made


def coordinate(page: Page, axis: str, words: str = "seat") -> float:
    return float(settled(page).get_by_label(f"{axis} of {words} 1, meters").input_value())


def test_a_seat_dragged_is_where_it_was_dropped_and_undo_brings_it_back(page: Page) -> None:
    page.locator(".walls").scroll_into_view_if_needed()
    walls = page.locator(".walls").bounding_box()
    assert walls is not None
    meter = walls["width"] / 6.0
    expect(page.locator("#draft-state")).to_have_text(re.compile("^saved"))
    box = page.locator(".thing.seat .body").bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y - 2 * meter, steps=6)
    page.mouse.up()
    # y runs across the room, upward on the plan: from 1 m to 3 m.
    assert (coordinate(page, "x"), coordinate(page, "y")) == pytest.approx((4.0, 3.0), abs=0.03)
    expect(page.locator("#seat-table")).to_contain_text(f"{math.hypot(3, 2):.2f} m")
    expect(page.locator("#draft-state")).to_have_text(re.compile("^saved"))
    page.keyboard.press("Control+z")
    expect(page.get_by_label("y of seat 1, meters")).to_have_value("1")


def test_keys_move_by_a_tenth_of_a_meter_and_turn_by_a_degree(page: Page) -> None:
    page.locator(".thing.seat").focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowUp")
    assert (coordinate(page, "x"), coordinate(page, "y")) == (4.1, 1.01)
    page.locator(".thing.aim").focus()
    page.keyboard.press("ArrowUp")
    expect(page.get_by_label("azimuth of loudspeaker 1, degrees")).to_have_value("1")
    assert page.locator(".thing.aim").get_attribute("aria-valuetext") == "1°"


def test_numbers_can_be_typed_and_what_cannot_be_is_told_beside_the_plan(page: Page) -> None:
    page.get_by_label("x of seat 1, meters").fill("3")
    expect(page.locator("#seat-table")).to_contain_text("2.00 m")
    page.get_by_label("x of seat 1, meters").fill("9")
    expect(page.locator("#room-refused")).to_contain_text("outside the room")
    page.get_by_label("x of seat 1, meters").fill("3")
    expect(page.locator("#room-refused")).to_be_hidden()


def test_answers_of_before_are_marked_while_what_is_set_is_refused(page: Page) -> None:
    expect(page.locator("#seat-table table")).to_be_visible()
    page.locator("#distance").fill("50")
    expect(page.locator("#room-refused")).to_contain_text("distance_m cannot be 50; expected: at most 10")
    expect(page.locator("#room-refused")).to_contain_text("the answers are those of before")
    page.wait_for_function(f"() => {OPACITY} < 1")
    page.locator("#distance").fill("3")
    expect(page.locator("#room-refused")).to_be_hidden()
    page.wait_for_function(f"() => {OPACITY} === 1")
    settled(page)
    page.locator("#seat-chart details summary").click()
    page.evaluate("document.querySelector('#seat-chart figure').dataset.old = ''")
    page.get_by_label("x of seat 1, meters").fill("3.5")
    expect(page.locator("#seat-chart figure:not([data-old])")).to_have_count(1)
    expect(page.locator("#seat-chart details")).to_have_attribute("open", "")


def test_seats_and_loudspeakers_come_and_go(page: Page) -> None:
    page.get_by_role("button", name="Add a seat").click()
    expect(page.locator(".thing.seat")).to_have_count(2)
    expect(page.locator("#seat-chart .wide svg.chart")).to_be_visible()
    page.get_by_role("button", name="Take out seat 2").click()
    expect(page.locator(".thing.seat")).to_have_count(1)


def test_a_plan_is_saved_as_the_file_the_command_line_reads(page: Page, tmp_path: Path) -> None:
    with page.expect_download() as told:
        page.locator("#room-save").click()
    told.value.save_as(tmp_path / "saved.toml")
    assert read_room_plan(tmp_path / "saved.toml").seats[0].position_m == (4.0, 1.0, 1.0)


def test_an_amplifier_answers_while_its_numbers_are_typed(page: Page) -> None:
    page.get_by_label("into 8 Ω", exact=True).fill("60")
    expect(page.locator("#amp-answer")).to_contain_text(re.compile("this (load|loudspeaker)"))
    page.get_by_label("into 4 Ω", exact=True).fill("100")
    page.locator("#amp-minimum").fill("8")
    # The tower falls below 80 % of 8 ohm (IEC 60268-5), so no amplifier made for 8 ohm and more may drive it.
    expect(page.locator("#amp-answer")).to_contain_text("It cannot drive this loudspeaker")
    expect(page.locator("#amp-shown")).to_contain_text("How loud with this amplifier")
    settled(page)
    page.reload()
    page.wait_for_selector("body[data-ready=match]")
    expect(page.get_by_label("into 4 Ω", exact=True)).to_have_value("100")


def test_where_the_load_is_left_open_the_usable_answer_stands_first(page: Page) -> None:
    # Another test's amplifier may still be kept.
    page.locator("#amp-minimum").fill("")
    page.get_by_label("into 4 Ω", exact=True).fill("")
    page.locator("[data-load='8']").fill("50")
    answer = page.locator("#amp-answer")
    expect(answer.locator("strong")).to_contain_text("For 85 dB with peaks 20 dB above:")
    expect(answer).to_contain_text(re.compile("By its voltage and current alone it reaches .*cannot be told"))


def test_the_one_primary_action_saves_every_answer_for_what_is_set(page: Page, tmp_path: Path) -> None:
    page.get_by_label("into 8 Ω", exact=True).fill("60")
    expect(page.locator("#amp-answer")).to_contain_text(re.compile("this (load|loudspeaker)"))
    expect(page.locator("button.primary")).to_have_count(1)
    with page.expect_download() as told:
        page.get_by_label("into 8 Ω", exact=True).blur()
        page.keyboard.press("s")
    told.value.save_as(tmp_path / "answers.txt")
    text = (tmp_path / "answers.txt").read_text(encoding="utf-8")
    for part in ("claims", "amplifier", "subwoofer", "seats", "for whom"):
        assert f"\n{part}\n" in text
    expect(page.locator("#answers-save")).to_be_enabled()


def test_a_corner_can_be_chosen_and_the_best_searched_again(page: Page) -> None:
    best = page.locator("#sub-words")
    expect(best).to_contain_text("Cross over at")
    settled(page)
    was = best.inner_text()
    page.locator("#corner-typed").fill("111")
    page.locator("#corner-typed").blur()
    expect(best).to_contain_text("Cross over at 111 Hz")
    page.locator("#sub-best").click()
    expect(best).to_have_text(was)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious(page: Page, scheme: str) -> None:
    page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
    expect(page.locator("#sub-words")).to_contain_text("Cross over at")
    expect(page.locator("#whom")).not_to_be_empty()
    assert serious(settled(page)) == []
