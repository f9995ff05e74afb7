"""Reports of whole demo reviews, read by poppler: short, filled, verdict first."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from earwitness.app.listen import seal_sheet
from earwitness.app.publish import Products, publish_review
from earwitness.app.settings import keep_text
from earwitness.demo.rig import SEALED_AT, words_text, write_sheet
from made_once import QUICK_KEYS, MadeOnce

# Own choice: what a reader prints without a second thought; and a page that ends above two thirds looks unfinished.
MOST_PAGES, LEAST_FILLED = 16, 2 / 3
# The body of an A4 page [pt]: what stands lower is the page number.
BODY_BOTTOM_PT = 841.9 - 16 / 25.4 * 72


@pytest.fixture(scope="module")
def archive(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("reports")
    shutil.copytree(made_once.archive(*QUICK_KEYS), folder / "archive")
    for key in QUICK_KEYS:
        seal_sheet(write_sheet(key, folder / key), folder / "archive", clock=lambda: SEALED_AT)
        keep_text(key, words_text(key), folder / "archive")
    return folder / "archive"


@pytest.mark.parametrize("key", QUICK_KEYS)
def test_report_is_short_filled_and_begins_with_the_verdict(archive: Path, tmp_path: Path, key: str) -> None:
    made = publish_review(key, tmp_path / "page", archive, products=Products(report="a4"))
    path = str(made.files[0])
    told = subprocess.run(["pdfinfo", path], check=True, capture_output=True, text=True).stdout
    assert "Tagged:          yes" in told
    laid = subprocess.run(["pdftotext", "-bbox", path, "-"], check=True, capture_output=True, text=True).stdout
    pages = laid.split("<page ")[1:]
    assert len(pages) <= MOST_PAGES
    for page in pages[:-1]:
        ends = [float(y) for y in re.findall(r'yMax="([\d.]+)"', page) if float(y) < BODY_BOTTOM_PT]
        assert max(ends) >= LEAST_FILLED * BODY_BOTTOM_PT
    verdict = words_text(key).partition("## Verdict")[2].partition("##")[0].split()
    text = subprocess.run(["pdftotext", "-l", "1", path, "-"], check=True, capture_output=True, text=True).stdout
    first = " ".join(text.split())
    assert " ".join(verdict[:6]) in first
    assert "Heard" in first
