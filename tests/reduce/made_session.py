"""Recordings made with plain numpy and scipy.signal: a known loudspeaker, one reflection, noise.

Shares nothing with the reduction: the sweep is written out here, the loudspeaker is an IIR filter whose response
scipy.signal gives, delays are phase ramps over a padded FFT.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import signal

from earwitness.formats.audio import Recording
from earwitness.session.session import Session

Array = npt.NDArray[np.float64]
HASH = "0" * 64
RATE = 48_000
FS_PER_PA = 0.02
SPEED = 331.3 * math.sqrt(1.0 + 20.0 / 273.15)


@dataclass(frozen=True)
class Made:
    """Knobs of a made session. start and stop [Hz], times [s], volts rms of the sine."""

    start_hz: float = 15.0
    stop_hz: float = 22_000.0
    duration_s: float = 1.5
    lead_s: float = 0.25
    tail_s: float = 0.45
    latency_s: float = 0.0123
    drive_v: float = 2.83
    loop_fs: float = 0.4
    distance_m: float = 1.5
    angles: tuple[float, ...] = (0.0, 30.0)
    reflection_s: float | None = None
    reflection_gain: float = 0.6
    noise_fs: float = 0.0
    gain: float = 1.0
    polynomial: tuple[float, ...] = (0.0, 1.0)
    loopback: bool = True
    speaker_delay_s: float = 0.0
    environment: dict[str, Any] = field(default_factory=lambda: {"anechoic": True})
    pa_per_v: float = 0.3

    def sos(self, angle_deg: float) -> Array:
        """The loudspeaker: a second-order high-pass at 60 Hz, and a low-pass that falls with the angle."""
        low = signal.butter(2, 60.0, "highpass", fs=RATE, output="sos")
        high = signal.butter(1, 18_000.0 / (1.0 + abs(angle_deg) / 30.0), fs=RATE, output="sos")
        return np.concatenate([low, high])

    def truth(self, angle_deg: float, hz: Array) -> npt.NDArray[np.complex128]:
        """Pressure per volt at 1 m [Pa/V], delay over the distance taken out."""
        return self.pa_per_v * signal.sosfreqz(self.sos(angle_deg), hz, fs=RATE)[1]


def sweep(made: Made) -> Array:
    count = round(made.duration_s * RATE)
    rate_s = made.duration_s / math.log(made.stop_hz / made.start_hz)
    x = np.sin(2 * np.pi * made.start_hz * rate_s * np.exp(np.arange(count) / RATE / rate_s))
    rise, fall = round(0.1 * RATE), round(0.01 * RATE)
    x[:rise] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    x[-fall:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, fall + 1) / fall)
    return x


def delayed(x: Array, delay_s: float) -> Array:
    spectrum = np.fft.rfft(x)
    spectrum *= np.exp(-2j * np.pi * np.fft.rfftfreq(x.size, 1 / RATE) * delay_s)
    return np.fft.irfft(spectrum, x.size)


def recording(made: Made, angle_deg: float, number: int = 0) -> Recording:
    """Channel 1 the microphone, channel 2 the loop-back, latency in both."""
    played = np.concatenate([np.zeros(round(made.lead_s * RATE)), sweep(made), np.zeros(round(made.tail_s * RATE))])
    volts = math.sqrt(2.0) * made.drive_v * played
    bent = sum(c * volts**n for n, c in enumerate(made.polynomial))
    pressure = made.pa_per_v * signal.sosfilt(made.sos(angle_deg), np.asarray(bent)) / made.distance_m
    direct = delayed(pressure, made.latency_s + made.speaker_delay_s + made.distance_m / SPEED)
    if made.reflection_s is not None:
        direct = direct + made.reflection_gain * delayed(direct, made.reflection_s)
    rng = np.random.default_rng(1000 + number)
    microphone = made.gain * FS_PER_PA * direct + made.noise_fs * rng.standard_normal(direct.size)
    loop = made.loop_fs * delayed(played, made.latency_s)
    channels = [microphone, loop] if made.loopback else [microphone]
    return Recording(np.array(channels), RATE, "DOUBLE")


def facts(made: Made, extra: Sequence[dict[str, Any]] = (), **changes: Any) -> Session:
    takes: list[dict[str, Any]] = [
        {
            "kind": "far-field",
            "id": f"h{angle:g}",
            "file": f"h{angle:g}.wav",
            "sha256": HASH,
            "orbit": "horizontal",
            "angle_deg": angle,
            "distance_m": made.distance_m,
        }
        for angle in made.angles
    ]
    document: dict[str, Any] = {
        "format": 1,
        "date": "2026-11-01",
        "loudspeaker": {
            "name": "Invented One",
            "maker": "Nobody",
            "type": "stand-mount",
            "enclosure": "closed",
            "invented": True,
            "width_m": 0.2,
            "height_m": 0.34,
            "depth_m": 0.26,
            "reference_axis": "on the axis of the dome",
            "driver": [{"name": "woofer", "kind": "cone", "diameter_m": 0.13}],
        },
        "microphone": {"sensitivity_fs_per_pa": FS_PER_PA},
        "drive": {"voltage_v": made.drive_v},
        "stimulus": {
            "kind": "sweep",
            "start_hz": made.start_hz,
            "stop_hz": made.stop_hz,
            "duration_s": made.duration_s,
            "fade_in_s": 0.1,
            "fade_out_s": 0.01,
            "lead_in_s": made.lead_s,
        },
        "environment": made.environment,
        "takes": takes + list(extra),
    }
    if made.loopback:
        document["reference"] = {"channel": 2}
    return Session.model_validate({**document, **changes})


def reader(made: Made, **more: Recording):
    """`read` for the takes of `facts`, and for files in `more` (dots in names written as __)."""
    kept = {name.replace("__", "."): found for name, found in more.items()}

    def read(name: str) -> Recording:
        if name in kept:
            return kept[name]
        angle = float(name.removeprefix("h").removesuffix(".wav"))
        return recording(made, angle, list(made.angles).index(angle))

    return read


def changed(made: Made, **changes: Any) -> Made:
    return replace(made, **changes)
