"""When the direct sound arrives, and what the first milliseconds around it tell."""

import numpy as np

from earwitness.quantities.arrays import FloatArray

ONSET_DB = -20.0
ONSET_BAND_HZ = (2_000.0, 15_000.0)
EARLY_S = (5e-3, 0.3e-3)
SPREAD_LOW_HZ, SPREAD_HIGH_HZ = (500.0, 1_000.0), (8_000.0, 15_000.0)
# The largest of so many values of noise is 12 dB above their median or so.
SPREAD_HEARD = 10.0


def onset_s(
    impulses: FloatArray, start_s: FloatArray, rate_hz: float, high_hz: float, latest_s: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Onsets (T,) [s] of impulses (T, N) that begin at start_s (T,).

    The onset is where the 2 to 15 kHz response, by a causal filter, first comes within 20 dB of its largest value
    before latest_s (T,), linear between samples. Sound that ends lower than 19 kHz moves the band down.
    Returns the onsets and the filtered magnitudes (T, N).
    """
    from scipy.signal import butter, sosfilt, sosfilt_zi

    sections = butter(2, onset_band_hz(rate_hz, high_hz), "bandpass", fs=rate_hz, output="sos")
    # Near a cone the bass rings before the sound; begun from silence, the filter would take it for an onset.
    state = sosfilt_zi(sections)[:, None, :] * impulses[:, :1]
    size = np.abs(sosfilt(sections, impulses, axis=-1, zi=state)[0])
    time = start_s[:, None] + np.arange(size.shape[1]) / rate_hz
    early = np.where(time <= latest_s[:, None], size, 0.0)
    limit = early.max(axis=-1, keepdims=True) * 10.0 ** (ONSET_DB / 20.0)
    first = np.argmax(early >= limit, axis=-1)
    rows = np.arange(size.shape[0])
    before = np.maximum(first - 1, 0)
    low, high = size[rows, before], size[rows, first]
    part = np.where(high > low, (limit[:, 0] - low) / np.where(high > low, high - low, 1.0), 1.0)
    onset = start_s + np.where(first > 0, before + part, 0.0) / rate_hz
    return np.asarray(onset, dtype=np.float64), np.asarray(size, dtype=np.float64)


def onset_band_hz(rate_hz: float, high_hz: float) -> tuple[float, float]:
    """Band in which the onset of sound that reaches up to high_hz is sought [Hz]."""
    top = min(ONSET_BAND_HZ[1], 0.8 * high_hz, 0.45 * rate_hz)
    return min(ONSET_BAND_HZ[0], top / 4.0), top


def spread_s(impulse: FloatArray, rate_hz: float) -> float | None:
    """How much later [s] an impulse (N,) begins from 500 Hz to 1 kHz than above 8 kHz; None where one is not heard.

    A loudspeaker sends both within milliseconds. Divided by another sweep than was played, they part by
    ln(f2 / f1) times the error of L (own derivation from the sweep's law).
    """
    from scipy.signal import butter, sosfilt

    begins = []
    for band in (SPREAD_LOW_HZ, (SPREAD_HIGH_HZ[0], min(SPREAD_HIGH_HZ[1], 0.45 * rate_hz))):
        size = np.abs(sosfilt(butter(2, band, "bandpass", fs=rate_hz, output="sos"), impulse))
        if size.max() < SPREAD_HEARD * float(np.median(size)):
            return None
        begins.append(int(np.argmax(size >= size.max() * 10.0 ** (ONSET_DB / 20.0))) / rate_hz)
    return begins[0] - begins[1]


def non_causal_db(size: FloatArray, start_s: FloatArray, rate_hz: float, earliest_s: FloatArray) -> FloatArray:
    """Largest magnitude from 5 to 0.3 ms before earliest_s (T,), re the largest of all (T,) [dB]."""
    time = start_s[:, None] + np.arange(size.shape[1]) / rate_hz - earliest_s[:, None]
    early = np.where((time > -EARLY_S[0]) & (time < -EARLY_S[1]), size, 0.0).max(axis=-1)
    ratio = early / np.maximum(size.max(axis=-1), 1e-300)
    return np.asarray(20.0 * np.log10(np.maximum(ratio, 1e-12)), dtype=np.float64)


def band_level_db(pressure: FloatArray, hz: FloatArray, lowest_hz: float) -> FloatArray:
    """Mean power (T,) [dB] over the octave above `lowest_hz` of magnitudes (T, F) on log-spaced hz.

    As low as the gate allows: there the sound changes little from angle to angle, so that a touched gain stands out.
    """
    inside = (hz >= lowest_hz) & (hz <= 2.0 * lowest_hz)
    power = np.mean(pressure[:, inside] ** 2, axis=-1)
    return np.asarray(10.0 * np.log10(np.maximum(power, 1e-300)), dtype=np.float64)
