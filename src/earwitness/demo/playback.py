"""What a demo loudspeaker makes of a signal: how it is recorded, its loud takes, and a powered one's own takes."""

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np

from earwitness.demo import rig, world
from earwitness.demo.circuits import Stage, chain_response
from earwitness.demo.lineup import KINDS, Cap, DemoLoudspeaker
from earwitness.demo.paths import far_paths
from earwitness.dsp.limiter import limiter_tone
from earwitness.dsp.signals import burst, pink_noise, two_tone
from earwitness.formats.audio import write_audio
from earwitness.quantities.arrays import ComplexArray, FloatArray

# A cube of what ends at 24 kHz folds back above 24 kHz.
_OVERSAMPLING = 2
_HIGH_SQUARE, _HIGH_CUBE = 0.0004, 0.00002
# Suspension and magnet end: beyond twice the largest excursion the cone hardly moves on.
_STOP = 2.0


def frequencies(samples: int) -> FloatArray:
    """Of an rfft over so many samples [Hz]."""
    return np.asarray(np.fft.rfftfreq(samples, 1 / rig.RATE_HZ), dtype=np.float64)


def emission(one: DemoLoudspeaker, shape: FloatArray, rms_v: float, *, heating_k: float | None = None) -> ComplexArray:
    """Spectrum of every cap's volume acceleration, m^3/s^2; (caps, frequencies).

    shape : the signal for an rms voltage of 1/sqrt(2) V. Bass: force and stiffness change with excursion,
    v (1 - b1 x - b2 x^2) with x against the largest one; the rest: small square and cubic terms. heating_k : of the
    coils, None for what a sweep of that voltage brings.
    """
    from scipy import fft

    frequency = frequencies(shape.size)
    usable = frequency.copy()
    usable[0] = usable[1]
    heating = warming_k(one, rms_v) if heating_k is None else heating_k
    active = world.speaker_sources(one, usable, heating_k=heating)
    terminal = fft.rfft(limited(one, shape * rms_v * np.sqrt(2)))
    names = tuple(cap.name for cap in (*one.bass.cones, one.bass.port))
    cone = active[0]
    area = one.bass.driver.cone_area_m2
    bass = terminal * cone.filter
    excursion = bass * cone.flow / (2j * np.pi * usable * area * one.bass.largest_excursion_m)
    many = _OVERSAMPLING * shape.size
    fine_v, fine_x = (_OVERSAMPLING * fft.irfft(part, many) for part in (bass, excursion))
    fine_x = _STOP * np.tanh(fine_x / _STOP)
    weaker = 1 - one.bass.force_slope * fine_x - one.bass.force_curve * fine_x**2
    bent = fft.rfft(fine_v * weaker)[: frequency.size] / _OVERSAMPLING
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


def limited(one: DemoLoudspeaker, terminal_v: FloatArray) -> FloatArray:
    """The signal (samples,) behind the limiter of a powered one: by its envelope, with attack and release."""
    told = one.built_in
    if told is None or np.abs(terminal_v).max() < told.threshold_v:
        return terminal_v
    from scipy.signal import hilbert

    level = 20 * np.log10(np.maximum(np.abs(hilbert(terminal_v)), 1e-9) / (told.threshold_v * np.sqrt(2)))
    bend = np.clip(level + told.knee_db / 2, 0.0, told.knee_db) ** 2 / (2 * told.knee_db)
    wanted = (1 / told.ratio - 1) * np.where(level > told.knee_db / 2, level, bend)
    shares = [float(np.exp(-1 / (time_s * rig.RATE_HZ))) for time_s in (told.attack_s, told.release_s)]
    gain, found = 0.0, np.empty(level.size)
    for place, target in enumerate(wanted.tolist()):
        share = shares[0] if target < gain else shares[1]
        gain = share * gain + (1 - share) * target
        found[place] = gain
    return np.asarray(terminal_v * 10 ** (found / 20), dtype=np.float64)


def warming_k(one: DemoLoudspeaker, rms_v: float) -> float:
    """Rise of the coils' temperature while a take runs, from the power into the rated impedance."""
    return float(one.bass.thermal_k_w * rms_v**2 / one.rated_impedance_ohm)


def record(key: str, folder: Path, name: str, sound: ComplexArray, paths: FloatArray, played_v: FloatArray) -> None:
    """Microphone and loop-back as one file.

    sound : from `emission`; paths : (caps, taps), pascals per volume acceleration; played_v : (samples,)
    """
    from scipy import fft

    total = (sound * fft.rfft(paths, played_v.size, axis=-1)).sum(axis=0)
    write_both(key, folder, name, np.asarray(total, dtype=np.complex128), played_v)


def write_both(key: str, folder: Path, name: str, total: ComplexArray, played_v: FloatArray) -> None:
    """The spectrum `total` of the pressure at the microphone and the voltages played, recorded with noise."""
    from scipy import fft

    samples = played_v.size
    frequency = frequencies(samples)
    built_in = next((one.built_in for one in KINDS if one.key == key), None)
    late_s = rig.LATENCY_SAMPLES / rig.RATE_HZ + (0.0 if built_in is None else built_in.late_s)
    late = total * np.exp(-2j * np.pi * frequency * late_s)
    heard = (late + rig.noise_spectrum(rig.take_seed(key, name), samples=samples)) * rig.microphone_response(frequency)
    microphone = rig.MICROPHONE_FS_PER_PA * fft.irfft(heard, samples)
    loop = np.roll(played_v, rig.LATENCY_SAMPLES) / rig.VOLTS_PER_FS
    write_audio(folder / name, np.stack([microphone, loop]), rig.RATE_HZ)


# Coils under lasting noise get hotter than a sweep leaves them, and take seconds to do so.
_LASTING, _COIL_S = 8.0, 2.5


def loud_jobs(one: DemoLoudspeaker, folder: Path, axis: FloatArray) -> Iterator[tuple[str, Callable[[], None]]]:
    """File and work of every such take; axis : paths from the caps to the microphone."""
    if one.high:
        yield rig.PAIR_FILE, partial(_pair, one, folder, axis)
    frequencies, peaks_v = one.bursts or (rig.BURST_HZ, rig.BURST_PEAK_V)
    for frequency in frequencies:
        for step, peak_v in enumerate(peaks_v, 1):
            name = rig.burst_file(frequency, step)
            yield name, partial(_burst, one, folder, axis, name, frequency, peak_v)
    yield rig.RUN_FILE, partial(_run, one, folder, axis)


def _placed(signal: FloatArray, start_s: float, samples: int) -> FloatArray:
    out, start = np.zeros(samples), round(start_s * rig.RATE_HZ)
    out[start : start + signal.size] = signal
    return out


def _pair(one: DemoLoudspeaker, folder: Path, axis: FloatArray) -> None:
    shape = two_tone(*rig.PAIR_HZ, rig.PAIR_S, rig.RATE_HZ)
    played = _placed(shape * rig.PAIR_V / np.sqrt(np.mean(shape**2)), rig.LEAD_IN_S, rig.PAIR_SAMPLES)
    sound = emission(one, played / np.sqrt(2) / rig.PAIR_V, rig.PAIR_V)
    record(one.key, folder, rig.PAIR_FILE, sound, axis, played)


def _burst(one: DemoLoudspeaker, folder: Path, axis: FloatArray, name: str, frequency_hz: float, peak_v: float) -> None:
    shape = _placed(burst(frequency_hz, rig.RATE_HZ), rig.BURST_BEFORE_S, rig.BURST_SAMPLES)
    # Over before the coil is warm.
    sound = emission(one, shape, peak_v / np.sqrt(2), heating_k=0.0)
    record(one.key, folder, name, sound, axis, shape * peak_v)


def _run(one: DemoLoudspeaker, folder: Path, axis: FloatArray) -> None:
    """Cold and hot loudspeaker, crossfaded as the coils warm."""
    from scipy import fft

    noise = pink_noise(rig.RUN_S, rig.RATE_HZ, seed=11)
    played = _placed(noise * rig.RUN_V / np.sqrt(np.mean(noise**2)), rig.LEAD_IN_S, rig.RUN_SAMPLES)
    paths = fft.rfft(axis, rig.RUN_SAMPLES, axis=-1)
    heard = []
    for heating_k in (0.0, _LASTING * warming_k(one, rig.RUN_V)):
        sound = emission(one, played / np.sqrt(2) / rig.RUN_V, rig.RUN_V, heating_k=heating_k)
        heard.append(fft.irfft((sound * paths).sum(axis=0), rig.RUN_SAMPLES))
    time_s = np.maximum(np.arange(rig.RUN_SAMPLES) / rig.RATE_HZ - rig.LEAD_IN_S, 0.0)
    warm = 1.0 - np.exp(-time_s / _COIL_S)
    total = np.asarray(fft.rfft(heard[0] + (heard[1] - heard[0]) * warm), dtype=np.complex128)
    write_both(one.key, folder, rig.RUN_FILE, total, played)


_HISS_FROM_HZ, _HUM_HZ, _HUM_DB = 400.0, 100.0, 17.0


def powered_jobs(one: DemoLoudspeaker, folder: Path, caps: tuple[Cap, ...]) -> Iterator[tuple[str, Callable[[], None]]]:
    """File and work of every such recording; none for a passive one."""
    if one.built_in is None:
        return
    # Close up, so that the hall does not blur what the limiter does.
    axis = far_paths(one, caps, "horizontal", 0.0, rig.limiter_distance_m(one))
    for frequency in one.built_in.limiter_hz:
        name = rig.limiter_file(frequency)
        yield name, partial(_limiter, one, folder, axis, name, frequency)
    for name, hiss in ((rig.NOISE_ON_FILE, one.built_in.hiss_db), (rig.NOISE_OFF_FILE, None)):
        yield name, partial(_noise, one, folder, name, hiss)


def filtered(shape: FloatArray, corner_hz: float) -> FloatArray:
    """The signal behind the low-pass that is built in."""
    spectrum = np.fft.rfft(shape)
    low = chain_response((Stage("low-pass LR4", corner_hz),), np.maximum(frequencies(shape.size), 1.0))
    return np.asarray(np.fft.irfft(spectrum * low, shape.size), dtype=np.float64)


def _limiter(one: DemoLoudspeaker, folder: Path, axis: FloatArray, name: str, frequency_hz: float) -> None:
    tone = limiter_tone(frequency_hz, rig.RATE_HZ)
    still = np.zeros(round(rig.LEAD_IN_S * rig.RATE_HZ))
    shape = np.concatenate([still, tone, still])
    # Steps and rests are short against what warms a coil.
    sound = emission(one, shape, rig.LIMITER_V, heating_k=0.0)
    record(one.key, folder, name, sound, axis, shape * np.sqrt(2) * rig.LIMITER_V)


def _noise(one: DemoLoudspeaker, folder: Path, name: str, hiss_db: float | None) -> None:
    """Hiss from the treble's amplifier and a hum from the mains, as close up as the limiter tones."""
    samples = rig.NOISE_S * rig.RATE_HZ
    total: ComplexArray = np.zeros(samples // 2 + 1, dtype=np.complex128)
    if hiss_db is not None:
        nearer = 1.0 / rig.limiter_distance_m(one)
        frequency, rng = np.maximum(frequencies(samples), 1.0), rig.take_seed(one.key, "hiss")
        drawn = rng.standard_normal((2, frequency.size))
        shape = np.where(frequency < 20_000.0, 1.0 / np.hypot(1.0, _HISS_FROM_HZ / frequency), 0.0)
        size = nearer * 20e-6 * 10 ** (hiss_db / 20) * samples / (2.0 * np.sqrt(np.sum(shape**2)))
        total = np.asarray((drawn[0] + 1j * drawn[1]) * size * shape, dtype=np.complex128)
        total[round(_HUM_HZ * samples / rig.RATE_HZ)] += nearer * 20e-6 * 10 ** (_HUM_DB / 20) * samples / np.sqrt(2)
        total[0] = total[-1] = 0.0
    write_both(one.key, folder, name, total, np.zeros(samples))
