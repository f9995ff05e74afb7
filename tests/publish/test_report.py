"""The report, read by poppler, which knows nothing of the typesetter."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from earwitness.errors import InputError, MissingExtraError, OutputError
from earwitness.exhibits.words import COVERAGE_SENTENCE
from earwitness.formats.photo import picture_of
from earwitness.publish.report import report_pdf, write_report
from earwitness.publish.review import Review, ShownPhoto, review_of
from earwitness.quantities import Measurement, Reading
from earwitness.render.svg import fonts_folder
from earwitness.session.session import Session

HOSTILE = '#panic("x") $x^2$ *bold* _under_ `raw` @label <tag> \\ //no comment'


def poppler(tool: str, *arguments: str) -> str:
    return subprocess.run([tool, *arguments], check=True, capture_output=True, text=True).stdout


def flat(text: str) -> str:
    return re.sub(r"\s+", " ", text)


@pytest.fixture(scope="module")
def review(reading: Reading, measurement: Measurement, session: Session) -> Review:
    return review_of(reading, measurement, session)


@pytest.fixture(scope="module")
def report(review: Review, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_report(review, tmp_path_factory.mktemp("made") / "report.pdf")


@pytest.fixture(scope="module")
def info(report: Path) -> dict[str, str]:
    rows = (row.partition(":") for row in poppler("pdfinfo", str(report)).splitlines())
    return {name: value.strip() for name, _, value in rows}


@pytest.fixture(scope="module")
def pages(report: Path) -> list[str]:
    return poppler("pdftotext", "-layout", str(report), "-").split("\f")[:-1]


def test_metadata_name_the_loudspeaker_the_tester_and_the_day_of_the_session(info: dict[str, str]) -> None:
    assert info["Title"] == "Fennel Audio Works Larch 2 (invented): review"
    assert info["Author"] == "A. Tester"
    assert "Mar 14" in info["CreationDate"]
    assert "2026" in info["CreationDate"]
    assert info["Tagged"] == "yes"


def test_paper_is_a4_and_letter(info: dict[str, str], review: Review, tmp_path: Path) -> None:
    # ISO 216: 210 mm x 297 mm; letter: 8.5 in x 11 in (ANSI/ASME Y14.1, from memory); 72 points an inch.
    assert info["Page size"].startswith("595.276 x 841.89")
    letter = write_report(review, tmp_path / "letter.pdf", paper="letter")
    assert re.search(r"Page size: +612 x 792 pts", poppler("pdfinfo", str(letter)))


def test_file_claims_the_standard_for_readers_of_all_abilities(report: Path) -> None:
    # ISO 14289-1: the identifier pdfuaid:part stands in the XMP metadata and is 1 (clause from memory).
    metadata = poppler("pdfinfo", "-meta", str(report))
    assert re.search(r"pdfuaid:part>\s*1\s*<|pdfuaid:part=\"1\"", metadata)


def test_every_chart_is_a_figure_with_words_for_who_cannot_see_it(report: Path, review: Review) -> None:
    structure = poppler("pdfinfo", "-struct", str(report))
    assert len(re.findall(r"^\s*Figure", structure, re.MULTILINE)) == len(review.charts)
    assert re.search(r"^\s*TOC\b", structure, re.MULTILINE)
    assert re.search(r"^\s*H1\b", structure, re.MULTILINE)
    assert re.search(r"^\s*TH\b", structure, re.MULTILINE)


def test_only_our_typeface_is_used_and_it_is_embedded(report: Path) -> None:
    rows = poppler("pdffonts", str(report)).splitlines()[2:]
    assert rows
    assert all(re.match(r"[A-Z]{6}\+DejaVuSansCondensed", row) for row in rows)
    assert all(re.search(r" yes yes yes +\d+ +0$", row) for row in rows)


def test_typeface_comes_with_its_license() -> None:
    license_text = (fonts_folder() / "LICENSE_DEJAVU.txt").read_text(encoding="utf-8")
    assert "Bitstream Vera" in license_text
    sizes = [file.stat().st_size for file in fonts_folder().glob("*.ttf")]
    assert sizes
    assert min(sizes) > 100_000


def test_charts_are_drawn_not_photographed(report: Path) -> None:
    assert poppler("pdfimages", "-list", str(report)).splitlines()[2:] == []


def test_all_words_can_be_searched_those_in_charts_too(report: Path, review: Review) -> None:
    text = flat(poppler("pdftotext", str(report), "-"))
    for chart in review.charts:
        assert flat(chart.title) in text
        assert flat(chart.caption.finding) in text
    for words in ("sound power", "early reflections", "20k", "dB SPL at 1 m, 2.83 V", flat(COVERAGE_SENTENCE)):
        assert words in text
    for name, value in review.facts:
        assert flat(name) in text
        assert flat(value) in text
    # A line that ends in a hyphen of its own is joined without it by poppler.
    joined = text.replace("-", "")
    for row in review.figures.rows:
        assert flat(row[1]).replace("-", "") in joined
    for words in (*review.how_measured, *review.absent):
        assert flat(words) in text


def test_every_page_has_its_number_and_says_that_the_loudspeaker_is_invented(pages: list[str]) -> None:
    assert len(pages) > 3
    for number, page in enumerate(pages, 1):
        assert f"{number} of {len(pages)}" in page
        assert "invented" in page


def test_contents_lead_to_the_pages_they_name(pages: list[str], review: Review) -> None:
    entries = re.findall(r"(?:^|  )\s*(\S.*?) [. \u2060]{6,}(\d+)(?=\s|$)", "\n".join(pages), re.MULTILINE)
    listed = {name.strip(): int(at) for name, at in entries}
    for chart in review.charts[1:]:
        assert re.search(rf"(?:^|  )\s*{re.escape(chart.title)}(?:$|  )", pages[listed[chart.title] - 1], re.MULTILINE)


def test_the_first_page_says_what_matters(pages: list[str], review: Review) -> None:
    """Verdict (here, without the tester's words, what the balance shows), headline figures, and the balance."""
    first = flat(pages[0])
    assert flat(review.summary.split(". ")[0]) in first
    assert all(headline.words in first for headline in review.headlines)
    assert "sound power" in first
    assert "Contents" not in first


def test_a_photograph_stands_on_the_first_page_with_its_words(review: Review, tmp_path: Path) -> None:
    noise = np.random.default_rng(3).integers(0, 255, (600, 400, 3)).astype(np.uint8)
    Image.fromarray(noise).save(tmp_path / "front.png")
    photo = ShownPhoto("photos/1.jpg", picture_of(tmp_path / "front.png"), "a tall white box", "")
    path = write_report(replace(review, photos=(photo,)), tmp_path / "p.pdf")
    found = poppler("pdfimages", "-list", str(path)).splitlines()[2:]
    assert [row.split()[0] for row in found] == ["1"]
    assert found[0].split()[3:5] == ["400", "600"]
    assert "pdfuaid" in poppler("pdfinfo", "-meta", str(path))
    # An alternate text is a text string of the structure tree, UTF-16 or plain (ISO 32000-1, 14.9.3, from memory).
    alternates = poppler("pdfinfo", "-struct", str(path))
    assert len(re.findall(r"^\s*Figure", alternates, re.MULTILINE)) == len(review.charts) + 1


def test_type_in_charts_is_nine_points_high_on_paper(report: Path) -> None:
    # Common practice, no source: print no type under 8 points. The typeface's ascent and descent add up to 1 em.
    boxes = re.findall(r'yMin="([\d.]+)"[^>]*yMax="([\d.]+)">20k<', poppler("pdftotext", "-bbox", str(report), "-"))
    assert boxes
    for top, bottom in boxes:
        assert 8.0 <= float(bottom) - float(top) <= 10.0


def test_same_review_gives_the_same_bytes(review: Review, report: Path) -> None:
    assert report_pdf(review) == report.read_bytes()


def test_words_of_a_tester_are_never_markup(review: Review, tmp_path: Path) -> None:
    hostile = replace(review, title=HOSTILE, disclosure=HOSTILE, facts=((HOSTILE, HOSTILE),))
    text = flat(poppler("pdftotext", str(write_report(hostile, tmp_path / "h.pdf")), "-"))
    assert text.count(HOSTILE) >= 4


def test_letters_the_typeface_lacks_cost_the_claim_and_not_the_report(review: Review, tmp_path: Path) -> None:
    path = write_report(replace(review, disclosure="作った人 \N{LINEAR B SYLLABLE B008 A}"), tmp_path / "c.pdf")
    assert "Tagged:          yes" in poppler("pdfinfo", str(path))
    assert "pdfuaid" not in poppler("pdfinfo", "-meta", str(path))


def test_real_loudspeaker_is_not_called_invented(
    reading: Reading, measurement: Measurement, describe: Callable[..., Session], tmp_path: Path
) -> None:
    real = review_of(reading, measurement, describe(invented=False))
    assert "invented" not in poppler("pdftotext", str(write_report(real, tmp_path / "r.pdf")), "-").lower()


def test_another_paper_is_refused(review: Review) -> None:
    with pytest.raises(InputError, match="one of a4, letter"):
        report_pdf(review, paper="a5")  # type: ignore[arg-type]


def test_report_that_cannot_be_written_leaves_what_was_there(review: Review, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    with pytest.raises(OutputError, match="cannot be written"):
        write_report(review, tmp_path / "file" / "report.pdf")
    assert [path.name for path in tmp_path.iterdir()] == ["file"]
    assert (tmp_path / "file").read_text() == "mine"


def test_missing_typesetter_is_told(review: Review, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(MissingExtraError, match="typesetter"):
        report_pdf(review)
