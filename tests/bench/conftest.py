"""One reduced demo loudspeaker for all tests of the bench's places."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_browser import entered_browser
from bench_client import entered
from playwright.sync_api import Browser, BrowserContext
from starlette.testclient import TestClient

from earwitness.app.add import add_folder
from earwitness.app.listen import seal_sheet
from earwitness.demo.rig import SEALED_AT, write_sheet
from made_once import MadeOnce, keep_advice


@pytest.fixture(scope="session")
def reduced_archive(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's three-way tower in 30 degree steps, listened to and reduced. Copy it, do not write to it."""

    def fill(archive: Path) -> None:
        seal_sheet(write_sheet("causeway", tmp_path_factory.mktemp("notes")), archive, clock=lambda: SEALED_AT)
        add_folder(made_once.recordings("causeway"), archive)
        keep_advice(archive)

    return made_once.folder("listened-to", fill)


@pytest.fixture(scope="session")
def bench_recordings(made_once: MadeOnce) -> Path:
    """The session folder that the archive was made from, for importing it anew. Copy it, do not write to it."""
    return made_once.recordings("causeway")


@pytest.fixture(scope="module")
def bench_archive(reduced_archive: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of it for one module."""
    folder = tmp_path_factory.mktemp("copy") / "archive"
    shutil.copytree(reduced_archive, folder)
    return folder


@pytest.fixture(scope="module")
def client(bench_archive: Path) -> Iterator[TestClient]:
    """A client that has entered a bench on that archive."""
    with entered(bench_archive) as made:
        yield made


@pytest.fixture(scope="module", name="entered")
def browser_entered(browser: Browser, bench_archive: Path) -> Iterator[tuple[BrowserContext, str]]:
    """Chromium that has entered a bench on that archive, and the bench's address."""
    with entered_browser(browser, bench_archive) as made:
        yield made


@pytest.fixture
def context(entered: tuple[BrowserContext, str]) -> BrowserContext:
    return entered[0]


@pytest.fixture
def base(entered: tuple[BrowserContext, str]) -> str:
    return entered[1]
