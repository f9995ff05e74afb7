"""Comparing through the command line: words, JSON and page of loudspeakers simulated at response level."""

from __future__ import annotations

import json
from pathlib import Path

import html5lib
import pytest
from click.testing import CliRunner

from earwitness.app.add import add_catalogue
from earwitness.cli import main

NAMES = ("Alder 1", "Bracken 2", "Cinder 3")


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("comparing") / "archive"
    add_catalogue(folder, count=4)
    return folder


def run(archive: Path, *arguments: object) -> tuple[int, str]:
    result = CliRunner().invoke(main, ["compare", *(str(a) for a in arguments), "--archive", str(archive)])
    return result.exit_code, result.stdout


def test_words_rank_nearest_and_frontier_are_told(archive: Path) -> None:
    code, out = run(archive, *NAMES[:2], "--among")
    assert code == 0
    told = ("● better", "◆ worse", "level-matched", "rank ", "percentile", "Most like", "Price against", "frontier")
    for words in told:
        assert words in out
    table = out.split("\n\n")[1].splitlines()
    assert table[0].split() == ["Figure", "A", "B"]
    assert out.startswith(f"A: Ostrevant Acoustics {NAMES[0]}")
    assert max(len(line) for line in table[:-1]) <= 80
    assert not any("…" in line for line in table)


def test_the_document_marks_what_differs_beyond_both_uncertainties(archive: Path) -> None:
    code, out = run(archive, *NAMES, "--json", "--match", 500, 2000)
    assert code == 0
    document = json.loads(out)
    assert document["match_hz"] == [500.0, 2000.0]
    assert len(document["loudspeakers"]) == 3
    assert len(document["verdicts"]) == 3
    first = document["loudspeakers"][0]["figures"]["sensitivity"]
    other = document["loudspeakers"][1]["figures"]["sensitivity"]
    pair = next(p for p in document["differences"][0]["figures"] if p["key"] == "sensitivity")
    # JCGM 100, clause 5.1.2: independent uncertainties combine in quadrature; k = 2.
    u = (first["standard_uncertainty"] ** 2 + other["standard_uncertainty"] ** 2) ** 0.5
    assert pair["difference"] == pytest.approx(other["value"] - first["value"])
    assert pair["is_beyond"] == (abs(other["value"] - first["value"]) > 2 * u)


def test_the_page_is_valid_html_with_the_charts(archive: Path, tmp_path: Path) -> None:
    assert run(archive, *NAMES[:2], "--to", tmp_path / "page")[0] == 0
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "index.html").write_text("<title>My home page</title>")
    assert run(archive, *NAMES[:2], "--to", tmp_path / "own")[0] == 7
    assert (tmp_path / "own" / "index.html").read_text() == "<title>My home page</title>"
    page = (tmp_path / "page" / "index.html").read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(page)
    assert page.count("<figure") == 2
    assert "http://" not in page.replace("http://www.w3.org/", "")


@pytest.mark.parametrize("names", [NAMES[:1], (NAMES[0], NAMES[0]), (NAMES[0], "Nobody")])
def test_what_cannot_be_compared_is_refused(archive: Path, names: tuple[str, ...]) -> None:
    assert run(archive, *names)[0] == 2


def test_a_band_without_data_is_refused(archive: Path) -> None:
    assert run(archive, *NAMES[:2], "--match", 2, 10)[0] == 2
