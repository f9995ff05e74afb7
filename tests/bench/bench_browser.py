"""Chromium on a running bench: pages of a place that fail the test on any error of a script."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from bench_client import running
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Route

from settled import page_until


@contextmanager
def entered_browser(browser: Browser, archive: Path) -> Iterator[tuple[BrowserContext, str]]:
    """A context of the browser that has entered the bench on an archive, and the bench's address."""
    with running(archive) as bench:
        context = browser.new_context(viewport={"width": 1280, "height": 1000})
        page = context.new_page()
        page.goto(bench.address)
        page.close()
        yield context, bench.base
        context.close()


@contextmanager
def empty_page(context: BrowserContext, refusal: int = 422) -> Iterator[Page]:
    """A page that is nowhere yet; the test fails where a script does. Chromium tells a refusal, which is no fault."""
    page = context.new_page()
    faults: list[str] = []

    def listen(told: ConsoleMessage) -> None:
        if told.type == "error" and f"status of {refusal}" not in told.text:
            faults.append(told.text)

    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", listen)
    try:
        yield page
    finally:
        page.close()
    assert faults == []


@contextmanager
def on_page(context: BrowserContext, address: str, ready: str) -> Iterator[Page]:
    """A page that has said it is ready."""
    with empty_page(context) as page:
        page.goto(address)
        page.wait_for_selector(f"body[data-ready={ready}]")
        yield page


@contextmanager
def held_back(page: Page, what: str) -> Iterator[None]:
    """What the page asks for under `what` is answered after this."""
    held: list[Route] = []
    is_over = False

    def answer(route: Route) -> None:
        if is_over:
            route.continue_()
        else:
            held.append(route)

    page.route(what, answer)
    try:
        yield
    finally:
        page_until(page, lambda: held)
        is_over = True
        for route in held:
            route.continue_()
