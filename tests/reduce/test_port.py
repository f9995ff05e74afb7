"""The port held against the cone: the parabola of the lumped circuit must come back, whatever leaks.

C9.1: row of the reference on doubt (own derivation there, checked by simulation).
"""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.quantities import Impedance, report_axis
from earwitness.reduce.doubt.port import (
    CHECKED_U_DB,
    MISFIT,
    UNCHECKED_U_DB,
    PortReading,
    judge_port,
    port_reading,
    tuning_flags,
)

HZ = 15.0 * 2.0 ** (np.arange(0, 48 * 3.8) / 48)
SNR = np.full(HZ.size, 60.0)
PORT = np.array([False, True])


def flows(tuning_hz: float = 41.0, port_q: float = 40.0, leak_q: float = 12.0) -> np.ndarray:
    """(F, 2) of cone and port, the cone's with a resonance and a slope of its own."""
    x = 1j * HZ / tuning_hz
    cone = np.exp(0.3j) / (1 + 1.3 * HZ / 55.0 * 1j - (HZ / 55.0) ** 2)
    return np.stack([cone, -cone / ((x + 1 / port_q) * (x + 1 / leak_q) + 1)], axis=-1)


def leak(of_cone: float = 0.2, of_port: float = 0.15) -> np.ndarray:
    return np.broadcast_to(np.array([[1.0, of_port * np.exp(-0.1j)], [of_cone * np.exp(-0.1j), 2.5]]), (HZ.size, 2, 2))


def heard(scale: complex = 1.0, **more: float) -> np.ndarray:
    pressure = np.einsum("fij,fj->fi", leak(), flows(**more))
    pressure[:, 1] *= scale
    return pressure


def read(pressure: np.ndarray, snr_db: np.ndarray = SNR) -> PortReading:
    found = port_reading(HZ, leak(), pressure, PORT, snr_db)
    assert found is not None
    return found


def test_the_parabola_gives_scale_tuning_and_sign() -> None:
    """C9.1: Q_p 40 and Q_L 12 leave an intercept of 1 + 1 / (Q_p Q_L), -0.018 dB."""
    found = read(heard())
    assert found.scale_db == pytest.approx(-20 * np.log10(1 + 1 / 480), abs=0.02)
    assert found.tuning_hz == pytest.approx(41.0, rel=2e-3)
    assert not found.turned_over


@pytest.mark.parametrize("scale_db", [-6.02, -3.0, -1.0, 1.0, 3.0, 6.02])
@pytest.mark.parametrize("sign", [1, -1])
def test_scale_and_polarity_of_the_port_s_recording_come_back(scale_db: float, sign: int) -> None:
    found = read(heard(sign * 10 ** (scale_db / 20)))
    assert found.scale_db == pytest.approx(scale_db, abs=0.1)
    assert found.turned_over is (sign < 0)


def test_the_cone_turned_over_is_seen_as_well_and_both_are_not() -> None:
    pressure = heard()
    assert read(pressure * [-1, 1]).turned_over
    assert not read(pressure * [-1, -1]).turned_over


@pytest.mark.parametrize("leak_q", [5.0, 25.0])
def test_losses_do_not_matter(leak_q: float) -> None:
    assert read(heard(leak_q=leak_q)).scale_db == pytest.approx(0.0, abs=0.1)


def test_what_drowns_in_noise_is_not_read() -> None:
    assert port_reading(HZ, leak(), heard(), PORT, np.full(HZ.size, 10.0)) is None
    # A cone without a port's circuit: in phase at every frequency.
    alike = np.stack([np.ones(HZ.size, complex), np.ones(HZ.size, complex)], axis=-1)
    found = port_reading(HZ, leak(0.0, 0.0), alike, PORT, SNR)
    assert found is None or found.turned_over


def test_small_scales_are_taken_out_and_larger_ones_remarked_on_or_refused() -> None:
    for scale_db, severity, reason in ((1.2, "info", False), (-3.0, "warn", False), (5.0, "", True), (-6.0, "", True)):
        verdict = judge_port(PortReading(scale_db, False, 41.0, 0.01), ("port", "woofer"))
        assert bool(verdict.reason) is reason
        if not reason:
            assert verdict.take_out == pytest.approx(10 ** (scale_db / 20))
            assert verdict.u_db == CHECKED_U_DB
            assert [flag.severity for flag in verdict.flags] == [severity]


def test_a_diameter_for_a_radius_is_named() -> None:
    reason = judge_port(PortReading(6.02, False, 41.0, 0.01), ("port", "woofer")).reason
    assert "too large by a factor of 2.00" in reason
    assert (
        "too small by a factor of 2.00" in judge_port(PortReading(-6.02, False, 41.0, 0.01), ("port", "woofer")).reason
    )


def test_a_port_turned_over_is_refused_and_nothing_is_turned() -> None:
    verdict = judge_port(PortReading(-0.1, True, 41.0, 0.01), ("port", "woofer"))
    assert "port or of woofer is turned over" in verdict.reason
    assert verdict.take_out == 1.0


def test_without_a_reading_the_port_stays_and_its_doubt_too() -> None:
    verdict = judge_port(None, ("port", "woofer"))
    assert (verdict.take_out, verdict.u_db, verdict.reason, verdict.flags) == (1.0, UNCHECKED_U_DB, "", ())


def impedance(tuning_hz: float) -> Impedance:
    """Two peaks half an octave below and above a saddle, as any vented box has them (Small 1973, from memory)."""
    axis = report_axis()
    octaves = np.log2(axis.hz / tuning_hz)
    size = 6.0 + sum(30.0 / (1 + ((octaves - side * 0.7) / 0.15) ** 2) for side in (-1, 1))
    none = np.zeros(axis.hz.size)
    return Impedance(axis, size.astype(complex), none, none, np.ones(axis.hz.size, bool))


def test_another_tuning_in_the_impedance_is_remarked_on() -> None:
    assert tuning_flags(41.0, impedance(41.5)) == ()
    assert tuning_flags(41.0, impedance(46.0)) == ()
    (flag,) = tuning_flags(41.0, impedance(50.0))
    assert "41.0 Hz, the impedance at " in flag.sentence
    assert flag.number == pytest.approx(1 - 41.0 / 50.0, abs=0.01)


def test_without_a_saddle_or_a_reading_no_tuning_is_compared() -> None:
    assert tuning_flags(None, impedance(47.0)) == ()
    assert tuning_flags(41.0, None) == ()
    # One peak, as a closed box has it.
    axis = report_axis()
    size = 6.0 + 30.0 / (1 + (np.log2(axis.hz / 60.0) / 0.15) ** 2)
    none = np.zeros(axis.hz.size)
    closed = Impedance(axis, size.astype(complex), none, none, np.ones(axis.hz.size, bool))
    assert tuning_flags(41.0, closed) == ()


def test_cone_and_port_of_two_boxes_are_not_summed_in_silence() -> None:
    """Cone of a box tuned to 41 Hz with the port of one tuned to 47: no parabola fits their ratio."""
    pressure = heard()
    pressure[:, 1] = heard(tuning_hz=47.0, port_q=8.0)[:, 1]
    found = read(pressure)
    assert found.misfit > MISFIT
    verdict = judge_port(found, ("port", "woofer"))
    said = verdict.reason or verdict.flags[0].sentence
    assert "do not belong together" in said
    assert read(heard()).misfit < 0.5 * MISFIT
