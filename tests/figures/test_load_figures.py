"""Figures of the load against closed forms: Ohm's law, Small's circuits, and ideal class-B dissipation by search."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from earwitness.figures.load import (
    LOAD_FIGURES,
    dissipation_share,
    load_curves,
    load_figures,
    minor_resonances,
    on_load_grid,
    rating_of,
)
from earwitness.figures.registry import FIGURES
from earwitness.quantities import Figure, FrequencyAxis, Impedance, log_axis

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]
AXIS = log_axis(5.0, 21_000.0, 48)
HZ = AXIS.hz


def made(ohm: Complex, *, percent: float = 0.3, degrees: float = 0.2, axis: FrequencyAxis = AXIS) -> Impedance:
    size = np.abs(ohm)
    return Impedance(axis, ohm, size * percent / 100, np.full(size.shape, degrees), np.ones(size.shape, bool))


def closed(hz: Array, *, coil_h: float = 0.0) -> Complex:
    """C5.10: Re 6 ohm, fs 40 Hz, Qms 5, Qes 0.45; coil resistance, then the motion as 1/(s + 1/s + 1/Qms)."""
    turn = 1j * hz / 40.0
    return 6.0 + 2j * np.pi * hz * coil_h + 6.0 / 0.45 / (turn + 1.0 / turn + 1.0 / 5.0)


def vented(hz: Array, loss_q: float = 7.0) -> Complex:
    """C5.13: fs 40 Hz, compliance ratio 1.2, box tuned to 36 Hz with its loss in the port."""
    s = 1j * hz
    port = s**2 / 36.0**2 + s / (loss_q * 36.0)
    box = 1.2 * 40.0 / s * port / (port + 1.0)
    return 6.0 + 6.0 / 0.45 / (s / 40.0 + 40.0 / s + 0.2 + box)


def bump(hz: Array, at_hz: float, q: float, size: float) -> Complex:
    turn = 1j * hz / at_hz
    return 1.0 + size * (turn / q) / (turn**2 + turn / q + 1.0)


def value(figures: dict[str, Figure], key: str) -> float:
    found = figures[key].value
    assert found is not None, figures[key].reason
    return found


def within(figures: dict[str, Figure], key: str, truth: float, k: float = 2.0) -> bool:
    figure = figures[key]
    assert figure.value is not None
    assert figure.u is not None
    return abs(figure.value - truth) <= k * figure.u


@pytest.mark.parametrize(
    ("degrees", "share"),
    # C5.17 to C5.22; closed values: 0 -> 1, 45 -> sqrt(2)/4, 90 -> 1/(6 sin 120).
    [(0, 1.0), (30, 0.470660), (45, 0.353553), (60, 0.278066), (75, 0.227414), (90, 0.192450), (-45, 2**0.5 / 4)],
)
def test_dissipation_share_has_the_values_of_the_reference(degrees: float, share: float) -> None:
    assert dissipation_share(np.array([float(degrees)]))[0] == pytest.approx(share, abs=1e-6)


def test_dissipation_share_is_what_a_search_over_one_period_finds() -> None:
    # Own physics: instant dissipation of the conducting device, (V - v) i, largest over a period, against V^2/(4 R).
    t = np.linspace(0.0, 2 * np.pi, 400_001)
    for degrees in (0.0, 12.0, 37.0, 52.0, 81.0):
        peak = ((1 - np.sin(t)) * np.sin(t - np.radians(degrees))).max()
        assert dissipation_share(np.array([degrees]))[0] == pytest.approx(0.25 / peak, rel=1e-8)


def test_epdr_of_a_fixed_phase() -> None:
    # C5.23: 4.2 ohm at -52 degrees: 1.3205 ohm.
    figures = load_figures(made(np.full(len(AXIS), 4.2 * np.exp(-1j * np.radians(52.0)))))
    for key in ("epdr_minimum", "epdr_minimum_program"):
        assert value(figures, key) == pytest.approx(1.3205, abs=1e-4)
        assert "4.2 ohm at -52 degrees" in figures[key].caveats[0]
    assert value(figures, "power_factor_minimum") == pytest.approx(np.cos(np.radians(52.0)), abs=1e-9)
    assert value(figures, "phase_steepest") == pytest.approx(-52.0)


def test_uncertainty_of_epdr_follows_both_magnitude_and_phase() -> None:
    # Numerical derivative at 45 degrees by central difference of the closed form.
    def share(deg: float) -> float:
        return float(dissipation_share(np.array([deg]))[0])

    slope = (share(46.0) - share(44.0)) / 2.0
    curve = load_curves(made(np.full(len(AXIS), 8.0 * np.exp(1j * np.pi / 4)), percent=1.0, degrees=0.5))["epdr"]
    assert curve.u[100] == pytest.approx(np.hypot(0.08 * share(45.0), 8.0 * slope * 0.5), rel=1e-2)


@pytest.mark.parametrize(("minimum", "rating"), [(1.5, 0), (1.6, 2), (3.19, 2), (3.2, 4), (4.8, 6), (6.4, 8), (13, 16)])
def test_rating_by_the_80_percent_rule(minimum: float, rating: float) -> None:
    # IEC 60268-5, 80 % rule; C5.9: 1.6, 3.2, 4.8, 6.4, 12.8 ohm.
    assert rating_of(minimum) == rating


def test_the_makers_rating_holds_falls_short_or_cannot_be_told() -> None:
    dip = 1.0 - 0.5 * np.exp(-((np.log2(HZ / 200.0) / 0.4) ** 2))
    z = made((10.0 * dip).astype(complex), percent=1.0)
    figures = load_figures(z, rated_ohm=8.0)
    assert value(figures, "impedance_minimum") == pytest.approx(5.0, abs=5e-3)
    assert within(figures, "impedance_minimum_at", 200.0)
    assert value(figures, "rated_impedance_margin") == pytest.approx(5.0 - 6.4, abs=5e-3)
    assert "falls short by 1.40 ohm" in figures["rated_impedance_margin"].caveats[0]
    assert "rating holds" in load_figures(z, rated_ohm=4.0)["rated_impedance_margin"].caveats[0]
    assert "cannot be told" in load_figures(z, rated_ohm=6.2)["rated_impedance_margin"].caveats[0]
    assert figures["rated_impedance_supported"].value == 6.0
    assert load_figures(z)["rated_impedance_margin"].reason == "the maker states no rated impedance"


def test_a_lower_impedance_outside_the_rated_range_is_told() -> None:
    z = made((8.0 - 5.0 * (HZ < 12.0)).astype(complex))
    figure = load_figures(z, rated_ohm=8.0)["impedance_minimum"]
    assert figure.value == pytest.approx(8.0)
    assert "falls to 3.00 ohm" in figure.caveats[0]


def test_the_amplifier_must_bear_the_phase_too() -> None:
    # Own rule: at 45 degrees 0.8 R is just allowed; at 60 degrees the same magnitude needs 0.353553/0.278066 more.
    z = 0.8 * 8.0 * 1.01
    calm = load_figures(made(np.full(len(AXIS), z * np.exp(1j * np.radians(44.0)))))
    steep = load_figures(made(np.full(len(AXIS), z * np.exp(1j * np.radians(60.0)))))
    assert calm["amplifier_load"].value == 8.0
    assert steep["amplifier_load"].value == 6.0
    assert steep["rated_impedance_supported"].value == 8.0
    assert "phase" in steep["amplifier_load"].caveats[-1]
    low = load_figures(made(np.full(len(AXIS), 1.2 + 0j)))["amplifier_load"]
    assert (low.value, low.bound) == (2.0, "at most")


@pytest.mark.parametrize("coil_h", [0.0, 1e-3])
def test_a_closed_box_gives_its_resonance_and_q(coil_h: float) -> None:
    # C5.12: Qms 5.0000, Qes 0.4500, Qts 0.4128; with the coil's inductance the same must come out.
    figures = load_figures(made(closed(HZ, coil_h=coil_h)), enclosure="closed")
    assert value(figures, "closed_resonance") == pytest.approx(40.0, abs=0.05)
    assert value(figures, "closed_q_mechanical") == pytest.approx(5.0, abs=0.01)
    assert value(figures, "closed_q_electrical") == pytest.approx(0.45, abs=0.001)
    assert value(figures, "closed_q_total") == pytest.approx(0.4128, abs=0.001)
    assert figures["box_tuning"].reason == "the enclosure is closed"


def test_the_reference_itself_has_the_peak_of_the_closed_box() -> None:
    # C5.10: |Z|max 72.6667 ohm.
    assert abs(closed(np.array([40.0]))[0]) == pytest.approx(72.6667, abs=1e-4)


@pytest.mark.parametrize(
    ("loss_q", "low", "valley", "high"), [(7.0, 21.651, 37.266, 65.960), (1e6, 21.863, 36.000, 65.864)]
)
def test_a_vented_box_gives_peaks_and_tuning(loss_q: float, low: float, valley: float, high: float) -> None:
    # C5.13 and C5.15. The valley is 3.5 % above the tuning of 36 Hz with losses; the figure must be nearer.
    figures = load_figures(made(vented(HZ, loss_q)), enclosure="vented")
    assert value(figures, "box_peak_low") == pytest.approx(low, rel=2e-3)
    assert value(figures, "box_peak_high") == pytest.approx(high, rel=2e-3)
    assert within(figures, "box_tuning", 36.0)
    assert abs(value(figures, "box_tuning") - 36.0) < 0.6
    told = float(figures["box_tuning"].caveats[0].split(" at ")[1].removesuffix(" Hz"))
    assert told == pytest.approx(valley, abs=0.3)


def test_boxes_that_do_not_show_what_they_should_are_not_judged() -> None:
    assert "one bass peak" in load_figures(made(closed(HZ)), enclosure="vented")["box_tuning"].reason
    flat = load_figures(made(np.full(len(AXIS), 8.0 + 0j)), enclosure="closed")
    assert "no bass peak" in flat["closed_resonance"].reason
    high_axis = log_axis(50.0, 20_000.0, 48)
    high = load_figures(made(closed(high_axis.hz), axis=high_axis), enclosure="closed")
    assert "low enough" in high["closed_resonance"].reason


def test_a_small_resonance_is_found_with_frequency_and_size() -> None:
    smooth = closed(HZ, coil_h=3e-4)
    figures = load_figures(made(smooth))
    assert figures["impedance_wrinkles"].value == 0.0
    found = minor_resonances(made(smooth * bump(HZ, 640.0, 25.0, 0.03) * bump(HZ, 3100.0, 25.0, -0.04)))
    assert [round(one.hz / at, 2) for one, at in zip(found, (640.0, 3100.0), strict=True)] == [1.0, 1.0]
    assert found[0].percent == pytest.approx(3.0, abs=0.8)
    assert found[1].percent == pytest.approx(-4.0, abs=1.0)
    wide = minor_resonances(made(smooth * bump(HZ, 640.0, 2.0, 0.3)), above_hz=100.0)
    assert wide == ()


def test_noise_is_no_resonance() -> None:
    rng = np.random.default_rng(7)
    noisy = closed(HZ) * (1 + 0.004 * rng.standard_normal(len(AXIS)))
    assert minor_resonances(made(noisy), above_hz=100.0) == ()


def test_current_and_power_of_a_resistor_at_a_level() -> None:
    # Ohm's law: 86 dB for 2.83 V, 96 dB asked: 8.949 V; in 8 ohm 10.01 W, 1.1187 A rms, peak 10^(12/20) times that.
    sensitivity = Figure("sensitivity", 86.0, 0.3, "dB", (300.0, 3000.0), "made up")
    figures = load_figures(made(np.full(len(AXIS), 8.0 + 0j)), sensitivity=sensitivity, level_db=96.0)
    volts = 2.83 * 10**0.5
    assert value(figures, "drawn_voltage") == pytest.approx(volts)
    assert value(figures, "drawn_power") == pytest.approx(volts**2 / 8.0)
    assert value(figures, "drawn_current") == pytest.approx(volts / 8.0)
    assert value(figures, "drawn_current_peak") == pytest.approx(volts / 8.0 * 10 ** (12 / 20))
    # C5.24: 10 V on 5 ohm at 45 degrees takes 14.1421 W; scaled to the voltage here.
    turned = load_figures(made(np.full(len(AXIS), 5 * np.exp(1j * np.pi / 4))), sensitivity=sensitivity, level_db=96.0)
    assert value(turned, "drawn_power") == pytest.approx(14.1421 * (volts / 10.0) ** 2, rel=1e-5)
    assert load_figures(made(closed(HZ)))["drawn_power"].reason == "no sensitivity is known"


def test_what_is_not_known_is_not_judged() -> None:
    nothing = load_figures(None)
    assert set(nothing) == {info.key for info in LOAD_FIGURES}
    assert {figure.reason for figure in nothing.values()} == {"no impedance was measured"}
    z = made(closed(HZ))
    part = Impedance(AXIS, z.ohm, z.u_ohm, z.u_deg, HZ < 2000.0)
    figures = load_figures(part, rated_ohm=8.0)
    assert "known in" in figures["impedance_minimum"].reason
    assert not figures["epdr_minimum"].is_judged
    assert not figures["amplifier_load"].is_judged
    almost = load_figures(Impedance(AXIS, z.ohm, z.u_ohm, z.u_deg, HZ < 17_000.0))["impedance_minimum"]
    assert almost.bound == "at most"


def test_a_coarse_table_gives_the_same_figures() -> None:
    coarse = log_axis(5.0, 21_000.0, 12)
    fine, rough = load_figures(made(closed(HZ))), load_figures(made(closed(coarse.hz), axis=coarse))
    for key in ("impedance_minimum", "epdr_minimum_program"):
        assert value(rough, key) == pytest.approx(value(fine, key), rel=0.01)
    gap = FrequencyAxis(coarse.hz[(coarse.hz < 300.0) | (coarse.hz > 900.0)])
    grid = on_load_grid(made(closed(gap.hz), axis=gap))
    assert not grid.valid[(grid.axis.hz > 320.0) & (grid.axis.hz < 850.0)].any()
    assert grid.valid[grid.axis.hz < 250.0].all()


def test_a_phase_beyond_90_degrees_has_no_epdr() -> None:
    z = np.full(len(AXIS), 8.0 * np.exp(1j * np.radians(91.0)))
    assert not load_curves(made(z))["epdr"].valid.any()
    assert load_curves(made(z))["impedance_phase"].valid.all()


def test_rows_have_the_shape_of_the_registry() -> None:
    for info in FIGURES.values():
        assert all((info.key, info.name, info.method, info.anchor)), info.key
        assert all(isinstance(words, str) for words in (info.name, info.unit, info.method, info.anchor, *info.curves))
        assert isinstance(info.decimals, int), info.key
        assert isinstance(info.curves, tuple), info.key
    assert len({info.key for info in LOAD_FIGURES}) == len(LOAD_FIGURES)
    figures = load_figures(made(closed(HZ)), rated_ohm=8.0, enclosure="closed")
    assert all(figures[info.key].unit == info.unit for info in LOAD_FIGURES)
