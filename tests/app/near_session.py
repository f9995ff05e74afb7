"""A session folder with a microphone nearer than the cabinet is wide: the ordinary one that once ended the program.

Recordings are written with numpy alone: a sweep, delayed by the distance, weaker with it, no loop-back.
"""

from __future__ import annotations

import zlib
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 44_100
SWEEP_S, LEAD_S = 1.0, 0.1
DISTANCE_M = 0.5

SESSION = """format = 1
date = "{date}"
[loudspeaker]
name = "Bushel"
maker = "Invented Works"
type = "stand-mount"
enclosure = "vented"
invented = true
width_m = 0.30
height_m = 0.50
depth_m = 0.35
reference_axis = "tweeter"
[[loudspeaker.driver]]
name = "woofer"
kind = "cone"
diameter_m = 0.16
position_m = [0.0, 0.0, -0.1]
[[loudspeaker.driver]]
name = "port"
kind = "port"
diameter_m = 0.06
position_m = [0.0, 0.0, -0.2]
[microphone]
sensitivity_fs_per_pa = 0.02
[drive]
voltage_v = 2.83
[stimulus]
kind = "sweep"
form = "synchronized"
start_hz = 20.0
stop_hz = 20000.0
duration_s = {sweep}
lead_in_s = {lead}
[environment.room]
length_m = 6.0
width_m = 4.5
height_m = 2.6
loudspeaker_m = [2.0, 2.2, 1.3]
microphone_m = [{ahead}, 2.2, 1.3]
"""
TAKES = (("horizontal", 0), ("horizontal", 10), ("horizontal", -10), ("horizontal", 180), ("vertical", 10))


def write_near_session(folder: Path, *, date: str = "2026-01-15", note: str = "") -> Path:
    """Five angles half a meter off, and near fields of woofer and port. note : makes another session of the same."""
    folder.mkdir(parents=True, exist_ok=True)
    count = round(SWEEP_S * RATE_HZ)
    rate_s = SWEEP_S / np.log(1000.0)
    sweep = np.sin(2 * np.pi * 20.0 * rate_s * np.exp(np.arange(count) / RATE_HZ / rate_s))
    text = SESSION.format(date=date, sweep=SWEEP_S, lead=LEAD_S, ahead=2.0 + DISTANCE_M)
    for orbit, angle in TAKES:
        name = f"{orbit}_{angle}.wav"
        _write(folder / name, sweep, DISTANCE_M)
        text += f'[[take]]\nkind = "far-field"\norbit = "{orbit}"\nangle_deg = {angle}.0\ndistance_m = {DISTANCE_M}\n'
        text += f'file = "{name}"\n' + (f'note = "{note}"\n' if note else "")
    for driver in ("woofer", "port"):
        _write(folder / f"{driver}.wav", sweep, 0.05)
        text += f'[[take]]\nkind = "near-field"\ndriver = "{driver}"\ndistance_m = 0.005\nfile = "{driver}.wav"\n'
    (folder / "session.toml").write_text(text)
    return folder


def _write(path: Path, sweep: np.ndarray, distance_m: float) -> None:
    late = round(distance_m / 343.0 * RATE_HZ)
    rng = np.random.default_rng(zlib.crc32(path.name.encode()))
    samples = 1e-5 * rng.standard_normal(round((SWEEP_S + LEAD_S + 0.4) * RATE_HZ))
    begin = round(LEAD_S * RATE_HZ) + late
    samples[begin : begin + sweep.size] += 0.01 * sweep / distance_m
    soundfile.write(path, samples, RATE_HZ, subtype="PCM_24")
