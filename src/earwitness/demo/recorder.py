"""Recordings of a demo loudspeaker, as a tester would bring them home: one session folder of audio files and TOML.

What is played runs through each driver's weak nonlinearity in time, then through its linear path, then by every path
to the microphone: directly at the true distance, and by the walls from the side of the loudspeaker that faces them.
Left out: sound that the body scatters back from the walls, and reflections in near-field takes, where they lie some
35 dB below. Seeds are fixed: the same key gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from earwitness.demo import rig, script, world
from earwitness.demo.lineup import DemoLoudspeaker
from earwitness.demo.paths import far_paths, near_paths
from earwitness.dsp.sweep import sweep_law, sweep_samples
from earwitness.errors import OutputError
from earwitness.formats.audio import write_audio

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Progress = Callable[[float, str], None]

# A cube of what ends at 24 kHz folds back above 24 kHz.
_OVERSAMPLING = 2
_FORCE_SLOPE, _FORCE_CURVE = 0.03, 0.06
_HIGH_SQUARE, _HIGH_CUBE = 0.0004, 0.00002


@dataclass(frozen=True, slots=True)
class _Job:
    name: str
    work: Callable[[], None]


def write_session(key: str, folder: Path, *, progress: Progress | None = None, quick: bool = False) -> None:
    """Write the whole session of a demo loudspeaker into `folder`, which is made if it is not there.

    progress : called with the share done, 0 to 1, and the file just written; quick : far field in steps of 30 degrees
    instead of 10. InputError for an unknown key, OutputError if the folder cannot be written.
    """
    one = world.loudspeaker(key)
    try:
        for part in (".", "far", "near", "level"):
            (folder / part).mkdir(parents=True, exist_ok=True)
        (folder / "mic.txt").write_text(rig.correction_text("simulated microphone, invented"), encoding="utf-8")
        (folder / "session.toml").write_text(script.session_text(one), encoding="utf-8")
    except OSError as error:
        raise OutputError(
            "the session folder cannot be written",
            where=str(folder),
            expected="a folder that may be written to and has room",
            remedy=f"check folder, permission and free space ({error.strerror})",
        ) from None
    lock, done = Lock(), [0]
    with ThreadPoolExecutor(max_workers=2) as pool:
        volts = sorted({rig.DRIVE_V, rig.NEAR_DRIVE_V, *rig.LEVEL_SERIES_V})
        emitted = dict(zip(volts, pool.map(lambda v: _emission(one, _sweep(), v), volts), strict=True))
        jobs = _jobs(one, folder, 30 if quick else 10, emitted)

        def run(job: _Job) -> None:
            job.work()
            with lock:
                done[0] += 1
                if progress is not None:
                    progress(done[0] / len(jobs), job.name)

        running = [pool.submit(run, job) for job in jobs]
        try:
            for future in running:
                future.result()
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            raise


def _jobs(one: DemoLoudspeaker, folder: Path, step_deg: int, emitted: dict[float, ComplexArray]) -> list[_Job]:
    """Every recording that follows a sweep or a signal; `emitted` by the sweep's voltage."""
    caps = tuple(s.cap for s in world.speaker_sources(one, np.array([1000.0])))
    sweep = _sweep() * np.sqrt(2)

    def sweep_job(name: str, volts: float, place: Callable[[], FloatArray]) -> _Job:
        return _Job(name, lambda: _record(one.key, folder, name, emitted[volts], place(), sweep * volts))

    jobs = []
    for orbit in ("horizontal", "vertical"):
        for angle in _orbit_angles(orbit, step_deg):
            there = partial(far_paths, one, caps, orbit, float(angle), rig.FAR_DISTANCE_M)
            jobs.append(sweep_job(f"far/{orbit[0]}_{angle}.flac", rig.DRIVE_V, there))
    for cap in one.near_caps:
        close = partial(near_paths, one, caps, cap.name)
        jobs.append(sweep_job(script.near_file(cap.name), rig.NEAR_DRIVE_V, close))
    axis = far_paths(one, caps, "horizontal", 0.0, rig.LEVEL_DISTANCE_M)
    for step, volts in enumerate(rig.LEVEL_SERIES_V, 1):
        jobs.append(sweep_job(script.level_file(step), volts, lambda: axis))
    return [*jobs, *_other_jobs(one, folder, axis)]


def _other_jobs(one: DemoLoudspeaker, folder: Path, axis: FloatArray) -> list[_Job]:
    def tones() -> None:
        shape = rig.multitone(rig.take_seed(one.key, "multitone"))
        scale = rig.MULTITONE_V / np.sqrt(np.mean(shape[shape != 0] ** 2))
        write_audio(folder / "multitone_played.flac", shape, rig.RATE_HZ)
        emission = _emission(one, shape * scale / np.sqrt(2) / rig.MULTITONE_V, rig.MULTITONE_V)
        _record(one.key, folder, "multitone.flac", emission, axis, shape * scale)

    def silence() -> None:
        nothing = np.zeros((axis.shape[0], rig.SAMPLES // 2 + 1), dtype=np.complex128)
        _record(one.key, folder, "silence.flac", nothing, axis, np.zeros(rig.SAMPLES))

    def calibrator() -> None:
        time = np.arange(8 * rig.RATE_HZ) / rig.RATE_HZ
        level = rig.CALIBRATOR_LEVEL_DB + rig.CALIBRATOR_ERROR_DB
        tone = 20e-6 * 10 ** (level / 20) * np.sqrt(2) * np.sin(2 * np.pi * rig.CALIBRATOR_HZ * time)
        noise = np.fft.irfft(rig.noise_spectrum(rig.take_seed(one.key, "calibrator"), samples=time.size), time.size)
        write_audio(folder / "calibrator.flac", rig.MICROPHONE_FS_PER_PA * (tone + noise), rig.RATE_HZ)

    def load() -> None:
        frequency = np.fft.rfftfreq(rig.IMPEDANCE_SAMPLES, 1 / rig.IMPEDANCE_RATE_HZ)
        impedance = np.empty(frequency.size, dtype=np.complex128)
        impedance[1:] = world.true_impedance(one.key, np.asarray(frequency[1:], dtype=np.float64))
        impedance[0] = abs(impedance[1])
        _electrical(one.key, folder, "impedance.flac", impedance)

    def known() -> None:
        flat = np.full(rig.IMPEDANCE_SAMPLES // 2 + 1, rig.REFERENCE_RESISTOR_OHM, dtype=np.complex128)
        _electrical(one.key, folder, "impedance_reference.flac", flat)

    return [
        _Job("multitone.flac", tones),
        _Job("silence.flac", silence),
        _Job("calibrator.flac", calibrator),
        _Job("impedance.flac", load),
        _Job("impedance_reference.flac", known),
    ]


def _orbit_angles(orbit: str, step_deg: int) -> list[int]:
    angles = list(range(-180 + step_deg, 181, step_deg))
    return angles if orbit == "horizontal" else [a for a in angles if a not in (0, 180)]


def _frequency() -> FloatArray:
    return np.asarray(np.fft.rfftfreq(rig.SAMPLES, 1 / rig.RATE_HZ), dtype=np.float64)


def _sweep() -> FloatArray:
    """The sweep at amplitude 1 with the silence around it; (SAMPLES,)."""
    law = sweep_law(rig.SWEEP_START_HZ, rig.SWEEP_STOP_HZ, rig.SWEEP_S)
    sweep = sweep_samples(law, rig.RATE_HZ, fade_in_s=rig.FADE_IN_S, fade_out_s=rig.FADE_OUT_S)
    out = np.zeros(rig.SAMPLES)
    start = round(rig.LEAD_IN_S * rig.RATE_HZ)
    out[start : start + sweep.size] = sweep
    return out


def _emission(one: DemoLoudspeaker, shape: FloatArray, rms_v: float) -> ComplexArray:
    """Spectrum of every cap's volume acceleration, m^3/s^2; (caps, frequencies).

    shape : the signal for an rms voltage of 1/sqrt(2) V. Bass: force and stiffness change with excursion,
    v (1 - b1 x - b2 x^2) with x against the largest one; the rest: small square and cubic terms.
    """
    from scipy import fft

    frequency = _frequency()
    usable = frequency.copy()
    usable[0] = usable[1]
    heating = _heating_k(one, rms_v)
    active = world.speaker_sources(one, usable, heating_k=heating)
    terminal = fft.rfft(shape * rms_v * np.sqrt(2))
    names = tuple(cap.name for cap in (*one.bass.cones, one.bass.port))
    cone = active[0]
    area = one.bass.driver.cone_area_m2
    bass = terminal * cone.filter
    excursion = bass * cone.flow / (2j * np.pi * usable * area * one.bass.largest_excursion_m)
    many = _OVERSAMPLING * rig.SAMPLES
    fine_v, fine_x = (_OVERSAMPLING * fft.irfft(part, many) for part in (bass, excursion))
    bent = fft.rfft(fine_v * (1 - _FORCE_SLOPE * fine_x - _FORCE_CURVE * fine_x**2))[: frequency.size] / _OVERSAMPLING
    out = np.empty((len(active), frequency.size), dtype=np.complex128)
    voltages: dict[int, ComplexArray] = {}
    for row, source in enumerate(active):
        if source.cap.name in names:
            voltage = bent
        else:
            if id(source.filter) not in voltages:
                fine = _OVERSAMPLING * fft.irfft(terminal * source.filter, many)
                curved = fft.rfft(fine + _HIGH_SQUARE * fine**2 + _HIGH_CUBE * fine**3)
                voltages[id(source.filter)] = curved[: frequency.size] / _OVERSAMPLING
            voltage = voltages[id(source.filter)]
        out[row] = voltage * source.flow * (2j * np.pi * usable)
    out[:, 0] = 0.0
    return out


def _heating_k(one: DemoLoudspeaker, rms_v: float) -> float:
    """Rise of the coils' temperature while a take runs, from the power into the rated impedance."""
    return float(one.bass.thermal_k_w * rms_v**2 / one.rated_impedance_ohm)


def _record(key: str, folder: Path, name: str, emission: ComplexArray, paths: FloatArray, played_v: FloatArray) -> None:
    """Microphone and loop-back as one file. paths : (caps, taps), pascals per volume acceleration."""
    from scipy import fft

    total = (emission * fft.rfft(paths, rig.SAMPLES, axis=-1)).sum(axis=0)
    frequency = _frequency()
    total *= np.exp(-2j * np.pi * frequency * rig.LATENCY_SAMPLES / rig.RATE_HZ)
    heard = (total + rig.noise_spectrum(rig.take_seed(key, name))) * rig.microphone_response(frequency)
    microphone = rig.MICROPHONE_FS_PER_PA * fft.irfft(heard, rig.SAMPLES)
    loop = np.roll(played_v, rig.LATENCY_SAMPLES) / rig.VOLTS_PER_FS
    write_audio(folder / name, np.stack([microphone, loop]), rig.RATE_HZ)


def _electrical(key: str, folder: Path, name: str, impedance_ohm: ComplexArray) -> None:
    """Voltage before (channel 1) and behind (channel 2) the series resistor, with a little noise in each."""
    from scipy import fft

    law = sweep_law(rig.IMPEDANCE_START_HZ, rig.IMPEDANCE_STOP_HZ, rig.IMPEDANCE_SWEEP_S)
    sweep = sweep_samples(law, rig.IMPEDANCE_RATE_HZ, fade_in_s=rig.FADE_IN_S, fade_out_s=rig.FADE_OUT_S)
    source, start = np.zeros(rig.IMPEDANCE_SAMPLES), round(0.1 * rig.IMPEDANCE_RATE_HZ)
    source[start : start + sweep.size] = sweep * rig.IMPEDANCE_SOURCE_V * np.sqrt(2)
    share = impedance_ohm / (impedance_ohm + rig.SENSE_RESISTOR_TRUE_OHM)
    both = np.stack([source, fft.irfft(fft.rfft(source) * share, rig.IMPEDANCE_SAMPLES)]) / rig.IMPEDANCE_FS_V
    both += 3e-6 * rig.take_seed(key, name).standard_normal(both.shape)
    write_audio(folder / name, both, rig.IMPEDANCE_RATE_HZ)
