"""What all rooms of tests share: costly worlds made once in a run, one browser, and long files begun first."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import TYPE_CHECKING

import hypothesis
import pytest
from threadpoolctl import threadpool_limits

from made_once import MadeOnce

if TYPE_CHECKING:
    from playwright.sync_api import Browser

# One thread for linear algebra, here and in the programs that tests start: matrices are small, the suite fills the
# cores by processes, and threads that wait for each other take a third more of their time. A plugin may have loaded
# the library before this file, so the variable alone does not do.
os.environ.setdefault("OMP_NUM_THREADS", "1")
threadpool_limits(int(os.environ["OMP_NUM_THREADS"]))

# Programs that tests start keep what they compile: else each compiles this program anew, which takes a second.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# A slow machine is no fault of the program: no example is timed.
hypothesis.settings.register_profile(
    "any machine", deadline=None, suppress_health_check=[hypothesis.HealthCheck.too_slow]
)
hypothesis.settings.load_profile("any machine")

# Files that take longest, longest first: each stays in one process, and one begun last would keep a core alone. They
# are the slow part of the suite, which CI runs too; what they hold in a few examples, quicker files hold as well.
LONG_FILES = (
    "test_advice_sentences.py",
    "test_docs_commands.py",
    "test_advice_flow.py",
    "test_measure_browser.py",
    "test_publish_browser.py",
    "test_listen_browser.py",
    "test_publish_faults.py",
    "test_mend_browser.py",
    "test_backup.py",
    "test_package_faults.py",
    "test_readers_fuzz.py",
    "test_scan_flow.py",
    "test_truth.py",
    "test_openapi.py",
    "test_match_browser.py",
    "test_compare_browser.py",
    "test_processes.py",
    "test_package.py",
    "test_archive_states.py",
    "test_measure_live.py",
    "test_page.py",
    "test_index.py",
    "test_main_job.py",
)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Long files first, longest before all; the others, and the tests within each, stay in the order drawn."""
    rank = {name: place for place, name in enumerate(LONG_FILES)}
    for item in items:
        if item.path.name in rank:
            item.add_marker("slow")
    items.sort(key=lambda item: rank.get(item.path.name, len(rank)))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """The seed of the order, to have the same one again where something failed."""
    if terminalreporter.stats.get("failed") or terminalreporter.stats.get("error"):
        seed = config.getoption("randomly_seed", None)
        terminalreporter.write_line(f"the same order again: --randomly-seed={seed}")


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Chromium from the system, one for all tests of a process: each opens pages or contexts of its own."""
    from playwright.sync_api import sync_playwright

    from settled import patient

    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"])
        yield patient(found)
        found.close()


@pytest.fixture(scope="session")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> MadeOnce:
    """Folders shared by all processes of this run: a process of xdist has its own folder in the run's."""
    own = tmp_path_factory.getbasetemp()
    run = own.parent if "PYTEST_XDIST_WORKER" in os.environ else own
    root = run / "made-once"
    root.mkdir(exist_ok=True)
    return MadeOnce(root)
