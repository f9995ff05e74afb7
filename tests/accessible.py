"""What axe-core finds on a page in a browser, one way for all tests."""

from __future__ import annotations

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
    return [f"{one['id']}: {one['nodes'][0]['html'][:200]}" for one in found if one["impact"] in SERIOUS]
