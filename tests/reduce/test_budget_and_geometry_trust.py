"""Uncertainty budgets, first reflections and calibrators against values of the processing reference that no other test
uses (keys s1.x to s10.x beside them)."""

from __future__ import annotations

import numpy as np
import pytest
from made_session import Made, facts

from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.quantities import Cause
from earwitness.quantities.response import u_of_causes_db
from earwitness.reduce.budget import budget_of
from earwitness.reduce.calibrate import Calibration, calibrate, tone_rms
from earwitness.reduce.gate import gate_of, wall_reflections_s, weights_of
from earwitness.session.session import Room


def first_ms(loudspeaker_z_m: float, microphone_z_m: float, distance_m: float) -> float:
    """Delay of the first reflection in a hall where only the floor is near, c = 343 m/s."""
    room = Room(
        length_m=30.0,
        width_m=30.0,
        height_m=12.0,
        loudspeaker_m=(14.0, 15.0, loudspeaker_z_m),
        microphone_m=(14.0 + distance_m, 15.0, microphone_z_m),
    )
    return 1e3 * float(wall_reflections_s(room, 343.0).min())


@pytest.mark.parametrize(
    ("height_m", "floor_ms"),
    # s2.floor_d2.0_h1.0_ms_and_1overT_Hz ... h1.5
    [(1.0, 2.415239), (1.2, 3.277259), (1.25, 3.503097), (1.5, 4.680908)],
)
def test_floor_bounce_at_two_meters(height_m: float, floor_ms: float) -> None:
    assert first_ms(height_m, height_m, 2.0) == pytest.approx(floor_ms, abs=1e-6)


def test_floor_bounce_between_unequal_heights() -> None:
    """s2.unequal_heights_hs0.9_hm1.2_d1_ms: the direct way is slanted too."""
    for low, high in ((0.9, 1.2), (1.2, 0.9)):
        room = Room(
            length_m=30.0, width_m=30.0, height_m=12.0, loudspeaker_m=(14.0, 15.0, low), microphone_m=(15.0, 15.0, high)
        )
        assert 1e3 * float(wall_reflections_s(room, 343.0).min()) == pytest.approx(3.737346994, abs=1e-8)


def test_height_for_five_milliseconds() -> None:
    """s2.required_h_for_5ms_d1 = 1.262064 m."""
    assert first_ms(1.2620642812471954, 1.2620642812471954, 1.0) == pytest.approx(5.0, abs=1e-9)


@pytest.mark.parametrize("fall_share", [0.1, 0.25, 0.6])
@pytest.mark.parametrize("share", [1.0, 0.65])
def test_a_gate_falls_over_its_own_share_however_it_is_shortened(fall_share: float, share: float) -> None:
    """Half a Hann window: a half in the middle of the fall, 0.8536 and 0.1464 at a quarter and three quarters."""
    gate = gate_of(facts(Made()), 343.0, anechoic_window_s=0.2, fall_share=fall_share)
    assert gate.taper_s == pytest.approx(0.2 * fall_share)
    parts = np.array([0.0, 0.25, 0.5, 0.75])
    time = 0.2 * share * (1.0 - fall_share * (1.0 - parts))
    assert weights_of(gate, time, share=share) == pytest.approx([1.0, 0.853553, 0.5, 0.146447], abs=1e-6)


@pytest.mark.parametrize(
    ("parts_db", "u_db"),
    # s10.budget_50Hz_u_and_U95, 300Hz, 10kHz: repeat, calibrator, microphone, gate, splice, other
    [
        ((0.15, 0.10, 0.25, 0.0, 0.50, 0.30), 0.6595452979),
        ((0.10, 0.10, 0.15, 0.35, 0.30, 0.20), 0.5431390246),
        ((0.25, 0.10, 0.40, 0.05, 0.00, 0.40), 0.6284902545),
    ],
)
def test_a_whole_budget(parts_db: tuple[float, ...], u_db: float) -> None:
    causes = [Cause(name=str(i), source="", pull_db=np.full((1, 2), u)) for i, u in enumerate(parts_db)]
    assert u_of_causes_db(causes, 1, 2)[0] == pytest.approx([u_db, u_db], abs=1e-9)
    lines = budget_of(causes, 0)
    assert np.linalg.norm([line.u_db for line in lines], axis=0) == pytest.approx([u_db, u_db], abs=1e-9)


RATE = 48_000


def calibrator_tone(levels_db: tuple[float, ...], *, channel: int = 1) -> Recording:
    """1 kHz at -30 dB re a full-scale sine, off by `levels_db` in each second after a settled quarter of one."""
    time = np.arange(round((len(levels_db) + 0.5) * RATE)) / RATE
    row = np.clip(np.floor(time - 0.25), 0, len(levels_db) - 1).astype(int)
    samples = 10 ** ((np.array(levels_db)[row] - 30.0) / 20) * np.sin(2 * np.pi * 1000.0 * time)
    rows = [np.zeros_like(samples)] * (channel - 1) + [samples]
    return Recording(np.array(rows), RATE, "DOUBLE")


def sensitivity(recording: Recording, **calibrator: float) -> Calibration:
    told = {"calibrator": {"file": "cal.wav", "level_db": 94.0, "frequency_hz": 1000.0, **calibrator}}
    return calibrate(facts(Made(), microphone=told), lambda _name: recording)


def test_a_calibrator_that_wanders_a_little_widens_the_uncertainty_only() -> None:
    """Seconds 0.03 dB above and below in turn have a standard deviation of 0.03 dB; the limit is rectangular."""
    found = sensitivity(calibrator_tone((0.03, -0.03) * 3), tolerance_db=0.4)
    assert found.u_db == pytest.approx(np.hypot(0.4 / np.sqrt(3), 0.03), abs=1e-4)
    assert found.flags == ()
    assert found.absolute
    assert found.source == "calibrator 94 dB at 1000 Hz"


def test_a_calibrator_that_wanders_more_is_told_with_its_size() -> None:
    found = sensitivity(calibrator_tone((0.08, -0.08) * 3))
    (flag,) = found.flags
    assert (flag.id, flag.severity, flag.threshold, flag.unit) == ("calibrator", "warn", 0.05, "dB")
    assert flag.number == pytest.approx(0.08, abs=1e-3)
    assert "0.08 dB" in flag.sentence


@pytest.mark.parametrize("channel", [1, 2, 3])
def test_the_calibrator_is_read_from_the_channel_that_is_stated(channel: int) -> None:
    """s1.cal_example_S_FS_per_Pa, s1.cal_example_max_sine_SPL_dB: full scale is then a sine of 124 dB."""
    found = sensitivity(calibrator_tone((0.0,) * 5, channel=channel), channel=channel)
    assert found.fs_per_pa == pytest.approx(0.02230771084607004, rel=1e-6)
    assert 20 * np.log10(np.sqrt(0.5) / found.fs_per_pa / 20e-6) == pytest.approx(124.0, abs=1e-5)


def test_a_louder_calibrator_gives_a_lower_sensitivity() -> None:
    """114 dB instead of 94 dB is ten times the pressure."""
    loud, soft = (sensitivity(calibrator_tone((0.0,) * 5), level_db=level).fs_per_pa for level in (114.0, 94.0))
    assert soft / loud == pytest.approx(10.0, rel=1e-12)


def test_what_stands_in_the_first_and_last_quarter_second_does_not_count() -> None:
    found = calibrator_tone((0.0,) * 3)
    samples = found.samples.copy()
    samples[:, : RATE // 4 - 1] = 0.9
    samples[:, -RATE // 4 :] = -0.9
    disturbed = sensitivity(Recording(samples, RATE, "DOUBLE"))
    assert disturbed.fs_per_pa == sensitivity(found).fs_per_pa


def test_a_channel_that_is_not_there_is_told() -> None:
    with pytest.raises(AudioError, match="channel 3 is not there, the recording has 1") as refused:
        sensitivity(calibrator_tone((0.0,) * 5), channel=3)
    assert refused.value.where == "calibrator recording cal.wav"
    assert refused.value.remedy


def test_a_tone_of_one_second_is_just_enough() -> None:
    assert sensitivity(calibrator_tone((0.0,))).absolute
    short = calibrator_tone((0.0,)).samples[:, :-1]
    with pytest.raises(AudioError, match=r"lasts 1\.00 s after settling") as refused:
        sensitivity(Recording(short, RATE, "DOUBLE"))
    assert refused.value.where == "calibrator recording cal.wav"
    assert "1 s at least" in refused.value.expected
    assert "longer" in refused.value.remedy


def test_what_holds_no_tone_is_told_with_its_share_and_place() -> None:
    """White noise from 10 Hz to 24 kHz has (2^(1/6) - 2^(-1/6)) 1000 Hz of 24 kHz in that third octave: -20.2 dB."""
    noise = 0.1 * np.random.default_rng(4).standard_normal((1, 20 * RATE))
    with pytest.raises(AudioError, match="no clear tone at 1000 Hz") as refused:
        sensitivity(Recording(noise, RATE, "DOUBLE"))
    share = 10 * np.log10((2 ** (1 / 6) - 2 ** (-1 / 6)) * 1000.0 / 24_000.0)
    assert f"holds {share:.0f}" in refused.value.what
    assert refused.value.where == "calibrator recording cal.wav"
    assert refused.value.expected
    assert "channel" in refused.value.remedy


@pytest.mark.parametrize("frequency_hz", [1000.0 * 2 ** (1 / 6) * 0.995, 1000.0 / 2 ** (1 / 6) * 1.005])
def test_a_tone_within_the_third_octave_counts_and_one_beyond_does_not(frequency_hz: float) -> None:
    """A third octave reaches a sixth of an octave to either side (base two)."""
    time = np.arange(2 * RATE) / RATE
    inside = np.sin(2 * np.pi * frequency_hz * time)
    rms, share_db = tone_rms(inside, RATE, 1000.0)
    assert rms == pytest.approx(np.sqrt(0.5), rel=1e-4)
    assert share_db == pytest.approx(0.0, abs=1e-4)
    beyond = np.sin(2 * np.pi * (frequency_hz * (1.01 if frequency_hz > 1000.0 else 0.99)) * time)
    assert tone_rms(beyond, RATE, 1000.0)[1] < -20.0


def test_a_constant_does_not_count_as_sound() -> None:
    """A converter's offset lies below 10 Hz."""
    time = np.arange(2 * RATE) / RATE
    assert tone_rms(0.5 + 0.1 * np.sin(2 * np.pi * 1000.0 * time), RATE, 1000.0)[1] == pytest.approx(0.0, abs=1e-3)
    assert tone_rms(np.zeros(RATE), RATE, 1000.0) == (0.0, -np.inf)


def test_a_stated_sensitivity_goes_before_the_calibrator() -> None:
    told = facts(Made(), microphone={"sensitivity_fs_per_pa": 0.017, "sensitivity_u_db": 0.3})
    found = calibrate(told, lambda name: pytest.fail(name))
    assert (found.fs_per_pa, found.u_db, found.absolute, found.source) == (0.017, 0.3, True, "stated sensitivity")
    assert found.flags == ()


def test_without_any_calibration_the_scale_is_one_and_the_flag_says_so() -> None:
    found = calibrate(facts(Made(), microphone={}), lambda name: pytest.fail(name))
    assert (found.fs_per_pa, found.u_db, found.source) == (1.0, 0.0, "none")
    (flag,) = found.flags
    assert (flag.id, flag.severity, flag.number, flag.threshold) == ("calibration", "warn", 0.0, 0.0)
    assert "levels are relative" in flag.sentence
