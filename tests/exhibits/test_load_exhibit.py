"""The load exhibit: its words and marks are the numbers of the reading."""

from __future__ import annotations

from xml.etree import ElementTree

import numpy as np

from earwitness.exhibits.load import load
from earwitness.exhibits.words import figure_words
from earwitness.figures.load import load_curves, load_figures
from earwitness.quantities import Impedance, Reading, log_axis
from earwitness.render.svg import svg_of

AXIS = log_axis(5.0, 21_000.0, 48)


def made(enclosure: str, *, rated_ohm: float | None = 8.0, valid_from_hz: float = 0.0, ripple: float = 0.0) -> Reading:
    """Re 6 ohm, 0.5 mH, fs 40 Hz, Qms 5, Qes 0.45; vented: in a box tuned to 36 Hz, compliance ratio 1.2."""
    hz = AXIS.hz
    s = 1j * hz
    port = s**2 / 36.0**2 + s / (7.0 * 36.0)
    box = 1.2 * 40.0 / s * port / (port + 1.0) if enclosure == "vented" else 0.0
    ohm = 6.0 + 2j * np.pi * hz * 5e-4 + 6.0 / 0.45 / (s / 40.0 + 40.0 / s + 0.2 + box)
    turn = 1j * hz / 700.0
    ohm = ohm * (1 + ripple * (turn / 25.0) / (turn**2 + turn / 25.0 + 1.0))
    size = np.abs(ohm)
    impedance = Impedance(AXIS, ohm, 0.003 * size, np.full(size.shape, 0.2), hz >= valid_from_hz)
    figures = load_figures(impedance, rated_ohm=rated_ohm, enclosure=enclosure)
    return Reading(load_curves(impedance), figures, {}, {}, {})


def test_magnitude_and_epdr_stand_above_the_phase() -> None:
    chart = load(made("vented"))
    assert chart is not None
    upper, lower = chart.panels
    assert [trace.curve.key for trace in upper.traces] == ["impedance_magnitude", "epdr"]
    assert [trace.curve.key for trace in lower.traces] == ["impedance_phase"]
    assert (upper.unit, lower.unit) == ("Ω", "°")
    assert upper.db_per_decade is None
    assert lower.db_per_decade is None
    top = max(trace.curve.values[AXIS.hz >= 10.0].max() for trace in upper.traces)
    assert upper.low == 0.0
    assert upper.high >= top
    assert ElementTree.fromstring(svg_of(chart, 900)).tag.endswith("svg")


def test_marks_stand_on_the_curves_at_the_figures() -> None:
    reading = made("vented")
    chart = load(reading)
    assert chart is not None
    marks = chart.panels[0].marks
    assert [mark.number for mark in marks] == [1, 2, 3]
    for mark, key in zip(marks, ("impedance_minimum_at", "epdr_minimum_at", "box_tuning"), strict=True):
        assert mark.at_hz == reading.figures[key].value
    assert marks[0].at == reading.figures["impedance_minimum"].value
    assert figure_words(reading.figures["epdr_minimum"]) in marks[1].text


def test_the_finding_is_made_of_the_numbers() -> None:
    reading = made("closed")
    chart = load(reading)
    assert chart is not None
    assert figure_words(reading.figures["impedance_minimum"]) in chart.caption.finding
    assert "The maker's rating does not hold: 80 % of the rated 8\u00a0Ω are 6.40\u00a0Ω" in chart.caption.finding
    amplifier = reading.figures["amplifier_load"].value
    assert amplifier is not None
    assert f"loads rated {amplifier:g}\u00a0Ω" in chart.caption.finding
    assert figure_words(reading.figures["closed_resonance"]) in chart.caption.reading
    assert "No small resonance stands out" in chart.caption.reading
    rated = load(made("closed", rated_ohm=6.0))
    assert rated is not None
    assert "The maker's rating holds" in rated.caption.finding


def test_the_limit_of_the_rating_is_a_band() -> None:
    chart, free = load(made("closed")), load(made("closed", rated_ohm=None))
    assert chart is not None
    assert free is not None
    (region,) = chart.panels[0].regions
    assert (region.kind, region.low) == ("target", 0.0)
    assert region.high is not None
    assert abs(region.high - 6.4) < 1e-9
    assert region.label == "below 80 % of 8\u00a0Ω"
    assert free.panels[0].regions == ()
    assert "rating" not in free.caption.finding


def test_a_small_resonance_is_named() -> None:
    reading = made("closed", ripple=0.04)
    chart = load(reading)
    assert chart is not None
    (found,) = reading.figures["impedance_wrinkles"].caveats
    assert abs(float(found.split(" at ")[1].removesuffix(" Hz")) - 700.0) < 5.0
    assert f"Small resonances stand out: {found}." in chart.caption.reading


def test_what_is_missing_is_said_or_left_out() -> None:
    chart = load(made("closed", valid_from_hz=200.0))
    assert chart is not None
    assert chart.caption.finding.startswith("The lowest impedance is not judged: the impedance is known in")
    assert load(made("closed", valid_from_hz=1e6)) is None
    assert load(Reading({}, {}, {}, {}, {})) is None
