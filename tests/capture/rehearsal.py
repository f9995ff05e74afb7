"""An invented session and a wiring for the tests of live measuring."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from earwitness.capture.simulated import KEY
from earwitness.capture.sound import Wiring
from earwitness.dsp.sweep import sweep_law, sweep_samples
from earwitness.quantities.arrays import FloatArray

RATE_HZ = 48_000
WIRING = Wiring(KEY, KEY, RATE_HZ, outputs=(1,))

SESSION = """\
format = 1
date = "2026-11-01"

[loudspeaker]
name = "Wire One"
maker = "Invented Works"
type = "stand-mount"
enclosure = "closed"
invented = true
width_m = 0.20
height_m = 0.34
depth_m = 0.26
reference_axis = "middle of the front"

[[loudspeaker.driver]]
name = "woofer"
kind = "cone"
diameter_m = 0.13

[microphone]
sensitivity_fs_per_pa = 0.1

[drive]
voltage_v = 2.83

[stimulus]
kind = "sweep"
start_hz = 50.0
stop_hz = 20000.0
duration_s = 0.5
fade_in_s = 0.02
fade_out_s = 0.002
lead_in_s = 0.1

[reference]
channel = 2

[environment]
anechoic = true

[[take]]
kind = "far-field"
orbit = "horizontal"
distance_m = 1.0
files = "horizontal/{angle}.wav"

[[take]]
kind = "near-field"
driver = "woofer"
drive_v = 1.0
file = "near_woofer.wav"
"""


def write_session(folder: Path, text: str = SESSION) -> Path:
    """Write session.toml into `folder` and return the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "session.toml").write_text(text, encoding="utf-8")
    return folder


def sweep(duration_s: float = 1.0, *, peak: float = 0.25, before_s: float = 0.2, after_s: float = 0.3) -> FloatArray:
    """A faded sweep with silence around it."""
    law = sweep_law(30.0, 20_000.0, duration_s)
    samples = peak * sweep_samples(law, RATE_HZ, fade_in_s=0.03, fade_out_s=0.003)
    silence = (np.zeros(round(t * RATE_HZ)) for t in (before_s, after_s))
    before, after = silence
    return np.concatenate([before, samples, after])
