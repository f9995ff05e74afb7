"""Recordings that only a powered demo loudspeaker has: limiter tones and its own noise."""

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np

from earwitness.demo import rig, script
from earwitness.demo.crossover import Stage, chain_response
from earwitness.demo.lineup import Cap, DemoLoudspeaker
from earwitness.demo.paths import far_paths
from earwitness.demo.playback import emission, frequencies, record, write_both
from earwitness.dsp.limiter import limiter_tone
from earwitness.quantities.arrays import ComplexArray, FloatArray

_HISS_FROM_HZ, _HUM_HZ, _HUM_DB = 400.0, 100.0, 17.0


def powered_jobs(one: DemoLoudspeaker, folder: Path, caps: tuple[Cap, ...]) -> Iterator[tuple[str, Callable[[], None]]]:
    """File and work of every such recording; none for a passive one."""
    if one.built_in is None:
        return
    # Close up, so that the hall does not blur what the limiter does.
    axis = far_paths(one, caps, "horizontal", 0.0, script.limiter_distance_m(one))
    for frequency in one.built_in.limiter_hz:
        name = script.limiter_file(frequency)
        yield name, partial(_limiter, one, folder, axis, name, frequency)
    for name, hiss in ((script.NOISE_ON_FILE, one.built_in.hiss_db), (script.NOISE_OFF_FILE, None)):
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
        nearer = 1.0 / script.limiter_distance_m(one)
        frequency, rng = np.maximum(frequencies(samples), 1.0), rig.take_seed(one.key, "hiss")
        drawn = rng.standard_normal((2, frequency.size))
        shape = np.where(frequency < 20_000.0, 1.0 / np.hypot(1.0, _HISS_FROM_HZ / frequency), 0.0)
        size = nearer * 20e-6 * 10 ** (hiss_db / 20) * samples / (2.0 * np.sqrt(np.sum(shape**2)))
        total = np.asarray((drawn[0] + 1j * drawn[1]) * size * shape, dtype=np.complex128)
        total[round(_HUM_HZ * samples / rig.RATE_HZ)] += nearer * 20e-6 * 10 ** (_HUM_DB / 20) * samples / np.sqrt(2)
        total[0] = total[-1] = 0.0
    write_both(one.key, folder, name, total, np.zeros(samples))
