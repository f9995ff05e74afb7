"""Figures at equal level: smooth transfer curves, whose distortion rises by known decibels a decibel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from level_worlds import AXIS, made_take

from earwitness.exhibits.loudness import equal_level_table
from earwitness.figures.distortion import distortion
from earwitness.figures.equal_level import LEVELS_DB, equal_level_figures
from earwitness.figures.highest_level import compression
from earwitness.insight.compare import at_equal_level
from earwitness.quantities import Figure, MultitoneLines, MultitoneReading, TwoToneReading

HZ = AXIS.hz
VOLTS = (1.0, 2.0, 4.0, 8.0)


def second_order_db(level_db: float, *, at_90_db: float = -46.0) -> float:
    """HD2 of y = x + a x^2 rises by 1 dB a dB of level, HD3 of a cubic by 2 (handbook, small distortion)."""
    return at_90_db + level_db - 90.0


def series(sensitivity_db: float, *, lost_db: float = 0.0, noise_db: float = -150.0) -> list:
    """Sweeps at VOLTS of a loudspeaker of that level for 1 V; the loudest loses lost_db."""
    takes = []
    for volts in VOLTS:
        level = sensitivity_db + 20 * np.log10(volts) - (lost_db if volts == VOLTS[-1] else 0.0)
        flat = np.full(HZ.size, level)
        takes.append(made_take(volts, flat, {2: second_order_db(level)}, noise_db=noise_db))
    return takes


def told(takes: list, **more) -> dict[str, Figure]:
    squeezed = compression(takes)
    return equal_level_figures([distortion(one) for one in takes], squeezed, (), (), **more)


@pytest.mark.parametrize("level_db", LEVELS_DB)
def test_a_louder_loudspeaker_of_the_same_curve_has_the_same_distortion_at_equal_level(level_db: float) -> None:
    """At equal voltage the louder one looks 7.3 dB worse; at equal level both stand on the closed form."""
    quiet, loud = told(series(80.7)), told(series(88.0))
    expected = 100 * 10 ** (second_order_db(level_db) / 20)
    # 88 dB for 1 V is over 86 dB already: there only a bound can be told.
    assert quiet[f"distortion_at_level@{level_db:g}db"].value == pytest.approx(expected, rel=0.02)
    figure = loud[f"distortion_at_level@{level_db:g}db"]
    if level_db == 86.0:
        assert figure.bound == "at most"
        assert figure.value == pytest.approx(100 * 10 ** (second_order_db(88.0) / 20), rel=0.02)
        assert "88.0 dB" in " ".join(figure.caveats)
    else:
        assert figure.bound == ""
        assert figure.value == pytest.approx(expected, rel=0.02)
    assert figure.band_hz == (200.0, 5000.0)
    assert figure.caveats[0].startswith("at ")


def test_above_the_loudest_take_nothing_is_told() -> None:
    figure = told(series(70.0))["distortion_at_level@96db"]
    assert figure.value is None
    assert "recorded up to 88.1 dB" in figure.reason


def test_the_testers_own_level_stands_beside_the_others() -> None:
    found = told(series(80.7), own_level_db=92.5)
    assert found["distortion_at_level@92.5db"].value == pytest.approx(
        100 * 10 ** (second_order_db(92.5) / 20), rel=0.02
    )
    table = equal_level_table(found)
    assert table is not None
    assert table.columns == ("Quantity", "Band", "86 dB at 1 m", "92.5 dB at 1 m", "96 dB at 1 m")
    assert table.rows[0][0] == "Largest distortion"
    assert "Hz)" in table.rows[0][2]


def test_noise_leaves_a_bound() -> None:
    takes = series(80.7, noise_db=-35.0)
    figure = told(takes)["distortion_at_level@86db"]
    assert figure.bound == "at most"
    assert figure.value is not None
    assert figure.value >= 100 * 10 ** (second_order_db(86.0) / 20)


def test_a_level_that_is_not_calibrated_is_no_level() -> None:
    figure = told(series(80.7), absolute=False)["distortion_at_level@86db"]
    assert figure.value is None
    assert "not calibrated" in figure.reason


def test_compression_is_interpolated_against_the_level_that_is_reached() -> None:
    """0 dB at 92.74 dB (4 V), 2 dB at 96.76 dB (8 V): at 96 dB the line between gives 1.62 dB."""
    found = told(series(80.7, lost_db=2.0))
    at_4, at_8 = 80.7 + 20 * np.log10(4), 80.7 + 20 * np.log10(8) - 2.0
    expected = 2.0 * (96.0 - at_4) / (at_8 - at_4)
    assert at_8 > 96.0
    assert found["compression_at_level@96db"].value == pytest.approx(expected, abs=0.05)
    assert found["compression_at_level@86db"].value == pytest.approx(0.0, abs=0.05)
    assert "recorded from" in told(series(88.0))["compression_at_level@86db"].reason


def tones(volts: float, level_db: float, residue_db: float, *, noise_share: float | None = 0.0) -> MultitoneReading:
    hz = np.geomspace(50.0, 16_000.0, 26)
    tone = np.full(hz.size, 4e-10 * 10 ** (level_db / 10) / hz.size)
    residue = tone * 10 ** (residue_db / 10)
    noise = None if noise_share is None else residue * noise_share
    whole = float(tone.sum()), float(residue.sum()), None if noise is None else float(noise.sum())
    lines = MultitoneLines(hz, tone, residue, noise, *whole, 2, 0.0)
    return MultitoneReading(f"t{volts:g}", volts, 1.0, 12.0, lines)


def test_multitones_are_told_at_equal_level_and_on_one_band() -> None:
    """-50 dB at 84 dB and -46 dB at 92 dB: -49 dB at 86 dB; noise that is half of it makes a bound."""
    found = equal_level_figures((), None, (tones(1, 84.0, -50.0), tones(2.5, 92.0, -46.0)), ())
    figure = found["multitone_at_level@86db"]
    assert figure.value == pytest.approx(-49.0, abs=0.01)
    assert (figure.bound, figure.band_hz) == ("", (100.0, 16_000.0))
    half = (tones(1, 84.0, -50.0, noise_share=0.5), tones(2.5, 92.0, -46.0))
    assert equal_level_figures((), None, half, ())["multitone_at_level@86db"].bound == "at most"
    unknown = (tones(1, 84.0, -50.0, noise_share=None), tones(2.5, 92.0, -46.0))
    assert equal_level_figures((), None, unknown, ())["multitone_at_level@86db"].bound == "at most"
    assert found["multitone_at_level@96db"].value is None


def test_intermodulation_is_told_at_the_level_of_the_upper_tone() -> None:
    """Side lines of 2 % and 1 % each: hypot(4 %, 2 %) at 86 dB; second order rises by 1 dB a dB (handbook)."""

    def pair(level_db: float, percent: float) -> TwoToneReading:
        carrier = 20e-6 * 10 ** (level_db / 20)
        lines = carrier * np.array([1.0, percent, percent, percent / 2, percent / 2])
        return TwoToneReading("p", 1.0, 1.0, 70.0, 1000.0, lines, carrier * 1e-6)

    found = equal_level_figures((), None, (), (pair(80.0, 0.01), pair(92.0, 0.04)))
    figure = found["intermodulation_at_level@86db"]
    assert figure.value == pytest.approx(2.0 * np.hypot(2.0, 1.0), rel=0.01)
    assert figure.band_hz == (70.0, 1000.0)


def test_nothing_at_equal_voltage_is_set_side_by_side() -> None:
    found = told(series(80.7)) | {"distortion_largest@4v": Figure("distortion_largest@4v", 1.0, 0.1, "%", None, "m")}
    kept = at_equal_level(found)
    assert "distortion_largest@4v" not in kept
    assert "distortion_at_level@86db" in kept


def test_uncertainty_of_the_level_is_in_a_distortion_that_rises_with_it() -> None:
    sure, doubtful = (told(series(80.7), u_level_db=u)["distortion_at_level@86db"] for u in (0.0, 1.0))
    assert sure.u is not None
    assert doubtful.u is not None
    assert sure.value is not None
    # 1 dB of level is 1 dB of second harmonic: 11.5 % of the value.
    assert doubtful.u == pytest.approx(np.hypot(sure.u, 0.115 * sure.value), rel=0.05)


def test_a_point_between_two_levels_is_no_better_than_the_worse() -> None:
    takes = series(80.7)
    noisy = [replace(takes[0], noise_db=takes[0].noise_db + 200.0), *takes[1:]]
    figure = told(noisy)["distortion_at_level@86db"]
    assert figure.bound == "at most" or not figure.is_judged
