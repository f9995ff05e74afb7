"""What the exhibits of a level series say and show, for series whose numbers are known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from earwitness.dsp.multitone import make_multitone, read_multitone
from earwitness.exhibits.loudness import (
    compression_chart,
    distortion_chart,
    highest_level_chart,
    level_roles,
    levels_table,
    mean_level_db,
    multitone_chart,
    percent_words,
)
from earwitness.figures.distortion import distortion, distortion_figures
from earwitness.figures.highest_level import (
    at_seat,
    clean_level_figure,
    compression,
    compression_figures,
    highest_clean_level,
)
from earwitness.figures.tones import multitone_curves
from earwitness.quantities import Harmonics, log_axis
from earwitness.quantities.measurement import MultitoneReading
from earwitness.render.palette import INKS

AXIS = log_axis(20.0, 20_000.0, 24)
HZ = AXIS.hz
VOLTS = (2.83, 5.66, 11.3)


def _plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


def _series(*, loss: float = 1.5) -> list[Harmonics]:
    """86 dB at 2.83 V; second harmonic -50 dB and 6 dB more per step; third 3 % at 60 Hz at the loudest, falling."""
    series = []
    for step, volts in enumerate(VOLTS):
        fundamental = np.full(HZ.size, 86.0 + 20 * math.log10(volts / 2.83) - (loss if step == 2 else 0.0))
        second = np.full(HZ.size, -50.0 + 6.0 * step)
        third = 20 * np.log10(0.03) - 40 * np.log10(HZ / 60.0) - 12.0 * (2 - step)
        far = np.full(HZ.size, -100.0)
        relative = np.array([second, np.maximum(third, -90.0), far, far])
        valid = np.array([HZ * n <= 20_000.0 for n in (2, 3, 4, 5)])
        series.append(
            Harmonics(
                f"l{step}", volts, 1.0, "far-field", (2, 3, 4, 5), AXIS, fundamental, fundamental + relative,
                np.full((4, HZ.size), 5.0), valid,
            )
        )  # fmt: skip
    return series


def test_distortion_chart_speaks_from_its_figures() -> None:
    found = [distortion(take) for take in _series()]
    figures = distortion_figures(found)
    chart = distortion_chart(found, figures)
    assert chart is not None
    assert [_plain(trace.label) for trace in chart.panels[0].traces] == ["86 dB", "92 dB", "97 dB"]
    assert [trace.label for trace in chart.panels[1].traces] == ["2nd", "3rd"]
    assert "At 97 dB, it passes 3 % below 6" in _plain(chart.caption.finding)
    assert "0.32" in chart.caption.finding
    assert "covered by noise" in chart.note
    assert chart.panels[0].low == -80.0
    assert chart.panels[0].high >= max(trace.curve.values[trace.curve.valid].max() for trace in chart.panels[0].traces)
    assert distortion_chart([], {}) is None


def test_voltage_stands_in_where_the_level_is_not_at_one_meter() -> None:
    found = [distortion(replace(take, distance_m=0.5)) for take in _series()]
    chart = distortion_chart(found, distortion_figures(found))
    assert chart is not None
    assert _plain(chart.panels[0].traces[0].label) == "2.83 V"


def test_table_of_levels() -> None:
    found = [distortion(take) for take in _series()]
    figures = {**distortion_figures(found), **compression_figures(compression(_series()))}
    table = levels_table(found, figures)
    assert len(table.rows) == 3
    assert len(table.columns) == len(table.align) == len(table.rows[0]) == 6
    assert table.rows[0][0] == "2.83 V"
    assert table.rows[0][1].startswith("86.0")
    assert table.rows[0][-1] == "reference"
    assert table.rows[2][-1].startswith("1.5")
    assert _plain(table.rows[0][1]) == "86.0 dB"
    told = levels_table([distortion(take, u_level_db=0.25) for take in _series()], figures)
    assert _plain(told.rows[0][1]) == "86.0 ± 0.5 dB"
    bare = levels_table(found, distortion_figures(found))
    assert bare.rows[1][-1] == "not measured"


def test_compression_chart_says_how_much_and_with_what_care() -> None:
    found = compression(_series(), recorded=("l0", "l1", "l2"))
    chart = compression_chart(found, compression_figures(found), [distortion(take) for take in _series()])
    assert chart is not None
    assert "falls short by at most 1.5" in chart.caption.finding
    assert len(chart.panels) == 2
    assert "hotter after long music" in chart.note
    assert chart.panels[0].high >= 2.0


def test_no_compression_is_not_made_up() -> None:
    found = compression(_series(loss=0.0))
    chart = compression_chart(found, compression_figures(found))
    assert chart is not None
    assert "no compression larger than the uncertainty" in chart.caption.finding


def test_highest_level_chart_tells_limits_from_bounds() -> None:
    found = highest_clean_level(_series())
    band = (50.0, 5000.0)
    full = clean_level_figure(found, band_hz=band)
    crossed = clean_level_figure(found, high_pass_hz=80.0, band_hz=band)
    figures = {figure.key: figure for figure in (full, crossed, at_seat(full, 3.0))}
    chart = highest_level_chart(found, figures)
    assert chart is not None
    named = {trace.curve.name: trace.label for trace in chart.panels[0].traces}
    # Only the line that reaches the end of the plot carries its words there.
    assert named == {"limit reached": "", "at least": "at least"}
    assert "Solid is the level at which distortion passes the limit." in chart.caption.reading
    assert "Dotted" not in chart.caption.reading
    assert "plays cleanly to" in chart.caption.finding
    assert "at least" in chart.caption.finding
    assert "At the seat" in chart.caption.finding
    assert "10 % distortion up to 50 Hz, falling to 3 % at 200 Hz and above" in chart.subtitle


def test_multitone_chart_counts_its_tones() -> None:
    made = make_multitone(24_000, 48_000.0, count=16)
    readings = []
    for volts in (1.0, 2.0):
        x = np.tile(volts * made.samples, (2, 1))
        noise = 1e-6 * np.random.default_rng(1).standard_normal(x.shape)
        lines = read_multitone(x + 0.02 * x**3 + noise, 48_000.0, made.rows)
        readings.append(multitone_curves(MultitoneReading("m", volts, 1.0, made.crest_db, lines)))
    chart = multitone_chart(readings)
    assert chart is not None
    assert chart.subtitle.startswith("16 tones at once")
    assert len(chart.panels[1].traces) == 2
    assert str(round(readings[1].total_db)) in chart.caption.finding
    assert multitone_chart([]) is None


@pytest.mark.parametrize(
    ("level_db", "words"), [(-40.0, "1.0 %"), (-60.0, "0.10 %"), (-30.458, "3.0 %"), (-20.0, "10 %")]
)
def test_percent_words(level_db: float, words: str) -> None:
    assert _plain(percent_words(level_db)) == words


def test_loudest_level_stands_out() -> None:
    # Of a family of its own, whose last is the strongest line.
    assert level_roles(3) == ("level 3", "level 4", "level 5")
    widths = [INKS[role].width_px for role in level_roles(5)]
    assert widths == sorted(widths)
    assert level_roles(0) == ()
    assert mean_level_db(distortion(_series()[0]).fundamental) == pytest.approx(86.0)
