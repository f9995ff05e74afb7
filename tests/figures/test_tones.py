"""Multitone curves and intermodulation against polynomials; C6.x are ids of the metrics reference."""

from __future__ import annotations

import math

import numpy as np
import pytest

from earwitness.dsp.multitone import make_multitone, read_multitone
from earwitness.dsp.signals import line_rms
from earwitness.figures.tones import common_bands, intermodulation, multitone_curves
from earwitness.quantities import TwoToneReading
from earwitness.quantities.measurement import MultitoneReading

RATE = 48_000


def _reading(volts: float, bend: float, *, noise: float = 0.0, distance_m: float = 1.0) -> MultitoneReading:
    made = make_multitone(RATE, float(RATE), seed=3)
    x = np.tile(made.samples, (3, 1)) * volts
    heard = x + bend * x**3 + noise * np.random.default_rng(8).standard_normal(x.shape)
    return MultitoneReading(
        "t", volts, distance_m, made.crest_db, read_multitone(heard / distance_m, float(RATE), made.rows)
    )


def _pair(bend: tuple[float, float], *, noise_pa: float = 0.0, volts: float = 2.0) -> TwoToneReading:
    time = np.arange(RATE) / RATE
    x = 0.8 * np.sin(2 * np.pi * 60 * time) + 0.2 * np.sin(2 * np.pi * 7000 * time)
    lines = line_rms(x + bend[0] * x**2 + bend[1] * x**3, float(RATE), 7000 + 60 * np.array([0.0, -1, 1, -2, 2]))
    return TwoToneReading("pair", volts, 2.0, 60.0, 7000.0, lines, noise_pa)


def test_two_tones_through_a_polynomial() -> None:
    """C6.7: y = x + .05 x^2 + .02 x^3, amplitudes .8 : .2: 7.84468 % and 1.88272 %."""
    found = intermodulation(_pair((0.05, 0.02)))
    assert found["intermodulation_2@2v"].value == pytest.approx(7.84468, abs=5e-5)
    assert found["intermodulation_3@2v"].value == pytest.approx(1.88272, abs=5e-5)
    # At 2 m the carrier has 0.2 Pa / sqrt 2 of the linear term and 3 k3 (A2 A1^2 / 2 + A2^3 / 4) of the cubic one,
    # so 0.149 Pa rms, 77.4 dB; 6 dB more at 1 m.
    assert any(note.startswith("83 dB at 7000 Hz") for note in found["intermodulation_2@2v"].caveats)


def test_noise_over_the_side_lines_is_a_bound() -> None:
    """6 dB above two lines of 1e-4 Pa, against the carrier's 0.2 / sqrt 2 Pa."""
    found = intermodulation(_pair((0.0, 0.0), noise_pa=1e-4))
    assert found["intermodulation_2@2v"].bound == "at most"
    assert found["intermodulation_2@2v"].value == pytest.approx(100 * 2e-4 * 10 ** (6 / 20) / 0.141421, rel=1e-4)
    assert intermodulation(_pair((0.05, 0.02), noise_pa=1e-4))["intermodulation_2@2v"].bound == ""


def test_number_falls_12_db_for_half_the_level() -> None:
    """A cubic's products fall 3 dB for each of the tones: 2 dB per dB against them (weak bending)."""
    loud, quiet = (multitone_curves(_reading(v, 1e-4)).number for v in (1.0, 0.5))
    assert loud.value is not None
    assert quiet.value is not None
    assert loud.value - quiet.value == pytest.approx(12.04, abs=0.01)
    assert loud.bound == ""
    assert loud.key == "multitone_distortion@1v"


def test_levels_at_one_meter() -> None:
    near, far = (multitone_curves(_reading(1.0, 1e-3, distance_m=d)) for d in (1.0, 2.0))
    assert near.tones.values == pytest.approx(far.tones.values, abs=1e-9)
    rms = np.sqrt(np.mean(make_multitone(RATE, float(RATE), seed=3).samples ** 2))
    assert near.total_db == pytest.approx(20 * math.log10(rms / 20e-6), abs=0.02)


def test_noise_masks() -> None:
    noisy = multitone_curves(_reading(1.0, 0.0, noise=1e-3))
    assert noisy.number.bound == "at most"
    assert noisy.noise is not None
    assert noisy.relative.valid.mean() < 0.2
    # Half the bands or so: what is seen there without its noise, not what the noise adds elsewhere.
    part, bare = (multitone_curves(_reading(1.0, 0.05, noise=n)) for n in (1e-3, 0.0))
    assert part.number.value is not None
    assert bare.number.value is not None
    assert bare.number.value - 3.0 < part.number.value < bare.number.value + 0.2
    assert any("noise covers the others" in note for note in part.number.caveats)
    clear = multitone_curves(_reading(1.0, 0.05, noise=1e-6))
    assert clear.number.bound == ""
    assert clear.relative.valid.mean() > 0.9


def test_hidden_bands_make_a_bound_that_holds() -> None:
    """Where noise hides more than a quarter of what is seen, nothing but a bound is told, and the truth (the same
    bending without noise) lies under it; else the value holds the truth within its expanded uncertainty."""
    bounds, values = 0, 0
    for bend in (0.005, 0.01, 0.02, 0.05, 0.2):
        for hiss in (3e-5, 3e-4, 1e-3, 3e-3):
            told = multitone_curves(_reading(1.0, bend, noise=hiss)).number
            truth = multitone_curves(_reading(1.0, bend)).number
            assert told.value is not None
            assert truth.value is not None
            assert told.u is not None
            if told.bound:
                bounds += 1
                assert told.value > truth.value - 2 * told.u
            else:
                values += 1
                assert abs(told.value - truth.value) < 2 * told.u
    assert bounds >= 4
    assert values >= 4


def test_levels_side_by_side_on_common_bands() -> None:
    """A cubic falls 2 dB against the tones for each dB: 12.04 dB for half the level on the same bands, where the
    whole of the quieter one is a bound only."""
    readings = [_reading(volts, 0.02, noise=2e-4) for volts in (1.0, 0.5)]
    common = common_bands(readings)
    assert common is not None
    assert 0 < common.sum() < common.size
    notes = [
        next(note for note in multitone_curves(one, common=common).number.caveats if "at every level" in note)
        for one in readings
    ]
    loud, quiet = (float(note.rsplit(", ", 1)[1].removesuffix(" dB")) for note in notes)
    assert loud - quiet == pytest.approx(12.04, abs=1.0)
    assert common_bands([]) is None


def test_a_room_widens_what_32_tones_say() -> None:
    """Powers of single tones in a diffuse field spread like chi square of two: the mean of n alike has a relative
    standard deviation of 1 / sqrt(n), here 4.34 / sqrt(32) = 0.77 dB. Kuttruff, Room Acoustics (from memory)."""
    free, room = (multitone_curves(_reading(1.0, 0.05), in_room=indoors).number for indoors in (False, True))
    assert free.u is not None
    assert room.u is not None
    assert math.sqrt(room.u**2 - free.u**2) == pytest.approx(10 / math.log(10) / math.sqrt(32), rel=0.02)
    assert any("the room in it" in note for note in room.caveats)
    assert not any("room" in note for note in free.caveats)
