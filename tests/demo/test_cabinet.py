"""The vented box against Small's model (check values s7.*, worked apart from this code) and Small's polynomial."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from earwitness.demo.circuits import Driver, Motion, VentedBox, vented_motion
from earwitness.errors import InputError
from earwitness.quantities.arrays import ComplexArray

DRIVER = Driver(
    coil_resistance_ohm=5.8,
    coil_inductance_h=0.5e-3,
    force_factor_n_a=6.5,
    moving_mass_kg=14e-3,
    compliance_m_n=1.2e-3,
    mechanical_resistance_kg_s=1.0,
    cone_area_m2=132e-4,
)
BOX = VentedBox(volume_m3=22e-3, tuning_hz=42.0, leak_q=7.0, port_q=60.0)
PROBES_HZ = np.array([20.0, 42, 100, 200])


def qualities(driver: Driver) -> tuple[float, float, float]:
    """Mechanical, electrical and total quality factor (Small, JAES 1972)."""
    mass_reactance = 2 * np.pi * driver.resonance_hz * driver.moving_mass_kg
    mechanical = mass_reactance / driver.mechanical_resistance_kg_s
    electrical = mass_reactance * driver.coil_resistance_ohm / driver.force_factor_n_a**2
    return mechanical, electrical, mechanical * electrical / (mechanical + electrical)


def equivalent_volume_m3(driver: Driver) -> float:
    """Volume of air at 343 m/s and 1.204 kg/m^3 as stiff as the suspension."""
    return 1.204 * 343.0**2 * driver.cone_area_m2**2 * driver.compliance_m_n


def far_pressure_pa_v(motion: Motion) -> ComplexArray:
    """(F,) pressure per volt at 1 m of all three flows as one point source in full space, without the travel delay."""
    flow = motion.cone_m3_s_v + motion.port_m3_s_v + motion.leak_m3_s_v
    return np.asarray(2j * np.pi * motion.frequency_hz * 1.204 * flow / (4 * np.pi))


def test_driver_parameters() -> None:
    # s7.driver_fs_Qms_Qes_Qts_Vas_litre
    found = [
        DRIVER.resonance_hz,
        *qualities(DRIVER),
        1e3 * equivalent_volume_m3(DRIVER),
    ]
    expected = [38.829830143375084, 3.4156502553198664, 0.46889399954686917, 0.41229493196368827, 29.617188910847997]
    np.testing.assert_allclose(found, expected, rtol=1e-12)


def test_impedance_magnitude_and_phase() -> None:
    # s7.vented_Z_ohm_at_20_42_100_1000, s7.vented_Zphase_deg_at_20_42_100_1000
    z = vented_motion(DRIVER, BOX, np.array([20.0, 42, 100, 1000])).impedance_ohm
    expected_ohm = [19.51126588947173, 7.328301255818975, 10.417465634484314, 6.3857321165274445]
    expected_deg = [44.89160194738905, 0.8198735431892067, -44.29057958645553, 24.61365992447051]
    np.testing.assert_allclose(np.abs(z), expected_ohm, rtol=1e-10)
    np.testing.assert_allclose(np.degrees(np.angle(z)), expected_deg, atol=1e-8)


def test_impedance_peaks_and_minima() -> None:
    # s7.vented_Z_peaks_Hz_ohm, s7.vented_Z_minima_Hz_ohm
    frequency = np.arange(10.0, 1000.0, 0.005)
    z = np.abs(vented_motion(DRIVER, BOX, frequency).impedance_ohm)
    inner = z[1:-1]
    peaks = 1 + np.flatnonzero((inner > z[:-2]) & (inner > z[2:]))
    dips = 1 + np.flatnonzero((inner < z[:-2]) & (inner < z[2:]))
    np.testing.assert_allclose(frequency[peaks], [23.547619427160953, 69.30033063346615], atol=0.01)
    np.testing.assert_allclose(z[peaks], [32.981436602135005, 32.4659025818306], rtol=1e-5)
    np.testing.assert_allclose(frequency[dips], [41.65808569995764, 420.4415545068572], atol=0.01)
    np.testing.assert_allclose(z[dips], [7.325617323342728, 5.834428093509046], rtol=1e-6)


def test_excursion_at_2_83_volts_rms() -> None:
    # s7.vented_excursion_peak_mm_f20, _f42, _f100, _f200: peak of a sine, coil inductance left out
    motion = vented_motion(replace(DRIVER, coil_inductance_h=0.0), BOX, PROBES_HZ)
    peak_mm = 1e3 * 2.83 * np.sqrt(2) * np.abs(motion.excursion_m_v)
    expected_mm = [3.9976472828188734, 0.4864756217274001, 0.7154440679851294, 0.19798096622258657]
    np.testing.assert_allclose(peak_mm, expected_mm, rtol=1e-9)


def test_excursion_is_least_close_to_the_tuning() -> None:
    # s7.vented_excursion_minimum_Hz, coil inductance kept
    frequency = np.arange(35.0, 50.0, 0.001)
    motion = vented_motion(DRIVER, BOX, frequency)
    assert frequency[np.argmin(np.abs(motion.excursion_m_v))] == pytest.approx(42.288415368797075, abs=0.002)


def test_port_against_cone() -> None:
    # s7.vented_UP_over_UD_dB_deg_f20, _f42, _f100, _f200
    motion = vented_motion(DRIVER, BOX, PROBES_HZ)
    ratio = motion.port_m3_s_v / motion.cone_m3_s_v
    expected_db = [2.16552076928814, 15.94252239792478, -13.408600005786477, -26.723855144875497]
    expected_deg = [174.4063537891416, 90.85509739626673, 4.653142544548103, 2.007358504615519]
    np.testing.assert_allclose(20 * np.log10(np.abs(ratio)), expected_db, atol=1e-9)
    np.testing.assert_allclose(np.degrees(np.angle(ratio)), expected_deg, atol=1e-8)


def test_sound_pressure_level_at_one_meter() -> None:
    # s7.vented_SPL_4pi_2.83V_1m_dB_f20, _f42, _f100, _f200: coil inductance left out
    motion = vented_motion(replace(DRIVER, coil_inductance_h=0.0), BOX, PROBES_HZ)
    level_db = 20 * np.log10(2.83 * np.abs(far_pressure_pa_v(motion)) / 20e-6)
    expected_db = [58.29546106756388, 79.55102780197721, 83.68926086652779, 83.29720082847419]
    np.testing.assert_allclose(level_db, expected_db, atol=1e-8)


def test_response_is_smalls_fourth_order_polynomial() -> None:
    """Small 1973: G(s) with a1, a2, a3 from Q_L, Q_T, h, alpha, where coil inductance and port loss vanish."""
    frequency = np.geomspace(15.0, 500.0, 40)
    driver = replace(DRIVER, coil_inductance_h=0.0)
    pressure = far_pressure_pa_v(vented_motion(driver, replace(BOX, port_q=1e12), frequency))
    h = BOX.tuning_hz / driver.resonance_hz
    alpha = equivalent_volume_m3(driver) / BOX.volume_m3
    ql, qt = BOX.leak_q, qualities(driver)[2]
    a1 = (ql + h * qt) / (np.sqrt(h) * ql * qt)
    a2 = (h + (alpha + 1 + h * h) * ql * qt) / (h * ql * qt)
    a3 = (h * ql + qt) / (np.sqrt(h) * ql * qt)
    s = 1j * frequency / (np.sqrt(h) * driver.resonance_hz)
    shape = s**4 / (s**4 + a1 * s**3 + a2 * s**2 + a3 * s + 1)
    plateau = 1.204 * driver.cone_area_m2 * driver.force_factor_n_a
    plateau /= 4 * np.pi * driver.coil_resistance_ohm * driver.moving_mass_kg
    np.testing.assert_allclose(pressure, plateau * shape, rtol=1e-7)


def test_air_is_conserved_at_zero_frequency() -> None:
    """What the cone pushes out slowly comes in through port and leak: the total outflow vanishes with frequency."""
    motion = vented_motion(DRIVER, BOX, np.array([0.01]))
    total = motion.cone_m3_s_v + motion.port_m3_s_v + motion.leak_m3_s_v
    assert np.abs(total / motion.cone_m3_s_v)[0] < 1e-5


def test_impossible_elements_are_refused() -> None:
    with pytest.raises(InputError, match="moving_mass_kg"):
        replace(DRIVER, moving_mass_kg=0.0)
    with pytest.raises(InputError, match="inductance"):
        replace(DRIVER, coil_inductance_h=-1e-3)
    with pytest.raises(InputError, match="volume_m3"):
        replace(BOX, volume_m3=float("nan"))
    with pytest.raises(InputError, match="frequency"):
        vented_motion(DRIVER, BOX, np.array([0.0]))
