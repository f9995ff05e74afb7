"""Small session folders with true recordings, for the tests of loading."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from earwitness.formats.audio import write_audio

RATE_HZ = 48_000
TOML = """\
format = 1
date = "2026-11-01"
[loudspeaker]
name = "Invented One"
maker = "Nobody"
type = "stand-mount"
enclosure = "closed"
invented = true
width_m = 0.2
height_m = 0.34
depth_m = 0.26
reference_axis = "on the axis of the dome"
[[loudspeaker.driver]]
name = "woofer"
kind = "cone"
diameter_m = 0.13
[microphone]
sensitivity_fs_per_pa = 0.02
[drive]
voltage_v = 2.83
[stimulus]
kind = "sweep"
start_hz = 10
stop_hz = 22000
duration_s = 0.1
lead_in_s = 0.05
[environment]
anechoic = true
[[take]]
kind = "far-field"
orbit = "horizontal"
distance_m = 2.0
files = "h_{angle}.wav"
"""
NEAR = '[[take]]\nkind = "near-field"\ndriver = "woofer"\nfile = "near.wav"\n'


def record(path: Path, seed: int, *, length_s: float = 0.3, rate_hz: int = RATE_HZ, channels: int = 1) -> Path:
    """A short recording of noise; each seed gives its own content."""
    path.parent.mkdir(parents=True, exist_ok=True)
    noise = np.random.default_rng(seed).standard_normal((channels, round(length_s * rate_hz)))
    write_audio(path, 0.05 * noise.clip(-5, 5), rate_hz)
    return path


def write(folder: Path, text: str = TOML) -> Path:
    """A folder with three positions of one orbit and two more recordings."""
    (folder / "session.toml").write_text(text, encoding="utf-8")
    for seed, name in enumerate(("h_-10.wav", "h_+010.wav", "h_0.wav", "other.wav", "near.wav")):
        record(folder / name, seed)
    return folder
