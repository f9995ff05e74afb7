"""The session form in Chromium: by keyboard alone and by mouse to the same session.toml, read back, and never lost."""

from __future__ import annotations

import datetime
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_browser import empty_page, entered_browser
from live_server import bench_process
from playwright.sync_api import Browser, BrowserContext, Page, expect
from session_form_page import EXPECTED, by_keyboard, by_mouse, field, opened

from accessible import serious
from earwitness.capture.plan import orbit_angles, plan_session
from earwitness.session.small_toml import toml_text
from settled import page_until, ready, settled

pytestmark = pytest.mark.browser
SAVED = re.compile(r"^\s*saved")


@pytest.fixture(scope="module")
def entered(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[BrowserContext, str]]:
    """A browser that has entered a bench on an archive with nothing in it."""
    with entered_browser(browser, tmp_path_factory.mktemp("form") / "archive") as made:
        yield made


@pytest.fixture
def page(entered: tuple[BrowserContext, str]) -> Iterator[Page]:
    with empty_page(entered[0]) as made:
        opened(made, entered[1])
        yield made


@pytest.mark.parametrize("fill", [by_keyboard, by_mouse])
def test_the_form_writes_the_session_that_the_command_reads(page: Page, tmp_path: Path, fill: object) -> None:
    folder = tmp_path / "session"
    fill(page, folder)  # type: ignore[operator]
    expect(page.locator("#session-wanted")).to_have_text("Nothing is wanted")
    expect(page.locator("#session-takes")).to_contain_text("12 takes")
    page.get_by_role("button", name="Write session.toml", exact=True).click()
    expect(page.locator("#session-done")).to_contain_text("Written")
    written = tomllib.loads((folder / "session.toml").read_text(encoding="utf-8"))
    assert written.pop("date") == datetime.date.today().isoformat()
    assert written == EXPECTED
    planned = plan_session(folder, {"horizontal": orbit_angles(30.0)})
    assert len(planned.live) == 12
    assert planned.session.loudspeaker.title == "Nobody Heron Nine (invented)"


def test_faults_stand_beside_their_fields_in_the_command_s_words(page: Page) -> None:
    width = page.locator(field("loudspeaker.width_m"))
    width.fill("200")
    width.blur()
    fault = page.locator(field("loudspeaker.width_m-fault"))
    expect(fault).to_have_text("width_m = 200 is too large; expected: at most 10 m")
    expect(width).to_have_attribute("aria-invalid", "true")
    width.fill("wide")
    expect(fault).to_contain_text("width_m = 'wide' is not a number")
    width.fill("0,2")
    expect(fault).to_be_hidden()
    # The list leads to the field, folded or not.
    page.locator("#session-faults").get_by_role("button", name="Maker").click()
    expect(page.locator(field("loudspeaker.maker"))).to_be_focused()


def test_a_driver_is_placed_by_drag_by_keys_and_by_numbers(page: Page) -> None:
    for path, words in (("width_m", "0.2"), ("height_m", "0.4")):
        page.locator(field(f"loudspeaker.{path}")).fill(words)
    page.get_by_role("button", name="Add a driver").click()
    page.locator(field("loudspeaker.driver.0.name")).fill("woofer")
    page.locator(field("loudspeaker.driver.0.diameter_m")).fill("0.1")
    grip = page.locator("#cabinet-drawing").get_by_role("slider", name="woofer")
    across, up = (page.locator(field(f"loudspeaker.driver.0.position_m.{axis}")) for axis in (1, 2))
    grip.focus()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Shift+ArrowRight")
    expect(across).to_have_value("0.001")
    expect(up).to_have_value("-0.01")
    box = grip.locator(".body").bounding_box()
    assert box is not None
    middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.move(*middle)
    page.mouse.down()
    page.mouse.move(middle[0], middle[1] - 40, steps=5)
    page.mouse.up()
    settled(page)
    # The front, 0.4 m high, is drawn 364 px high.
    assert float(up.input_value()) == pytest.approx(-0.01 + 40 * 0.4 / 364, abs=0.006)
    up.fill("-0.05")
    expect(grip).to_have_attribute("aria-valuetext", re.compile("-5.0 cm up"))
    expect(page.locator(field("loudspeaker.reference_below_top_m"))).to_have_value("0.2")


def test_a_session_is_read_back_changed_and_written_with_its_comments(page: Page, tmp_path: Path) -> None:
    by_mouse(page, tmp_path)
    page.get_by_role("button", name="Write session.toml", exact=True).click()
    expect(page.locator("#session-done")).to_contain_text("Written")
    path = tmp_path / "session.toml"
    text = path.read_text(encoding="utf-8")
    own = text.replace("[drive]", "# measured with the old cable\n[drive]").replace("= 2.83", "= 2.83  # by meter")
    path.write_text(own + "colour = 'red'\n", encoding="utf-8")
    # Another hand has written: nothing is written over.
    page.get_by_role("button", name="Write session.toml", exact=True).click()
    expect(page.locator("#notes")).to_contain_text("written by another program or hand")
    page.get_by_role("button", name="Read its session.toml").click()
    expect(page.locator("#session-faults")).to_contain_text("the key 'colour' is not known")
    page.get_by_role("button", name="Take colour out").click()
    page.locator(field("drive.voltage_v")).fill("2")
    expect(page.locator("#session-wanted")).to_have_text("Nothing is wanted")
    page.get_by_role("button", name="Write session.toml", exact=True).click()
    expect(page.locator("#session-done")).to_contain_text("Written")
    now = path.read_text(encoding="utf-8")
    assert "# measured with the old cable\n[drive]\nvoltage_v = 2  # by meter" in now
    assert tomllib.loads(now)["loudspeaker"] == EXPECTED["loudspeaker"]
    assert "colour" in (tmp_path / "session.toml.old").read_text(encoding="utf-8")


def test_what_is_typed_outlives_a_reload_and_a_restarted_bench(browser: Browser, tmp_path: Path) -> None:
    context = browser.new_context()
    page = context.new_page()
    with bench_process(tmp_path / "archive") as (process, address):
        page.goto(address)
        opened(page, address.split("/enter")[0])
        page.locator(field("loudspeaker.name")).fill("Heron Nine")
        page.get_by_role("button", name="Add a driver").click()
        page.locator(field("loudspeaker.driver.0.name")).fill("woofer")
        expect(settled(page).locator("#draft-state")).to_have_text(SAVED)
        page.reload()
        page.wait_for_selector("#begin[data-ready=session]")
        expect(page.locator(field("loudspeaker.driver.0.name"))).to_have_value("woofer")
        # Closed at once behind the last key.
        page.locator(field("loudspeaker.maker")).fill("Nobody")
        page.close()
        page = context.new_page()

        def is_on_the_desk() -> bool:
            page.goto(address.split("/enter")[0])
            return "Nobody" in page.locator(".desk tbody").inner_text()

        # What a page sends as it leaves may arrive after what the next one asks for.
        page_until(page, is_on_the_desk)
        expect(page.locator(".desk tbody th")).to_contain_text("Heron Nine")
        process.kill()
        process.wait()
    with bench_process(tmp_path / "archive") as (_, address):
        page.goto(address)
        page.locator(".desk .go a").click()
        page.wait_for_selector("#begin[data-ready=session]")
        expect(page.locator(field("loudspeaker.maker"))).to_have_value("Nobody")
        expect(page.locator(field("loudspeaker.name"))).to_have_value("Heron Nine")
    context.close()


def test_no_violation_and_no_scrolling_sideways(page: Page) -> None:
    for path, words in (("width_m", "0.2"), ("height_m", "0.4")):
        page.locator(field(f"loudspeaker.{path}")).fill(words)
    for words in ("Add a driver", "Add price", "Add calibrator recording", "Add room", "Add a take", "Add a claim"):
        page.get_by_role("button", name=words).click()
    # A session with a long name is among those to choose from.
    page.evaluate("""document.querySelector("#session-which").append(new Option("Heron Nine ".repeat(12)))""")
    for width in (1280, 720, 390):
        page.set_viewport_size({"width": width, "height": 900})
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            assert serious(settled(page)) == [], (width, scheme)
            # The drawings follow a new width a moment later.
            page.wait_for_function("width => document.documentElement.scrollWidth <= width", arg=width)
    page.get_by_role("slider", name="microphone").focus()
    page.keyboard.press("ArrowRight")
    expect(page.locator(field("environment.room.microphone_m.0"))).to_have_value("3.6")


def test_faults_of_a_typed_path_are_listed_and_mended_in_the_form(
    entered: tuple[BrowserContext, str], tmp_path: Path
) -> None:
    text = toml_text(
        {**EXPECTED, "date": "2026-11-01", "drive": {}, "take": [{"kind": "noise floor", "file": "q.wav"}]}
    )
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    with empty_page(entered[0]) as page:
        page.goto(f"{entered[1]}/measure#bring")
        page.wait_for_selector("body[data-ready=measure]")
        page.locator("#folder").fill(str(tmp_path))
        page.locator("#from-folder").get_by_role("button", name="Take it in").click()
        told = page.locator("#folder-told")
        expect(told.locator("li")).to_have_count(3)
        expect(told).to_contain_text("'voltage_v' is missing")
        assert serious(page) == []
        # The log of the job has them as well.
        page.keyboard.press("j")
        page.locator("#jobs-list li").first.get_by_role("button", name="Log").click()
        expect(page.locator("#drawer-body")).to_contain_text("'voltage_v' is missing")
        page.keyboard.press("Escape")
        page.keyboard.press("j")
        told.get_by_role("link", name="Mend it in the session form").click()
        page.wait_for_selector("#begin[data-ready=session]")
        page.locator("#session-faults").get_by_role("button", name="Voltage").click()
        page.keyboard.type("2.83")
        expect(page.locator("#session-faults")).not_to_contain_text("voltage_v")


def test_what_was_planned_is_kept_and_taken_over(page: Page) -> None:
    ready(page).get_by_role("tab", name="Plan").click()
    for name, words in (("width", "0.23"), ("height", "0.9")):
        page.locator(f"#plan-cabinet-{name}").fill(words)
    page.locator("#plan-room-length").fill("7")
    page.locator("#plan-distance").fill("1.25")
    settled(page)
    expect(page.locator("#draft-state")).to_have_text(SAVED)
    page.reload()
    page.wait_for_selector("#begin[data-ready=session]", state="attached")
    ready(page)
    expect(page.locator("#plan-room-length")).to_have_value("7")
    page.get_by_role("tab", name="Describe a session").click()
    page.get_by_role("button", name="Take cabinet and room from Plan").click()
    expect(page.locator(field("loudspeaker.height_m"))).to_have_value("0.9")
    # A third into the length, and the distance in front of it.
    expect(page.locator(field("environment.room.loudspeaker_m.0"))).to_have_value("2.333")
    expect(page.locator(field("environment.room.microphone_m.0"))).to_have_value("3.583")
    expect(page.locator("#plan-take-distance")).to_have_value("1.25")


def test_adding_and_taking_out_keeps_what_was_typed_beside(page: Page) -> None:
    for number, name in enumerate(("woofer", "port", "tweeter")):
        page.get_by_role("button", name="Add a driver").click()
        page.locator(field(f"loudspeaker.driver.{number}.name")).fill(name)
    page.get_by_role("button", name="Take driver 2 out").click()
    for number, name in enumerate(("woofer", "tweeter")):
        expect(page.locator(field(f"loudspeaker.driver.{number}.name"))).to_have_value(name)
    page.locator("#plan-take-distance").fill("2")
    for words in ("Near field: woofer", "Near field: tweeter", "Vertical orbit", "Noise floor"):
        page.get_by_label(words).check()
    page.get_by_role("button", name="Make the list of takes").click()
    lines = page.locator('[id="f-take"] > details > summary')
    expect(lines).to_have_text([
        "1. far-field, horizontal, horizontal/{angle}.wav", "2. far-field, vertical, vertical/{angle}.wav",
        "3. near-field, woofer, near_woofer.wav", "4. near-field, tweeter, near_tweeter.wav",
        "5. noise floor, quiet.wav",
    ])  # fmt: skip
    lines.nth(1).click()
    expect(page.locator(field("take.1.distance_m"))).to_have_value("2")
    # A take of one's own stays where the list is made anew; undo brings the list back.
    page.get_by_role("button", name="Add a take").click()
    page.locator(field("take.5.kind")).select_option("impedance table")
    page.locator(field("take.5.file")).fill("z.txt")
    page.get_by_label("Noise floor").uncheck()
    page.get_by_role("button", name="Make the list of takes").click()
    expect(lines).to_have_count(5)
    expect(lines.last).to_contain_text("impedance table, z.txt")
    page.locator("#draft-state").get_by_role("button", name="Undo").click()
    expect(lines).to_have_count(6)


SCAN_AND_RESPONSES = """\
[[take]]
id = "sphere"
kind = "scan pressures"
file = "scan/pressures.sofa"
note = "two spheres"

[[take]]
id = "p1"
kind = "scan"
file = "scan/p_1.wav"
position_m = [0.1, 0.2, 0.3]

[[take]]
id = "axis"
kind = "response"
orbit = "horizontal"
angle_deg = 0.0
file = "axis.txt"

[scan]
body = "sphere"
body_center_m = [0.0, 0.0, 0.1]

[responses]
space = "anechoic"
"""


def test_takes_of_scans_and_responses_are_listed_changed_and_otherwise_unharmed(page: Page, tmp_path: Path) -> None:
    """Read back, one field changed, written: all else of the file is what it was (by tomllib)."""
    path = tmp_path / "session.toml"
    path.write_text('format = 1\ndate = "2026-03-02"\n' + SCAN_AND_RESPONSES, encoding="utf-8")
    before = tomllib.loads(path.read_text(encoding="utf-8"))
    page.locator("#session-folder").fill(str(tmp_path))
    page.get_by_role("button", name="Read its session.toml").click()
    takes = page.locator("section", has=page.get_by_role("heading", name="Takes")).locator("details > summary")
    expect(takes.filter(has_text="scan pressures, scan/pressures.sofa")).to_have_count(1)
    expect(takes.filter(has_text="response, horizontal, 0°, axis.txt")).to_have_count(1)
    takes.filter(has_text="scan pressures").click()
    page.locator(field("take.0.note")).fill("one sphere left out")
    page.locator(field("scan.body")).select_option("box")
    page.get_by_role("button", name="Write session.toml", exact=True).click()
    expect(page.locator("#session-done")).to_contain_text("Written")
    after = tomllib.loads(path.read_text(encoding="utf-8"))
    before["take"][0]["note"], before["scan"]["body"] = "one sphere left out", "box"
    assert after == before
