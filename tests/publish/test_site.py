"""The review page: read back with a strict HTML parser, never compared to a stored page."""

from __future__ import annotations

import csv
import errno
import json
import os
import re
import shutil
import zipfile
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from urllib.parse import urlsplit
from xml.etree.ElementTree import Element

import html5lib
import numpy as np
import pytest

from earwitness.errors import OutputError
from earwitness.figures.read import read_measurement
from earwitness.files import durable
from earwitness.publish.downloads import charts_json, curves_csv, directivity_csv, figures_csv
from earwitness.publish.review import Review, review_of
from earwitness.publish.site import write
from earwitness.publish.site.index import comparison_html, index_html
from earwitness.publish.site.write import page_html, write_review
from earwitness.quantities import Measurement, Reading
from earwitness.render.html import is_numbers_script
from earwitness.session.session import Session

HOSTILE = '<script>alert("x")</script>{{ 7 * 7 }}</title>&'


@pytest.fixture(scope="module")
def review(reading: Reading, measurement: Measurement, session: Session) -> Review:
    return review_of(reading, measurement, session)


@pytest.fixture(scope="module")
def folder(review: Review, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_review(review, tmp_path_factory.mktemp("made") / "review").page.parent


@pytest.fixture(scope="module")
def page(folder: Path) -> Element:
    return parsed((folder / "index.html").read_text(encoding="utf-8"))


def parsed(text: str) -> Element:
    tree: Element = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)
    return tree


def words_of(element: Element) -> str:
    return " ".join("".join(element.itertext()).replace("\N{NO-BREAK SPACE}", " ").split())


def test_the_page_is_valid_html_with_a_language_and_one_main(page: Element) -> None:
    assert page.get("lang") == "en"
    assert len(page.findall(".//main")) == 1
    assert len(page.findall(".//h1")) == 1


def test_headings_go_down_one_step_at_a_time(page: Element) -> None:
    levels = [int(e.tag[1]) for e in page.iter() if isinstance(e.tag, str) and re.fullmatch("h[1-6]", e.tag)]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_ids_are_unique_and_every_link_within_the_page_leads_somewhere(page: Element) -> None:
    ids = [e.get("id") for e in page.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    targets = {link.get("href", "")[1:] for link in page.findall(".//a") if link.get("href", "").startswith("#")}
    named = {key for e in page.iter() for key in (e.get("aria-labelledby") or "").split()}
    assert targets | named <= set(ids)
    assert page.find(".//body")[0].get("href") == "#main"


def test_nothing_is_fetched_from_a_network_and_every_file_is_there(page: Element, folder: Path) -> None:
    used = [e.get(name, "") for e in page.iter() for name in ("href", "src") if e.get(name)]
    files = [link.partition("#")[0] for link in used if not link.startswith("#")]
    assert all(not urlsplit(link).scheme and not urlsplit(link).netloc for link in files)
    assert all((folder / link).is_file() for link in files)
    assert {"downloads/numbers.zip", "downloads/figures.csv", "downloads/directivity.sofa"} <= set(files)
    assert "url(" not in (folder / "style.css").read_text()
    assert "@import" not in (folder / "style.css").read_text()


def test_the_page_has_its_parts_in_order(page: Element, review: Review) -> None:
    text = words_of(page.find(".//body"))
    name = review.loudspeaker.name.removesuffix(" (invented)")
    places = [text.index(mark) for mark in ("Invented.", name, review.summary[:20], "Disclosure.", "All figures")]
    assert places == sorted(places)
    heads = ["In short", "In charts", "With your amplifier, room, subwoofer", "Hear it"]
    heads += ["All measurements", "What was measured", "All figures", "How it was measured"]
    assert [words_of(head) for head in page.iter("h2")] == [*heads, "Downloads"]
    assert len(page.findall(".//figure")) == len(review.charts) == 9


def test_every_figure_stands_on_the_page_with_uncertainty_or_reason(page: Element, review: Review) -> None:
    text = words_of(page)
    for row in review.figures.rows:
        value = row[1].replace("\N{NO-BREAK SPACE}", " ")
        assert value in text
        assert value.startswith("not judged: ") or re.search(r"±|\(\S+ to \S+\)", value)
    values = [words_of(e) for e in page.iter("p") if "value" in (e.get("class") or "").split()]
    assert len(values) == 6


def test_captions_and_summary_change_with_the_numbers(
    measure: Callable[..., Measurement], session: Session, review: Review
) -> None:
    other = measure(level_db=90.0, rise_db=6.0)
    changed = review_of(read_measurement(other), other, session)
    assert changed.summary != review.summary
    assert changed.headlines[0].value != review.headlines[0].value
    text = words_of(parsed(page_html(changed, ())))
    assert changed.summary.replace("\N{NO-BREAK SPACE}", " ") in text
    assert review.summary.replace("\N{NO-BREAK SPACE}", " ") not in text


def test_only_an_invented_loudspeaker_carries_the_banner(
    reading: Reading, measurement: Measurement, describe: Callable[..., Session], page: Element
) -> None:
    assert any(e.get("class") == "invented" for e in page.iter())
    real = parsed(page_html(review_of(reading, measurement, describe(invented=False)), ()))
    assert not any(e.get("class") == "invented" for e in real.iter())
    assert "nvented" not in words_of(real)


def test_hostile_words_stay_words(reading: Reading, measurement: Measurement, describe: Callable[..., Session]) -> None:
    session = describe(name=HOSTILE + "\x00\x0b", maker="=cmd|' /C calc'!A0", reference_axis='" onload="x')
    flags = tuple(replace(flag, sentence=HOSTILE) for flag in measurement.flags)
    bad = replace(measurement, flags=flags)
    curves = {key: replace(curve, name=HOSTILE) for key, curve in reading.curves.items()}
    review = review_of(replace(reading, curves=curves, missing={"floor": HOSTILE}), bad, session)
    tree = parsed(page_html(review, ()))
    assert HOSTILE in words_of(tree)
    assert [s.get("src") for s in tree.iter("script")] == [
        "numbers.js",
        "charts.js",
        "calculators.js",
        "player.js",
        None,
        None,
    ]
    # The only script with words in it holds numbers, which run nothing.
    assert [s.get("type") for s in tree.iter("script") if s.text] == ["application/json"] * 2
    assert not any(name.startswith("on") for e in tree.iter() for name in e.keys())  # noqa: SIM118
    assert all(not row[0].startswith(("=", "+", "@")) for row in csv.reader(curves_csv(review).splitlines()) if row)


def test_every_number_of_the_charts_stands_beside_the_page(page: Element, folder: Path, review: Review) -> None:
    """Every link to a table leads to one; the script holds the JSON of every curve, and nothing that runs."""
    tables = parsed((folder / "numbers.html").read_text(encoding="utf-8"))
    ids = {e.get("id") for e in tables.iter("table")}
    links = [e.get("href", "") for e in page.iter("a") if e.get("href", "").startswith("numbers.html#")]
    assert {link.partition("#")[2] for link in links} == ids
    script = (folder / "numbers.js").read_bytes()
    assert is_numbers_script(script)
    start, _, text = script.partition(b"=")
    assert start == b"globalThis.earwitnessNumbers"
    document = json.loads(text)
    figures = document["figures"]
    assert {e.get("id") for e in page.iter("figure")} == set(figures)
    count = sum(len(panel.traces) + len(panel.map_edges) for chart in review.charts for panel in chart.panels)
    assert sum(len(one["curves"]) for one in figures.values()) == count
    # Unpacked, half a hundredth of a decibel is lost to rounding (after thousandths), and no frequency.
    one = figures["figure-chart-balance"]
    packed = next(curve for curve in one["curves"] if curve["key"] == "on_axis")
    curve, hz = review.reading.curves["on_axis"], np.array(document["axes"][one["axis"]])
    expected = np.interp(np.log(hz), np.log(curve.axis.hz), curve.values)
    np.testing.assert_allclose(np.cumsum(packed["values"]) / 100, expected, atol=0.0056)
    assert sum(packed["valid"]) == hz.size
    for bad in (
        b"alert(1)",
        script + b";alert(1)",
        script.replace(b"=", b"=alert", 1),
        b"globalThis.earwitnessNumbers=1",
    ):
        assert not is_numbers_script(bad)


def test_the_same_review_gives_the_same_bytes(review: Review, folder: Path, tmp_path: Path) -> None:
    again = write_review(review, tmp_path / "again").page.parent
    names = sorted(p.relative_to(folder) for p in folder.rglob("*") if p.is_file())
    assert names == sorted(p.relative_to(again) for p in again.rglob("*") if p.is_file())
    for name in names:
        # The container format of SOFA may stamp its own times.
        if name.suffix != ".sofa":
            assert (folder / name).read_bytes() == (again / name).read_bytes(), name


def test_an_older_review_is_replaced_and_nothing_is_left_beside(review: Review, tmp_path: Path) -> None:
    place = tmp_path / "review"
    write_review(review, place, more={"stale.txt": b"of the former page"})
    assert write_review(replace(review, revision="2"), place).lines == ()
    assert "revision 2" in words_of(parsed((place / "index.html").read_text(encoding="utf-8")))
    assert not (place / "stale.txt").exists()
    assert [p.name for p in tmp_path.iterdir()] == ["review"]


def test_a_folder_with_other_things_is_refused(review: Review, tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(OutputError, match="no review"):
        write_review(review, tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["thesis.txt"]
    with pytest.raises(OutputError, match="this is a file"):
        write_review(review, tmp_path / "thesis.txt")


def test_the_folder_of_a_site_or_a_comparison_is_not_that_of_a_review(review: Review, tmp_path: Path) -> None:
    """Their pages are the program's too, and a review in their place would take the index with it."""
    pages = (index_html([], title="All", base_url=""), comparison_html([], [], [], title="Two"))
    for number, text in enumerate(pages):
        folder = tmp_path / str(number)
        folder.mkdir()
        (folder / "index.html").write_text(text, encoding="utf-8")
        with pytest.raises(OutputError, match="no review"):
            write_review(review, folder)
        assert (folder / "index.html").read_text(encoding="utf-8") == text


def test_a_full_disk_leaves_the_older_review(review: Review, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "review"
    write_review(review, place)
    before = (place / "index.html").read_bytes()

    def full(_review: Review, fresh: Path) -> None:
        (fresh / "index.html").write_text("half")
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(write, "write_downloads", full)
    with pytest.raises(OutputError, match="the disk is full") as caught:
        write_review(review, place)
    assert caught.value.exit_code == 7
    assert str(place) in str(caught.value)
    assert (place / "index.html").read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["review"]


def test_a_failed_swap_brings_the_older_review_back(
    review: Review, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "review"
    write_review(review, place)
    rename = Path.rename

    def refuse(self: Path, target: Path) -> Path:
        if target == place and (self / "index.html").read_bytes().count(b"revision 9"):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        return rename(self, target)

    # As on a system that cannot let two folders change places in one step.
    monkeypatch.setattr(durable, "exchanged", lambda *_: False)
    monkeypatch.setattr(Path, "rename", refuse)
    with pytest.raises(OutputError, match="no permission to write"):
        write_review(replace(review, revision="9"), place)
    assert b"revision 1" in (place / "index.html").read_bytes()
    assert [p.name for p in tmp_path.iterdir()] == ["review"]


def test_a_parent_that_is_a_file_is_an_output_error(review: Review, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError):
        write_review(review, tmp_path / "file" / "review")


@pytest.mark.parametrize("brief", [True, False])
def test_curves_csv_gives_the_curves_back(review: Review, brief: bool) -> None:
    rows = [row for row in csv.reader(curves_csv(review, brief=brief).splitlines()) if not row[0].startswith("#")]
    assert len(rows[0]) == 1 + 4 * len(review.reading.curves)
    columns = {name: [row[k] for row in rows[1:]] for k, name in enumerate(rows[0])}
    curve = review.reading.curves["listening_window"]
    np.testing.assert_allclose(np.array(columns["frequency_hz"], dtype=float), curve.axis.hz, rtol=1e-5)
    # What rounding moves is small against what is not known: under a tenth of the standard uncertainty.
    moved = np.abs(np.array(columns["listening_window_dB"], dtype=float) - curve.values)
    assert np.all(moved <= (0.0501 * curve.u if brief else 1e-3))
    np.testing.assert_allclose(np.array(columns["listening_window_u"], dtype=float), curve.u, rtol=5e-3)
    np.testing.assert_allclose(np.array(columns["listening_window_u_common"], dtype=float), curve.u_common, rtol=5e-3)
    assert [cell == "1" for cell in columns["listening_window_valid"]] == list(curve.valid)


@pytest.mark.parametrize("brief", [True, False])
def test_directivity_csv_gives_the_response_back(measurement: Measurement, brief: bool) -> None:
    response = measurement.response
    rows = list(csv.DictReader(directivity_csv(response, brief=brief).splitlines()))
    assert len(rows) == response.pressure.size
    level = np.array([row["level_db_spl_1m_2v83"] for row in rows], dtype=float).reshape(response.pressure.shape)
    # The column's meaning from its own name: 2.83 V, 20 micropascal.
    moved = np.abs(level - 20 * np.log10(np.abs(response.pressure) * 2.83 / 20e-6))
    assert np.all(moved <= (0.0501 * response.u_apart_db() if brief else 1e-3))
    relative = directivity_csv(replace(response, absolute=False)).splitlines()[0]
    assert "spl" not in relative


def test_figures_csv_keeps_reasons(review: Review, reading: Reading) -> None:
    rows = {row["key"]: row for row in csv.DictReader(figures_csv(review).splitlines())}
    assert set(rows) == set(reading.figures)
    for key, figure in reading.figures.items():
        assert rows[key]["value"] == ("" if figure.value is None else f"{figure.value:.6g}")
        assert rows[key]["reason"] == figure.reason


def test_chart_definitions_are_json_without_pixels_or_colors(review: Review) -> None:
    text = charts_json(review)
    document = json.loads(text)
    assert document["format"] == 2
    assert [chart["key"] for chart in document["charts"]] == [chart.key for chart in review.charts]
    assert "px" not in text
    assert not re.search(r"#[0-9a-f]{6}", text)
    chart = document["charts"][0]
    assert chart["finding"] == review.charts[0].caption.finding
    shown = {document["curves"][trace["curve"]]["key"] for one in chart["panels"] for trace in one["traces"]}
    assert shown == {trace.curve.key for panel in review.charts[0].panels for trace in panel.traces}


def test_every_curve_of_a_chart_has_its_numbers_in_one_place(review: Review) -> None:
    """In charts.json, or under its key in curves.csv; in both only where a chart shows it turned or cut."""
    document = json.loads(charts_json(review))
    heads = next(row for row in csv.reader(curves_csv(review).splitlines()) if not row[0].startswith("#"))
    told = {curve["key"]: "values" in curve for curve in document["curves"]}
    assert not told["on_axis"]
    for curve in document["curves"]:
        if "values" in curve:
            assert len(curve["values"]) == len(document["axes"][curve["axis"]]) == len(curve["valid"])
            same = review.reading.curves.get(curve["key"])
            assert same is None or not np.allclose(np.array(curve["values"], dtype=float), same.values, equal_nan=True)
        else:
            assert any(head.startswith(f"{curve['key']}_") for head in heads)


def test_numbers_beside_the_page_are_one_zip(folder: Path, review: Review) -> None:
    with zipfile.ZipFile(folder / "downloads" / "numbers.zip") as archive:
        assert archive.testzip() is None
        assert archive.namelist() == ["charts.json", "curves.csv", "directivity.csv"]
        assert archive.read("curves.csv").decode() == curves_csv(review, brief=True)
        assert archive.read("charts.json").decode() == charts_json(review)


def test_sofa_is_among_the_downloads(folder: Path) -> None:
    # The container is HDF5: its signature (HDF5 File Format Specification, section II.A).
    assert (folder / "downloads" / "directivity.sofa").read_bytes()[:8] == b"\x89HDF\r\n\x1a\n"


def test_how_it_was_measured_follows_the_session(
    session: Session, reading: Reading, measurement: Measurement, review: Review
) -> None:
    text = " ".join(review.how_measured).replace("\N{NO-BREAK SPACE}", " ")
    for part in ("94 dB at 1 kHz", "10 Hz to 22 kHz", "2.83 V", "1.5 m, 36 positions", "5.8 ms", "260 Hz", "20 °C"):
        assert part in text
    bare = session.model_copy(update={"takes": session.takes[:-1], "reference": None})
    text = " ".join(review_of(reading, replace(measurement, splice=None, near_field=()), bare).how_measured)
    assert "No near field was recorded" in text
    assert "no loop-back" in text


def test_no_folder_is_left_when_permission_is_missing(
    review: Review, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_args: object, **_kwargs: object) -> str:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(OutputError, match="no permission to write"):
        write_review(review, tmp_path / "review")
    assert list(tmp_path.iterdir()) == []
    shutil.rmtree(tmp_path)
