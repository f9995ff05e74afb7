"""How much places, bands and paths tell of a room, against closed forms and drawn fields of plane waves."""

from __future__ import annotations

import math

import numpy as np
import pytest

from earwitness.audition.room import Shoebox, _tail
from earwitness.insight.compare import compare_figure
from earwitness.insight.match.in_room import (
    THIRD,
    ListeningRoom,
    causes_of_set,
    level_of_set,
    pair_bass_db,
    schroeder_hz,
    u_of_mean_db,
    values_at_places,
    values_in_band,
    values_on_path,
)
from earwitness.quantities import Figure

SPEED_M_S = 343.0
HZ = np.array([100.0, 200.0, 500.0, 1000.0])


def test_schroeder_frequencies() -> None:
    """2000 sqrt(T / V) by hand."""
    for volume, decay, hz in ((40.0, 0.3, 173.21), (70.2, 0.4, 150.97), (6000.0, 1.0, 25.82)):
        assert schroeder_hz(volume, decay) == pytest.approx(hz, abs=0.005)


def test_the_mean_of_values_of_one_kind_scatters_by_the_trigamma_function() -> None:
    """Schroeder's 5.57 dB for one value (pi / sqrt 6 times 10 / ln 10), and drawn exponential energies."""
    found = u_of_mean_db(np.array([1.0, 2.0, 4.0, 9.0, 32.0]), np.array(0.0))
    assert found == pytest.approx([5.57, 3.4877, 2.3137, 1.4888, 0.7738], abs=1e-4)
    drawn = 10 * np.log10(np.random.default_rng(5).exponential(size=(60_000, 9)).mean(axis=1))
    assert found[3] == pytest.approx(drawn.std(), abs=0.03)


def test_direct_sound_steadies_a_band() -> None:
    """Rician energies, drawn: a strong part that stays and a random one, 40 of a kind together."""
    random = np.random.default_rng(6)
    for ratio in (0.25, 1.0, 4.0):
        field = (random.standard_normal((20_000, 40, 2)) / np.sqrt(2)).view(complex)[..., 0]
        level = 10 * np.log10((np.abs(np.sqrt(ratio) + field) ** 2).mean(axis=1))
        assert u_of_mean_db(np.array(40.0), np.array(ratio)) == pytest.approx(level.std(), rel=0.05)


def test_values_in_a_third_octave() -> None:
    """Worked apart for 0.4 s, and the band levels of drawn decaying noise."""
    centers = 10.0 ** (np.array([-7, -3, 0, 7]) / 10 + 3)
    assert values_in_band(centers * THIRD, 0.4) == pytest.approx([3.498, 7.632, 14.397, 68.284], abs=2e-3)
    random, rate = np.random.default_rng(7), 4000.0
    time = np.arange(4096) / rate
    noise = random.standard_normal((800, time.size)) * np.exp(-3 * np.log(10) * time / 0.4)
    energy, hz = np.abs(np.fft.rfft(noise, axis=1)) ** 2, np.fft.rfftfreq(time.size, 1 / rate)
    band = energy[:, (hz >= 446.7) & (hz < 562.3)].mean(axis=1)
    assert band.std() / band.mean() == pytest.approx(1 / np.sqrt(values_in_band(np.array(115.6), 0.4)), abs=0.02)


def test_values_at_places_and_on_a_path() -> None:
    """Worked apart: nine points 0.3 m apart, six seats 0.7 m apart, a path of 2 m (2 L over the wavelength at last)."""
    grid = np.array([(x, y, 0) for x in (-0.3, 0, 0.3) for y in (-0.3, 0, 0.3)])
    seats = np.array([(x, y, 0) for x in (0, 0.7) for y in (0, 0.7, 1.4)])
    assert values_at_places(HZ, grid) == pytest.approx([1.293, 2.377, 7.920, 8.291], abs=1e-3)
    assert values_at_places(HZ, seats) == pytest.approx([2.204, 5.198, 5.962, 5.982], abs=1e-3)
    assert values_on_path(HZ, 2.0) == pytest.approx([1.687, 2.862, 6.407, 12.289], abs=1e-3)


def test_several_loudspeakers() -> None:
    """10 lg n for different signals; 10 lg 2 (1 + sin kd / kd) for the same one, 2.5 m apart (worked apart)."""
    told = [pair_bass_db(hz, 2.5) for hz in (20.0, 40.0, 68.6, 100.0, 150.0, 300.0)]
    assert told == pytest.approx([5.7193, 4.8499, 3.0103, 1.9510, 3.3467, 3.2923], abs=1e-4)
    room, one = ListeningRoom(27.0, 2.6, 0.4), (88.0, 0.2)
    single, _ = level_of_set([one], (80.0, 0.3), room, [3.0])
    for count, more in ((2, 3.0103), (4, 6.0206), (5, 6.9897)):
        level, u_db = level_of_set([one] * count, (80.0, 0.3), room, [3.0] * count)
        assert level - single == pytest.approx(more, abs=1e-4)
        assert 0.5 < u_db < 1.2


def test_a_pair_of_unrelated_signals_by_its_room_constant() -> None:
    """Worked apart: R = 43.9 m2, 88 dB on axis, index 8 dB, 3 m: 82.6625 dB one, 85.6728 dB two."""
    surface = 2 * 27.0 + 2 * np.sqrt(27.0) * (np.sqrt(4 / 3) + np.sqrt(3 / 4)) * 2.6
    room = ListeningRoom(27.0, 2.6, absorption=43.9 / (43.9 + surface))
    for count, level in ((1, 82.6625), (2, 85.6728)):
        assert level_of_set([(88.0, 0.0)] * count, (80.0, 0.0), room, [3.0] * count)[0] == pytest.approx(
            level, abs=1e-3
        )


def test_the_pair_that_is_heard_decays_as_the_level_in_the_room_counts() -> None:
    """One decay, two begins: what the audition's late sound holds after a path is what the formula counts from there
    on (Barron and Lee, from memory); its mirror sources stand for what is before, longer than any mean free path."""
    box = Shoebox(length_m=6.0, width_m=4.5, height_m=2.6, reverberation_s=0.4, seat_m=2.5)
    room, rate_hz, after_s = ListeningRoom(27.0, 2.6, 0.4), 48_000, 0.04
    tail = _tail(box, rate_hz, 1)
    begin = round((0.002 + after_s) * rate_hz)
    energy = 10 * np.log10((tail[:, begin:] ** 2).sum(axis=1).mean() / box.seat_m**2)
    path_m = box.seat_m + SPEED_M_S * after_s
    assert path_m > 4 * room.volume_m3 / room.surface_m2
    assert energy == pytest.approx(room.reverberant_db(path_m), abs=0.5)


def test_what_two_seats_share_is_in_no_difference_between_them() -> None:
    """Outside: 20,000 draws of one error of the level and one of the reverberation for both seats (JCGM 101)."""
    room, axis, power, seats_m = ListeningRoom(150.0, 6.0, 0.9), (96.0, 0.5), (86.0, 0.5), (4.0, 14.0)
    made = []
    for r in seats_m:
        level, u_db = level_of_set([axis], power, room, [r])
        made.append(Figure("seat", level, u_db, "dB", None, "", shared=causes_of_set([axis], power, room, [r])))
    pair = compare_figure(*made)
    assert pair is not None
    random = np.random.default_rng(17)
    same, kept = 0.5 * random.standard_normal(20_000), random.standard_normal(20_000)
    drawn = []
    for r, one in zip(seats_m, made, strict=True):
        own = (one.u or 0.0) ** 2 - sum(pull**2 for _, pull in one.shared)
        reverberant = power[0] + room.reverberant_db(r) + math.hypot(1.0, 0.434) * kept
        energy = 10 ** ((axis[0] - 20 * math.log10(r)) / 10) + 10 ** (reverberant / 10)
        drawn.append(10 * np.log10(energy) + same + math.sqrt(own) * random.standard_normal(20_000))
    assert pair.u == pytest.approx(float(np.std(drawn[0] - drawn[1])), rel=0.05)
    assert pair.u < 0.8 * math.hypot(made[0].u or 0.0, made[1].u or 0.0)
