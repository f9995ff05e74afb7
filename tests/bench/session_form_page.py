"""The session form in a browser: filled in by keyboard alone or by mouse, and the session that must come of it."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Page, expect

# What is typed, by the path of the field; and what `earwitness add` must read.
TYPED = {
    "loudspeaker.name": "Heron Nine", "loudspeaker.maker": "Nobody", "loudspeaker.type": "stand-mount",
    "loudspeaker.enclosure": "closed", "loudspeaker.width_m": "0,2", "loudspeaker.height_m": "0.34",
    "loudspeaker.depth_m": "0.26", "loudspeaker.reference_axis": "middle of the front",
    "microphone.name": "Listener", "microphone.serial": "M 7", "microphone.sensitivity_fs_per_pa": "0.1",
    "drive.voltage_v": "2.83", "stimulus.start_hz": "20", "stimulus.stop_hz": "20000", "stimulus.duration_s": "0.4",
    "stimulus.fade_in_s": "0.02", "stimulus.fade_out_s": "0.002", "stimulus.lead_in_s": "0.2",
}  # fmt: skip
CHOSEN = ("loudspeaker.type", "loudspeaker.enclosure", "loudspeaker.driver.0.kind")
DRIVER = {"name": "woofer", "kind": "cone", "diameter_m": "0.13"}
EXPECTED = {
    "format": 1,
    "loudspeaker": {
        "name": "Heron Nine", "maker": "Nobody", "type": "stand-mount", "enclosure": "closed", "width_m": 0.2,
        "height_m": 0.34, "depth_m": 0.26, "reference_axis": "middle of the front", "invented": True,
        "driver": [{"name": "woofer", "kind": "cone", "diameter_m": 0.13}],
    },
    "microphone": {"name": "Listener", "serial": "M 7", "sensitivity_fs_per_pa": 0.1},
    "drive": {"voltage_v": 2.83},
    "stimulus": {
        "kind": "sweep", "start_hz": 20, "stop_hz": 20000, "duration_s": 0.4, "fade_in_s": 0.02, "fade_out_s": 0.002,
        "lead_in_s": 0.2,
    },
    "reference": {"channel": 2},
    "environment": {"anechoic": True},
    "take": [{"kind": "far-field", "orbit": "horizontal", "distance_m": 1, "files": "horizontal/{angle}.wav"}],
}  # fmt: skip


def field(path: str) -> str:
    """Selector of the field at that path of the document."""
    return f'[id="f-{path}"]'


def opened(page: Page, base: str, path: str = "/measure?new#begin") -> None:
    page.goto(base + path)
    page.wait_for_selector("#begin[data-ready=session]")


def go(page: Page, selector: str) -> None:
    """Tab on to an element, as who has no mouse does, once it can be come to."""
    expect(page.locator(selector)).to_be_visible()
    expect(page.locator(selector)).to_be_enabled()
    for _ in range(200):
        if page.evaluate("wanted => document.activeElement?.matches(wanted)", selector):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{selector} cannot be reached with Tab")


def by_keyboard(page: Page, folder: Path, step_deg: str = "30") -> None:
    """All of TYPED and the takes, by keys alone, in the order of the page."""
    go(page, "#session-folder")
    page.keyboard.type(str(folder))

    def fill(path: str, words: str) -> None:
        go(page, field(path))
        page.keyboard.type(words)
        if path in CHOSEN:
            expect(page.locator(field(path))).to_have_value(words)

    def press(selector: str, key: str = "Enter") -> None:
        go(page, selector)
        page.keyboard.press(key)

    for path in list(TYPED)[:4]:
        fill(path, TYPED[path])
    press(field("loudspeaker.invented"), "Space")
    for path in list(TYPED)[4:8]:
        fill(path, TYPED[path])
    press('[id="add-loudspeaker.driver"]')
    for key, words in DRIVER.items():
        fill(f"loudspeaker.driver.0.{key}", words)
    for path in list(TYPED)[8:]:
        fill(path, TYPED[path])
    press("#add-reference")
    fill("reference.channel", "2")
    press(field("environment.anechoic"), "Space")
    go(page, "#plan-take-step")
    page.keyboard.press("Control+a")
    page.keyboard.type(step_deg)
    press("#make-takes")


def by_mouse(page: Page, folder: Path, step_deg: str = "30") -> None:
    """The same, clicking on each thing."""
    page.locator("#session-folder").fill(str(folder))

    def fill(path: str, words: str) -> None:
        place = page.locator(field(path))
        place.click()
        if path in CHOSEN:
            place.select_option(words)
        else:
            place.fill(words)

    for path, words in TYPED.items():
        fill(path, words)
    page.locator(field("loudspeaker.invented")).check()
    page.get_by_role("button", name="Add a driver").click()
    for key, words in DRIVER.items():
        fill(f"loudspeaker.driver.0.{key}", words)
    page.get_by_role("button", name="Add loop-back").click()
    fill("reference.channel", "2")
    page.locator(field("environment.anechoic")).check()
    page.locator("#plan-take-step").fill(step_deg)
    page.locator("#plan-take-step").blur()
    page.get_by_role("button", name="Make the list of takes").click()
