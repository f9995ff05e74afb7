"""Exhibits of a baffled piston behind a Butterworth high-pass: their captions are held against closed-form answers."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import j1

from earwitness.exhibits.all import MAKERS, absent_words, exhibits_of
from earwitness.exhibits.balance import across, balance, coverage_edges, evenness, in_room, reflections
from earwitness.exhibits.chart import Chart
from earwitness.exhibits.figures_table import figures_table
from earwitness.exhibits.responses import near_field
from earwitness.exhibits.trust import quality, trust
from earwitness.exhibits.words import figure_words
from earwitness.figures.read import read_measurement
from earwitness.figures.registry import FIGURES, OWN_KIND
from earwitness.quantities import Asked, Measurement, Reading
from earwitness.session.session import Session

Measure = Callable[..., Measurement]


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


def finding(chart: Chart | None) -> str:
    assert chart is not None
    return plain(chart.caption.finding)


def test_the_page_has_all_exhibits_in_order(reading: Reading, measurement: Measurement, session: Session) -> None:
    exhibits = exhibits_of(reading, measurement, session.loudspeaker)
    assert [exhibit.key for exhibit in exhibits] == [
        key for key in MAKERS if key not in ("impulse", "decay", "separation")
    ]
    assert all("Larch 2" in exhibit.note and "invented" in exhibit.note for exhibit in exhibits)
    absent = absent_words(reading, measurement)
    assert absent[0] == "Distortion is not shown: the session has no level series."
    assert [words.partition(" is not shown")[0] for words in absent[1:]] == [
        "Compression",
        "Maximum clean SPL",
        "Multitone distortion",
        "Thermal compression",
        "Load",
    ]


def test_caption_of_evenness_names_the_planted_rise(reading: Reading, measurement: Measurement) -> None:
    words = finding(evenness(reading, measurement))
    found = re.search(r"up to \+(\S+) ± (\S+) dB \(at (\S+) Hz\)", words)
    assert found is not None
    # 3 dB bell at 300 Hz less the energy mean of the band, which the bell lifts by under 0.7 dB (own computation).
    assert 2.3 <= float(found[1]) <= 3.0
    assert float(found[3]) == pytest.approx(300.0, rel=0.04)


def test_caption_changes_with_the_numbers(measure: Measure) -> None:
    higher = measure(rise_db=5.0)
    assert "4.1 ±" in finding(evenness(read_measurement(higher), higher))


def test_caption_does_not_claim_beyond_the_uncertainty(measure: Measure) -> None:
    doubtful = measure(rise_db=0.2, u_db=2.0)
    words = finding(evenness(read_measurement(doubtful), doubtful))
    assert "no deviation beyond the uncertainty, 0 ± 2 dB, from its mean level" in plain(words)
    chart = evenness(read_measurement(doubtful), doubtful)
    assert chart is not None
    assert chart.panels[0].marks == ()


def test_evenness_windows_lie_about_the_sensitivity(reading: Reading, measurement: Measurement) -> None:
    chart = evenness(reading, measurement)
    assert chart is not None
    windows = [region for region in chart.panels[0].regions if region.kind == "window"]
    level = reading.figures["sensitivity"].value
    assert [(round(r.low or 0, 6), round(r.high or 0, 6)) for r in windows] == [
        (round(level - half, 6), round(level + half, 6)) for half in (3.0, 1.5) if level is not None
    ]


def test_balance_speaks_of_f6(reading: Reading, measurement: Measurement) -> None:
    figure = reading.figures["f6"]
    assert figure.value is not None
    assert f"{figure.value:.0f}" in figure_words(figure)
    assert f"by 6 dB at {plain(figure_words(figure))} (F6)." in finding(balance(reading, measurement))
    silent = replace(reading, figures={"f6": Asked("f6", "Hz", "fall").refused("no bass")})
    assert "F6" not in finding(balance(silent, measurement))


def test_balance_shares_its_axis_with_the_indices(reading: Reading, measurement: Measurement) -> None:
    chart = balance(reading, measurement)
    assert chart is not None
    levels, indices = chart.panels
    assert [trace.curve.key for trace in levels.traces] == [
        "on_axis",
        "listening_window",
        "early_reflections",
        "sound_power",
    ]
    assert [trace.ribbon for trace in levels.traces] == [False, True, False, False]
    assert [region.kind for region in levels.regions] == ["splice"]
    assert {panel.db_per_decade for panel in chart.panels} == {25.0}
    assert {trace.role for trace in indices.traces} == {"directivity"}
    top = max(float(t.curve.values[t.curve.valid].max()) for t in indices.traces)
    assert indices.high >= top


def test_coverage_in_the_caption_is_that_of_a_piston(reading: Reading, measurement: Measurement) -> None:
    # Handbook: a piston in a baffle is 6 dB down where 2 J1(x)/x = 1/2 (to 0.01 dB), x = ka sin(angle).
    x = brentq(lambda x: 20 * np.log10(2 * j1(x) / x) + 6.0, 1.0, 3.0)
    expected = np.degrees(np.arcsin(x * 343.0 / (2 * np.pi * 4000.0 * 0.05)))
    words = finding(across(reading, measurement))
    (both,) = (float(part) for part in re.findall(r"(\d+) ± \d+° at 4 kHz", words))
    assert "left and right" in words
    # Linear in dB between 10 degree steps (the reading's rule) errs by about a degree here.
    assert both == pytest.approx(expected, abs=1.5)


def test_map_edges_are_signed_and_only_where_reached(reading: Reading) -> None:
    left, right = coverage_edges(reading, "horizontal")
    assert (left.values[left.valid] > 0).all()
    assert (right.values[right.valid] < 0).all()
    assert not np.isfinite(left.values[~left.valid]).any()


def test_in_room_tilt_is_the_figure(reading: Reading, measurement: Measurement) -> None:
    slope = reading.figures["in_room_slope"].value
    assert slope is not None
    assert f"falls toward the treble by {abs(slope):.2f} ±" in finding(in_room(reading, measurement))


def test_reflections_name_the_weakest_surface(reading: Reading, measurement: Measurement) -> None:
    means = {}
    window = reading.curves["listening_window"]
    band = (window.axis.hz >= 100) & (window.axis.hz <= 10_000)
    for key, label in {"floor": "floor", "ceiling": "ceiling", "rear_wall": "rear wall"}.items():
        means[label] = float((reading.curves[key].values - window.values)[band].mean())
    words = finding(reflections(reading, measurement))
    assert f"The {min(means, key=lambda label: means[label])} reflection differs" in words
    amount = re.search(r": (\S+) ± ", words)
    assert amount is not None
    assert float(amount[1]) == pytest.approx(-min(means.values()), abs=0.15)


def test_near_field_speaks_of_the_splice(reading: Reading, measurement: Measurement) -> None:
    words = finding(near_field(reading, measurement))
    assert "260 Hz" in words
    assert "0.4 dB of what geometry expects" in words.replace("\N{NO-BREAK SPACE}", " ")
    assert "The two agree within 0.2 dB" in words
    assert near_field(reading, replace(measurement, near_field=())) is None
    assert "not joined" in finding(near_field(reading, replace(measurement, splice=None)))


def test_trust_adds_the_budget_in_quadrature(reading: Reading, measurement: Measurement) -> None:
    row = int(np.abs(measurement.response.axis.hz - 1000.0).argmin())
    total = 2 * np.sqrt(sum(float(line.u_db[row]) ** 2 for line in measurement.budget))
    assert f"±{total:.1f} dB at 1 kHz" in finding(trust(reading, measurement))
    assert trust(reading, replace(measurement, budget=())) is None


def test_table_holds_every_figure_with_uncertainty_or_reason(reading: Reading) -> None:
    table = figures_table(reading)
    usual = [key for key in FIGURES if key not in OWN_KIND]
    assert len(table.rows) == len(reading.figures) == len(usual)
    for key, row in zip(usual, table.rows, strict=True):
        figure, value = reading.figures[key], plain(row[1])
        if figure.value is None:
            assert value == f"not judged: {figure.reason}"
        else:
            assert re.search(r"±|\(\S+ to \S+\)", value)
            assert {"deg": "°", "dB/octave": "dB/oct"}.get(figure.unit, figure.unit) in value
        assert figure.method.rstrip(".")[1:].replace(" ohm", "\N{NO-BREAK SPACE}Ω") in row[3]
        assert all(caveat.rstrip(".")[1:].replace(" ohm", "\N{NO-BREAK SPACE}Ω") in row[3] for caveat in figure.caveats)


def test_missing_curves_are_named_with_their_reason(reading: Reading, measurement: Measurement) -> None:
    curves = {key: curve for key, curve in reading.curves.items() if key not in ("sound_power", "in_room")}
    why = {"sound_power": "behind it nothing was measured", "in_room": "sound power is missing"}
    poor = replace(reading, curves=curves, missing=why)
    words = absent_words(poor, measurement)
    assert any("behind it nothing was measured" in text for text in words)
    assert any(text.startswith("The balance in the room is not shown: sound power is missing") for text in words)
    assert in_room(poor, measurement) is None


def test_nothing_read_gives_no_exhibit_but_reasons(reading: Reading, measurement: Measurement) -> None:
    empty = replace(reading, curves={}, figures={}, maps={})
    bare = replace(measurement, near_field=(), budget=())
    assert [make(empty, bare) for make in MAKERS.values()] == [None] * len(MAKERS)
    assert len(absent_words(replace(empty, missing={}), bare)) == 6


def test_quality_remarks_come_gravest_first(measurement: Measurement) -> None:
    table = quality(measurement)
    assert table is not None
    assert [row[0] for row in table.rows] == ["Caution", "Note"]
    assert table.rows[0][2] == "h030, h330"
    assert quality(replace(measurement, flags=())) is None
