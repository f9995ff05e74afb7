"""What axe-core finds on a page in a browser, one way for all tests."""

from __future__ import annotations

from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

SERIOUS = ("serious", "critical")
# Off in axe-core unless asked for: a name that holds its label (WCAG 2.2, 2.5.3), targets of 24 px (2.5.8).
RULES = {"label-content-name-mismatch": {"enabled": True}, "target-size": {"enabled": True}}


def serious(page: Page) -> list[str]:
    """Serious violations that axe-core finds on a page (WCAG 2.2 AA as far as it can tell), each with its first
    element."""
    # It describes no elements of what passes, which would take as long again.
    found = Axe().run(page, options={"resultTypes": ["violations"], "rules": RULES}).response["violations"]
    return [
        f"{one['id']}: {node['html'][:200]}"
        for one in found
        if one["impact"] in SERIOUS
        for node in _standing(page, one)[:1]
    ]


def _standing(page: Page, violation: Any) -> list[Any]:
    """The elements of a violation that stay violations wherever the page is scrolled to: a target that a bar kept
    in sight half covers is as large as ever once it is scrolled from under the bar (WCAG 2.2, 2.5.8 is about the
    target's own size), which axe-core can't know."""
    if violation["id"] != "target-size":
        return list(violation["nodes"])
    return [node for node in violation["nodes"] if _small_in_the_middle(page, node["target"][0])]


def _small_in_the_middle(page: Page, selector: str) -> bool:
    page.locator(selector).evaluate("one => one.scrollIntoView({block: 'center', behavior: 'instant'})")
    only = {"resultTypes": ["violations"], "runOnly": {"type": "rule", "values": ["target-size"]}}
    return bool(Axe().run(page, context=selector, options=only).response["violations"])
