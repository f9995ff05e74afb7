"""A subwoofer's figures against analog filters in closed form and the arithmetic of decibels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal
from closed_form_fields import bare_measurement, response
from level_worlds import made_take

from earwitness.figures.kinds import bass_levels, bass_reading, own_filter
from earwitness.quantities import Curve, Figure, Harmonics, Measurement, Reading, log_axis
from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.directions import from_orbit

AXIS = log_axis(10.0, 1000.0, 48)
FLAT = np.full(len(AXIS), 86.0)
ON_AXIS = from_orbit("horizontal", np.zeros(1))
EMPTY = Reading({}, {}, {}, {}, {})


def _measured(*takes: Harmonics, spectrum: FloatArray | None = None) -> Measurement:
    pattern = np.ones((1, len(AXIS)), dtype=complex) if spectrum is None else spectrum[None, :]
    return bare_measurement(response(pattern, directions=ON_AXIS, axis=AXIS), harmonics=takes)


def _two(ratio_db: FloatArray, noise_db: float = -90.0) -> tuple[Harmonics, Harmonics]:
    """The same loudspeaker at 2 V without its filter, and at 4 V with it."""
    plain = made_take(2.0, FLAT, {}, axis=AXIS, noise_db=noise_db)
    filtered = made_take(4.0, FLAT + 20 * np.log10(2.0) + ratio_db, {}, axis=AXIS, noise_db=noise_db)
    return plain, replace(filtered, crossover="its low pass")


def _low_pass_db(corner_hz: float) -> FloatArray:
    """Linkwitz-Riley, fourth order: 1 / (1 + (f / fc)^4)."""
    return np.asarray(-20.0 * np.log10(1.0 + (AXIS.hz / corner_hz) ** 4), dtype=float)


def test_own_filter_is_the_ratio_of_two_takes_whatever_their_voltages() -> None:
    found = own_filter(_measured(*_two(_low_pass_db(80.0))))
    assert found is not None
    assert found.values == pytest.approx(_low_pass_db(80.0), abs=1e-9)


def test_own_filter_needs_both_takes_at_one_place() -> None:
    plain, filtered = _two(_low_pass_db(80.0))
    assert own_filter(_measured(plain)) is None
    assert own_filter(_measured(filtered)) is None
    assert own_filter(_measured(replace(plain, distance_m=0.5), filtered)) is None
    assert own_filter(_measured(replace(plain, in_series=False), filtered)) is None


def test_own_filter_is_told_where_it_stands_ten_times_over_the_noise() -> None:
    """A tenth of the amplitude in noise at random phase is an error of 0.6 dB rms (20 lg e / sqrt 2 / 10)."""
    plain, filtered = _two(_low_pass_db(80.0))
    found = own_filter(_measured(plain, replace(filtered, noise_db=np.full(filtered.noise_db.shape, 36.0))))
    assert found is not None
    over_noise_db = filtered.fundamental_db - 36.0
    inside = (AXIS.hz > 16.0) & (AXIS.hz < 490.0)
    assert found.valid[inside & (over_noise_db > 20.5)].all()
    assert not found.valid[inside & (over_noise_db < 19.5)].any()
    assert np.ptp(over_noise_db[inside]) > 40.0


def test_corner_and_slope_of_a_linkwitz_riley_filter() -> None:
    """Where 1 / (1 + (f / fc)^4) is 6 dB under its bass; the slope is that of a line through the closed form."""
    figures = bass_reading(_measured(*_two(_low_pass_db(80.0))), EMPTY, None).figures
    corner, slope = figures["own_filter_corner"], figures["own_filter_slope"]
    # Its own bass is the median up to 40 Hz of the band known, that of 15 Hz and 40 Hz in the middle.
    own_db = -20.0 * np.log10(1.0 + (np.sqrt(15.0 * 40.0) / 80.0) ** 4)
    assert corner.value == pytest.approx(80.0 * (10 ** ((6.0 - own_db) / 20.0) - 1.0) ** 0.25, rel=2e-3)
    hz = np.geomspace(1.6 * 79.9, 3.2 * 79.9, 400)
    closed = np.polyfit(np.log2(hz), -20.0 * np.log10(1.0 + (hz / 80.0) ** 4), 1)[0]
    assert slope.value == pytest.approx(closed, abs=0.05)
    assert slope.u is not None
    assert 0.2 <= slope.u < 0.6


def test_a_slope_is_as_unsure_as_its_points_scatter() -> None:
    """0.5 dB of scatter that smoothing binds over 16 points, a third of an octave: an octave holds three points that
    are independent, so u = 0.5 / sqrt(sum (x - mean)^2 / 16) (JCGM 100, straight line), 0.2 dB beside it."""
    rng, told = np.random.default_rng(5), []
    line = np.where(AXIS.hz < 80.0, 0.0, -24.0 * np.log2(AXIS.hz / 80.0))
    for _ in range(3):
        scatter = np.repeat(rng.choice([-0.5, 0.5], len(AXIS) // 16 + 1), 16)[: len(AXIS)]
        ratio = line + np.where(AXIS.hz > 110.0, scatter, 0.0)
        figure = bass_reading(_measured(*_two(ratio)), EMPTY, None).figures["own_filter_slope"]
        assert figure.u is not None
        told.append(figure.u)
    octaves = np.arange(48) / 48.0
    closed = np.hypot(0.5 / np.sqrt(np.sum((octaves - octaves.mean()) ** 2) / 16.0), 0.2)
    assert np.sqrt(np.mean(np.square(told))) == pytest.approx(closed, rel=0.35)


def test_a_corner_too_high_for_its_slope_says_so() -> None:
    found = bass_reading(_measured(*_two(_low_pass_db(300.0))), EMPTY, None).figures
    assert found["own_filter_corner"].value is not None
    assert found["own_filter_slope"].value is None
    assert "half an octave" in found["own_filter_slope"].reason


def test_group_delay_of_a_vented_bass() -> None:
    """Fourth-order Butterworth high pass at 30 Hz: group delay from its poles, as scipy has it; 1 kHz is its zero."""
    b, a = scipy.signal.butter(4, 2 * np.pi * 30.0, "highpass", analog=True)
    hz = AXIS.hz
    spectrum = scipy.signal.freqs(b, a, 2 * np.pi * hz)[1]
    reading = bass_reading(_measured(spectrum=spectrum), EMPTY, None)
    poles = np.roots(a)
    for at in (20.0, 30.0, 40.0, 60.0, 80.0):
        truth_ms = 1000.0 * float(np.sum(-poles.real / np.abs(2j * np.pi * at - poles) ** 2))
        figure = reading.figures[f"bass_group_delay@{at:g}hz"]
        assert figure.value == pytest.approx(truth_ms, rel=0.06, abs=0.1)
        periods = float(figure.caveats[0].removesuffix(" periods"))
        assert periods == pytest.approx(truth_ms * at / 1000.0, rel=0.07, abs=0.01)


def _burst(hz: float, level_db: float) -> Figure:
    return Figure(f"burst_level@{hz:g}hz", level_db, 0.5, "dB", (hz, hz), "bursts")


def test_groups_of_bursts_are_means_of_pressures() -> None:
    """20 and 26 dB are pressures of 1 and 2: their mean 1.5 is 23.52 dB; a group that lacks one is not told."""
    bursts = [_burst(20.0, 100.0), _burst(25.0, 106.0206), _burst(31.5, 100.0)]
    bursts += [_burst(80.0, 110.0), _burst(100.0, 116.0206)]
    found = bass_reading(_measured(), replace(EMPTY, figures={one.key: one for one in bursts}), None).figures
    assert found["burst_level_lowest"].value == pytest.approx(100.0 + 20 * np.log10(4 / 3), abs=1e-4)
    assert found["burst_level_upper"].value == pytest.approx(110.0 + 20 * np.log10(1.5), abs=1e-4)
    assert "burst_level_for_size" not in found
    lacking = bass_reading(_measured(), replace(EMPTY, figures={one.key: one for one in bursts[1:4]}), None).figures
    assert "burst_level_lowest" not in lacking
    assert "burst_level_upper" not in lacking


def test_output_for_its_size_is_level_less_the_decibels_of_its_liters() -> None:
    mean = replace(_burst(40.0, 112.0), key="burst_level_mean")
    found = bass_reading(_measured(), replace(EMPTY, figures={mean.key: mean}), 50.0).figures
    assert found["burst_level_for_size"].value == pytest.approx(112.0 - 10 * np.log10(50.0))


def test_limits_stand_about_the_mean_from_40_to_80_hz() -> None:
    """90 dB in its band, straight sides of 24 dB/octave from 32 Hz down and 12 dB/octave from 90 Hz up."""
    hz = AXIS.hz
    level = 90.0 + 24.0 * np.minimum(np.log2(hz / 32.0), 0.0) - 12.0 * np.maximum(np.log2(hz / 90.0), 0.0)
    zeros = np.zeros(hz.size)
    axis = Curve("on_axis", "on axis", AXIS, level, zeros, zeros, zeros == 0.0, "dB", "dB SPL")
    found = bass_levels(replace(EMPTY, curves={"on_axis": axis})).figures
    assert found["bass_level"].value == pytest.approx(90.0, abs=1e-6)
    for drop in (3, 6, 10):
        assert found[f"bass_lower_{drop}db"].value == pytest.approx(32.0 * 2.0 ** (-drop / 24.0), rel=3e-3)
    assert found["bass_upper_6db"].value == pytest.approx(90.0 * 2.0**0.5, rel=3e-3)
    missing = bass_levels(replace(EMPTY, missing={"on_axis": "no take on axis"})).figures["bass_level"]
    assert missing.value is None
    assert missing.reason == "no take on axis"
