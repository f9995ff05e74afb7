"""A written session as its reader finds it: loadable, right by a plain division, the same every time."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
import soundfile
from near_truth import true_near_field

from earwitness.demo import recorder, rig, world
from earwitness.demo.world import true_pressure
from earwitness.errors import InputError, OutputError
from earwitness.formats.correction_file import read_correction
from earwitness.quantities.directions import from_orbit
from earwitness.session.load import load_session
from earwitness.session.session import FarFieldTake, ImpedanceTake, LevelTake, NearFieldTake
from made_once import MadeOnce

KEY = "thimble"


@pytest.fixture(scope="module")
def folder(made_once: MadeOnce) -> Path:
    return made_once.recordings(KEY)


def division(path: Path) -> np.ndarray:
    """Channel 1 over channel 2, without any of the program's own processing."""
    (first, second), _ = soundfile.read(str(path))[0].T, None
    upper, lower = np.fft.rfft(first), np.fft.rfft(second)
    return upper * lower.conj() / (np.abs(lower) ** 2 + 1e-6)


def gated_pascals_per_volt(path: Path, distance_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Frequency and gated response, the loop-back's scale, the microphone and the distance taken out."""
    frequency = np.fft.rfftfreq(rig.SAMPLES, 1 / rig.RATE_HZ)
    frequency[0] = 0.1
    band = np.clip((frequency - 15) / 15, 0, 1) * np.clip((21_800 - frequency) / 1000, 0, 1)
    chain = rig.MICROPHONE_FS_PER_PA * rig.VOLTS_PER_FS * rig.microphone_response(frequency)
    impulse = np.fft.irfft(division(path) * band / chain) * distance_m
    arrival, gate, fade = round(distance_m / 343.0 * rig.RATE_HZ), 225, 24
    window = np.zeros(impulse.size)
    window[arrival - 72 : arrival + gate] = 1.0
    window[arrival + gate : arrival + gate + fade] = 0.5 + 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    turned = np.exp(2j * np.pi * frequency * distance_m / 343.0)
    return frequency, np.fft.rfft(impulse * window) * turned


def test_the_session_loads_and_holds_every_kind_of_take(folder: Path) -> None:
    session = load_session(folder)
    assert session.loudspeaker.invented
    assert "invented" in session.loudspeaker.name
    far = session.takes_of(FarFieldTake)
    assert len([t for t in far if t.orbit == "horizontal"]) == 12
    assert len([t for t in far if t.orbit == "vertical"]) == 10
    assert {t.driver for t in session.takes_of(NearFieldTake)} == {"woofer", "port"}
    assert [t.drive_v for t in session.takes_of(LevelTake)] == list(rig.LEVEL_SERIES_V)
    assert {t.role for t in session.takes_of(ImpedanceTake)} == {"load", "reference"}
    assert {t.kind for t in session.takes} >= {"multitone", "noise floor", "two-tone", "burst", "noise run"}
    room = session.environment.room
    assert room is not None
    assert room.loudspeaker_m[0] + rig.FAR_DISTANCE_M == pytest.approx(room.microphone_m[0])


def test_loud_takes_were_played_at_the_voltages_that_are_stated(folder: Path) -> None:
    """The loop-back alone: peak of a burst, rms of two tones and of the noise, in volts."""

    def played(name: str) -> np.ndarray:
        return np.asarray(soundfile.read(str(folder / name))[0].T[1]) * rig.VOLTS_PER_FS

    for step, peak_v in enumerate(rig.BURST_PEAK_V, 1):
        assert np.abs(played(rig.burst_file(40.0, step))).max() == pytest.approx(peak_v, rel=0.02)
    whole_second = played(rig.PAIR_FILE)[round(0.9 * rig.RATE_HZ) :][: rig.RATE_HZ]
    assert np.sqrt(np.mean(whole_second**2)) == pytest.approx(rig.PAIR_V, rel=0.02)
    amplitudes = 2 * np.abs(np.fft.rfft(whole_second))[[round(hz) for hz in rig.PAIR_HZ]] / rig.RATE_HZ
    # IEC 60268-5 (from memory): 4 to 1.
    assert amplitudes[0] / amplitudes[1] == pytest.approx(4.0, rel=1e-3)
    noise = played(rig.RUN_FILE)[rig.RATE_HZ : 9 * rig.RATE_HZ]
    assert np.sqrt(np.mean(noise**2)) == pytest.approx(rig.RUN_V, rel=0.05)


@pytest.mark.parametrize(("orbit", "angle"), [("horizontal", 0), ("horizontal", -30), ("vertical", 30)])
def test_direct_sound_has_the_level_and_time_of_the_truth(folder: Path, orbit: str, angle: int) -> None:
    frequency, found = gated_pascals_per_volt(folder / f"far/{orbit[0]}_{angle}.flac", rig.FAR_DISTANCE_M)
    # Above the gate's resolution; 2 m is far enough there for 0.3 dB within 30 degrees of the axis.
    asked = np.geomspace(3000.0, 16_000.0, 25)
    rows = np.round(asked / frequency[1]).astype(int)
    truth = true_pressure(KEY, from_orbit(orbit, [angle]), frequency[rows])[0]  # type: ignore[arg-type]
    off = found[rows] / truth
    assert np.max(np.abs(20 * np.log10(np.abs(off)))) < 0.3
    slope = np.polyfit(2 * np.pi * frequency[rows], np.unwrap(np.angle(off)), 1)[0]
    assert abs(slope) < 10e-6


@pytest.mark.parametrize("driver", ["woofer", "port"])
def test_near_field_takes_have_the_true_pressure(folder: Path, driver: str) -> None:
    frequency = np.fft.rfftfreq(rig.SAMPLES, 1 / rig.RATE_HZ)
    rows = np.round(np.geomspace(52.0, 250.0, 30) / frequency[1]).astype(int)
    chain = rig.MICROPHONE_FS_PER_PA * rig.VOLTS_PER_FS * rig.microphone_response(frequency[rows])
    impulse = np.fft.irfft(division(folder / rig.near_file(driver)) * (frequency < 20e3))
    # Half a second of it: the box has rung out, and most of the noise is cut off.
    impulse[rig.RATE_HZ // 2 : -200] = 0.0
    found = np.fft.rfft(impulse)[rows] / chain
    truth = true_near_field(KEY, driver, frequency[rows])
    np.testing.assert_allclose(np.abs(found / truth), 1.0, atol=0.03)
    np.testing.assert_allclose(np.angle(found / truth), 0.0, atol=0.03)


def test_the_first_reflection_comes_when_the_hall_says(folder: Path) -> None:
    # Mirror geometry at equal heights h: sqrt(d^2 + 4 h^2) - d.
    impulse = np.fft.irfft(division(folder / "far/h_0.flac") * (np.fft.rfftfreq(rig.SAMPLES, 1 / 48e3) < 21e3))
    direct = round(2.0 / 343.0 * rig.RATE_HZ)
    late = (np.hypot(2.0, 2 * 1.65) - 2.0) / 343.0 * rig.RATE_HZ
    size = np.abs(impulse)
    # Crossover and the recessed tweeter hold the peak back by up to a quarter of a millisecond.
    assert 0 <= size[: direct + 40].argmax() - direct <= 12
    direct = int(size[: direct + 40].argmax())
    found = direct + 150 + size[direct + 150 : direct + 340].argmax()
    assert found - direct == pytest.approx(late, abs=4)


def test_impedance_take_gives_the_true_impedance(folder: Path) -> None:
    samples, _ = soundfile.read(str(folder / "impedance.flac"))
    before, behind = np.fft.rfft(samples.T)
    rows = np.round(np.geomspace(20.0, 38_000.0, 40) * rig.IMPEDANCE_SAMPLES / rig.IMPEDANCE_RATE_HZ).astype(int)
    share = behind[rows] / before[rows]
    found = rig.SENSE_RESISTOR_TRUE_OHM * share / (1 - share)
    truth = world.true_impedance(KEY, rows * rig.IMPEDANCE_RATE_HZ / rig.IMPEDANCE_SAMPLES)
    np.testing.assert_allclose(np.abs(found / truth), 1.0, atol=0.005)


def test_calibrator_gives_the_microphone_within_its_tolerance(folder: Path) -> None:
    samples, _ = soundfile.read(str(folder / "calibrator.flac"))
    pascals = 20e-6 * 10 ** (94.0 / 20)  # 1.002374 Pa
    off_db = 20 * np.log10(np.sqrt(np.mean(samples**2)) / pascals / rig.MICROPHONE_FS_PER_PA)
    assert 0.01 < abs(off_db) < 0.2


def test_correction_file_describes_the_microphone(folder: Path) -> None:
    asked = np.array([20.0, 100.0, 1000.0, 8000.0, 19_000.0])
    found = read_correction(folder / "mic.txt").at(asked)
    np.testing.assert_allclose(found.response_db, 20 * np.log10(np.abs(rig.microphone_response(asked))), atol=0.01)
    assert np.all(found.corrected)


def test_louder_steps_compress_and_bend(folder: Path) -> None:
    rows = np.round(np.geomspace(500.0, 2000.0, 30) * rig.SAMPLES / rig.RATE_HZ).astype(int)
    gains = [np.mean(20 * np.log10(np.abs(division(folder / f"level/step_{n}.flac")[rows]))) for n in range(1, 5)]
    assert np.all(np.diff(gains) < 0)
    assert 0.3 < gains[0] - gains[3] < 2.0


def test_second_harmonic_grows_with_level(folder: Path) -> None:
    # The response of order n comes L ln n early (Novak, Simon and Lotton 2015); order 2 grows as the level does.
    rate = rig.SWEEP_S / np.log(rig.SWEEP_STOP_HZ / rig.SWEEP_START_HZ)
    ratios = []
    for step in (1, 3):
        impulse = np.fft.irfft(division(folder / f"level/step_{step}.flac"))
        early = round((1.0 / 343.0 - rate * np.log(2)) * rig.RATE_HZ)
        second = impulse[np.arange(early - 200, early + 3000)]
        ratios.append(np.sqrt(np.sum(second**2)))
    grown = 20 * np.log10(ratios[1] / ratios[0])
    wanted = 20 * np.log10(rig.LEVEL_SERIES_V[2] / rig.LEVEL_SERIES_V[0])
    assert grown == pytest.approx(wanted, abs=3.0)


def test_the_same_key_gives_the_same_bytes_and_progress_rises_to_one(folder: Path, tmp_path: Path) -> None:
    seen: list[tuple[float, str]] = []
    recorder.write_session(KEY, tmp_path, progress=lambda share, what: seen.append((share, what)), quick=True)

    def digests(place: Path) -> dict[str, str]:
        files = sorted(p for p in place.rglob("*") if p.is_file())
        return {str(p.relative_to(place)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}

    assert digests(tmp_path) == digests(folder)
    shares = [share for share, _ in seen]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert "far/h_0.flac" in {what for _, what in seen}


def test_an_unknown_loudspeaker_or_a_blocked_folder_is_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="demo loudspeaker"):
        recorder.write_session("nobody", tmp_path / "a")
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError, match="cannot be written"):
        recorder.write_session(KEY, tmp_path / "file" / "b")
