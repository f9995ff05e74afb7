"""Two ears in a room: image sources, late field and heads against closed forms and a measured set.

Values of the shoebox: own script with brute-force mirroring and handbook statistics (Kuttruff, Room Acoustics, from
memory); of the measured set: an independent script over the file of tests/formats/data (see README.md there).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.fft
from scipy.signal import butter, sosfilt

from earwitness.audition.render import Version, filtered, prepared, sound_of
from earwitness.audition.room import (
    EAR_AZIMUTH_DEG,
    EARLY_S,
    LEAD_S,
    MeasuredHead,
    Radiated,
    Shoebox,
    SphereHead,
    _leaving,
    _tail,
    images,
    pair_response,
)
from earwitness.errors import FormatError, InputError
from earwitness.formats.sofa import HeadImpulses, read_head_sofa
from earwitness.quantities.arrays import ComplexArray, FloatArray

SET = Path(__file__).parent.parent / "formats" / "data" / "manikin_ear_normal.sofa"
RATE = 48_000
HZ = np.geomspace(20.0, 20_000.0, 241)
LEVEL = np.zeros(HZ.size)


class Open:
    """Two microphones in place of ears: what the room does, before any head."""

    name = "no head"

    def at(self, directions: FloatArray, hz: FloatArray) -> ComplexArray:
        return np.ones((len(directions), 2, hz.size), dtype=complex)


def evenly(power_db: float = 0.0) -> Radiated:
    angles = np.arange(-170.0, 181.0, 10.0)
    return Radiated(HZ, LEVEL + power_db, {"horizontal": (angles, np.zeros((angles.size, HZ.size)))})


def room_of(alpha: float, *, length_m: float = 5.0, width_m: float = 4.0, height_m: float = 2.7) -> Shoebox:
    """A room whose walls take that share of the energy, by Eyring."""
    size = Shoebox(length_m=length_m, width_m=width_m, height_m=height_m, seat_m=2.0)
    area = -size.surface_m2 * np.log(1.0 - alpha)
    time_s = 24.0 * np.log(10.0) / 343.0 * size.volume_m3 / area
    return Shoebox(length_m=length_m, width_m=width_m, height_m=height_m, reverberation_s=float(time_s), seat_m=2.0)


def test_the_room_is_eyrings() -> None:
    # 54 m3, 88.6 m2, alpha 0.2: 0.4401 s (handbook formula).
    room = room_of(0.2)
    assert room.volume_m3 == pytest.approx(54.0)
    assert room.surface_m2 == pytest.approx(88.6)
    assert room.reverberation_s == pytest.approx(0.4401, abs=1e-4)
    assert room.absorption == pytest.approx(0.2, abs=1e-12)


def test_images_stand_where_mirrors_put_them() -> None:
    # Place, distance and number: mirroring by hand; 4 n^2 + 2 images of order n (Allen and Berkley 1979).
    room, source, receiver = room_of(0.2), np.array([1.5, 1.2, 1.1]), np.array([3.6, 2.3, 1.2])
    found = images(room, source, receiver, 60.0)
    order = np.abs(found.mirrored).sum(axis=1)
    assert [int((order == n).sum()) for n in range(4)] == [1, 6, 18, 38]
    known = {
        (1.5, 1.2, 1.1): 2.3728, (1.5, 1.2, -1.1): 3.3030, (1.5, 1.2, 4.3): 3.9026, (1.5, -1.2, 1.1): 4.0829,
        (1.5, 6.8, 1.1): 4.9669, (8.5, 1.2, 1.1): 5.0229, (-1.5, 1.2, 1.1): 5.2182, (-11.5, 1.2, 1.1): 15.1403,
    }  # fmt: skip
    for place, distance in known.items():
        row = int(np.argmin(np.linalg.norm(found.place - np.array(place), axis=1)))
        assert found.distance_m[row] == pytest.approx(distance, abs=1e-4)
    assert found.distance_m[0] == pytest.approx(2.3728, abs=1e-4)


def test_images_radiate_where_the_loudspeaker_does() -> None:
    """Angles off an axis along +x: floor 50.52, ceiling 57.45, sides 59.05 and 64.99, wall ahead 12.70, behind 167.78
    degrees (brute-force mirroring)."""
    room, source, receiver = room_of(0.2), np.array([1.5, 1.2, 1.1]), np.array([3.6, 2.3, 1.2])
    found = images(room, source, receiver, 5.3)
    ahead = np.degrees(np.arctan2(2.3 - 1.2, 3.6 - 1.5))
    angles = np.degrees(np.arccos(_leaving(found, receiver, source, -ahead)[:, 0]))
    first = np.abs(found.mirrored).sum(axis=1) == 1
    assert np.sort(angles[first]) == pytest.approx([12.70, 50.52, 57.45, 59.05, 64.99, 167.78], abs=0.01)


@pytest.mark.parametrize(("alpha", "power_db"), [(0.15, 0.0), (0.2, 0.0), (0.2, -6.0), (0.35, -10.0), (0.5, 0.0)])
def test_the_direct_to_reverberant_ratio_is_that_of_the_energy(alpha: float, power_db: float) -> None:
    """(4 / A_E) exp(-6 ln 10 t0 / T) of the sound power against 1 / (4 pi r^2), within 0.5 dB where the source radiates
    evenly; sound power alone decides the tail."""
    room = room_of(alpha)
    taps = pair_response(evenly(power_db), room, Open(), RATE)[:, 0]

    def after_db(late_s: float) -> float:
        left = np.exp(-6.0 * np.log(10.0) * (room.seat_m / 343.0 + late_s) / room.reverberation_s)
        return float(10.0 * np.log10(16.0 * np.pi / room.eyring_area_m2 * room.seat_m**2 * left))

    def rendered_db(late_s: float) -> FloatArray:
        return np.asarray(10.0 * np.log10((taps[:, round((LEAD_S + late_s) * RATE) :] ** 2).sum(axis=1)))

    tail_s = EARLY_S + 0.006
    assert rendered_db(tail_s) == pytest.approx([power_db + after_db(tail_s)] * 2, abs=0.5)
    if power_db == 0.0:
        assert rendered_db(0.001) == pytest.approx([after_db(0.0)] * 2, abs=0.5)


def decay_s(late: FloatArray, octave_hz: float) -> float:
    """From -5 to -25 dB of the backward integral (ISO 3382-1, from memory); octave filter run backward in time, so that
    its own ringing does not lie in the decay."""
    octave = butter(4, [octave_hz / 2**0.5, octave_hz * 2**0.5], "bandpass", fs=RATE, output="sos")
    one = sosfilt(octave, late[::-1])
    left = 10.0 * np.log10(np.cumsum(one**2)[::-1] / np.sum(one**2) + 1e-30)
    run = np.flatnonzero((left <= -5.0) & (left >= -25.0))
    return float(-60.0 / np.polyfit(run / RATE, left[run], 1)[0])


@pytest.mark.parametrize("time_s", [0.25, 0.44, 0.9])
@pytest.mark.parametrize("octave_hz", [500.0, 1000.0, 2000.0, 4000.0, 8000.0])
def test_late_sound_decays_in_the_time_asked_for(time_s: float, octave_hz: float) -> None:
    taps = pair_response(evenly(), Shoebox(reverberation_s=time_s), Open(), RATE)[:, 0]
    late = taps[:, round((LEAD_S + EARLY_S + 0.006) * RATE) :]
    for ear in late:
        assert decay_s(ear, octave_hz) == pytest.approx(time_s, rel=0.05)


@pytest.mark.parametrize("octave_hz", [125.0, 250.0])
def test_low_late_sound_decays_so_in_the_mean(octave_hz: float) -> None:
    """A noise of few periods scatters: 14 % at 125 Hz for T = 0.44 s and plain noise (own simulation of 60)."""
    room = Shoebox(reverberation_s=0.44)
    found = [decay_s(_tail(room, RATE, seed)[0, round(0.033 * RATE) :], octave_hz) for seed in range(40)]
    assert np.mean(found) == pytest.approx(0.44, rel=0.04)
    assert np.std(found) < 0.44 * 0.14


def test_a_sphere_is_woodworths_in_time_and_symmetric() -> None:
    # Woodworth: a / c (theta + sin theta) for ears at 90 degrees, above some 2 kHz; ears at 100 degrees hear the
    # difference of both angles. Read from the phase slope of 3 to 6 kHz.
    hz = np.arange(0.0, 24_000.0, 50.0)
    head = SphereHead()
    angles = np.deg2rad([0.0, 45.0, 90.0, -90.0])
    seen = head.at(np.stack([np.cos(angles), np.sin(angles), np.zeros(4)], axis=1), hz)
    assert np.abs(seen[0, 0]) == pytest.approx(np.abs(seen[0, 1]))
    assert np.abs(seen[2, 0]) == pytest.approx(np.abs(seen[3, 1]))
    assert abs(seen[2, 0, 1]) == pytest.approx(1.0, abs=0.01)
    band = (hz > 3000.0) & (hz < 6000.0)
    between = np.unwrap(np.angle(seen[2, 0] * np.conj(seen[2, 1])))[band]
    late_s = np.polyfit(2.0 * np.pi * hz[band], between, 1)[0]
    near, far = np.deg2rad(EAR_AZIMUTH_DEG - 90.0), np.deg2rad(90.0 + EAR_AZIMUTH_DEG)
    around = 0.0875 / 343.0 * ((2.0 * np.pi - far) - np.pi / 2.0 + np.cos(near))
    assert late_s == pytest.approx(around, rel=0.08)
    # The mean over all directions is flat: that is what was equalized.
    points = np.random.default_rng(3).standard_normal((4000, 3))
    points /= np.linalg.norm(points, axis=1, keepdims=True)
    some = np.arange(0.0, 16_000.0, 1000.0)
    mean_db = 10.0 * np.log10(np.mean(np.abs(head.at(points, some)) ** 2, axis=(0, 1)))
    assert np.abs(mean_db).max() < 0.15


@pytest.fixture(scope="module")
def measured() -> HeadImpulses:
    return read_head_sofa(SET)


def test_a_head_set_is_read(measured: HeadImpulses) -> None:
    assert measured.impulse.shape == (710, 2, 512)
    assert measured.rate_hz == 44_100.0
    assert "restriction" in measured.license


def test_the_difference_of_the_ears_stays_the_sets(measured: HeadImpulses) -> None:
    """At 90 degrees: by frequency, and in time 706 us by the correlation below 1.5 kHz (independent script, which finds
    4.30 dB in the third octave of 500 Hz and 6.14 dB in that of 1 kHz as well)."""
    head = MeasuredHead(measured)
    hz = scipy.fft.rfftfreq(16_384, 1.0 / RATE)
    seen = head.at(np.array([[0.0, 1.0, 0.0]]), hz)[0]
    row = int(np.argmax(measured.directions[:, 1]))
    turns = np.exp(-2j * np.pi * hz[:, None] * np.arange(512) / measured.rate_hz)
    left, right = np.abs(measured.impulse[row] @ turns.T)
    # Above 11 kHz the far ear lies in nulls of 30 dB, whose depth no number is.
    band = (hz > 300.0) & (hz < 11_000.0)
    own = 20.0 * np.log10(left / right)[band]
    assert 20.0 * np.log10(np.abs(seen[0, band] / seen[1, band])) == pytest.approx(own, abs=0.05)
    for center, difference in {500.0: 4.30, 1000.0: 6.14}.items():
        third = (hz >= center * 2 ** (-1 / 6)) & (hz < center * 2 ** (1 / 6))
        assert 10.0 * np.log10(np.sum(left[third] ** 2) / np.sum(right[third] ** 2)) == pytest.approx(
            difference, abs=0.02
        )
    low = hz < 1500.0
    both = scipy.fft.irfft(np.where(low, seen[1] * np.conj(seen[0]), 0.0), 16_384 * 16)
    lag = np.argmax(np.concatenate([both[-2000:], both[:2000]])) - 2000
    assert lag / 16 / RATE == pytest.approx(706e-6, abs=25e-6)


def test_between_its_directions_a_head_set_is_near_what_it_measured(measured: HeadImpulses) -> None:
    # Left-out 30 degrees from 25 and 35: 0.56 and 0.79 dB rms by minimum phases (independent script).
    away = np.degrees(np.arctan2(measured.directions[:, 1], measured.directions[:, 0]))
    left_out = (np.abs(away - 30.0) < 0.1) & (np.abs(measured.directions[:, 2]) < 1e-6)
    assert left_out.sum() == 1
    kept = HeadImpulses(
        name="kept", directions=measured.directions[~left_out], impulse=measured.impulse[~left_out],
        delay_s=measured.delay_s[~left_out], rate_hz=measured.rate_hz, license="",
    )  # fmt: skip
    hz = scipy.fft.rfftfreq(8192, 1.0 / RATE)
    there = measured.directions[left_out]
    band = (hz > 300.0) & (hz < 16_000.0)
    told, known = (np.abs(head.at(there, hz))[0, :, band] for head in (MeasuredHead(kept), MeasuredHead(measured)))
    error = 20.0 * np.log10(told / known)
    weight = 1.0 / hz[band]
    rms = np.sqrt((error**2 * weight[:, None]).sum(axis=0) / weight.sum())
    assert rms.max() < 1.6


def test_a_head_set_that_runs_clockwise_is_refused(measured: HeadImpulses) -> None:
    turned = HeadImpulses(
        name="turned", directions=measured.directions * [1.0, -1.0, 1.0], impulse=measured.impulse,
        delay_s=measured.delay_s, rate_hz=measured.rate_hz, license="",
    )  # fmt: skip
    with pytest.raises(FormatError, match="not the louder and earlier"):
        MeasuredHead(turned)


def test_a_file_that_is_no_head_set_is_refused(tmp_path: Path) -> None:
    (tmp_path / "x.sofa").write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(500))
    with pytest.raises(FormatError):
        read_head_sofa(tmp_path / "x.sofa")


def test_a_pair_is_heard_from_both_sides_and_rendered_at_one_loudness() -> None:
    taps = pair_response(evenly(), Shoebox(), SphereHead(), RATE)
    assert taps.shape[:2] == (2, 2)
    energy = (taps[..., : round(0.004 * RATE)] ** 2).sum(axis=-1)
    assert energy[0, 0] > energy[1, 0]
    assert energy[1, 1] > energy[0, 1]
    assert energy[0, 0] == pytest.approx(energy[1, 1], rel=1e-6)
    noise = np.random.default_rng(1).standard_normal((1, 2 * RATE)) * 0.05
    versions = [
        Version("a", "a", HZ, LEVEL, (20.0, 20_000.0), taps),
        Version("b", "b", HZ, LEVEL, (20.0, 2e4), 3 * taps),
    ]
    one, other = prepared(versions, sound_of(noise, RATE))
    assert one.loudness_lufs == pytest.approx(other.loudness_lufs, abs=1e-6)
    heard = np.concatenate(list(filtered(sound_of(noise, RATE), one.taps)), axis=1)
    alone = [np.convolve(noise[0], taps[ear].sum(axis=0))[: noise.shape[1]] for ear in range(2)]
    assert heard == pytest.approx(np.array(alone), abs=1e-9)


@pytest.mark.parametrize(
    "asked", [{"length_m": 1.0}, {"seat_m": 5.0}, {"width_m": 2.0}, {"reverberation_s": 9.0}, {"height_m": 1.4}]
)
def test_what_cannot_stand_in_a_room_is_refused(asked: dict[str, float]) -> None:
    with pytest.raises(InputError):
        Shoebox(**asked)
