"""The demo's loud takes that are no sweeps: two tones, bursts, and noise that lasts while the coils get hot."""

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np

from earwitness.demo import rig, script
from earwitness.demo.lineup import DemoLoudspeaker
from earwitness.demo.playback import emission, record, warming_k, write_both
from earwitness.dsp.burst import burst
from earwitness.dsp.signals import pink_noise, two_tone
from earwitness.quantities.arrays import FloatArray

# Coils under lasting noise get hotter than a sweep leaves them, and take seconds to do so.
_LASTING, _COIL_S = 8.0, 2.5


def loud_jobs(one: DemoLoudspeaker, folder: Path, axis: FloatArray) -> Iterator[tuple[str, Callable[[], None]]]:
    """File and work of every such take; axis : paths from the caps to the microphone."""
    if one.high:
        yield script.PAIR_FILE, partial(_pair, one, folder, axis)
    frequencies, peaks_v = one.bursts or (rig.BURST_HZ, rig.BURST_PEAK_V)
    for frequency in frequencies:
        for step, peak_v in enumerate(peaks_v, 1):
            name = script.burst_file(frequency, step)
            yield name, partial(_burst, one, folder, axis, name, frequency, peak_v)
    yield script.RUN_FILE, partial(_run, one, folder, axis)


def _placed(signal: FloatArray, start_s: float, samples: int) -> FloatArray:
    out, start = np.zeros(samples), round(start_s * rig.RATE_HZ)
    out[start : start + signal.size] = signal
    return out


def _pair(one: DemoLoudspeaker, folder: Path, axis: FloatArray) -> None:
    shape = two_tone(*rig.PAIR_HZ, rig.PAIR_S, rig.RATE_HZ)
    played = _placed(shape * rig.PAIR_V / np.sqrt(np.mean(shape**2)), rig.LEAD_IN_S, rig.PAIR_SAMPLES)
    sound = emission(one, played / np.sqrt(2) / rig.PAIR_V, rig.PAIR_V)
    record(one.key, folder, script.PAIR_FILE, sound, axis, played)


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
    write_both(one.key, folder, script.RUN_FILE, total, played)
