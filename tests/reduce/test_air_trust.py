"""Air at other temperatures, humidities and pressures, against a table of the standard and an independent library."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyfar
import pytest
from made_session import Made, facts

from earwitness.errors import InputError
from earwitness.quantities import BudgetLine
from earwitness.quantities.arrays import FloatArray
from earwitness.reduce.budget import (
    air_absorption_db_per_m,
    budget_of,
    gating_u_db,
    level_causes,
    noise_u_db,
)
from earwitness.reduce.gate import speed_of_sound
from earwitness.session.session import Session

HZ = np.array([50.0, 1000.0, 9000.0, 15000.0])

# Exact midbands of the octaves from 63 Hz to 8 kHz (IEC 61260-1).
OCTAVES_HZ = 1000.0 * 10.0 ** (0.3 * np.arange(-4, 4))


def session(**microphone: object) -> Session:
    return facts(Made(), microphone=microphone)


def lines_of(told: Session, hz: FloatArray, **more: Any) -> tuple[BudgetLine, ...]:
    return budget_of(level_causes(told, hz, **more), 0)


def by_name(lines: tuple[BudgetLine, ...]) -> dict[str, BudgetLine]:
    return {line.name: line for line in lines}


@pytest.mark.parametrize(
    ("temperature_c", "humidity", "per_km"),
    [
        (10.0, 70.0, (0.1, 0.4, 1.0, 1.9, 3.7, 9.7, 32.8, 117.0)),
        (20.0, 70.0, (0.1, 0.3, 1.1, 2.8, 5.0, 9.0, 22.9, 76.6)),
        (30.0, 70.0, (0.1, 0.3, 1.0, 3.1, 7.4, 12.7, 23.1, 59.3)),
        (15.0, 20.0, (0.3, 0.6, 1.2, 2.7, 8.2, 28.2, 88.8, 202.0)),
        (15.0, 50.0, (0.1, 0.5, 1.2, 2.2, 4.2, 10.8, 36.2, 129.0)),
        (15.0, 80.0, (0.1, 0.3, 1.1, 2.4, 4.1, 8.3, 23.7, 82.8)),
    ],
)
def test_air_of_other_days(temperature_c: float, humidity: float, per_km: tuple[float, ...]) -> None:
    """ISO 9613-2:1996, table 2, in dB/km (from memory), rounded there to three figures or a tenth."""
    found = 1000.0 * air_absorption_db_per_m(OCTAVES_HZ, temperature_c, humidity, 101.325)
    assert found == pytest.approx(per_km, rel=4e-3, abs=0.056)


@pytest.mark.parametrize("temperature_c", [-5.0, 5.0, 20.0, 35.0])
@pytest.mark.parametrize("pressure_kpa", [80.0, 95.0, 101.325, 104.0])
def test_air_of_other_heights(temperature_c: float, pressure_kpa: float) -> None:
    """pyfar's ISO 9613-1. It multiplies the vapor's share by the pressure where equation B.1 divides by it (the share
    is vapor pressure over air pressure), so it is given the humidity that makes up for that."""
    hz = np.array([100.0, 1000.0, 4000.0, 10_000.0, 20_000.0])
    share = 0.4 * (101.325 / pressure_kpa) ** 2
    theirs, _, _ = pyfar.constants.air_attenuation(temperature_c, hz, share, 1000.0 * pressure_kpa)
    ours = air_absorption_db_per_m(hz, temperature_c, 40.0, pressure_kpa)
    np.testing.assert_allclose(ours, theirs.ravel(), rtol=1e-5)


@pytest.mark.parametrize("temperature_c", [-10.0, 0.0, 15.0, 35.0])
def test_speed_of_sound_of_other_days(temperature_c: float) -> None:
    """pyfar: 343.2 m/s at 20 degrees (ISO 9613-1), with the root of the absolute temperature."""
    assert speed_of_sound(temperature_c) == pytest.approx(
        float(pyfar.constants.speed_of_sound_simple(temperature_c)), rel=1e-4
    )


def test_air_that_is_just_possible_is_taken() -> None:
    assert air_absorption_db_per_m(HZ, 20.0, 0.0, 101.325).min() > 0.0
    assert air_absorption_db_per_m(HZ, 20.0, 100.0, 101.325).min() > 0.0
    assert air_absorption_db_per_m(HZ, -199.0, 0.0, 101.325).min() > 0.0


@pytest.mark.parametrize(
    "state", [(20.0, 100.5, 101.0), (20.0, -0.5, 101.0), (-200.0, 50.0, 101.0), (20.0, 50.0, -1.0)]
)
def test_air_that_is_just_impossible_is_refused(state: tuple[float, float, float]) -> None:
    with pytest.raises(InputError, match="impossible") as refused:
        air_absorption_db_per_m(HZ, *state)
    assert "humidity 0 to 100 %" in refused.value.expected


def test_limits_of_the_microphone_hold_up_to_ten_kilohertz_and_change_above() -> None:
    edge = np.array([9_999.0, 10_000.0, 10_001.0])
    bare = by_name(lines_of(session(), edge))["microphone"]
    assert bare.u_db == pytest.approx(np.array([1.0, 1.0, 2.5]) / np.sqrt(3), rel=1e-3)
    filed = by_name(lines_of(session(), edge, correction_band_hz=(9_999.0, 10_001.0)))["microphone"]
    assert filed.u_db == pytest.approx(np.array([0.5, 0.5, 1.0]) / np.sqrt(3), rel=1e-3)
    assert bare.common
    assert filed.common


def test_a_stated_uncertainty_of_the_file_never_falls_short_outside_it() -> None:
    told = session(correction_file="m.txt", correction_u_db=1.2)
    found = by_name(lines_of(told, np.array([50.0, 250.0, 15_000.0]), correction_band_hz=(100.0, 1000.0)))
    assert found["microphone"].u_db == pytest.approx([1.2, 1.2, 2.5 / np.sqrt(3)], rel=2e-3)


def test_what_all_directions_share() -> None:
    """Level, microphone, voltage, coils and air move all directions together."""
    told = session(sensitivity_fs_per_pa=0.02, sensitivity_u_db=0.4)
    lines = by_name(lines_of(told, HZ))
    assert {name: line.common for name, line in lines.items()} == {
        "sensitivity": True,
        "microphone": True,
        "voltage": True,
        "heat of the coils": True,
        "air": True,
    }
    assert lines["sensitivity"].u_db == pytest.approx(np.full(4, 0.4))


def test_the_loss_in_air_is_a_rectangular_limit_of_the_room_s_own_air() -> None:
    """Nothing is corrected: the whole loss over the distance, divided by the root of three."""
    air = session().environment
    loss = air_absorption_db_per_m(HZ, air.temperature_c, air.humidity_percent, air.pressure_kpa)
    found = by_name(lines_of(session(), HZ, distance_m=3.0))
    assert found["air"].u_db == pytest.approx(3.0 * loss / np.sqrt(3))
    assert "not corrected" in found["air"].source
    corrected = by_name(lines_of(session(), HZ, distance_m=3.0, air_corrected=True))["air"]
    assert "a tenth" in corrected.source


def test_gating_looks_at_changes_whatever_the_level() -> None:
    """Levels about 86 dB that change by 0.3 dB up and 0.5 dB down with shorter gates: the larger change counts."""
    full = np.array([86.0, -20.0])
    for shorter, shortest in ((0.3, -0.5), (-0.5, 0.3)):
        assert gating_u_db(full, full + shorter, full + shortest) == pytest.approx(np.full(2, 0.5 / np.sqrt(3)))


def test_the_gate_s_model_adds_in_quadrature() -> None:
    """A change of 0.3 dB, rectangular, and the model's own, a standard uncertainty already (JCGM 100, 5.1.2)."""
    full, hz = np.full(3, 86.0), np.array([240.0, 400.0, 6000.0])
    model = gating_u_db(full, full, full, hz=hz, gate_s=5e-3)
    found = gating_u_db(full, full + 0.3, full, hz=hz, gate_s=5e-3)
    assert model[0] > model[1] > model[2] == 0.0
    assert found == pytest.approx(np.hypot(0.3 / np.sqrt(3), model))
    for more in ({"hz": np.full(3, 100.0)}, {"gate_s": 5e-3}):
        assert gating_u_db(full, full + 0.3, full, **more) == pytest.approx(np.full(3, 0.3 / np.sqrt(3)))


def test_noise_counts_down_to_0_db_and_no_further() -> None:
    """(20 / ln 10) / sqrt 2 = 6.1419 dB at 0 dB."""
    found = noise_u_db(np.array([0.5, 0.0, -0.5, -30.0]))
    assert found == pytest.approx([6.14185 * 10 ** (-0.5 / 20), 6.14185, 6.14185, 6.14185], rel=1e-5)
