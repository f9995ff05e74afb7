"""Captions against cases in which they could say more than the data do: gaps, coarse angles, bounds, noise."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from earwitness.dsp.multitone import make_multitone, read_multitone
from earwitness.exhibits.advice import Advice, findings_table
from earwitness.exhibits.balance import across, balance, in_room, reflections
from earwitness.exhibits.chart import Chart
from earwitness.exhibits.figures_table import figures_table, method_words
from earwitness.exhibits.heard import story
from earwitness.exhibits.level_facts import spread_of
from earwitness.exhibits.load import load
from earwitness.exhibits.loudness import distortion_chart, highest_level_chart, multitone_chart
from earwitness.exhibits.mend import mends
from earwitness.exhibits.responses import group_delay_chart
from earwitness.exhibits.trust import trust
from earwitness.exhibits.words import figure_words, short_reason
from earwitness.figures.distortion import distortion, distortion_figures
from earwitness.figures.highest_level import highest_clean_level
from earwitness.figures.load import load_curves, load_figures
from earwitness.figures.read import read_measurement
from earwitness.figures.tones import multitone_curves
from earwitness.insight.findings.finding import Finding, Kind
from earwitness.insight.mend.equalizer import Band
from earwitness.quantities import (
    Asked,
    Curve,
    DirectionalResponse,
    Directions,
    Figure,
    FrequencyAxis,
    Harmonics,
    Impedance,
    Measurement,
    Reading,
    log_axis,
)
from earwitness.quantities.measurement import MultitoneReading

AXIS = log_axis(20.0, 20_000.0, 24)
HZ = AXIS.hz


def said(chart: Chart | None) -> str:
    assert chart is not None
    return chart.caption.finding.replace("\N{NO-BREAK SPACE}", " ")


def how_to_read(chart: Chart | None) -> str:
    assert chart is not None
    return chart.caption.reading.replace("\N{NO-BREAK SPACE}", " ")


def curve(values: np.ndarray, *, u: float = 0.05, u_common: np.ndarray | float = 0.0, key: str = "on_axis") -> Curve:
    common = np.broadcast_to(np.asarray(u_common, dtype=float), HZ.shape).copy()
    return Curve(key, "on axis", AXIS, values, np.full(HZ.shape, u), common, np.ones(HZ.shape, dtype=bool), "dB", "dB")


def valid_in(reading: Reading, key: str, valid: np.ndarray) -> Reading:
    kept = reading.curves[key]
    figures = {name: f for name, f in reading.figures.items() if not name.startswith("in_room")}
    return replace(reading, curves={**reading.curves, key: replace(kept, valid=valid)}, figures=figures)


def test_a_near_field_that_may_stand_too_high_is_in_the_uncertainty_of_a_rise() -> None:
    # Below 400 Hz all directions share another 0.4 dB: it does not cancel against the mean of the whole band.
    bump = 2.0 * np.exp(-((np.log2(HZ / 200.0) / 0.3) ** 2))
    common = np.where(HZ < 400.0, np.hypot(0.2, 0.4), 0.2)
    spread = spread_of(curve(bump, u_common=common))
    assert spread is not None
    # Independent: errors drawn as the documentation states them (correlation exp(-(d / octave)^2) for what is smooth,
    # half of the own variance independent), the offset of 0.2 dB left out, and the energy mean taken of each draw.
    grid = 100.0 * 2.0 ** (np.arange(133) / 20)
    x = np.log2(grid)
    smooth = np.exp(-((x[:, None] - x) ** 2))
    rest = np.where(grid < 400.0, 0.4, 0.0)
    covariance = np.outer(rest, rest) * smooth + 0.05**2 * (0.5 * smooth + 0.5 * np.eye(grid.size))
    level = np.interp(x, np.log2(HZ), bump)
    drawn = level + np.random.default_rng(7).multivariate_normal(np.zeros(grid.size), covariance, 20_000, method="eigh")
    row = int(np.argmin(np.abs(grid - spread.rise.at_hz)))
    gaps = drawn[:, row] - 10 * np.log10((10 ** (drawn / 10)).mean(axis=1))
    assert spread.rise.u_db == pytest.approx(gaps.std(), rel=0.08)
    assert spread.rise.u_db > 0.3


def test_what_all_frequencies_share_cancels_in_a_deviation() -> None:
    bump = 2.0 * np.exp(-((np.log2(HZ / 2000.0) / 0.3) ** 2))
    alone, shared = spread_of(curve(bump)), spread_of(curve(bump, u_common=0.5))
    assert alone is not None
    assert shared is not None
    assert shared.rise.u_db == pytest.approx(alone.rise.u_db, rel=1e-6)


def test_no_band_is_claimed_over_a_gap(reading: Reading, measurement: Measurement) -> None:
    # Wider than the sixth of an octave that figures bridge.
    kept = reading.curves["in_room"]
    gap = kept.valid & ~((kept.axis.hz > 300.0) & (kept.axis.hz < 400.0))
    words = said(in_room(valid_in(reading, "in_room", gap), measurement))
    assert "No slope" in words
    assert "100 Hz to" not in words.partition("It strays")[2]
    low = float(words.partition("It strays")[2].rpartition("level, ")[2].split(" Hz")[0])
    assert low == pytest.approx(400.0, rel=0.02)


def test_a_bass_limit_that_was_not_reached_is_no_fall(reading: Reading, measurement: Measurement) -> None:
    bound = Figure("f6", 40.0, 0.0, "Hz", (40.0, 300.0), "fall", bound="at most")
    words = said(balance(replace(reading, figures={**reading.figures, "f6": bound}), measurement))
    assert "at at most" not in words
    assert "On axis the bass has not fallen by 6 dB at 40 Hz, the lowest frequency judged (F6)." in words


def test_the_map_tells_the_angles_that_were_measured(measure: Callable[..., Measurement]) -> None:
    whole = measure()
    response = whole.response
    degrees = np.round(np.rad2deg(response.directions.azimuth_rad)).astype(int)
    rows = np.flatnonzero((np.abs(response.directions.elevation_rad) < 1e-9) & (degrees % 20 == 0))
    coarse = Directions(response.directions.azimuth_rad[rows], response.directions.elevation_rad[rows])
    few = DirectionalResponse(
        response.axis, coarse, response.pressure[rows], response.u_db[rows], response.u_common_db,
        response.valid[rows], distance_m=response.distance_m,
    )  # fmt: skip
    measurement = replace(whole, response=few, snr_db=whole.snr_db[rows])
    reading = read_measurement(measurement, rated_impedance_ohm=6.0)
    assert reading.maps["horizontal"].angle_deg.size > rows.size, "the map was filled in, so the case is a case"
    assert "Directions were measured every 20°" in how_to_read(across(reading, measurement))
    told = reflections(reading, measurement)
    assert "solid line" not in how_to_read(told)
    assert "ribbon" not in how_to_read(told)
    assert "without the listening window" in said(told)
    assert "vertical -20°" not in how_to_read(told)


def test_what_cannot_be_trusted_is_not_known_to_a_decibel(reading: Reading, measurement: Measurement) -> None:
    valid = measurement.response.axis.hz >= 300.0
    ahead = replace(reading.curves["on_axis"], valid=valid)
    chart = trust(replace(reading, curves={**reading.curves, "on_axis": ahead}), measurement)
    words = said(chart)
    assert "at 50 Hz" not in words.partition("At 50 Hz it cannot be trusted.")[0]
    assert "dB at 1 kHz" in words
    assert chart is not None
    assert all((trace.curve.valid == valid).all() for trace in chart.panels[0].traces)
    assert len({trace.role for trace in chart.panels[0].traces}) == len(chart.panels[0].traces)


@pytest.mark.parametrize(("count", "words"), [(6, "1 smaller contribution is in"), (7, "2 smaller contributions are")])
def test_left_out_contributions_are_counted(reading: Reading, measurement: Measurement, count: int, words: str) -> None:
    lines = tuple(
        replace(measurement.budget[0], name=f"part {n}", u_db=measurement.budget[0].u_db / (n + 1))
        for n in range(count)
    )
    assert words in how_to_read(trust(reading, replace(measurement, budget=lines)))


def test_excess_delay_is_told_of_the_band_that_is_known(reading: Reading, measurement: Measurement) -> None:
    delay = Curve(
        "excess_group_delay", "on axis", AXIS, 1.0 / (1.0 + (HZ / 500.0) ** 2), np.full(HZ.shape, 0.01),
        np.zeros(HZ.shape), HZ >= 400.0, "ms", "ms",
    )  # fmt: skip
    words = said(group_delay_chart(replace(reading, curves={"excess_group_delay": delay}), measurement))
    assert re.search(r", 40\d Hz to 10 kHz\.$", words)
    assert "to 10 kHz" in words


def noisy_tones(noise: float) -> MultitoneReading:
    made = make_multitone(24_000, 48_000.0, count=16)
    x = np.tile(made.samples, (3, 1))
    hiss = noise * np.random.default_rng(3).standard_normal(x.shape)
    rolled = np.cumsum(hiss, axis=1)
    lines = read_multitone(x + 0.02 * x**3 + rolled - rolled.mean(), 48_000.0, made.rows)
    return MultitoneReading("m", 1.0, 1.0, made.crest_db, lines)


def test_a_multitone_number_from_a_few_bands_says_so() -> None:
    found = multitone_curves(noisy_tones(2e-5))
    note = next(note for note in found.number.caveats if note.startswith("from "))
    words = said(multitone_chart([found]))
    assert f", {note.partition(';')[0]}." in words
    assert "All that is not the tones" not in words
    clean = said(multitone_chart([multitone_curves(noisy_tones(1e-12))]))
    assert "noise" not in clean


def test_distortion_judged_in_a_part_of_the_band_says_so() -> None:
    noise = np.where(HZ < 1000.0, 60.0, 0.0)
    pure = 90.0 + np.array([np.full(HZ.size, level) for level in (-50.0, -60.0, -70.0, -80.0)])
    take = Harmonics(
        "l", 2.83, 1.0, "far-field", (2, 3, 4, 5), AXIS, np.full(HZ.size, 90.0),
        10 * np.log10(10 ** (pure / 10) + 10 ** (noise / 10)), np.broadcast_to(noise, pure.shape),
        np.ones(pure.shape, dtype=bool),
    )  # fmt: skip
    found = [distortion(take)]
    words = said(distortion_chart(found, distortion_figures(found)))
    # lg(5000 / 1000) / lg(5000 / 100): 41 % of the octaves lie above the noise, less what smoothing takes at its edge.
    share = int(words.partition("judged in ")[2].split(" %")[0])
    assert 38 <= share <= 42


def test_a_limit_below_the_quietest_take_has_a_line_of_its_own() -> None:
    def take(volts: float, level_db: float) -> Harmonics:
        fundamental = np.full(HZ.size, level_db)
        second = np.where(HZ < 60.0, -10.0, np.where(HZ < 300.0, -36.0 + level_db - 86.0, -70.0))
        relative = np.array([second, second - 40, second - 40, second - 40])
        return Harmonics(
            f"l{volts}", volts, 1.0, "far-field", (2, 3, 4, 5), AXIS, fundamental, fundamental + relative,
            np.full((4, HZ.size), -20.0), np.array([HZ * n <= 20_000.0 for n in (2, 3, 4, 5)]),
        )  # fmt: skip

    chart = highest_level_chart(highest_clean_level([take(2.83, 86.0), take(11.3, 98.0)]), {})
    assert chart is not None
    roles = {trace.curve.name: trace.role for trace in chart.panels[0].traces}
    assert roles == {"limit reached": "direct", "at least": "before", "at most": "reflected part"}
    for start in ("Solid is", "Dashed, the loudest", "Dotted, the quietest"):
        assert start in how_to_read(chart)


def test_the_load_names_its_frequency_as_the_claims_do_and_its_shortfall_with_uncertainty() -> None:
    axis: FrequencyAxis = log_axis(5.0, 21_000.0, 48)
    s = 1j * axis.hz
    ohm = np.asarray(3.0 + 2j * np.pi * axis.hz * 4e-4 + 8.0 / (s / 55.0 + 55.0 / s + 0.3), dtype=np.complex128)
    size = np.abs(ohm)
    impedance = Impedance(axis, ohm, 0.003 * size, np.full(size.shape, 0.2), np.ones(size.shape, dtype=bool))
    figures = load_figures(impedance, rated_ohm=8.0, enclosure="closed")
    chart = load(Reading(load_curves(impedance), figures, {}, {}, {}))
    at, margin = figures["impedance_minimum_at"].value, figures["rated_impedance_margin"]
    assert at is not None
    assert 100.0 < at < 1000.0
    assert f"lowest at {at:.0f} Hz" in said(chart)
    assert margin.value is not None
    assert margin.u is not None
    assert f"falls short by {-margin.value:.2f} ± {2 * margin.u:.2f} Ω" in said(chart)


def test_reasons_have_a_short_form_and_true_minus_signs() -> None:
    long = (
        "listening window: 2 of 9 positions were not measured: vertical +10°, vertical -10°; sound power: 53 of 70 "
        "positions were not measured: horizontal +90°, horizontal -90° and 51 more"
    )
    assert short_reason(long) == (
        "listening window: 2 of 9 positions were not measured; sound power: 53 of 70 positions were not measured"
    )
    assert short_reason(long, whole=False) == "listening window: 2 of 9 positions were not measured, and more"
    assert short_reason("no bass", whole=False) == "no bass"
    refused = Asked("f6", "Hz", "fall").refused(long)
    table = figures_table(Reading({}, {"f6": refused}, {}, {}, {}))
    assert "vertical −10°" in table.rows[0][1]
    # Publications are compared by these words: another sign there would be told as a correction.
    assert figure_words(refused) == f"not judged: {long}"
    noisy = Figure("x", 1.0, 0.1, "dB", None, "sum", caveats=("with the noise -37.9 dB",))
    assert "−37.9 dB" in method_words(noisy)


def found(kind: Kind, size_db: float) -> Finding:
    return Finding(
        1, 1000.0, 100.0, 10_000.0, size_db, 0.2, None, kind, ("on_axis",), {}, 0.0, True,
        "Falling direct sound, -0.42 dB/octave", "It falls.",
    )  # fmt: skip


def test_a_bell_mends_no_tilt_and_no_end_of_the_range() -> None:
    bell = Band("peaking", 6900.0, 1.1, 2.4)
    assert mends(bell, found("source", -2.8))
    assert not mends(bell, found("tilt", -2.8))
    assert not mends(bell, found("band_limit", -6.0))
    # The title of a finding has a true minus sign wherever it is shown.
    table = findings_table((found("tilt", -2.8),))
    assert table is not None
    assert "−0.42 dB/octave" in table.rows[0][1]


@pytest.mark.parametrize(("size_db", "told"), [(-25.0, "would cost too much power"), (-1.0, "too small here")])
def test_a_dip_without_a_band_is_not_called_small_where_it_is_deep(size_db: float, told: str) -> None:
    """To fill 25 dB takes 10^2.5 = 316 times the power."""
    assert told in story(Advice(findings=(found("source", size_db),)))[0].mended


def test_a_single_curve_is_not_told_as_a_set(reading: Reading, measurement: Measurement) -> None:
    alone = replace(reading, curves={"on_axis": reading.curves["on_axis"]})
    chart = balance(alone, measurement)
    assert chart is not None
    assert chart.subtitle == "On axis, after ANSI/CTA-2034-A"
    assert "run alike" not in chart.caption.reading
    assert "run alike" in how_to_read(balance(reading, measurement))
