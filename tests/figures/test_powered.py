"""Figures of powered loudspeakers and subwoofers against numbers worked out apart from the program."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from closed_form_fields import bare_measurement, response
from scipy import signal

from earwitness.figures.kinds import bass_levels, bass_reading, own_filter, powered_figures
from earwitness.figures.read import read_measurement, read_response
from earwitness.quantities import Figure, Harmonics, Measurement, from_orbit
from earwitness.quantities.measurement import LimiterCurve, LimiterReading, SelfNoise, TimeConstant
from earwitness.standards.cta2010 import MASK_A, MASKS
from earwitness.standards.exposure import a_weight_db

DBU_V = 0.6**0.5
ONE = from_orbit("horizontal", np.zeros(1))


def _measurement(**facts: object) -> Measurement:
    base = replace(
        response(np.ones(1), directions=ONE), reference_v=DBU_V * 10 ** (-6 / 20), reference="input -6.0 dBu"
    )
    return bare_measurement(base, **facts)


def _level(value: float) -> Figure:
    return Figure("sensitivity", value, 0.3, "dB", (300.0, 3000.0), "")


def test_the_weighting_is_the_table_of_the_standard() -> None:
    """IEC 61672-1, table of weightings A at exact thirds (handbook values to 0.1 dB)."""
    hz = 1000.0 * 10 ** (np.arange(-17, 14) / 10)
    table = [-50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4, -10.9, -8.6, -6.6, -4.8, -3.2, -1.9,
             -0.8, 0.0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1, -1.1, -2.5, -4.3, -6.6, -9.3]  # fmt: skip
    assert a_weight_db(hz) == pytest.approx(table, abs=0.0501)
    # The bilinear filter at 48 kHz that is often used in its place lies 6.4 dB low at 16 kHz; this one does not.
    assert a_weight_db(np.array([16_000.0]))[0] == pytest.approx(-6.7, abs=0.1)


def test_input_sensitivity_in_both_units() -> None:
    """97.3 dB for -6 dBu: 94 dB take -9.3 dBu, by hand; with full scale at +18 dBu that is -27.3 dBFS."""
    found = powered_figures(_measurement(), _level(97.3), 18.0)
    assert found["input_sensitivity"].value == pytest.approx(-9.3, abs=1e-9)
    assert found["input_sensitivity_digital"].value == pytest.approx(-27.3, abs=1e-9)
    assert found["input_sensitivity"].u == 0.3
    digital = _measurement()
    digital = replace(digital, response=replace(digital.response, reference_v=0.1, reference="input -20.0 dBFS"))
    told = powered_figures(digital, _level(97.3))
    assert told["input_sensitivity_digital"].value == pytest.approx(-23.3, abs=1e-9)
    assert "input_sensitivity" not in told


def test_nothing_is_told_of_a_passive_loudspeaker() -> None:
    passive = _measurement()
    passive = replace(passive, response=replace(passive.response, reference=""))
    assert powered_figures(passive, _level(90.0)) == {}


@pytest.mark.parametrize("late_ms", [0.4, 2.862, 11.37])
@pytest.mark.parametrize("taken_ms", [0.0, 0.31])
def test_a_planted_latency_comes_back_within_a_twentieth_of_a_millisecond(late_ms: float, taken_ms: float) -> None:
    """Behind a minimum-phase two-way band, 60 Hz to 22 kHz, and the all-pass of its crossover at 2 kHz (closed forms);
    the reduction may have taken any part of it out. The all-pass delays less than 0.02 ms there."""
    base = _measurement()
    hz = base.response.axis.hz
    s = 2j * np.pi * hz
    parts = [signal.butter(4, 2 * np.pi * 60, "high", analog=True), signal.butter(2, 2 * np.pi * 22e3, analog=True)]
    field = np.prod([signal.freqs(*part, worN=2 * np.pi * hz)[1] for part in parts], axis=0)
    w = 2 * np.pi * 2000
    field = field * (s**2 - np.sqrt(2) * w * s + w**2) / (s**2 + np.sqrt(2) * w * s + w**2)
    left_s = 1e-3 * taken_ms
    pressure = 0.02 * field[None, :] * np.exp(-2j * np.pi * hz * left_s)
    told = replace(base, response=replace(base.response, pressure=pressure), late_s=1e-3 * (late_ms - taken_ms))
    found = powered_figures(told, _level(90.0))["latency"]
    assert found.value == pytest.approx(late_ms, abs=0.05)
    assert found.u is not None
    assert found.u < 0.05
    assert powered_figures(base, _level(90.0))["latency"].reason.startswith("no loop-back")


def _noise(on: float, off: float, distance_m: float = 1.0) -> SelfNoise:
    bands = np.array([100.0, 1000.0])
    return SelfNoise(("a", "b"), distance_m, bands, bands * 0 + on, bands * 0 + off, on, off, 0.5, 0.5)


@pytest.mark.parametrize(("on", "off", "value", "u"), [(24.0, 14.0, 23.5424, 0.558), (20.001, 17.0, 16.981, 1.121)])
def test_self_noise_is_the_difference_of_energies(on: float, off: float, value: float, u: float) -> None:
    """By hand: 10 lg(10^2.4 - 10^1.4), its uncertainty by the law of propagation, with 0.2 dB of the scale."""
    found = powered_figures(_measurement(self_noise=_noise(on, off)), _level(90.0))["self_noise"]
    assert found.value == pytest.approx(value, abs=2e-3)
    assert found.u == pytest.approx(np.hypot(u, 0.2), abs=5e-3)
    assert found.bound == ""
    close = powered_figures(_measurement(self_noise=_noise(on, off, 0.5)), _level(90.0))["self_noise"]
    assert close.value == pytest.approx(value - 6.02, abs=2e-3)


def test_self_noise_under_the_room_is_a_bound() -> None:
    found = powered_figures(_measurement(self_noise=_noise(18.0, 17.0)), _level(90.0))["self_noise"]
    # The true one is 10 lg(10^1.8 - 10^1.7) = 11.1 dB: below the bound.
    assert (found.bound, found.value) == ("at most", 15.0)


def test_a_limiter_is_told_at_one_meter_and_at_the_input() -> None:
    step = np.arange(-36.0, 0.5)
    curve = LimiterCurve(
        step, step + 100, 37, 100.0, -12.0, 0.125, 6.0, (0.01, 0.02, 0.001, 0.1), 0.01,
        TimeConstant(0.005, 0.0001, True, "dB"), TimeConstant(0.02, 0.03, False, "dB"),
    )  # fmt: skip
    taken = _measurement(limiters=(LimiterReading("t", 2.0, 80.0, curve, False),))
    found = powered_figures(taken, _level(90.0))
    # 86 dB SPL for 2.83 V is what the field has, so 1 V gives 20 lg 2.83 less; 12 dB under 1 V.
    assert found["limiter_threshold@80hz"].value == pytest.approx(86 - 20 * np.log10(2.83) - 12)
    assert found["limiter_input@80hz"].value == pytest.approx(-12 + 2.2185, abs=1e-3)
    assert found["limiter_ratio@80hz"].value == pytest.approx(8.0)
    assert found["limiter_ratio@80hz"].u == pytest.approx(0.064)
    assert found["limiter_attack@80hz"].value == pytest.approx(5.0)
    assert found["limiter_release@80hz"].bound == "at most"
    room = replace(taken, gate=replace(taken.gate, source="room dimensions"))
    assert "blurs" in powered_figures(room, _level(90.0))["limiter_attack@80hz"].reason
    wall = replace(curve, slope=0.0005)
    told = powered_figures(_measurement(limiters=(LimiterReading("t", 2.0, 80.0, wall, False),)), _level(90.0))
    assert told["limiter_ratio@80hz"].bound == "at least"
    assert told["limiter_ratio@80hz"].value == pytest.approx(50.0)
    # A slope of 0.03 +- 0.02 may be none at all; with 95 % it is not above 0.07, so the ratio is 1 / 0.07 or more.
    steep = replace(curve, slope=0.03, u=(*curve.u[:2], 0.02, curve.u[3]))
    told = powered_figures(_measurement(limiters=(LimiterReading("t", 2.0, 80.0, steep, False),)), _level(90.0))
    assert told["limiter_ratio@80hz"].bound == "at least"
    assert told["limiter_ratio@80hz"].value == pytest.approx(1.0 / 0.07)


@pytest.mark.parametrize(
    ("order", "delay_ms"),
    [(2, {30.0: 7.503, 40.0: 5.009, 60.0: 2.207, 80.0: 1.180}), (4, {30.0: 19.605, 40.0: 10.930, 60.0: 3.953})],
)
def test_group_delay_is_that_of_the_textbook_box(order: int, delay_ms: dict[float, float]) -> None:
    """Closed (order 2) and vented (order 4) Butterworth boxes of 30 Hz: closed-form group delay."""
    field = signal.freqs(*signal.butter(order, 2 * np.pi * 30, "high", analog=True), worN=2 * np.pi * _hz())[1]
    found = _subwoofer(field)
    for hz, wanted in delay_ms.items():
        figure = found[f"bass_group_delay@{hz:g}hz"]
        assert figure.value == pytest.approx(wanted, abs=0.12 + 0.02 * wanted)
        assert figure.caveats[0] == f"{(figure.value or 0.0) * hz / 1000:.2f} periods"


def _hz() -> np.ndarray:
    return _measurement().response.axis.hz


def _subwoofer(field: np.ndarray, **facts: object) -> dict[str, Figure]:
    base = _measurement(**facts)
    base = replace(base, response=replace(base.response, pressure=0.02 * field[None, :]))
    reading = bass_levels(read_response(base.response))
    return dict(bass_reading(base, reading, 64.0).figures)


def test_limits_stand_about_the_bass_and_not_about_a_midrange_that_is_not_there() -> None:
    """B4 high-pass at 30 Hz and LR4 low-pass at 120 Hz: -3 dB at 30 Hz and -6 dB at 120 Hz re flat, by definition."""
    hz = _hz()
    high = signal.freqs(*signal.butter(4, 2 * np.pi * 20, "high", analog=True), worN=2 * np.pi * hz)[1]
    low = signal.freqs(*signal.butter(2, 2 * np.pi * 300, analog=True), worN=2 * np.pi * hz)[1] ** 2
    found = _subwoofer(high * low)
    assert found["bass_lower_3db"].value == pytest.approx(20.0, rel=0.01)
    assert found["bass_upper_6db"].value == pytest.approx(300.0, rel=0.01)
    kinds = ("subwoofer", "powered")
    whole = read_measurement(_measurement(), kinds=kinds)
    assert "bass_level" in whole.figures
    assert "input_sensitivity" in whole.figures


def test_the_filter_that_is_built_in_comes_from_two_takes() -> None:
    """LR4 low-pass at 80 Hz: -6.02 dB at 80 Hz, closed form; 21 dB in the octave from 128 Hz."""
    base, hz = _measurement(), _hz()
    flat = np.full(hz.size, 90.0)
    filtered = flat - 20 * np.log10(1 + (hz / 80.0) ** 4)
    quiet = np.full((4, hz.size), -20.0)

    def take(name: str, level: np.ndarray, crossover: str) -> Harmonics:
        known = np.ones((4, hz.size), bool)
        return Harmonics(name, 1.0, 2.0, "far-field", (2, 3, 4, 5), base.response.axis, level, quiet, quiet, known,
                         in_series=not crossover, crossover=crossover)  # fmt: skip

    both = (take("a", flat, ""), take("b", filtered, "low-pass 80 Hz"))
    assert own_filter(replace(base, harmonics=both[:1])) is None
    found = _subwoofer(np.ones(hz.size), harmonics=both)
    assert found["own_filter_corner"].value == pytest.approx(80.0, rel=0.01)
    octave = 20 * np.log10((1 + (256 / 80) ** 4) / (1 + (128 / 80) ** 4))
    assert found["own_filter_slope"].value == pytest.approx(-octave, abs=0.7)


def test_the_stricter_mask_passes_nothing_that_the_other_does_not() -> None:
    strict = MASKS["strict"]
    assert all(strict.limit_db(order) <= MASK_A.limit_db(order) for order in MASK_A.orders)
    assert [MASK_A.limit_db(order) for order in (2, 3, 5, 8, 9)] == [-10, -15, -20, -30, -40]
