"""Amplifier and load in closed form: resistors, the voltage divider, current and voltage limits."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from earwitness.errors import InputError
from earwitness.insight.match.amplifier import (
    amplifier,
    amplifier_of,
    match_amplifier,
    response_change_db,
    response_curve,
    sources_gain_db,
    usable_voltage,
    voltage_for_level,
)
from earwitness.quantities import Curve, Figure, Impedance, Reading, log_axis
from earwitness.session.amplifier_sheet import read_amplifier_sheet

AXIS = log_axis(10.0, 24_000.0, 48)


def load(ohm: complex | np.ndarray, *, u_ohm: float = 0.02) -> Impedance:
    values = np.full(len(AXIS), ohm) if np.isscalar(ohm) else ohm
    flat = np.ones(len(AXIS))
    return Impedance(AXIS, values, u_ohm * flat, 0.2 * flat, flat > 0)


def reading(level_db: float = 87.0, u: float = 0.2) -> Reading:
    flat = np.ones(len(AXIS))
    curve = Curve(
        "on_axis", "on axis", AXIS, level_db * flat, 0.0 * flat, u * flat, flat > 0, "dB", "dB SPL at 1 m, 2.83 V"
    )
    return Reading(
        {"on_axis": curve}, {"sensitivity": Figure("sensitivity", level_db, u, "dB", None, "mean")}, {}, {}, {}
    )


def test_the_divider() -> None:
    """C5.25 to C5.28: 20 lg |Z / (Z + Zo)| of 4, 8, 40 ohm and of 4 ohm at -60 degrees."""
    ohm = np.array([4.0, 8.0, 40.0, 4.0 * np.exp(-1j * np.pi / 3)])
    np.testing.assert_allclose(response_change_db(ohm, 1.0), [-1.9382, -1.0231, -0.2145, -1.1810], atol=1e-4)
    np.testing.assert_allclose(response_change_db(ohm[[0, 2]], 0.1), [-0.2145, -0.0217], atol=1e-4)


def test_highest_level_of_100_w() -> None:
    """C5.29: S = 87 dB, 100 W into 8 ohm: 28.2843 V, 106.9952 dB at 1 m, 97.4527 dB at 3 m in free field."""
    found = match_amplifier(amplifier("A", [(8.0, 100.0)]), reading(), load(8.0), distance_m=3.0)
    assert found.figures["amplifier_voltage"].value == pytest.approx(28.2843, abs=1e-4)
    assert found.figures["amplifier_highest_level"].value == pytest.approx(106.9952, abs=1e-4)
    assert found.figures["amplifier_highest_level_at"].value == pytest.approx(97.4527, abs=1e-4)
    assert [stretch.by for stretch in found.limited] == ["voltage"]
    np.testing.assert_allclose(found.curves["amplifier_highest_level"].values, 106.9952, atol=1e-4)


def test_a_peak_current_limit() -> None:
    """C5.30: 10 A peak into 3.2 ohm: 22.6274 V rms, 105.0570 dB at 1 m. The rating into 2 ohm leaves the voltage be."""
    one = amplifier("A", [(8.0, 100.0), (2.0, 400.0)], peak_current_a=10.0)
    volts, current = usable_voltage(one, np.array([3.2, 8.0]))
    np.testing.assert_allclose(volts, [22.6274, 28.2843], atol=1e-4)
    assert current.tolist() == [True, False]
    found = match_amplifier(one, reading(), load(3.2))
    assert found.figures["amplifier_highest_level"].value == pytest.approx(105.0570, abs=1e-4)
    assert [stretch.by for stretch in found.limited] == ["current"]


def test_voltage_and_power_for_a_level() -> None:
    """C5.31: 105 dB at 3 m with S = 87 dB takes 67.438 V: 568.49 W in 8 ohm."""
    volts = voltage_for_level(105.0, 87.0, distance_m=3.0)
    assert volts == pytest.approx(67.438, abs=1e-3)
    assert volts**2 / 8.0 == pytest.approx(568.49, abs=0.01)


def test_two_loudspeakers() -> None:
    """C5.32: 3.0103 dB not in phase, 6.0206 dB in phase."""
    assert sources_gain_db(2) == pytest.approx(3.0103, abs=1e-4)
    assert sources_gain_db(2, coherent=True) == pytest.approx(6.0206, abs=1e-4)


def test_between_ratings_power_stays_between_the_rated_powers() -> None:
    """60 W into 8 ohm and 100 W into 4 ohm: exact at both, sqrt(P R); below 4 ohm the current of 100 W in 4 ohm."""
    one = amplifier("A", [(4.0, 100.0), (8.0, 60.0)])
    volts, current = usable_voltage(one, np.array([16.0, 8.0, 6.0, 4.0, 2.0]))
    np.testing.assert_allclose(volts[[0, 1, 3, 4]], [480**0.5, 480**0.5, 20.0, 10.0])
    assert 60.0 < volts[2] ** 2 / 6.0 < 100.0
    # 20 V are 0.79 dB under 21.9 V, 10 V are 6.8 dB.
    assert current.tolist() == [False, False, False, False, True]


@pytest.mark.parametrize(
    ("ohm", "least", "word"),
    [(8.0, 4.0, "yes"), (3.0, 4.0, "no"), (3.2, 4.0, "cannot be told"), (8.0, None, "cannot be told")],
)
def test_can_it_drive_a_resistor(ohm: float, least: float | None, word: str) -> None:
    """IEC 60268-5: a 4 ohm loudspeaker may fall to 3.2 ohm; at exactly that nothing can be told."""
    found = match_amplifier(amplifier("A", [(8.0, 60.0)], minimum_load_ohm=least), reading(), load(ohm))
    assert found.can_drive == word


def test_phase_alone_can_be_too_much() -> None:
    """4 ohm at -60 degrees: magnitude is allowed, EPDR 4 * 0.278066 (C5.20) is under 3.2 * 0.353553 (C5.19)."""
    ohm = 4.0 * np.exp(-1j * np.pi / 3)
    found = match_amplifier(amplifier("A", [(8.0, 60.0)], minimum_load_ohm=4.0), reading(), load(ohm, u_ohm=0.001))
    margin = found.figures["amplifier_epdr_margin"]
    assert margin.value == pytest.approx(4 * 0.278066 - 3.2 * 0.353553, abs=1e-4)
    assert found.figures["amplifier_load_margin"].value == pytest.approx(0.8)
    assert found.can_drive != "yes"


def test_damping_factor_is_an_output_impedance() -> None:
    assert amplifier("A", [(8.0, 60.0)], damping_factor=80.0).output_ohm == pytest.approx(0.1)


def test_response_spread_of_a_resonance() -> None:
    """C5.26: from 4 to 40 ohm with 1 ohm output impedance the level spreads by 1.7237 dB."""
    ohm = np.where(AXIS.hz < 100.0, 40.0, 4.0).astype(complex)
    found = match_amplifier(amplifier("A", [(8.0, 60.0)], output_impedance_ohm=1.0), reading(), load(ohm))
    assert found.figures["amplifier_response_spread"].value == pytest.approx(1.7237, abs=1e-4)
    assert found.curves["amplifier_response"].values[np.argmin(abs(AXIS.hz - 1000))] == 0.0


def test_uncertainty_of_the_response_change_is_that_of_monte_carlo() -> None:
    """Law of propagation against 20000 draws of magnitude and phase (JCGM 101, from memory)."""
    rng = np.random.default_rng(5)
    ohm = np.where(AXIS.hz < 100.0, 20.0 * np.exp(0.5j), 4.0)
    curve = response_curve(load(ohm, u_ohm=0.1), 0.5)

    def drawn(z: complex) -> np.ndarray:
        wobble = (
            z
            * (1 + 0.1 / abs(z) * rng.standard_normal(20_000))
            * np.exp(1j * np.radians(0.2) * rng.standard_normal(20_000))
        )
        return response_change_db(wobble, 0.5)

    expected = np.std(drawn(20.0 * np.exp(0.5j)) - drawn(4.0 + 0j))
    assert curve.u[np.argmin(abs(AXIS.hz - 50))] == pytest.approx(expected, rel=0.05)


def test_headroom_for_a_goal_in_words() -> None:
    """97.4527 dB at 3 m, peaks of that sine 3.01 dB more: 5.5 dB over 85 + 10 dB, 4.5 dB under 85 + 20 dB."""
    one = amplifier("A", [(8.0, 100.0)])
    spare = match_amplifier(one, reading(), load(8.0), goal_db=85.0, peak_db=10.0).sentences
    short = match_amplifier(one, reading(), load(8.0), goal_db=85.0, peak_db=20.0).sentences
    assert spare[-1] == "That is one loudspeaker in free field; two in a room give about 6 to 9 dB more."
    pair = match_amplifier(one, reading(), load(8.0), goal_db=85.0, loudspeakers=2).sentences
    assert not any("two in a room" in words for words in pair)
    assert any("5.5 dB to spare" in said for said in spare)
    assert any("4.5 dB missing" in said for said in short)


def test_without_impedance_nothing_is_claimed() -> None:
    found = match_amplifier(amplifier("A", [(8.0, 100.0)], minimum_load_ohm=4.0), reading(), None)
    assert found.can_drive == "cannot be told"
    assert not found.figures["amplifier_highest_level"].is_judged


def test_a_sheet_is_read_and_its_faults_are_told_together(tmp_path: Path) -> None:
    path = tmp_path / "brook.toml"
    path.write_text('name = "Brook 60 (invented)"\ndamping_factor = 100.0\n[[power]]\nload_ohm = 8.0\npower_w = 60.0\n')
    sheet = read_amplifier_sheet(path)
    one = amplifier_of(sheet)
    assert one.ratings[0] == (8.0, pytest.approx(480**0.5))
    assert one.output_ohm == pytest.approx(0.08)
    path.write_text('name = "B"\nwatts = 3.0\n[[power]]\nload_ohm = 8.0\npower_w = -1.0\n')
    with pytest.raises(InputError) as caught:
        read_amplifier_sheet(path)
    assert "watts" in str(caught.value)
    assert "line 5" in str(caught.value)
    path.write_text(
        'name = "B"\ndamping_factor = 9.0\noutput_impedance_ohm = 1.0\n[[power]]\nload_ohm = 8.0\npower_w = 1.0\n'
    )
    with pytest.raises(InputError, match="say the same"):
        read_amplifier_sheet(path)


def test_a_voltage_that_is_alike_everywhere_runs_out_everywhere() -> None:
    """An ideal source, and a load that is not flat: no frequency is the first."""
    ohm = 6.0 + 4.0 / (1 + 2j * (AXIS.hz / 60.0 - 60.0 / AXIS.hz))
    found = match_amplifier(amplifier("A", [(8.0, 50.0), (4.0, 100.0)]), reading(), load(ohm))
    told = next(said for said in found.sentences if "reaches" in said)
    assert "20.0 V, voltage runs out first, at every frequency alike" in told
    one = match_amplifier(amplifier("A", [(8.0, 50.0), (4.0, 80.0)]), reading(), load(ohm))
    told = next(said for said in one.sentences if "reaches" in said)
    assert "alike" not in told
    assert told.startswith("By its voltage and current alone it reaches ")


def test_nothing_measured_is_said_to_be_without_uncertainty() -> None:
    one = amplifier("A", [(8.0, 50.0), (4.0, 100.0)], output_impedance_ohm=0.001)
    ohm = 6.0 + 40.0 / (1 + 2j * (AXIS.hz / 60.0 - 60.0 / AXIS.hz))
    said = " ".join(match_amplifier(one, reading(u=0.001), load(ohm, u_ohm=1e-5), goal_db=85.0).sentences)
    assert "± 0.0 " not in said
    assert "± 0.00" not in said
    assert "(± less than 0.01 dB)" in said
    # |Z| is 46 ohm at the bump and 6 elsewhere: 0.001 ohm changes nothing that is shown, in either direction.
    assert "+0.00 dB" in said
    assert "-0.00 dB" not in said


@pytest.mark.parametrize(
    "line", ["damping_factor = 5e-324", "peak_current_a = 5e-324", "[[power]]\nload_ohm = 4.0\npower_w = 5e-324"]
)
def test_what_is_too_small_to_be_a_quantity_is_refused_at_the_door(tmp_path: Path, line: str) -> None:
    """Smallest number of IEEE 754: above 0, and its square root or logarithm no longer a voltage."""
    path = tmp_path / "tiny.toml"
    rated = "[[power]]\nload_ohm = 8.0\npower_w = 60.0\n"
    path.write_text(f'name = "Tiny"\n{line}\n{rated}')
    with pytest.raises(InputError, match="greater than or equal to 0"):
        read_amplifier_sheet(path)
