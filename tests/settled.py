"""Pages in a browser, waited for by what they do and never by a clock: one patience for all, and coming to rest."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any, TypeVar

from playwright.sync_api import Browser, BrowserContext, Error, Locator, Page, expect

from patience import PATIENCE_S, SLOW, until

PATIENCE_MS = 1000 * PATIENCE_S
# What a page has asked for and not yet read to its end, and what it has put off for a moment. What is put off longer
# (a note that goes, an address that is given up) changes nothing that a test reads.
WATCHED = """(() => {
  const { fetch, setTimeout, clearTimeout, requestAnimationFrame } = window;
  const waits = new Set();
  let asked = 0;
  window.fetch = async (...how) => {
    asked += 1;
    try {
      const answer = await fetch(...how);
      await answer.clone().arrayBuffer().catch(() => null);
      return answer;
    } finally {
      asked -= 1;
    }
  };
  window.setTimeout = (act, ms = 0, ...rest) => {
    const one = setTimeout((...given) => {
      waits.delete(one);
      if (typeof act === "function") act(...given);
    }, ms, ...rest);
    if (ms <= 800) waits.add(one);
    return one;
  };
  window.clearTimeout = (one) => {
    waits.delete(one);
    clearTimeout(one);
  };
  const frame = () => new Promise((over) => requestAnimationFrame(over));
  window.isStill = () => !asked && !document.querySelector("[aria-busy=true]");
  window.cameToRest = async (patience) => {
    const end = performance.now() + patience;
    for (let quiet = 0; quiet < 3; quiet += 1) {
      await frame();
      if (performance.now() > end) throw new Error(`not at rest: ${asked} asked for, ${waits.size} put off`);
      if (asked || waits.size || document.querySelector("[aria-busy=true]")) quiet = -1;
    }
  };
})()"""
# A page that asks all the time is pressed on nonetheless.
STILL_S = 5.0
Made = TypeVar("Made", BrowserContext, Page)


def patient(browser: Browser) -> Browser:
    """The browser; every page and context that it opens from now on waits PATIENCE_MS, and tells when it is at rest."""
    expect.set_options(timeout=PATIENCE_MS)

    def waiting(make: Callable[..., Made]) -> Callable[..., Made]:
        def made(*how: object, **more: object) -> Made:
            one = make(*how, **more)
            context = one.context if isinstance(one, Page) else one
            context.set_default_timeout(PATIENCE_MS)
            context.set_default_navigation_timeout(PATIENCE_MS)
            context.add_init_script(WATCHED)
            if SLOW > 1.0:
                context.on("page", slowed)
                for page in context.pages:
                    slowed(page)
            return one

        return made

    browser.new_context = waiting(browser.new_context)  # type: ignore[method-assign]
    browser.new_page = waiting(browser.new_page)  # type: ignore[method-assign]
    if SLOW == 1.0:
        for name in ("click", "dblclick", "check", "uncheck"):
            setattr(Locator, name, once_still(getattr(Locator, name)))
    return browser


def once_still(act: Callable[..., Any]) -> Callable[..., Any]:
    """A press that waits until its page has the answers it asked for: where the page grows between press and release,
    as no hand is fast enough to see, the button slips away from under the pointer and the click is nobody's."""

    def acted(self: Locator, *how: object, **more: object) -> object:
        end, quiet = time.monotonic() + STILL_S, 0
        # A page that goes elsewhere or is gone is told of by the press itself.
        with suppress(Error):
            while quiet < 2 and time.monotonic() < end:
                quiet = quiet + 1 if self.page.evaluate("() => window.isStill?.() ?? true") else 0
                time.sleep(0.01)
        return act(self, *how, **more)

    return acted


def slowed(page: Page) -> None:
    """Its scripts run so many times slower."""
    page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": SLOW})


def page_until(page: Page, holds: Callable[[], object], what: str = "") -> None:
    """Wait for what the test itself can tell, while the page's events go on."""
    until(holds, pause=lambda seconds: page.wait_for_timeout(1000 * seconds), what=what)


def ready(page: Page) -> Page:
    """The page of the bench once its scripts and drafts are there: what is typed before would be lost."""
    expect(page.locator(":is(#main, #bar, #begin, #plan, #groups-kept)[inert]")).to_have_count(0)
    return page


def settled(page: Page) -> Page:
    """The page once nothing is asked for, put off or busy, and what came of it is drawn."""
    page.evaluate("patience => cameToRest(patience)", PATIENCE_MS)
    return page
