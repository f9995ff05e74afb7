"""Level series whose distortion and compression are known in closed form."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from earwitness.dsp.sweep import sweep_law, sweep_samples
from earwitness.quantities import FrequencyAxis, Harmonics, log_axis, report_axis
from earwitness.quantities.arrays import FloatArray
from earwitness.reduce.harmonics import split_harmonics
from earwitness.reduce.stimulus import Stimulus
from plain_deconvolution import deconvolve

RATE = 48_000
LAW = sweep_law(10.0, 22_000.0, 10.0, rounded=True)
AXIS = log_axis(20.0, 20_000.0, 24)
LEAD_S, TAIL_S = 0.4, 1.0


def made_take(
    volts: float,
    fundamental_db: FloatArray,
    relative_db: dict[int, FloatArray | float],
    *,
    noise_db: float = -60.0,
    axis: FrequencyAxis = AXIS,
    take: str = "",
    distance_m: float = 1.0,
    place: str = "far-field",
) -> Harmonics:
    """Levels as given; a harmonic not named lies 20 dB below the noise, and none is valid above 20 kHz."""
    hz = axis.hz
    orders = (2, 3, 4, 5)
    noise = np.full((4, hz.size), noise_db) + np.mean(fundamental_db)
    level = np.array([fundamental_db + relative_db[n] if n in relative_db else noise[0] - 20.0 for n in orders])
    valid = np.array([hz * n <= 20_000.0 for n in orders])
    name = take or f"v{volts:g}"
    return Harmonics(name, volts, distance_m, place, orders, axis, fundamental_db, level, noise, valid)  # type: ignore[arg-type]


def swept(
    bend: Callable[[FloatArray], FloatArray],
    amplitude: float,
    *,
    snr_db: float | None = None,
    seed: int = 1,
    rumble_db: float | None = None,
) -> Harmonics:
    """Harmonics of a sweep of this amplitude [Pa] through a static curve, recorded with white noise.

    snr_db : mean square of the sweep against that of the noise in the whole band of the recording.
    rumble_db : noise from 30 to 50 Hz against the sweep, which begins with it and is not in the silence before.
    """
    sweep = sweep_samples(LAW, RATE, fade_in_s=0.05, fade_out_s=0.002)
    lead, tail = np.zeros(round(LEAD_S * RATE)), np.zeros(round(TAIL_S * RATE))
    heard = np.concatenate([lead, bend(amplitude * sweep), tail])
    density = None
    hz = report_axis().hz
    if snr_db is not None:
        rms = amplitude / np.sqrt(2) * 10 ** (-snr_db / 20)
        heard = heard + rms * np.random.default_rng(seed).standard_normal(heard.size)
        density = np.full(hz.size, rms**2 / RATE)
    if rumble_db is not None:
        spectrum = np.fft.rfft(np.random.default_rng(seed + 1).standard_normal(heard.size))
        at = np.fft.rfftfreq(heard.size, 1 / RATE)
        rumble = np.fft.irfft(np.where((at > 30.0) & (at < 50.0), spectrum, 0.0), heard.size)
        rumble *= amplitude / np.sqrt(2) * 10 ** (rumble_db / 20) / rumble.std()
        heard = heard + rumble * (np.arange(heard.size) > lead.size)
    impulse = deconvolve(heard, sweep, RATE, LAW.start_hz, LAW.stop_hz, lead_s=4.0)
    stimulus = Stimulus(sweep, RATE, LAW, LAW.start_hz, LAW.stop_hz, LEAD_S)
    found = split_harmonics(
        impulse, stimulus, report_axis(), density, take=f"a{amplitude:g}", drive_v=amplitude, distance_m=1.0,
        place="far-field",
    )  # fmt: skip
    assert found is not None
    return found
