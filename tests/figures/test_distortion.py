"""Distortion against closed forms: Chebyshev, cubic, hard clipper; C6.x are ids of the metrics reference."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.integrate
import scipy.stats
from level_worlds import AXIS, LAW, made_take, swept

from earwitness.dsp.sweep import harmonic_lead_s, sweep_law
from earwitness.errors import InputError
from earwitness.figures.distortion import (
    DISTORTION_FIGURES,
    at_one_meter,
    distortion,
    distortion_figures,
    in_percent,
    largest,
    level_series,
    near_to_one_meter_db,
    passes_limit,
)
from earwitness.quantities import Curve

HZ = AXIS.hz
FLAT = np.full(HZ.size, 90.0)


@pytest.mark.parametrize(
    ("fundamental", "level_db"),
    [
        (1.0, -40.000),  # C6.1
        (3.0, -30.458),  # C6.2
        (10.0, -20.000),  # C6.3
        (30.0, -10.458),  # C6.4
        (100.0, 0.000),  # C6.5
    ],
)
def test_percent_of_fundamental(fundamental: float, level_db: float) -> None:
    found = distortion(made_take(1.0, FLAT, {2: level_db}, noise_db=-120.0))
    assert in_percent(found.total).values[40] == pytest.approx(fundamental, rel=2e-4)


def test_polynomial_through_a_sweep() -> None:
    """C6.6: y = x + .05 x^2 + .02 x^3 at A = 1: H2 2.46305 %, H3 0.49261 %, THD_F 2.51183 %."""
    found = distortion(swept(lambda x: x + 0.05 * x**2 + 0.02 * x**3, 1.0))
    rows = (found.total.axis.hz > 100) & (found.total.axis.hz < 4000)
    for curve, percent in ((found.harmonics[0], 2.46305), (found.harmonics[1], 0.49261), (found.total, 2.51183)):
        assert in_percent(curve).values[rows] == pytest.approx(np.full(rows.sum(), percent), rel=5e-3)


@pytest.mark.parametrize("level_db", [-30.0, -45.0, -60.0])
@pytest.mark.parametrize("order", [2, 3, 4, 5])
def test_chebyshev_within_half_a_decibel_at_60_db_snr(order: int, level_db: float) -> None:
    """The Chebyshev polynomial T_n of a cosine is its n-th harmonic alone: |HD_n| = its weight, to -60 dB."""
    weight = 10 ** (level_db / 20)
    powers = np.polynomial.chebyshev.cheb2poly(np.eye(order + 1)[order])
    found = distortion(swept(lambda x: x + weight * np.polynomial.polynomial.polyval(x, powers), 1.0, snr_db=60.0))
    curve = found.harmonics[order - 2]
    rows = curve.valid & (curve.axis.hz > 100.0) & (curve.axis.hz < 4000.0)
    assert rows.sum() > 0.9 * ((curve.axis.hz > 100.0) & (curve.axis.hz < 4000.0)).sum()
    assert np.abs(curve.values[rows] - level_db).max() < 0.5
    others = [other for n, other in enumerate(found.harmonics, 2) if n != order]
    assert all(other.values[other.valid].max(initial=-99.0) < level_db for other in others)


def _clipped_sine(order: int, clip: float) -> float:
    """Amplitude of harmonic n of a sine of amplitude 1 clipped at +-clip, by quadrature of its Fourier integral."""

    def part(angle: float) -> float:
        return float(np.clip(math.sin(angle), -clip, clip)) * math.sin(order * angle)

    edge = math.asin(clip)
    return 4 / math.pi * scipy.integrate.quad(part, 0, math.pi / 2, points=[edge], epsabs=1e-13)[0]


def test_fourier_series_of_the_clipper() -> None:
    """Closed form of the clipped sine (from memory): b1 = 2/pi (asin c + c sqrt(1 - c^2)),
    b3 = 4 c (1 - c^2)^1.5 / (3 pi); it agrees with the quadrature."""
    clip = 0.8
    one = 2 / math.pi * (math.asin(clip) + clip * math.sqrt(1 - clip**2))
    assert _clipped_sine(1, clip) == pytest.approx(one, rel=1e-9)
    assert _clipped_sine(3, clip) == pytest.approx(4 * clip * (1 - clip**2) ** 1.5 / (3 * math.pi), rel=1e-9)


@pytest.mark.parametrize("clip", [0.95, 0.8])
def test_hard_clipper(clip: float) -> None:
    """Odd harmonics only, by the Fourier series; below 1 kHz, where what folds back is far below."""
    found = distortion(swept(lambda x: np.clip(x, -clip, clip), 1.0))
    rows = (found.total.axis.hz > 60) & (found.total.axis.hz < 600)
    for order in (3, 5):
        want = 20 * np.log10(abs(_clipped_sine(order, clip)) / _clipped_sine(1, clip))
        assert found.harmonics[order - 2].values[rows] == pytest.approx(np.full(rows.sum(), want), abs=0.3)
    assert found.harmonics[0].values[rows].max() < -55.0


def test_advance_of_the_harmonics() -> None:
    """C6.8: 20 Hz to 20 kHz in 10 s: 1.00343, 1.59040, 2.32990 s."""
    law = sweep_law(20.0, 20_000.0, 10.0)
    assert [harmonic_lead_s(law, n) for n in (2, 3, 5)] == pytest.approx([1.00343, 1.59040, 2.32990], abs=6e-6)
    assert LAW.start_hz * LAW.rate_s == pytest.approx(round(LAW.start_hz * LAW.rate_s))


def test_noise_masks() -> None:
    """6 dB above the noise is shown, less is not; what the total may hide stands in at_most_db."""
    found = distortion(made_take(1.0, FLAT, {2: -53.9, 3: -54.1}, noise_db=-60.0))
    row = int(np.argmin(np.abs(HZ - 270.0)))
    assert found.harmonics[0].valid[row]
    assert not found.harmonics[1].valid[row]
    assert not found.total.valid[row]
    assert found.at_most_db[row] == pytest.approx(10 * np.log10(10**-5.39 + 10**-5.41), abs=0.05)


def test_few_values_in_an_average_ask_for_more() -> None:
    """One average of noise in 10,000 passes: the quantile of F (2 m, 12 m) within 0.2 dB, in 0.15 s windows averaged
    over 1/6 octave: at 50 Hz the second harmonic's average holds m = 100 Hz 0.1156 0.15 s = 1.7 values."""
    row = int(np.argmin(np.abs(HZ - 50.0)))
    count = 2 * HZ[row] * (2 ** (1 / 12) - 2 ** (-1 / 12)) * 0.15
    quantile = 10 * np.log10(scipy.stats.f.isf(1e-4, 2 * count, 12 * count))
    for above, shown in ((quantile - 0.2, False), (quantile + 0.2, True)):
        found = distortion(made_take(1.0, FLAT, {2: -60.0 + above}, noise_db=-60.0))
        assert found.harmonics[0].valid[row] == shown


def test_rumble_that_the_silence_did_not_have_is_no_distortion() -> None:
    """A linear system, with rumble about 40 Hz that begins with the sweep: nothing is shown as a harmonic there. With
    the silence's density alone it would stand 40 dB over its floor."""
    found = distortion(swept(lambda x: x, 1.0, snr_db=60.0, rumble_db=-30.0))
    low = (found.total.axis.hz > 18.0) & (found.total.axis.hz < 25.0)
    assert not found.harmonics[0].valid[low].any()
    assert not found.total.valid[low].any()


def test_ranges_per_harmonic() -> None:
    found = distortion(made_take(1.0, FLAT, {2: -40.0, 3: -40.0, 5: -40.0}))
    for place, order in ((0, 2), (1, 3), (3, 5)):
        band = found.ranges_hz[place]
        assert band is not None
        assert band[0] == HZ[0]
        assert 20_000 / order / 1.04 < band[1] <= 20_000 / order
    assert found.ranges_hz[2] is None
    assert found.complete_to_hz == pytest.approx(4000, rel=0.03)


def test_where_a_limit_is_passed() -> None:
    """Distortion that falls 12 dB per octave from 3 % at 50 Hz: 1 % at 50 sqrt(3) Hz."""
    bass = 20 * np.log10(0.03) - 40 * np.log10(HZ / 50.0)
    found = distortion(made_take(2.83, FLAT, {3: np.maximum(bass, -56.0)}, noise_db=-70.0))
    three, one = passes_limit(found, 3.0), passes_limit(found, 1.0)
    # The average over 1/6 octave of a slope of 12 dB per octave moves it by 0.2 %.
    assert three.value == pytest.approx(50.0, rel=4e-3)
    assert one.value == pytest.approx(50 * math.sqrt(3), rel=4e-3)
    assert three.key == "distortion_3_percent@2.83v"
    # 0.3 dB at 12 dB per octave are 1/40 octave.
    assert three.u == pytest.approx(50 * math.log(2) * 0.3 / 12.04, rel=0.1)


def test_limit_never_passed_is_a_bound() -> None:
    figure = passes_limit(distortion(made_take(1.0, FLAT, {2: -50.0})), 1.0)
    assert (figure.value, figure.bound) == (pytest.approx(HZ[0]), "at most")


def test_limit_passed_at_the_start_is_not_judged() -> None:
    figure = passes_limit(distortion(made_take(1.0, FLAT, {2: -20.0})), 1.0)
    assert figure.value is None
    assert "10 % already at 1000 Hz" in figure.reason


def test_limit_under_noise_is_not_judged() -> None:
    noisy = passes_limit(distortion(made_take(1.0, FLAT, {2: -30.0}, noise_db=-32.0)), 1.0)
    assert noisy.value is None
    assert "noise" in noisy.reason


def test_limit_is_a_bound_from_where_noise_covers_it() -> None:
    """Clean above 60 Hz, below it all lies 1 dB over a noise of 5 %."""
    level = np.where(HZ > 60, -60.0, -25.0)
    take = made_take(1.0, FLAT, {2: level}, noise_db=-90.0)
    noise = np.where(HZ > 60, take.noise_db, 90.0 - 26.0)
    figure = passes_limit(distortion(replace(take, noise_db=noise)), 1.0)
    assert figure.bound == "at most"
    assert figure.value == pytest.approx(60, rel=0.1)
    assert "noise" in figure.caveats[0]


def test_largest_names_its_frequency() -> None:
    level = np.full(HZ.size, -60.0)
    level[np.abs(np.log2(HZ / 700)) < 0.1] = -34.0
    figure = largest(distortion(made_take(1.0, FLAT, {2: level}, noise_db=-80.0)))
    assert figure.value == pytest.approx(100 * 10 ** (-34 / 20), rel=1e-3)
    assert float(figure.caveats[0].split()[1]) == pytest.approx(700, rel=0.08)
    quiet = largest(distortion(made_take(1.0, FLAT, {2: -60.0}, noise_db=-62.0)))
    assert quiet.bound == "at most"


def test_all_figures_of_all_levels() -> None:
    found = [distortion(made_take(volts, FLAT, {2: -50.0})) for volts in (1.0, 2.0)]
    figures = distortion_figures(found)
    assert set(figures) == {
        f"{name}@{volts}v"
        for name in ("distortion_1_percent", "distortion_3_percent", "distortion_largest")
        for volts in (1, 2)
    }
    known = {info.key for info in DISTORTION_FIGURES}
    assert {key.partition("@")[0] for key in figures} <= known


def test_far_takes_by_the_distance_law() -> None:
    (moved,) = at_one_meter([made_take(1.0, FLAT, {2: -40.0}, distance_m=2.0)])
    assert moved.fundamental_db == pytest.approx(FLAT + 6.0206, abs=1e-4)
    assert moved.harmonic_db[0] - moved.fundamental_db == pytest.approx(np.full(HZ.size, -40.0))
    assert moved.distance_m == 1.0


def test_near_takes_by_the_driver() -> None:
    """Keele 1974 (from memory): a = 80 mm at 1 m, half space -27.96 dB, full space -33.98 dB; a gap of a fifth of
    the radius -1.73 dB at the microphone (processing reference, 3.1)."""
    assert near_to_one_meter_db(0.08, 0.0, full_space=False) == pytest.approx(-27.96, abs=5e-3)
    assert near_to_one_meter_db(0.08, 0.0) == pytest.approx(-33.98, abs=5e-3)
    assert near_to_one_meter_db(0.08, 0.016) - near_to_one_meter_db(0.08, 0.0) == pytest.approx(1.73, abs=6e-3)
    near = made_take(1.0, FLAT, {2: -40.0}, distance_m=0.0001, place="near-field")
    (moved,) = at_one_meter([near], radius_m=0.08)
    assert moved.fundamental_db[10] == pytest.approx(90 - 33.98, abs=0.02)
    with pytest.raises(InputError, match="cannot be stated at 1 m"):
        at_one_meter([near])


def test_room_is_taken_out_by_the_on_axis_response() -> None:
    """A linear path after the nonlinearity acts on harmonic n at n f: with the path known the ratio comes back."""
    path = 6.0 * np.sin(3 * np.log2(HZ / 100.0))
    heard = FLAT + path
    at_harmonic = np.interp(np.log2(HZ * 2), np.log2(HZ), path)
    take = made_take(2.83, heard, {2: -40.0 + at_harmonic - path}, noise_db=-90.0)
    zeros = np.zeros(HZ.size)
    valid = HZ < 5000
    on_axis = Curve("on_axis", "on axis", AXIS, FLAT, zeros, zeros, valid, "dB", "dB SPL at 1 m, 2.83 V")
    (moved,) = at_one_meter([take], on_axis=on_axis)
    rows = HZ < 2400
    assert moved.fundamental_db[rows] == pytest.approx(FLAT[rows], abs=1e-6)
    assert (moved.harmonic_db[0] - moved.fundamental_db)[rows] == pytest.approx(np.full(rows.sum(), -40.0), abs=0.02)
    assert moved.fundamental_db[~valid] == pytest.approx(heard[~valid])


def test_in_a_room_only_where_the_room_is_out() -> None:
    """Below the gate's limit the on-axis response says nothing of the room, and neither does the distance law: no
    order is told there. In a free field the distance law holds."""
    zeros = np.zeros(HZ.size)
    valid = (HZ > 300) & (HZ < 16_000)
    on_axis = Curve("on_axis", "on axis", AXIS, FLAT, zeros, zeros, valid, "dB", "dB SPL at 1 m, 2.83 V")
    mode = np.where(HZ < 300, 12.0, 0.0)
    take = made_take(2.83, FLAT + mode, {2: -40.0}, noise_db=-90.0)
    (free,) = at_one_meter([take], on_axis=on_axis)
    (room,) = at_one_meter([take], on_axis=on_axis, in_room=True)
    assert free.valid[0, HZ < 300].all()
    assert not room.valid[:, HZ < 300].any()
    assert room.valid[0, (HZ > 300) & (HZ < 9000)].all()
    assert not distortion(room).fundamental.valid[HZ < 300].any()
    # Without any response on axis nothing of a take in a room is told; a near one needs none.
    (blind,) = at_one_meter([take], in_room=True)
    assert not blind.valid.any()
    (near,) = at_one_meter([made_take(1.0, FLAT, {2: -40.0}, place="near-field")], radius_m=0.08, in_room=True)
    assert near.valid[0, HZ < 9000].all()


def test_series_in_order_and_in_one_place() -> None:
    one, two = made_take(2.0, FLAT, {2: -40.0}), made_take(1.0, FLAT, {2: -40.0})
    assert [take.drive_v for take in level_series([one, two])] == [1.0, 2.0]
    with pytest.raises(InputError, match="different places"):
        level_series([one, made_take(1.0, FLAT, {2: -40.0}, distance_m=2.0)])
    with pytest.raises(InputError, match="no take"):
        level_series([])
