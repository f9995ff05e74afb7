"""Compression of ideal compressors and of a warm coil; C6.x are ids of the metrics reference."""

from __future__ import annotations

import numpy as np
import pytest
from level_worlds import AXIS, made_take

from earwitness.errors import InputError
from earwitness.figures.highest_level import (
    COMPRESSION_FIGURES,
    compression,
    compression_figures,
    long_term,
    long_term_figure,
)
from earwitness.quantities import Harmonics, NoiseRun

HZ = AXIS.hz
FLAT = np.full(HZ.size, 86.0)


def _take(volts: float, level_db: float | np.ndarray, name: str = "") -> Harmonics:
    return made_take(volts, np.asarray(level_db + np.zeros(HZ.size)), {2: -50.0}, noise_db=-70.0, take=name)


def test_reference_case() -> None:
    """C6.12: 86.0 dB at 2.83 V and 104.2 dB at 28.3 V: 1.8000 dB."""
    found = compression([_take(2.83, 86.0), _take(28.3, 104.2)])
    assert found.total[0].values == pytest.approx(np.full(HZ.size, 1.8))
    assert compression_figures(found)["compression_largest@28.3v"].value == pytest.approx(1.8)


def test_linear_loudspeaker_does_not_compress() -> None:
    found = compression([_take(v, 86.0 + 20 * np.log10(v)) for v in (1.0, 2.0, 5.0)])
    for curve in (*found.total, *found.steps):
        assert np.abs(curve.values).max() < 1e-9


def test_ideal_compressor() -> None:
    """Ratio 2 : 1 above 90 dB: of every 6 dB of drive beyond it 3 dB are lost, against the lowest and per step."""
    ideal = lambda level: np.minimum(level, 90.0) + np.maximum(level - 90.0, 0.0) / 2  # noqa: E731
    volts = [2.0**n for n in range(4)]
    found = compression([_take(v, ideal(84.0 + 20 * np.log10(v))) for v in volts])
    drive = 84.0 + 20 * np.log10(np.array(volts))
    assert [c.values[0] for c in found.total] == pytest.approx([d - ideal(d) for d in drive[1:]])
    assert [c.values[0] for c in found.steps] == pytest.approx([0.0103, 3.0103, 3.0103], abs=2e-4)


def test_largest_and_mean_over_log_frequency() -> None:
    """A loss of 2 dB in one octave of 50 Hz to 5 kHz (6.64 octaves): mean 2 / 6.64."""
    bump = np.where((HZ >= 200) & (HZ < 400), 2.0, 0.0)
    found = compression_figures(compression([_take(1.0, FLAT), _take(2.0, FLAT + 20 * np.log10(2) - bump)]))
    assert found["compression_mean@2v"].value == pytest.approx(2 / np.log2(100), rel=0.03)
    assert found["compression_largest@2v"].value == pytest.approx(2.0, abs=0.01)
    assert 200 <= float(found["compression_largest@2v"].caveats[0].split()[1]) <= 400
    assert {key.partition("@")[0] for key in found} == {
        info.key for info in COMPRESSION_FIGURES if info.key != "compression_long_term"
    }


def test_noise_near_the_lowest_level_is_not_judged() -> None:
    quiet = made_take(1.0, FLAT, {2: -10.0}, noise_db=-15.0)
    loud = made_take(10.0, FLAT + 20, {2: -30.0}, noise_db=-35.0)
    figure = compression_figures(compression([quiet, loud]))["compression_largest@10v"]
    assert figure.value is None
    assert "noise" in figure.reason


def test_a_measured_drift_is_a_rectangle() -> None:
    """JCGM 100, 4.3.7: limits +-a with nothing known inside them are a / sqrt(3); here a = 0.6 dB of drift, 0.03 dB of
    repeatability beside it (project default), noise 70 dB down."""
    takes = [_take(1.0, 86.0, "first"), _take(4.0, 98.0, "loud"), _take(1.0, 85.4, "last")]
    found = compression(takes, recorded=("first", "loud", "last"))
    assert found.total[0].u == pytest.approx(np.full(HZ.size, np.hypot(0.6 / np.sqrt(3), 0.03)), rel=0.01)
    bare = compression(takes[:2], recorded=("first", "loud"))
    assert bare.total[0].u == pytest.approx(np.full(HZ.size, 0.1), rel=0.01)


def test_drift_from_a_repeated_level() -> None:
    takes = [_take(1.0, 86.0, "first"), _take(10.0, 105.5, "loud"), _take(1.0, 85.7, "again")]
    found = compression(takes, recorded=["first", "loud", "again"])
    assert found.drift is not None
    assert found.drift.values == pytest.approx(np.full(HZ.size, -0.3))
    assert found.total[0].values == pytest.approx(np.full(HZ.size, 0.5))
    assert any("0.30 dB" in note for note in found.caveats)
    steady = compression(takes[:2], recorded=["first", "loud"])
    assert found.total[0].u[50] > steady.total[0].u[50]


@pytest.mark.parametrize(
    ("recorded", "words"),
    [((), "order of the takes is not known"), (("loud", "quiet"), "quieter take was recorded after a louder one")],
)
def test_order_of_takes(recorded: tuple[str, ...], words: str) -> None:
    found = compression([_take(1.0, 86.0, "quiet"), _take(10.0, 106.0, "loud")], recorded=recorded)
    assert any(words in note for note in found.caveats)


def test_rising_order_needs_no_such_caveat() -> None:
    found = compression(
        [_take(1.0, 86.0, "quiet"), _take(10.0, 106.0, "loud")],
        recorded=("quiet", "loud"),
        temperature_c={"quiet": 20.0, "loud": 23.0},
        recovery_s=60.0,
    )
    text = " ".join(found.caveats)
    assert "quieter" not in text
    assert "3.0 K" in text
    assert "rested 60 s or more" in text


def test_one_level_is_no_series() -> None:
    with pytest.raises(InputError, match="two levels or more"):
        compression([_take(1.0, 86.0)])


def _run(loss_db: np.ndarray, *, valid: np.ndarray | None = None, against_reference: bool = True) -> NoiseRun:
    everywhere = np.ones(HZ.size, dtype=bool) if valid is None else valid
    u = np.full(HZ.size, 0.3)
    return NoiseRun("run", 8.0, 2.0, AXIS, FLAT, FLAT - loss_db, u, everywhere, 300.0, against_reference)


def test_long_term_is_the_start_less_the_end() -> None:
    """Drive and calibration are the same at both ends: nothing of them is in the uncertainty."""
    found = long_term(_run(np.full(HZ.size, 1.5)))
    assert found.values == pytest.approx(np.full(HZ.size, 1.5))
    assert found.u_common.max() == 0.0
    assert found.u == pytest.approx(np.full(HZ.size, 0.3))


def test_long_term_figure_is_the_largest_loss_in_the_band() -> None:
    """What is lost outside 50 Hz to 5 kHz does not count."""
    loss = np.where((HZ >= 200) & (HZ < 400), 2.0, 0.5)
    loss[HZ > 6000] = 9.0
    figure = long_term_figure(_run(loss))
    assert figure.key == "compression_long_term@8v"
    assert figure.value == pytest.approx(2.0)
    assert figure.u == pytest.approx(0.3)
    assert 200 <= float(figure.caveats[0].split()[1]) <= 400
    assert figure.caveats[1] == "after 300 s of noise of 8 V rms"
    assert not any("loop-back" in note for note in figure.caveats)
    assert any("loop-back" in note for note in long_term_figure(_run(loss, against_reference=False)).caveats)


def test_long_term_is_not_judged_where_noise_covers_most() -> None:
    figure = long_term_figure(_run(np.ones(HZ.size), valid=HZ > 2000))
    assert figure.value is None
    assert "half of the band" in figure.reason
    part = long_term_figure(_run(np.ones(HZ.size), valid=HZ > 100))
    assert part.value == pytest.approx(1.0)
    assert any(note.startswith("judged from 10") for note in part.caveats)
