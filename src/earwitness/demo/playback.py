"""What a demo loudspeaker makes of a signal, and how microphone and loop-back record it."""

from pathlib import Path

import numpy as np

from earwitness.demo import rig, world
from earwitness.demo.lineup import KINDS, DemoLoudspeaker
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
    from scipy.signal import hilbert

    told = one.built_in
    if told is None or np.abs(terminal_v).max() < told.threshold_v:
        return terminal_v
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
