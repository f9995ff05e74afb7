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
    "test_trials_flow.py",
    "test_docs_commands.py",
    "test_advice_sentences.py",
    "test_publish_faults.py",
    "test_separate_places.py",
    "test_responses_flow.py",
    "test_turntable_sessions.py",
    "test_present_browser.py",
    "test_measure_browser.py",
    "test_new_user_browser.py",
    "test_listening_distance.py",
    "test_mend_browser.py",
    "test_mistakes.py",
    "test_pressures_reduction.py",
    "test_sessions_browser.py",
    "test_read_browser.py",
    "test_advice_flow.py",
    "test_limiter.py",
    "test_session_form_browser.py",
    "test_trials_browser.py",
    "test_separate_gated.py",
    "test_every_place_browser.py",
    "test_match_browser.py",
    "test_imports.py",
    "test_record_far_browser.py",
    "test_scan_reduction.py",
    "test_publish_browser.py",
    "test_tabs_browser.py",
    "test_two_ears.py",
    "test_kinds_flow.py",
    "test_beside_acts.py",
    "test_player.py",
    "test_listen_browser.py",
    "test_flow.py",
    "test_compare_place.py",
    "test_talk_spoken.py",
    "test_family_flow.py",
    "test_publish_place.py",
    "test_docs.py",
    "test_openapi.py",
    "test_pressures_job.py",
    "test_publish_acts.py",
    "test_multitone.py",
    "test_index.py",
    "test_ready_browser.py",
    "test_work_kept_browser.py",
    "test_instruments_browser.py",
    "test_archive_acts.py",
    "test_nothing_stops.py",
    "test_page.py",
    "test_audition_flow.py",
    "test_home_place.py",
    "test_reading.py",
    "test_series.py",
    "test_dataset.py",
    "test_site_whole.py",
    "test_phone_browser.py",
    "test_virtual_audio.py",
    "test_scan_flow.py",
    "test_change.py",
    "test_home_browser.py",
    "test_powered_flow.py",
    "test_findings_sentences.py",
    "test_readers_fuzz.py",
    "test_earlier_archive.py",
    "test_keeping.py",
    "test_findings_kinds.py",
    "test_findings_radiators.py",
    "test_fault_texts.py",
    "test_contributing.py",
    "test_read_place.py",
    "test_measure_live.py",
    "test_compare_browser.py",
    "test_published_pictures.py",
    "test_coverage_worlds.py",
    "test_truth.py",
    "test_errors.py",
    "test_measure_place.py",
    "test_loudness.py",
    "test_separate_box_truth.py",
    "test_mend_design.py",
    "test_backup.py",
    "test_package_faults.py",
    "test_trials.py",
    "test_nearfield.py",
    "test_match_modes.py",
    "test_audio_bench.py",
    "test_distortion.py",
    "test_report_length.py",
    "test_site.py",
    "test_resonance.py",
    "test_capture_acts.py",
    "test_mutation.py",
    "test_units_flow.py",
    "test_added_harmonics.py",
    "test_archive_states.py",
    "test_glossary.py",
    "test_chart_tools.py",
    "test_integrity.py",
    "test_chart.py",
    "test_uncertainty.py",
    "test_tones.py",
    "test_match_window.py",
    "test_gallery_session.py",
    "test_unusable_takes.py",
    "test_processes.py",
    "test_lock.py",
    "test_kind_readings.py",
    "test_measure_responses.py",
    "test_package.py",
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
