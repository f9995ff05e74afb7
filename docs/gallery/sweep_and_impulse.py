"""A sweep through a known filter, and the filter back from the recording."""

import numpy as np
from scipy.signal import butter, freqz, lfilter

import earwitness as ew

rate_hz = 48_000
law = ew.sweep_law(20.0, 20_000.0, 2.0, rounded=True)
played = ew.sweep_samples(law, rate_hz, fade_in_s=0.02, fade_out_s=0.005)
b, a = butter(2, 100.0, "highpass", fs=rate_hz)
recorded = lfilter(b, a, np.concatenate([played, np.zeros(rate_hz)]))

size = recorded.size
spectrum = np.fft.rfft(recorded) / np.fft.rfft(played, size)
hz = np.fft.rfftfreq(size, 1 / rate_hz)
for wanted in (50, 100, 1000, 10_000):
    at = int(np.argmin(np.abs(hz - wanted)))
    known = abs(freqz(b, a, worN=[hz[at]], fs=rate_hz)[1][0])
    print(f"{wanted} Hz: {20 * np.log10(abs(spectrum[at])):.3f} dB found, {20 * np.log10(known):.3f} dB planted")
