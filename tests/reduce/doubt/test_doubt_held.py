"""What the doubts' small parts mean, against closed forms and the words that a tester reads."""

from __future__ import annotations

import numpy as np
import pytest
from recorded import HIGH, LENGTH_S, LOW, RATE, framed, stated, sweep, transformed, wire

from earwitness.dsp.sweep import sweep_law
from earwitness.quantities import FrequencyAxis, NearField
from earwitness.reduce.doubt.damage import ORDERS, DamageReading, _tools
from earwitness.reduce.doubt.facts import echo_of
from earwitness.reduce.doubt.level import LevelEvidence, level_flags, refuses_level, voltage_flags
from earwitness.reduce.doubt.port import _parabola
from earwitness.reduce.doubt.recordings import Witness, damage_flags, without_damaged
from earwitness.reduce.doubt.stimulus import _least_rad, _line, cause_of, loop_reading, track_of
from earwitness.reduce.flags import flag


def test_every_harmonic_of_a_sweep_counts_as_the_loudspeakers() -> None:
    # Farina, 108th AES convention, 2000 (from memory): order n comes L ln n before the linear response.
    law, rate, length = sweep_law(20.0, 10_000.0, 3.0), 48_000.0, 2**18
    window = _tools(law, rate, length, ORDERS).window
    assert window[0] == 1.0
    for order in range(2, ORDERS + 1):
        assert window[length - round(law.rate_s * np.log(order) * rate)] == 1.0
    # Half way from the second harmonic to the linear response no loudspeaker makes anything.
    assert window[length - round(0.5 * law.rate_s * np.log(2) * rate)] == 0.0


def test_sound_along_the_cabinet_and_back_is_no_echo_of_the_room() -> None:
    # 1 m there and back, 2 / 343 s, is the cabinet's own back edge; of a small cabinet it would be a wall.
    rate, speed_m_s = 24_000, 343.0
    impulse = np.zeros((1, round(0.08 * rate)))
    impulse[0, 0], impulse[0, round(2.0 / speed_m_s * rate)] = 1.0, 0.2
    small, large = (echo_of(impulse, rate, size_m=size_m, speed_m_s=speed_m_s) for size_m in (0.3, 1.0))
    assert small is not None
    assert large is not None
    assert small.is_there
    assert small.delay_s == pytest.approx(2.0 / speed_m_s, abs=1e-4)
    assert large.delay_s > 2.0 / speed_m_s + 5e-4
    assert large.level_db < small.level_db - 10.0


def test_a_level_that_is_only_remarked_on_is_not_refused() -> None:
    # Two remarks: about the level without refusal, and a refusal of something else.
    remarks = level_flags(LevelEvidence(87.0, 95.0, -9.0, 30.0, 125.0, 91.0))
    other = flag("damage", 9.0, 1.0, severity="reject", where="a", what="b", probable="c", follows="d")
    assert remarks
    assert not refuses_level(remarks)
    assert not refuses_level([other])


def test_two_voltages_are_shown_at_a_take_that_has_the_usual_difference() -> None:
    # Six decibels at two of three takes: the sentence's two voltages are a factor 2 apart, as its decibels say.
    told = {"a": 2.83, "b": 2.83, "c": 1.0}
    found = voltage_flags({"a": 5.66, "b": 5.66, "c": 4.0}, told, [], volts_per_fs=30.0)
    sentence = next(one.sentence for one in found if one.id == "level")
    assert "5.66 V" in sentence
    assert "2.83 V" in sentence
    assert "6.0 dB apart" in sentence


def test_the_tuning_is_sought_where_the_port_is_heard() -> None:
    # Cone over port of a lossless box: (1 - (f / f_b)^2) / scale (Small, J. Audio Eng. Soc. 21, 1973, from memory).
    hz = 12.0 * 2.0 ** (np.arange(240) / 48)
    cone = (1 - (hz / 90.0) ** 2).astype(complex) / 0.5
    # Below 60 Hz all drowns in noise, and what is left of the cone there says nothing.
    drowned = hz < 60.0
    cone[drowned] = 2e-3 * hz[drowned]
    found = _parabola(hz, cone, np.ones(hz.size, dtype=complex), np.where(drowned, 3.0, 60.0))
    assert found is not None
    assert found[:3] == pytest.approx((0.5, 1, 90.0), rel=1e-3)


def loop_with(share_db: float) -> Witness:
    reading = DamageReading(1e3, 1e3, share_db, 1.0, 500.0, 1.0, 500.0, 0.3)
    return Witness("h_0", None, None, None, reading, None)


def test_a_loop_back_alone_with_little_beside_the_sweep_changes_little() -> None:
    # 20 lg (1 + 10^(-45/20)) is 0.05 dB; at -10 dB it would be 2.4 dB, too much to keep the take.
    (small,) = damage_flags([loop_with(-45.0)], {}, frozenset())
    (large,) = damage_flags([loop_with(-10.0)], {}, frozenset())
    assert (small.severity, large.severity) == ("warn", "reject")
    assert "levels change by less than 0.1 dB" in small.sentence
    assert "record it again" not in small.sentence
    assert "record it again" in large.sentence
    assert "levels change" not in large.sentence


def test_a_damaged_take_says_nothing_of_distortion_and_the_others_do() -> None:
    damaged = damage_flags([loop_with(-10.0)], {}, frozenset())
    remarks = [flag("heard_once", 2.0, 1.0, takes=(take,), at_s=1.0, hz="500 Hz") for take in ("h_0", "h_10")]
    assert [one.takes for one in without_damaged(remarks, damaged)] == [("h_10",)]
    assert without_damaged(remarks, []) == remarks


def test_a_single_late_band_does_not_tilt_the_line() -> None:
    # Least absolute errors pass through all points but one (Huber, Robust Statistics, from memory).
    x = np.linspace(-1.0, 3.0, 20)
    delay = 2e-3 - 5e-4 * x
    delay[-1] += 0.05
    assert _line(x, delay)[0] == pytest.approx(-5e-4, abs=2e-6)


def test_a_sweep_of_another_range_is_told_by_both_its_ends() -> None:
    # Same rate: L = T / ln(f2 / f1), so that another range at L lasts L ln(f2' / f1').
    rate_s = LENGTH_S / np.log(HIGH / LOW)
    low, high = 60.0, 8000.0
    played = sweep(low=low, high=high, length_s=float(rate_s * np.log(high / low)))
    y = wire(np.random.default_rng(21), framed(played))
    spectrum, length, told = transformed(y, sweep())
    reading = loop_reading(spectrum, length, stated(), told)
    assert reading is not None
    cause = cause_of(reading, stated(), track_of(y, RATE))
    assert cause is not None
    assert cause.key == "ends"
    numbers = [float(part.split(" = ")[1]) for part in cause.fit.replace(" and", ",").split(", ")]
    assert numbers == pytest.approx([low, high, rate_s * np.log(high / low)], rel=0.05)


def test_the_phase_that_a_level_asks_for_goes_on_below_the_band() -> None:
    # s^2 / (s^2 + 1.4 s + 1), a high-pass of second order, is of minimum phase: its phase is known in closed form.
    hz = np.geomspace(25.0, 1500.0, 300)
    s = 1j * hz / 60.0
    whole = s**2 / (1 + 1.4 * s + s**2)
    near = NearField("woofer", FrequencyAxis(hz), 20 * np.log10(np.abs(whole)), np.angle(whole), 25.0, 1500.0)
    least = np.interp(hz, np.arange(24_001.0), _least_rad(near, 1500.0))
    inner = (hz > 30.0) & (hz < 300.0)
    assert np.degrees(np.abs(least - np.unwrap(np.angle(whole)))[inner]).max() < 6.0
