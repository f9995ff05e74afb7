"""Charts as SVG: read back with the XML parser of the standard library, never by comparing to a stored picture."""

from __future__ import annotations

import re
from dataclasses import replace
from math import log10
from typing import get_args
from xml.etree import ElementTree

import numpy as np
import pytest

from earwitness.errors import InputError
from earwitness.exhibits.chart import Caption, Chart, ChartRegion, Mark, Panel, Role, Trace
from earwitness.quantities import Curve, FrequencyAxis, log_axis
from earwitness.render.frame import points as points_of
from earwitness.render.labels import dodged
from earwitness.render.palette import INKS
from earwitness.render.svg import svg_of

SVG = "{http://www.w3.org/2000/svg}"
NASTY = 'A & B <script>"x"</script>\x00'


def curve(level_db: float = 85.0, *, valid_from_hz: float = 20.0) -> Curve:
    axis = log_axis(20.0, 20_000.0, 12)
    u = np.full(axis.hz.shape, 0.5)
    values = np.full(axis.hz.shape, level_db)
    valid = axis.hz >= valid_from_hz
    return Curve("made_up", "made up", axis, values, u, np.zeros_like(u), valid, "dB", "dB SPL at 1 m, 2.83 V")


def chart(*traces: Trace, regions: tuple[ChartRegion, ...] = (), marks: tuple[Mark, ...] = ()) -> Chart:
    panel = Panel("level", "dB", 50.0, 100.0, 5.0, traces, regions, marks)
    return Chart("balance", "Balance", "invented data", Caption("It is flat.", "Read it so."), (panel,), note="n")


def parsed(drawn: Chart, width_px: int = 900) -> ElementTree.Element:
    return ElementTree.fromstring(svg_of(drawn, width_px))


def of_class(root: ElementTree.Element, kind: str) -> list[ElementTree.Element]:
    return [node for node in root.iter() if kind in node.get("class", "").split()]


def texts(root: ElementTree.Element, kind: str) -> list[str]:
    return [" ".join(node.itertext()) for node in of_class(root, kind)]


def points(node: ElementTree.Element) -> np.ndarray:
    return np.array(re.findall(r"-?\d+(?:\.\d+)?", node.get("d", "")), float).reshape(-1, 2)


@pytest.mark.parametrize("width_px", [480, 900, 1440])
def test_a_decade_is_as_long_as_25_db_is_high(width_px: int) -> None:
    # IEC 60263 (scales for plotting frequency characteristics), from memory: 25 dB per decade.
    root = parsed(chart(Trace(curve(), "direct", "on axis")), width_px)
    at = {node.text: float(node.get("x", "")) for node in of_class(root, "hz")}
    level = {node.text: float(node.get("y", "")) for node in of_class(root, "tick")}
    assert at["1k"] - at["100"] == pytest.approx(level["75"] - level["100"], abs=0.21)


def test_frequency_labels_and_minor_lines() -> None:
    # Common practice, no source: labels 1-2-5, a line at every 1-9 of each decade.
    root = parsed(chart())
    # The first has the unit, so that no number of the axis goes without one.
    assert texts(root, "hz") == ["20\N{NO-BREAK SPACE}Hz", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"]
    assert len(of_class(root, "minor")) + len(of_class(root, "decade")) == 8 + 9 + 9 + 2


def test_a_trace_lies_where_a_logarithmic_axis_puts_it() -> None:
    # Definition of a logarithmic axis, computed here from the plot rectangle.
    root = parsed(chart(Trace(curve(87.5), "direct", "on axis")))
    plot = of_class(root, "plot")[0]
    left, top, width, height = (float(plot.get(name, "")) for name in ("x", "y", "width", "height"))
    line = points(of_class(root, "trace")[0])
    hz = log_axis(20.0, 20_000.0, 12).hz
    assert line[:, 0] == pytest.approx(left + width * np.log10(hz / 20.0) / log10(1000.0), abs=0.11)
    assert line[:, 1] == pytest.approx(top + height * 0.25, abs=0.11)


def test_ribbon_is_two_standard_uncertainties_to_each_side() -> None:
    # ISO/IEC Guide 98-3, 6.2: expanded uncertainty U = k u, here k = 2; 2 dB wide, so 2/50 of the panel.
    root = parsed(chart(Trace(curve(), "direct", "on axis", ribbon=True)))
    height = float(of_class(root, "plot")[0].get("height", ""))
    assert np.ptp(points(of_class(root, "ribbon")[0])[:, 1]) == pytest.approx(height * 2 / 50, abs=0.21)


def test_outside_the_valid_band_the_line_is_pale_and_dashed() -> None:
    # House rule, no outside source: the pale part meets the full part and never overlaps it by more than one point.
    root = parsed(chart(Trace(curve(valid_from_hz=200.0), "direct", "on axis")))
    pale, full = of_class(root, "trace")
    assert pale.get("stroke-dasharray")
    assert float(pale.get("stroke-opacity", "1")) < 1
    assert full.get("stroke-dasharray") is None
    assert points(pale)[-1] == pytest.approx(points(full)[0])


def test_every_role_is_drawn_in_its_color_and_dash() -> None:
    for role in get_args(Role):
        line = of_class(parsed(chart(Trace(curve(), role, "x"))), "trace")[0]
        assert line.get("stroke") == INKS[role].light
        assert line.get("stroke-dasharray", "") == INKS[role].dash


def test_text_is_escaped_everywhere() -> None:
    # XML 1.0, 2.2 (allowed characters) and 2.4 (markup): the parser would refuse or find elements otherwise.
    nasty = chart(
        Trace(curve(), "direct", NASTY),
        regions=(ChartRegion("window", 100.0, 1000.0, label=NASTY),),
        marks=(Mark(1, 1000.0, 85.0, NASTY),),
    )
    nasty = replace(nasty, key='a"b<c', title=NASTY, subtitle=NASTY, note=NASTY, caption=Caption(NASTY, NASTY))
    root = parsed(nasty, 1400)
    assert not list(root.iter(f"{SVG}script"))
    assert texts(root, "label") == [NASTY.replace("\x00", "\ufffd")]
    assert [node.text for node in root.iter(f"{SVG}title")] == [NASTY.replace("\x00", "\ufffd")]


def test_title_and_description_are_named_for_readers_who_listen() -> None:
    # WAI-ARIA 1.2: aria-labelledby holds ids of the naming elements.
    root = parsed(chart())
    named = {node.get("id"): node.text for node in root.iter() if node.get("id")}
    assert root.get("role") == "img"
    assert [named[key] for key in root.get("aria-labelledby", "").split()] == ["Balance", "It is flat. Read it so."]


def test_two_charts_on_a_page_share_no_id() -> None:
    # HTML: an id is unique in its document.
    first = {node.get("id") for node in parsed(chart()).iter()} - {None}
    second = {node.get("id") for node in parsed(replace(chart(), key="other")).iter()} - {None}
    assert first
    assert not first & second


def test_same_chart_same_bytes_and_coordinates_of_a_tenth() -> None:
    drawn = chart(Trace(curve(valid_from_hz=200.0), "window", "w", ribbon=True), Trace(curve(86.0), "direct", "d"))
    text = svg_of(drawn, 900)
    assert text == svg_of(drawn, 900)
    assert all(not re.search(r"\.\d\d", path) for path in re.findall(r' d="([^"]*)"', text))


def test_equal_ends_get_labels_apart() -> None:
    root = parsed(chart(*(Trace(curve(), "direct", name) for name in ("a", "b", "c"))))
    places = [float(node.get("y", "")) for node in of_class(root, "label")]
    assert np.diff(sorted(places)) == pytest.approx([16.0, 16.0], abs=0.11)


def test_dodging_leaves_distant_labels_and_stays_inside() -> None:
    assert dodged([50.0, 10.0], 0.0, 100.0, 16.0) == [50.0, 10.0]
    assert dodged([99.0, 98.0, 97.0], 0.0, 100.0, 16.0) == [100.0, 84.0, 68.0]


def test_heard_regions_are_bars_and_splices_brackets() -> None:
    regions = (ChartRegion("heard", 200.0, 500.0, label="boxy"), ChartRegion("splice", 150.0, 300.0, label="splice"))
    root = parsed(chart(regions=regions))
    heard, splice = of_class(root, "heard")[0], of_class(root, "splice")[0]
    assert heard.tag == f"{SVG}rect"
    assert splice.tag == f"{SVG}path"
    assert texts(root, "region-label") == ["boxy", "splice"]


def test_a_window_covers_its_band_and_levels() -> None:
    # Definition: 3 dB of a panel of 50 dB, two of the three decades.
    root = parsed(chart(regions=(ChartRegion("window", 200.0, 20_000.0, 85.0, 88.0),)))
    plot, window = of_class(root, "plot")[0], of_class(root, "window")[0]
    assert float(window.get("height", "")) == pytest.approx(float(plot.get("height", "")) * 3 / 50, abs=0.11)
    assert float(window.get("width", "")) == pytest.approx(float(plot.get("width", "")) * 2 / 3, abs=0.11)


def test_regions_beyond_the_axis_are_left_out() -> None:
    root = parsed(chart(regions=(ChartRegion("heard", 21_000.0, 30_000.0, label="air"),)))
    assert not of_class(root, "region")
    assert not of_class(root, "region-label")


def test_charts_that_cannot_be_drawn_are_refused() -> None:
    drawn = chart(Trace(curve(), "direct", "on axis"))
    upside_down = replace(drawn.panels[0], low=100.0, high=50.0)
    for bad in (replace(drawn, panels=()), replace(drawn, low_hz=0.0), replace(drawn, panels=(upside_down,))):
        with pytest.raises(InputError):
            svg_of(bad, 900)
    with pytest.raises(InputError, match="narrow"):
        svg_of(drawn, 200)


def test_a_narrow_picture_names_its_curves_under_the_panel() -> None:
    # House rule, no outside source: letters at the curve ends, the same letters with the words below.
    drawn = chart(
        Trace(curve(), "direct", "on axis"),
        Trace(curve(80.0), "window", "listening window"),
        regions=(ChartRegion("heard", 200.0, 500.0, label="a remark too long for the plot of a phone"),),
    )
    root = parsed(drawn, 390)
    assert sorted(texts(root, "tag")) == ["a", "a", "b", "b"]
    assert texts(root, "label") == ["on axis", "listening window", "a remark too long for the plot of a phone"]
    bottom = float(of_class(root, "plot")[0].get("y", "")) + float(of_class(root, "plot")[0].get("height", ""))
    assert all(float(node.get("y", "")) > bottom for node in of_class(root, "label"))


def test_hatch_covers_what_no_curve_is_valid_in() -> None:
    # Definition of a logarithmic axis: 20 to 200 Hz is a third of 20 Hz to 20 kHz.
    root = parsed(
        chart(Trace(curve(valid_from_hz=500.0), "direct", "a"), Trace(curve(valid_from_hz=200.0), "window", "b"))
    )
    (hatch,) = of_class(root, "invalid")
    width = float(of_class(root, "plot")[0].get("width", ""))
    # Half an axis step (1/12 octave) lies between the last point that is not valid and 200 Hz.
    assert float(hatch.get("width", "")) == pytest.approx(width / 3, abs=width / 120)
    assert hatch.get("fill", "").startswith("url(#chart-balance-hatch")
    assert texts(root, "invalid-label") == ["outside the valid band"]


def test_no_hatch_where_everything_is_valid() -> None:
    assert not of_class(parsed(chart(Trace(curve(), "direct", "a"))), "invalid")


def test_region_labels_do_not_overlap() -> None:
    regions = tuple(ChartRegion("heard", 200.0, 500.0 + k, label=f"remark {k}") for k in range(4))
    root = parsed(chart(regions=regions))
    places = sorted(float(node.get("y", "")) for node in of_class(root, "region-label"))
    assert np.diff(places).min() >= 12


def test_findings_have_a_dot_a_leader_and_their_number_twice() -> None:
    # House rule: the number at the plot and the number in the list below it are the same.
    root = parsed(chart(marks=(Mark(1, 1000.0, 85.0, "one"), Mark(2, 1010.0, 85.0, "two"))))
    assert sorted(texts(root, "mark-number")) == ["1", "1", "2", "2"]
    dots = [(float(dot.get("cx", "")), float(dot.get("cy", ""))) for dot in of_class(root, "mark-dot")]
    starts = [tuple(points(leader)[0]) for leader in of_class(root, "mark-leader")]
    assert dots == starts
    top = sorted(float(node.get("x", "")) for node in of_class(root, "mark-number"))[-2:]
    assert top[1] - top[0] >= 16


def test_thousands_of_points_are_thinned_without_losing_a_peak() -> None:
    # The one point at 100 dB must stay, whatever the stretch it falls into.
    axis = log_axis(20.0, 20_000.0, 1000)
    values = np.full(axis.hz.shape, 80.0)
    values[4321] = 95.0
    zero = np.zeros_like(values)
    dense = Curve("dense", "dense", axis, values, zero, zero, axis.hz > 50, "dB", "")
    root = parsed(chart(Trace(dense, "direct", "d")))
    drawn = sum(len(points(node)) for node in of_class(root, "trace"))
    plot = of_class(root, "plot")[0]
    assert drawn <= 620
    peak = float(plot.get("y", "")) + float(plot.get("height", "")) * 5 / 50
    assert min(points(node)[:, 1].min() for node in of_class(root, "trace")) == pytest.approx(peak, abs=0.11)


def test_long_terms_start_their_own_line() -> None:
    root = parsed(chart(Trace(curve(), "all directions", "sound in all directions (sound power)")))
    assert [node.text for node in of_class(root, "label")[0]] == ["sound in all directions", "(sound power)"]


def test_a_time_axis_is_linear_and_says_so() -> None:
    """Equal steps of time are equally long; numbers stand at 1-2-5 steps."""
    axis = FrequencyAxis(np.arange(1.0, 9.0))
    zeros = np.zeros(8)
    curve = Curve("impulse", "impulse", axis, np.arange(8.0), zeros, zeros, np.ones(8, dtype=bool), "%", "%")
    panel = Panel("Impulse", "%", 0.0, 10.0, 5.0, traces=(Trace(curve, "direct", "impulse"),), db_per_decade=None)
    chart = Chart("t", "Over time", "", Caption("", ""), (panel,), low_hz=1.0, high_hz=8.0, axis="time")
    svg = svg_of(chart, 900)
    assert 'data-axis="time"' in svg
    labels = re.findall(r'<text class="hz" x="([0-9.]+)"[^>]*>([^<]+)</text>', svg)
    assert [words for _, words in labels] == ["1\N{NO-BREAK SPACE}ms", "2", "3", "4", "5", "6", "7", "8"]
    steps = np.diff([float(x) for x, _ in labels])
    assert np.ptp(steps) < 0.25


def test_a_line_holds_its_points_to_a_tenth_of_a_pixel_without_needless_signs() -> None:
    """Rounding to one decimal is off by at most half of it; zero has no sign and whole numbers no decimals."""
    x = np.array([0.0, -0.04, -0.06, 0.25, 10.0, 99.96, 100.0, 1200.4, -3.0])
    y = np.array([-0.0, 5.05, 0.049, -10.0, 0.5, 7.25, -0.01, 33.333, 20.0])
    text = points_of(x, y)
    pairs = np.array([[float(number) for number in pair.split(" ")] for pair in text.split("L")])
    np.testing.assert_allclose(pairs, np.column_stack([x, y]), atol=0.05 + 1e-12)
    assert text.startswith("0 0L0 5")
    assert re.search(r"-0(?:\.0)?(?=[ L]|$)|\.0(?=[ L]|$)", text) is None
