"""Budget against the processing reference (keys beside the numbers), ISO 9613-1 values, GUM rules."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from earwitness.errors import InputError
from earwitness.quantities import BudgetLine, Cause
from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.response import of_devices, pulled_apart
from earwitness.reduce.budget import (
    air_absorption_db_per_m,
    budget_of,
    gating_u_db,
    high_pass_gate_error_db,
    level_causes,
    noise_u_db,
)
from earwitness.session.session import Session

HZ = np.array([50.0, 1000.0, 9000.0, 15000.0])


def session(**microphone: object) -> Session:
    return Session.model_validate(
        {
            "format": 1,
            "date": "2030-01-02",
            "loudspeaker": {
                "name": "Demo One", "maker": "Invented Works", "type": "stand-mount", "enclosure": "closed",
                "invented": True, "width_m": 0.2, "height_m": 0.3, "depth_m": 0.25, "reference_axis": "tweeter",
                "driver": ({"name": "woofer", "kind": "cone", "diameter_m": 0.13},),
            },
            "microphone": microphone,
            "drive": {"voltage_v": 2.83, "u_db": 0.07},
            "stimulus": {"kind": "sweep", "start_hz": 10.0, "stop_hz": 22000.0, "duration_s": 5.0},
            "takes": ({"id": "a", "file": "a.wav", "sha256": "0" * 64, "kind": "far-field", "orbit": "horizontal",
                       "angle_deg": 0.0, "distance_m": 1.0},),
        }
    )  # fmt: skip


def by_name(lines: tuple[BudgetLine, ...]) -> dict[str, BudgetLine]:
    return {line.name: line for line in lines}


def told(told: Session, hz: FloatArray, **more: Any) -> tuple[BudgetLine, ...]:
    return budget_of(level_causes(told, hz, **more), 0)


@pytest.mark.parametrize(
    ("snr_db", "u_db", "rel"),
    # s1.snr20_std_err_dB ... s1.snr60_std_err_dB
    [(20, 0.6141851463667767, 1e-9), (30, 0.19422239675629038, 1e-9), (40, 0.06141851463667767, 1e-9),
     (50, 0.019422239675629043, 1e-9), (60, 0.006141851463667767, 1e-9)],
)  # fmt: skip
def test_noise(snr_db: float, u_db: float, rel: float) -> None:
    assert noise_u_db(np.array([[snr_db]], float)) == pytest.approx(np.array([[u_db]]), rel=rel)


def test_noise_against_a_simulated_contaminant() -> None:
    """Random phase at -30 dB: the standard deviation of the level, by brute force."""
    phase = np.linspace(0, 2 * np.pi, 20000, endpoint=False)
    level = 20 * np.log10(np.abs(1 + 10 ** (-30 / 20) * np.exp(1j * phase)))
    assert noise_u_db(np.array([30.0]))[0] == pytest.approx(level.std(), rel=2e-3)
    assert np.isfinite(noise_u_db(np.array([-np.inf, -100.0]))).all()


def test_air() -> None:
    # s4.air_absorption_dB_per_m_20C_50pct_1k_5k_10k_20k
    expected = [0.004664731873821475, 0.04423862990271087, 0.15883855730491755, 0.5241559571147006]
    got = air_absorption_db_per_m(np.array([1e3, 5e3, 1e4, 2e4]), 20.0, 50.0, 101.325)
    assert got == pytest.approx(expected, rel=1e-9)


def test_air_table_of_the_standard() -> None:
    """ISO 9613-1 table 1, 20 degrees, 70 %, in dB/km at 1, 2, 4, 8 kHz: 4.98, 9.02, 22.9, 76.6 (from memory)."""
    got = air_absorption_db_per_m(1000 * 10 ** (0.3 * np.arange(4)), 20.0, 70.0, 101.325) * 1000
    assert got == pytest.approx([4.98, 9.02, 22.9, 76.6], rel=0.01)


@pytest.mark.parametrize("state", [(20.0, 120.0, 101.0), (-300.0, 50.0, 101.0), (20.0, 50.0, 0.0)])
def test_impossible_air(state: tuple[float, float, float]) -> None:
    with pytest.raises(InputError, match="impossible"):
        air_absorption_db_per_m(HZ, *state)


def test_gating_is_the_largest_change_over_root_three() -> None:
    zero = np.zeros((2, 4))
    u_db = gating_u_db(zero, zero + 0.3, zero - 0.6)
    assert u_db == pytest.approx(np.full((2, 4), 0.6 / np.sqrt(3)))


@pytest.mark.parametrize(
    ("gate_s", "errors_db"),
    [
        (3e-3, (0.8016639749, -0.1345303895, -0.06375693861, 0.03143312463)),
        (5e-3, (0.6282866508, -0.03769504077, -0.0912953388, 0.03696165424)),
        (10e-3, (-0.32016979, 0.2994307562, -0.06980173826, 0.04836553008)),
    ],
)
def test_each_gate_has_its_own_error(gate_s: float, errors_db: tuple[float, ...]) -> None:
    """Butterworth high-pass at 60 Hz, gate tapered over its half, at 1, 1.5, 2 and 3 times 1 / T: values computed by
    another program from the closed form of that high-pass (s2.gate_halfhann50_*_err_dB_at_1_1.5_2_3_over_T)."""
    hz = np.array([1.0, 1.5, 2.0, 3.0]) / gate_s
    found = high_pass_gate_error_db(hz, 60.0, 2, gate_s=gate_s, fall_share=0.5)
    assert found == pytest.approx(errors_db, abs=0.012)


def test_gating_takes_the_window_of_its_own_length() -> None:
    """With nothing changing between the gates the rms over the alignments stands alone; far above the gate none."""
    zero = np.zeros(3)
    for gate_s in (3e-3, 10e-3):
        hz = np.array([1.2, 2.0, 30.0]) / gate_s
        cases = [(corner, order) for corner in (35.0, 50.0, 70.0, 100.0) for order in (2, 4)]
        errors = [high_pass_gate_error_db(hz[:2], *case, gate_s=gate_s, fall_share=0.4) for case in cases]
        found = gating_u_db(zero, zero, zero, hz=hz, gate_s=gate_s)
        assert found[:2] == pytest.approx(np.sqrt(np.mean(np.square(errors), axis=0)), rel=0.05)
        assert found[2] == 0.0


def test_a_budget_joins_the_parts_of_one_name_by_root_sum_of_squares() -> None:
    """3 and 4 make 5; of several directions the row asked for."""
    causes = (
        Cause(name="microphone", source="file", pull_db=np.full((1, 2), -3.0), part="near 1 kHz"),
        Cause(name="microphone", source="file", pull_db=np.full((1, 2), 4.0), part="near 2 kHz"),
        Cause(name="turntable", source="by eye", pull_db=np.array([[1.0, 1.0], [-2.0, 0.5]])),
        Cause(name="place of one take", source="7 mm", pull_db=np.full((2, 2), 0.1), each=True),
    )
    lines = by_name(budget_of(causes, 1))
    assert lines["microphone"].u_db == pytest.approx([5.0, 5.0])
    assert lines["turntable"].u_db == pytest.approx([2.0, 0.5])
    assert {name: line.common for name, line in lines.items()} == {
        "microphone": True, "turntable": False, "place of one take": False,
    }  # fmt: skip


def test_calibrator_class_limit() -> None:
    """Class 1 limit 0.25 dB rectangular: 0.14 dB, common to all directions."""
    lines = by_name(told(session(calibrator={"file": "cal.wav"}), HZ))
    assert lines["calibrator"].u_db == pytest.approx(np.full(4, 0.25 / np.sqrt(3)))
    assert lines["calibrator"].common
    assert lines["voltage"].u_db == pytest.approx(np.full(4, 0.07))


def test_a_stated_sensitivity_counts_before_the_calibrator_here_too() -> None:
    """As in the levels: what was not used does not stand in the budget."""
    both = session(sensitivity_fs_per_pa=0.02, sensitivity_u_db=1.5, calibrator={"file": "cal.wav"})
    lines = by_name(told(both, HZ))
    assert lines["sensitivity"].u_db == pytest.approx(np.full(4, 1.5))
    assert "calibrator" not in lines


def test_without_level_there_is_no_level_line() -> None:
    names = set(by_name(told(session(), HZ)))
    assert not names & {"calibrator", "sensitivity"}
    assert "sensitivity" in by_name(told(session(sensitivity_fs_per_pa=0.02), HZ))


def test_microphone_with_and_without_file() -> None:
    bare = by_name(told(session(), HZ))["microphone"].u_db
    # The scale holds at 1 kHz, where the response adds nothing.
    assert bare == pytest.approx(np.array([1.0, 0.0, 1.0, 2.5]) / np.sqrt(3), abs=2e-3)
    filed = by_name(told(session(), HZ, correction_band_hz=(100.0, 12000.0)))["microphone"].u_db
    assert filed == pytest.approx(np.array([1.0, 0.0, 0.5, 2.5]) / np.sqrt(3), abs=2e-3)
    stated = told(session(correction_file="m.txt", correction_u_db=0.2), HZ, correction_band_hz=(10.0, 2e4))
    assert by_name(stated)["microphone"].u_db == pytest.approx([0.2, 0.0, 0.2, 0.2], abs=2e-3)


def test_a_microphone_s_response_is_known_at_its_calibrator_s_frequency() -> None:
    """Conditional normal law: u sqrt(1 - c^2) with c = exp(-octaves^2)."""
    hz = np.array([100.0, 125.0, 250.0, 500.0, 1000.0, 8000.0])
    found = by_name(told(session(calibrator={"file": "cal.wav", "frequency_hz": 250.0}), hz))["microphone"].u_db
    correlation = np.exp(-(np.log2(hz / 250.0) ** 2))
    assert found == pytest.approx(np.sqrt(1 - correlation**2) / np.sqrt(3), abs=0.01)


def test_the_loss_in_air_grows_with_distance() -> None:
    one = by_name(told(session(), HZ, distance_m=1.0))
    two = by_name(told(session(), HZ, distance_m=2.0))
    assert two["air"].u_db == pytest.approx(2 * one["air"].u_db)
    corrected = by_name(told(session(), HZ, air_corrected=True))
    assert corrected["air"].u_db == pytest.approx(one["air"].u_db / 10)


def test_a_microphone_with_a_serial_number_is_known_in_other_sessions() -> None:
    """Its stated sensitivity and its response, no calibrator and no voltage."""
    known = level_causes(session(serial="42", name="M1", sensitivity_fs_per_pa=0.02), HZ)
    assert {cause.name for cause in known if cause.device == "M1 42"} == {"sensitivity", "microphone"}
    assert not any(cause.device for cause in level_causes(session(name="M1", sensitivity_fs_per_pa=0.02), HZ))


def test_one_calibrator_is_off_by_the_same_amount_with_two_microphones() -> None:
    """Its level cancels in the difference of both sessions (JCGM 100, 5.2.2: fully correlated inputs); without a serial
    number, or with another calibrator, nothing says so."""

    def calibrated(microphone: str, **calibrator: object) -> Cause:
        told = session(name="M", serial=microphone, calibrator={"file": "c.wav", "tolerance_db": 0.3, **calibrator})
        return next(cause for cause in level_causes(told, HZ) if cause.name == "calibrator")

    first, second = calibrated("1", serial="77"), calibrated("2", serial="77")
    assert first.pull_db == pytest.approx(np.full((1, 4), 0.3 / np.sqrt(3)))
    assert pulled_apart((first,), (second,)) == ()
    assert len(pulled_apart((first,), (calibrated("1", serial="78"),))) == 2
    assert of_devices((calibrated("1"),)) == ()
