"""Bands, bounds and uncertainties of the load that tests of values let live; closed forms, Ohm's law, IEC 60268-5."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.figures.load import load_figures
from earwitness.quantities import Figure, Impedance, log_axis
from earwitness.quantities.arrays import FloatArray

AXIS = log_axis(5.0, 21_000.0, 48)
HZ = AXIS.hz
FULL_HZ = (20.0, 20_000.0)
SENSITIVE = Figure("sensitivity", 84.0, 0.5, "dB", (300.0, 3000.0), "as stated")


def load(
    ohm: FloatArray | float, degrees: FloatArray | float = 0.0, *, percent: float = 0.3, u_deg: float = 0.2
) -> Impedance:
    size = np.broadcast_to(np.asarray(ohm, dtype=float), HZ.shape)
    turned = size * np.exp(1j * np.radians(np.broadcast_to(degrees, HZ.shape)))
    return Impedance(
        AXIS, turned, size * percent / 100, np.full(HZ.size, u_deg), np.ones(HZ.size, bool), lineage=("s",)
    )


def test_the_least_power_factor_errs_by_the_sine_of_its_phase() -> None:
    """d cos(phi) = sin(phi) d phi; of a phase that is largest at 1 kHz."""
    phase = 40.0 * np.exp(-(np.log2(HZ / 1000.0) ** 2))
    found = load_figures(load(8.0, phase, u_deg=0.5))["power_factor_minimum"]
    assert found.value == pytest.approx(np.cos(np.radians(40.0)), abs=1e-5)
    assert found.u == pytest.approx(np.sin(np.radians(40.0)) * np.radians(0.5), rel=1e-3)
    assert found.caveats[0] == "at 1000 Hz"
    flat = load_figures(load(8.0, 0.0, u_deg=0.5))["power_factor_minimum"]
    assert (flat.value, flat.u) == (pytest.approx(1.0), pytest.approx(0.0, abs=1e-12))


@pytest.mark.parametrize(("degrees", "rating"), [(45.0, 8.0), (45.5, 6.0), (-45.5, 6.0)])
def test_an_amplifier_s_rating_is_that_of_45_degrees(degrees: float, rating: float) -> None:
    """0.8 of 8 ohm and 0.3 % more: allowed at 45 degrees; half a degree costs 0.65 % of the peak's resistance."""
    found = load_figures(load(6.4 * 1.003, degrees, percent=0.001, u_deg=0.001))["amplifier_load"]
    assert found.value == rating


@pytest.mark.parametrize(
    ("ohm", "words"),
    [
        (6.4 * (1 - 0.024), "does not hold"),
        (6.4 * (1 - 0.016), "cannot be told"),
        (6.4 * (1 + 0.016), "cannot be told"),
        (6.4 * (1 + 0.024), "rating holds"),
    ],
)
def test_a_rating_is_judged_beyond_twice_the_uncertainty(ohm: float, words: str) -> None:
    """1 % of 6.4 ohm is 0.064 ohm: 2.4 and 1.6 of it to either side."""
    assert words in load_figures(load(ohm, percent=1.0), rated_ohm=8.0)["rated_impedance_margin"].caveats[0]


def test_every_figure_of_the_load_names_its_band() -> None:
    found = load_figures(load(7.0), rated_ohm=8.0, sensitivity=SENSITIVE)
    bands = {key: one.band_hz for key, one in found.items() if one.is_judged}
    whole = ("impedance_minimum", "impedance_minimum_at", "rated_impedance_supported", "rated_impedance_margin")
    whole += ("phase_steepest", "phase_steepest_at", "epdr_minimum", "epdr_minimum_at", "amplifier_load")
    for key in whole:
        assert bands[key] == FULL_HZ, key
    program = (
        "power_factor_minimum",
        "epdr_minimum_program",
        "epdr_minimum_program_at",
        "drawn_voltage",
        "drawn_power",
    )
    for key in (*program, "drawn_current", "drawn_current_peak"):
        assert bands[key] == (40.0, 4000.0), key
    told = load_figures(load(7.0), rated_ohm=8.0, rated_band_hz=(100.0, 10_000.0))
    for key in ("impedance_minimum", "impedance_minimum_at", "rated_impedance_supported", "rated_impedance_margin"):
        assert told[key].band_hz == (100.0, 10_000.0), key
    low = load_figures(load(1.2), rated_ohm=8.0)["rated_impedance_supported"]
    assert (low.value, low.bound, low.band_hz) == (2.0, "at most", FULL_HZ)


def test_an_impedance_known_over_most_of_the_band_gives_bounds() -> None:
    """What lies beyond 17 kHz may be lower still: the lowest magnitude and the margin are at most what was seen."""
    size = np.full(HZ.size, 7.0)
    part = Impedance(AXIS, size.astype(complex), size / 100, np.full(HZ.size, 0.2), HZ < 17_000.0)
    found = load_figures(part, rated_ohm=8.0)
    for key in ("impedance_minimum", "rated_impedance_margin", "epdr_minimum"):
        assert found[key].bound == "at most", key
    assert found["epdr_minimum_program"].bound == ""
    whole = load_figures(load(7.0), rated_ohm=8.0)
    for key in ("impedance_minimum", "rated_impedance_margin", "epdr_minimum"):
        assert whole[key].bound == "", key
