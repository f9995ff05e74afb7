"""What the exhibits of bursts, two tones and lasting noise say, for figures that are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from earwitness.exhibits.loudness import bursts_table, loudness, two_tones_table, warm_chart
from earwitness.figures.highest_level import long_term, long_term_figure
from earwitness.figures.tones import intermodulation
from earwitness.quantities import Figure, Measurement, NoiseRun, Reading, TwoToneReading, log_axis
from earwitness.render.svg import svg_of

AXIS = log_axis(20.0, 20_000.0, 24)


def _plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


def noise_run(loss_db: float, *, u_db: float = 0.1) -> NoiseRun:
    size = len(AXIS)
    level, everywhere = np.full(size, 90.0), np.ones(size, dtype=bool)
    return NoiseRun("run", 8.0, 1.0, AXIS, level, level - loss_db, np.full(size, u_db), everywhere, 60.0, True)


def test_loss_by_heat_is_told_from_its_figure(measurement: Measurement) -> None:
    run = noise_run(1.5)
    figure = long_term_figure(run)
    chart = warm_chart([long_term(run)], {figure.key: figure}, replace(measurement, noise_runs=(run,)), None)
    assert chart is not None
    assert "lost at most 1.5 ± 0.2 dB" in _plain(chart.caption.finding)
    assert "after 60 s of noise at 8 V rms" in _plain(chart.subtitle)
    assert [_plain(trace.label) for trace in chart.panels[0].traces] == ["after 60 s of noise"]
    assert svg_of(chart, width_px=960).startswith("<svg")


def test_no_loss_is_not_made_up(measurement: Measurement) -> None:
    run = noise_run(0.1)
    figure = long_term_figure(run)
    chart = warm_chart([long_term(run)], {figure.key: figure}, replace(measurement, noise_runs=(run,)), None)
    assert chart is not None
    assert "no loss larger than the uncertainty" in chart.caption.finding
    assert warm_chart([], {}, measurement, None) is None


def burst_figure(hz: int, value: float, bound: str, *caveats: str) -> Figure:
    return Figure(f"burst_level@{hz}hz", value, 0.5, "dB", (hz, hz), "rule", bound=bound, caveats=caveats)


def test_bursts_table_tells_what_stops_each() -> None:
    figures = [
        burst_figure(
            40, 95.0, "", "peak, not rms", "harmonic 3 passed its limit by 2.0 dB at the next step, 3.0 dB louder"
        ),
        burst_figure(63, 103.0, "at least", "peak, not rms"),
    ]
    table = bursts_table({figure.key: figure for figure in figures})
    assert table is not None
    assert [row[0] for row in table.rows] == ["40 Hz", "63 Hz"]
    assert _plain(table.rows[0][1]) == "95.0 ± 1.0 dB"
    assert _plain(table.rows[1][1]).startswith("at least 103")
    assert table.rows[0][2].startswith("harmonic 3")
    assert table.rows[1][2] == "the loudest was still clean"
    assert "Peak, not rms." in table.note
    assert bursts_table({}) is None


def test_two_tones_table_has_both_orders() -> None:
    pair = TwoToneReading("p", 8.0, 1.0, 60.0, 7000.0, np.array([0.02, 2e-4, 2e-4, 1e-9, 1e-9]), 1e-6)
    table = two_tones_table(intermodulation(pair))
    assert table is not None
    ((volts, tones, second, third),) = table.rows
    assert volts == "8 V"
    # 0.02 Pa are 60 dB.
    assert tones == "tones of 60 Hz and 7000 Hz, 60 dB at 7000 Hz, 1 m"
    assert second.startswith("2.0")
    assert third.startswith("at most")
    assert two_tones_table({}) is None


def test_all_of_it_stands_on_the_page_when_recorded(measurement: Measurement, reading: Reading) -> None:
    run = noise_run(1.0)
    pair = TwoToneReading("p", 8.0, 1.0, 60.0, 7000.0, np.array([0.02, 2e-4, 2e-4, 1e-4, 1e-4]), 1e-6)
    shown = loudness(reading, replace(measurement, noise_runs=(run,), two_tones=(pair,)))
    assert [one.key for one in shown] == ["loss_by_heat", "intermodulation"]
