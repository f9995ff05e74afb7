"""Which takes become the level series, and what is said where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from closed_form_fields import bare_measurement, response
from level_worlds import AXIS, made_take

from earwitness.figures.level_series import NO_BURSTS, NO_PAIR, NO_RUN, NO_SERIES, level_series_reading
from earwitness.figures.read import read_measurement
from earwitness.figures.registry import LEVEL_FIGURES, base_key, place_of
from earwitness.quantities import BurstTakeReading, Harmonics, Measurement, NoiseRun, TwoToneReading
from earwitness.quantities.arrays import FloatArray

FLAT: FloatArray = np.full(len(AXIS), 86.0)


def measured(*harmonics: Harmonics) -> Measurement:
    """An omnidirectional source of 86 dB that has these harmonics."""
    return bare_measurement(response(np.ones(70)), harmonics=harmonics)


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


def burst(hz: float, peak_pa: float, third_db: float, *, clipped: bool = False, room: bool = False) -> BurstTakeReading:
    orders, levels = (2, 3, 4), np.array([-40.0, third_db, -60.0])
    name = f"b{hz:g} {peak_pa:g}"
    return BurstTakeReading(name, 10 * peak_pa, 2.0, hz, peak_pa, orders, levels, (), 0.0, room, clipped)


def with_loud_takes(**takes: tuple[object, ...]) -> Measurement:
    return replace(measured(step(2.83), step(5.66)), **takes)  # type: ignore[arg-type]


def test_the_loudest_burst_under_the_mask_is_the_level() -> None:
    """Third harmonic of CEA-2010-A: -15 dB. 1 Pa peak at 2 m is 2 Pa at 1 m: 100 dB."""
    takes = tuple(
        burst(hz, pa, db) for hz in (40.0, 50.0, 63.0) for pa, db in ((0.5, -25.0), (1.0, -15.1), (1.5, -14.0))
    )
    figures = read_measurement(with_loud_takes(bursts=takes)).figures
    for hz in (40, 50, 63):
        figure = figures[f"burst_level@{hz}hz"]
        assert figure.value is not None
        assert abs(figure.value - 100.0) < 1e-9
        assert figure.bound == ""
        assert place_of(figure.key) == f"{hz} Hz"
        assert "harmonic 3 passed its limit by 1.0 dB at the next step, 3.5 dB louder" in figure.caveats
    assert figures["burst_level_mean"].value is not None
    assert abs(figures["burst_level_mean"].value - 100.0) < 1e-9


def test_bursts_of_a_room_and_clipped_ones_are_told() -> None:
    takes = (burst(40.0, 0.5, -25.0, room=True), burst(40.0, 1.0, -25.0, clipped=True, room=True))
    whole = with_loud_takes(bursts=takes)
    found = level_series_reading(whole, read_measurement(whole))
    figure = found.figures["burst_level@40hz"]
    assert figure.bound == "at least"
    assert figure.u == 2.0
    assert any("reflections" in note for note in figure.caveats)
    assert "left out because the recording is clipped: b40 1 (40 Hz)" in found.notes
    mean = found.figures["burst_level_mean"]
    assert mean.reason == "bursts at 40, 50 and 63 Hz are needed, 50 Hz, 63 Hz missing"


def test_two_tones_and_lasting_noise_come_through() -> None:
    """Side lines of 1 % each, summed: 2 %. A loss of 1 dB everywhere."""
    hz = AXIS.hz
    pair = TwoToneReading("p", 8.0, 1.0, 60.0, 7000.0, np.array([1.0, 0.01, 0.01, 0.002, 0.002]), 1e-6)
    run = NoiseRun("n", 8.0, 1.0, AXIS, FLAT, FLAT - 1.0, np.full(hz.size, 0.1), hz > 0, 60.0, True)
    reading = read_measurement(with_loud_takes(two_tones=(pair,), noise_runs=(run,)))
    assert abs((reading.figures["intermodulation_2@8v"].value or 0.0) - 2.0) < 1e-9
    assert abs((reading.figures["intermodulation_3@8v"].value or 0.0) - 0.4) < 1e-9
    assert abs((reading.figures["compression_long_term@8v"].value or 0.0) - 1.0) < 1e-9
    assert np.allclose(reading.curves["compression_long_term@8v"].values, 1.0)
    assert "compression_long_term" not in reading.missing


def test_loud_takes_that_are_not_there_say_so() -> None:
    reading = read_measurement(with_loud_takes())
    for key, reason in (
        ("intermodulation_2", NO_PAIR),
        ("burst_level", NO_BURSTS),
        ("burst_level_mean", NO_BURSTS),
        ("compression_long_term", NO_RUN),
    ):
        assert reading.figures[key].reason == reason
    assert reading.missing["compression_long_term"] == NO_RUN


def test_a_stated_rest_between_takes_is_told() -> None:
    rested = measured(
        step(2.83, take="a"), replace(step(5.66, take="b"), pause_s=120.0), replace(step(8.0), pause_s=90.0)
    )
    found = level_series_reading(rested, read_measurement(rested)).compression
    assert found is not None
    assert "the coils rested 90 s or more between the takes" in found.caveats
    part = measured(step(2.83, take="a"), replace(step(5.66, take="b"), pause_s=120.0), step(8.0))
    other = level_series_reading(part, read_measurement(part)).compression
    assert other is not None
    assert "the pause between the takes is not stated" in other.caveats
