"""Which takes become the level series, and what is said where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from closed_form_fields import response
from level_worlds import AXIS, made_take

from earwitness.figures.level_series import NO_SERIES, level_series_reading
from earwitness.figures.read import read_measurement
from earwitness.figures.registry import LEVEL_FIGURES, base_key, place_of
from earwitness.quantities import Gate, Harmonics, Measurement
from earwitness.quantities.arrays import FloatArray

FLAT: FloatArray = np.full(len(AXIS), 86.0)


def measured(*harmonics: Harmonics) -> Measurement:
    """An omnidirectional source of 86 dB that has these harmonics."""
    field = response(np.ones(70))
    snr = np.full(field.pressure.shape, 60.0)
    gate = Gate(0.0, 1.0, 0.1, None, "anechoic", 20.0)
    return Measurement(field, snr, gate, None, (), harmonics, None, 48_000.0, np.zeros(8), 0.0, (), (), (), ())


def step(volts: float, second_db: float = -40.0, *, take: str = "", loss_db: float = 0.0) -> Harmonics:
    level = FLAT + 20 * np.log10(volts / 2.83) - loss_db
    return made_take(volts, level, {2: second_db}, noise_db=-90.0, take=take)


def test_keys_carry_the_level_and_words_tell_it() -> None:
    reading = read_measurement(measured(step(2.83), step(8.0, -30.0)))
    figure = reading.figures["distortion_largest@8v"]
    # -30 dB are 3.162 %.
    assert figure.value is not None
    assert abs(figure.value - 3.162) < 0.02
    assert (base_key(figure.key), place_of(figure.key)) == ("distortion_largest", "8 V")
    assert "distortion_largest" not in reading.figures
    assert "distortion_total@8v" in reading.curves
    keys = [base_key(key) for key in reading.figures if base_key(key) in LEVEL_FIGURES]
    assert list(dict.fromkeys(keys)) == list(LEVEL_FIGURES)


def test_the_take_on_axis_is_no_series() -> None:
    reading = read_measurement(measured(replace(step(2.83), in_series=False)))
    assert reading.figures["distortion_largest"].reason == NO_SERIES
    assert reading.missing["highest_clean_level"] == NO_SERIES


def test_a_clipped_take_is_left_out_and_named() -> None:
    whole = measured(step(2.83), step(5.66), replace(step(11.3, take="loud"), clipped=True))
    found = level_series_reading(whole, read_measurement(whole))
    assert [one.drive_v for one in found.distortions] == [2.83, 5.66]
    assert found.notes == ("left out because the recording is clipped: loud (11.3 V)",)


def test_nothing_is_left_where_all_takes_are_clipped() -> None:
    reading = read_measurement(measured(replace(step(2.83, take="only"), clipped=True)))
    reason = reading.figures["distortion_largest"].reason
    assert reason == "no level can be used; left out because the recording is clipped: only (2.83 V)"


def test_the_longest_series_is_read_and_the_other_named() -> None:
    near = tuple(replace(step(volts), place="near-field", distance_m=0.01, driver="woofer") for volts in (1.0, 2.0))
    whole = measured(*near, step(2.83), step(5.66), step(11.3))
    found = level_series_reading(whole, read_measurement(whole))
    assert [one.drive_v for one in found.distortions] == [2.83, 5.66, 11.3]
    assert found.notes == ("a second level series, near woofer, is kept but not shown",)


def test_a_level_recorded_again_shows_drift() -> None:
    whole = measured(step(2.83, take="a"), step(5.66, take="b"), step(2.83, take="c", loss_db=0.4))
    found = level_series_reading(whole, read_measurement(whole))
    assert found.compression is not None
    assert found.compression.drift is not None
    assert np.allclose(found.compression.drift.values, -0.4)
    assert [one.drive_v for one in found.distortions] == [2.83, 5.66]


def test_without_calibration_no_level_is_stated() -> None:
    whole = measured(step(2.83), step(5.66))
    whole = replace(whole, response=replace(whole.response, absolute=False))
    reading = read_measurement(whole)
    assert reading.figures["highest_clean_level"].reason == "the level of the recordings is not calibrated"
    assert reading.figures["distortion_largest@5.66v"].is_judged
