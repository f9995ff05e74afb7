"""Recordings of a demo loudspeaker, as a tester would bring them home: one session folder of audio files and TOML.

What is played runs through each driver's weak nonlinearity in time, then through its linear path, then by every path
to the microphone: directly at the true distance, and by the walls from the side of the loudspeaker that faces them.
Left out: sound that the body scatters back from the walls, and reflections in near-field takes, where they lie some
35 dB below. Seeds are fixed: the same key gives the same bytes.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path

import numpy as np

from earwitness.demo import rig, world
from earwitness.demo.lineup import Cap, DemoLoudspeaker
from earwitness.demo.playback import (
    emission,
    far_paths,
    filtered,
    loud_jobs,
    near_paths,
    powered_jobs,
    record,
    write_both,
)
from earwitness.dsp.sweep import sweep_law, sweep_samples
from earwitness.errors import cannot_write
from earwitness.formats.audio import write_audio
from earwitness.quantities import ComplexArray, FloatArray

# Directions of the listening window (ANSI/CTA-2034-A).
_LISTENING_WINDOW = (
    *(("horizontal", angle) for angle in (-30, -20, -10, 0, 10, 20, 30)),
    ("vertical", -10),
    ("vertical", 10),
)
Progress = Callable[[float, str], None]


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
    _begin(one, folder)
    volts = sorted({rig.DRIVE_V, rig.NEAR_DRIVE_V, *rig.LEVEL_SERIES_V})
    _record_all(one, volts, lambda emitted: _jobs(one, folder, 30 if quick else 10, emitted), progress)


def write_member(one: DemoLoudspeaker, folder: Path, *, progress: Progress | None = None) -> None:
    """Write a short session, of another unit or state: listening window, near fields, silence. As `write_session`."""
    _begin(one, folder)
    volts = [rig.NEAR_DRIVE_V, rig.DRIVE_V]
    _record_all(one, volts, lambda emitted: _few_jobs(one, folder, emitted), progress)


def _begin(one: DemoLoudspeaker, folder: Path) -> None:
    try:
        for part in (".", "far", "near", "level", "burst"):
            (folder / part).mkdir(parents=True, exist_ok=True)
        (folder / "mic.txt").write_text(rig.correction_text("simulated microphone, invented"), encoding="utf-8")
        (folder / "session.toml").write_text(rig.session_text(one), encoding="utf-8")
    except OSError as error:
        raise cannot_write("the session folder", folder, error) from None


def _record_all(
    one: DemoLoudspeaker,
    volts: list[float],
    jobs_of: Callable[[dict[float, ComplexArray]], list[_Job]],
    progress: Progress | None,
) -> None:
    with ThreadPoolExecutor(max_workers=2) as pool:
        emitted = dict(zip(volts, pool.map(lambda v: emission(one, _sweep(), v), volts), strict=True))
        running = {pool.submit(job.work): job.name for job in jobs_of(emitted)}
        try:
            for done, future in enumerate(as_completed(running), 1):
                future.result()
                if progress is not None:
                    progress(done / len(running), running[future])
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            raise


def _jobs(one: DemoLoudspeaker, folder: Path, step_deg: int, emitted: dict[float, ComplexArray]) -> list[_Job]:
    """Every recording that follows a sweep or a signal; `emitted` by the sweep's voltage."""
    caps = tuple(s.cap for s in world.speaker_sources(one, np.array([1000.0])))
    places = (
        [("horizontal", 0)]
        if one.outdoors
        else [
            (orbit, angle)
            for orbit in ("horizontal", "vertical")
            for angle in _orbit_angles(orbit, step_deg, in_wall=one.in_wall)
        ]
    )
    jobs = _linear_jobs(one, caps, folder, places, emitted)
    axis = far_paths(one, caps, "horizontal", 0.0, rig.LEVEL_DISTANCE_M)
    for step, volts in enumerate(rig.LEVEL_SERIES_V, 1):
        jobs.append(_sweep_job(one, folder, rig.level_file(step), volts=volts, emitted=emitted, place=lambda: axis))
    if one.built_in is not None and one.built_in.low_pass_hz is not None:
        low = emission(one, filtered(_sweep(), one.built_in.low_pass_hz), rig.DRIVE_V)
        jobs.append(_sweep_job(one, folder, rig.FILTERED_FILE, rig.DRIVE_V, {rig.DRIVE_V: low}, place=lambda: axis))
    loud = [_Job(name, work) for name, work in (*loud_jobs(one, folder, axis), *powered_jobs(one, folder, caps))]
    return [*jobs, *_other_jobs(one, folder, axis), *loud]


def _few_jobs(one: DemoLoudspeaker, folder: Path, emitted: dict[float, ComplexArray]) -> list[_Job]:
    caps = tuple(s.cap for s in world.speaker_sources(one, np.array([1000.0])))
    jobs = _linear_jobs(one, caps, folder, _LISTENING_WINDOW, emitted)
    return [*jobs, *_still_jobs(one, folder)]


def _linear_jobs(
    one: DemoLoudspeaker,
    caps: tuple[Cap, ...],
    folder: Path,
    places: Sequence[tuple[str, int]],
    emitted: dict[float, ComplexArray],
) -> list[_Job]:
    """Far field at these orbits and angles, and near field."""
    jobs = []
    for orbit, angle in places:
        there = partial(far_paths, one, caps, orbit, float(angle), rig.FAR_DISTANCE_M)
        jobs.append(_sweep_job(one, folder, f"far/{orbit[0]}_{angle}.flac", rig.DRIVE_V, emitted=emitted, place=there))
    for cap in one.near_caps:
        close = partial(near_paths, one, caps, cap.name)
        jobs.append(_sweep_job(one, folder, rig.near_file(cap.name), rig.NEAR_DRIVE_V, emitted=emitted, place=close))
    return jobs


def _sweep_job(
    one: DemoLoudspeaker,
    folder: Path,
    name: str,
    volts: float,
    emitted: dict[float, ComplexArray],
    place: Callable[[], FloatArray],
) -> _Job:
    return _Job(
        name, lambda: record(one.key, folder, name, emitted[volts], place(), played_v=_sweep() * np.sqrt(2) * volts)
    )


def _other_jobs(one: DemoLoudspeaker, folder: Path, axis: FloatArray) -> list[_Job]:
    shape = rig.multitone(rig.take_seed(one.key, "multitone"))
    shape_v = float(np.sqrt(np.mean(shape[shape != 0] ** 2)))

    def tones(name: str, volts: float) -> None:
        sound = emission(one, shape / shape_v / np.sqrt(2), volts)
        record(key=one.key, folder=folder, name=name, sound=sound, paths=axis, played_v=shape / shape_v * volts)

    def played() -> None:
        write_audio(folder / rig.TONES_PLAYED_FILE, shape, rig.RATE_HZ)

    def load() -> None:
        frequency = np.fft.rfftfreq(rig.IMPEDANCE_SAMPLES, 1 / rig.IMPEDANCE_RATE_HZ)
        impedance = np.empty(frequency.size, dtype=np.complex128)
        impedance[1:] = world.true_impedance(one.key, np.asarray(frequency[1:], dtype=np.float64))
        impedance[0] = abs(impedance[1])
        _electrical(one.key, folder, "impedance.flac", impedance)

    def known() -> None:
        flat = np.full(rig.IMPEDANCE_SAMPLES // 2 + 1, rig.REFERENCE_RESISTOR_OHM, dtype=np.complex128)
        _electrical(one.key, folder, "impedance_reference.flac", flat)

    def table() -> None:
        (folder / rig.TABLE_FILE).write_text(_impedance_text(one.key), encoding="utf-8")

    electric = [] if one.built_in else [_Job("impedance.flac", load), _Job("impedance_reference.flac", known)]
    if rig.has_table(one.key):
        electric = [_Job(rig.TABLE_FILE, table)]
    return [
        *(
            _Job(rig.tones_file(step), partial(tones, rig.tones_file(step), volts))
            for step, volts in enumerate(rig.MULTITONE_V if one.high else (), 1)
        ),
        _Job(rig.TONES_PLAYED_FILE, played),
        *_still_jobs(one, folder),
        *electric,
    ]


def _still_jobs(one: DemoLoudspeaker, folder: Path) -> list[_Job]:
    """Recordings to which the loudspeaker is silent."""

    def silence() -> None:
        nothing = np.zeros(rig.SAMPLES // 2 + 1, dtype=np.complex128)
        write_both(one.key, folder, "silence.flac", nothing, np.zeros(rig.SAMPLES))

    def calibrator() -> None:
        time = np.arange(8 * rig.RATE_HZ) / rig.RATE_HZ
        level = rig.CALIBRATOR_LEVEL_DB + rig.CALIBRATOR_ERROR_DB
        tone = 20e-6 * 10 ** (level / 20) * np.sqrt(2) * np.sin(2 * np.pi * rig.CALIBRATOR_HZ * time)
        noise = np.fft.irfft(rig.noise_spectrum(rig.take_seed(one.key, "calibrator"), samples=time.size), time.size)
        write_audio(folder / "calibrator.flac", rig.MICROPHONE_FS_PER_PA * (tone + noise), rig.RATE_HZ)

    return [_Job("silence.flac", silence), _Job("calibrator.flac", calibrator)]


def _impedance_text(key: str) -> str:
    """The table of an invented impedance meter: frequency, magnitude and phase to its last digit."""
    frequency = np.round(5.0 * 2 ** (np.arange(0, 623) / 48), 3)
    ohm = world.true_impedance(key, np.asarray(frequency, dtype=np.float64))
    rows = zip(frequency, np.abs(ohm), np.degrees(np.angle(ohm)), strict=True)
    lines = ["# invented impedance meter", "# Hz\tohm\tdegrees", *(f"{f:.3f}\t{z:.3f}\t{p:.2f}" for f, z, p in rows)]
    return "\n".join(lines) + "\n"


def _orbit_angles(orbit: str, step_deg: int, *, in_wall: bool) -> list[int]:
    angles = list(range(-90, 91, step_deg)) if in_wall else list(range(-180 + step_deg, 181, step_deg))
    return angles if orbit == "horizontal" else [a for a in angles if a not in (0, 180)]


@lru_cache(maxsize=1)
def _sweep() -> FloatArray:
    """The sweep at amplitude 1 with the silence around it; (SAMPLES,)."""
    law = sweep_law(rig.SWEEP_START_HZ, rig.SWEEP_STOP_HZ, rig.SWEEP_S)
    sweep = sweep_samples(law, rig.RATE_HZ, fade_in_s=rig.FADE_IN_S, fade_out_s=rig.FADE_OUT_S)
    out = np.zeros(rig.SAMPLES)
    start = round(rig.LEAD_IN_S * rig.RATE_HZ)
    out[start : start + sweep.size] = sweep
    return out


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
