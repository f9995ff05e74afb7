"""Figures and tables as markup: read back with html5lib in strict mode (the parsing rules of the HTML standard)."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import html5lib
import numpy as np
import pytest

from earwitness.exhibits.chart import Caption, Chart, Panel, Table, Trace
from earwitness.quantities import Curve, FrequencyAxis, log_axis
from earwitness.render.html import chart_script, figure_html, table_html

NASTY = "</script><b>\"x\" & 'y'\u2028"
FINE, COARSE = log_axis(20.0, 20_000.0, 48), log_axis(20.0, 20_000.0, 6)


def curve(key: str, axis: FrequencyAxis = FINE, *, valid_from_hz: float = 100.0, u: float = 0.25) -> Curve:
    # A line over the logarithm of frequency, which linear interpolation over it must give back exactly.
    values = 80.0 + np.log2(axis.hz / 1000.0)
    known = np.full(axis.hz.shape, u)
    return Curve(key, key, axis, values, known, np.zeros_like(known), axis.hz >= valid_from_hz, "dB", "dB SPL")


def chart(*curves: Curve) -> Chart:
    traces = tuple(Trace(each, "plain", each.name, ribbon=True) for each in curves)
    panel = Panel("level", "dB", 60.0, 100.0, 5.0, traces)
    return Chart("balance", "Balance", "invented", Caption("It tilts.", "Read it so."), (panel,))


def parsed(markup: str) -> object:
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parseFragment(markup)


def data(markup: str) -> dict[str, list]:  # type: ignore[type-arg]
    node = parsed(markup).find(".//script")  # type: ignore[attr-defined]
    assert node.get("type") == "application/json"
    return dict(json.loads(node.text))


def test_figure_is_valid_and_complete() -> None:
    root = parsed(figure_html(chart(curve("a")), 900))
    figure = root.find("figure")  # type: ignore[attr-defined]
    assert len(figure.findall(".//{http://www.w3.org/2000/svg}svg")) == 2
    assert "".join(figure.find("figcaption").itertext()) == "It tilts. Read it so."
    ids = re.findall(r' id="([^"]*)"', figure_html(chart(curve("a")), 900))
    assert len(ids) == len(set(ids))


def test_a_name_cannot_leave_the_json() -> None:
    # HTML standard, script data state: "</script" would end the element.
    nasty = replace(chart(curve("a")), title=NASTY)
    nasty = replace(nasty, panels=(replace(nasty.panels[0], traces=(Trace(curve(NASTY), "plain", NASTY),)),))
    markup = figure_html(nasty, 1400)
    assert data(markup)["curves"][0]["label"] == NASTY
    assert markup.count("</script>") == 1


def test_curves_on_other_frequencies_are_read_at_the_same_ones() -> None:
    found = data(figure_html(chart(curve("a"), curve("b", COARSE)), 900))
    hz = np.array(found["hz"])
    assert len(hz) == len(FINE)
    for read in found["curves"]:
        seen = np.array([np.nan if v is None else v for v in read["values"]])
        there = np.isfinite(seen)
        assert there.sum() > 0.9 * len(hz)
        assert seen[there] == pytest.approx(80.0 + np.log2(hz[there] / 1000.0), abs=1e-3)


def test_validity_and_expanded_uncertainty_travel() -> None:
    # ISO/IEC Guide 98-3, 6.2: U = k u, k = 2.
    found = data(figure_html(chart(curve("a", valid_from_hz=100.0)), 900))
    flags = np.array(list(found["curves"][0]["valid"])) == "1"
    assert (flags == (np.array(found["hz"]) >= 100.0)).all()
    assert set(found["curves"][0]["u"]) == {0.5}


def test_many_points_are_read_at_no_more_than_600() -> None:
    dense = curve("a", log_axis(20.0, 20_000.0, 480))
    assert 300 <= len(data(figure_html(chart(dense), 900))["hz"]) <= 600


def test_numbers_stand_at_third_octaves_with_their_uncertainty() -> None:
    # Nominal frequencies of IEC 61260-1 (from memory): 31 from 20 Hz to 20 kHz.
    root = parsed(figure_html(chart(curve("a")), 900))
    rows = {row.find("th").text: row.find("td").text for row in root.findall(".//tbody/tr")}  # type: ignore[attr-defined]
    assert len(rows) == 31
    assert rows["4 kHz"] == "82.0 ± 0.5"
    assert rows["50 Hz"] == "not valid"


def test_without_a_narrow_drawing_there_is_one() -> None:
    assert figure_html(chart(curve("a")), 900, narrow_px=None).count("<svg") == 1
    assert figure_html(chart(curve("a")), 390).count("<svg") == 1


def test_table_names_its_rows_and_columns() -> None:
    table = Table("t", NASTY, ("what", "value"), ("left", "right"), ((NASTY, "1"), ("b", "2")), note=NASTY)
    root = parsed(table_html(table))
    assert [th.get("scope") for th in root.findall(".//thead//th")] == ["col", "col"]  # type: ignore[attr-defined]
    assert [th.text for th in root.findall(".//tbody//th")] == [NASTY, "b"]  # type: ignore[attr-defined]
    assert root.find(".//caption").text == NASTY  # type: ignore[attr-defined]
    assert [td.get("class") for td in root.findall(".//tbody//td")] == ["right", "right"]  # type: ignore[attr-defined]


def test_the_script_is_small_and_needs_nothing_else() -> None:
    script = chart_script()
    assert len(script.encode()) < 25_000
    assert not re.search(r"^\s*(import|export)\b|\beval\(|new Function|https?:|fetch\(|</script", script, re.MULTILINE)


def test_no_number_of_a_chart_is_printed_without_any_doubt() -> None:
    markup = figure_html(chart(curve("a", u=0.001)), 900)
    assert "± 0.1" in markup
    assert "± 0.0" not in markup


def test_a_curve_named_as_its_panel_is_named_once() -> None:
    first = chart(curve("a"))
    second = Panel(
        "Phase", "dB", 60.0, 100.0, 5.0, (Trace(curve("b"), "plain", "phase"), Trace(curve("c"), "plain", "c"))
    )
    two = Chart("two", "Two", "", Caption("", ""), (*first.panels, second))
    markup = figure_html(two, 900)
    assert '<th scope="col">phase, dB</th>' in markup
    assert '<th scope="col">Phase: c, dB</th>' in markup
