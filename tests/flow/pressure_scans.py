"""Sessions whose scan came as pressures: the head of session.toml, and the two files that hold them."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import sofar

from earwitness.formats.scan_pressures import HEADER

HEAD = """format = 1
date = "2026-03-09"
[loudspeaker]
name = "{name}"
maker = "Dorrigal Works"
type = "stand-mount"
enclosure = "vented"
width_m = {side}
height_m = {side}
depth_m = {side}
reference_axis = "front"
[[loudspeaker.driver]]
name = "woofer"
kind = "cone"
diameter_m = {cone}
[microphone]
sensitivity_fs_per_pa = 0.1
[drive]
voltage_v = 2.83
[stimulus]
kind = "sweep"
start_hz = 10.0
stop_hz = 22000.0
duration_s = 1.0
"""
SPHERE = '[scan]\nbody = "sphere"\nsphere_radius_m = 0.18\nbody_center_m = [-0.18, 0.0, 0.0]\n'
# A demo loudspeaker on a sphere of 0.18 m.
BALL = HEAD.format(name="Thimble Two", side=0.2, cone=0.13) + SPHERE


def take_of(file: str, more: str = "") -> str:
    return f'[[take]]\nkind = "scan pressures"\nfile = "{file}"\n{more}'


def write_csv(path: Path, points: np.ndarray, hz: np.ndarray, pressure: np.ndarray) -> None:
    rows = [
        ",".join(repr(float(v)) for v in (*place, one, value.real, value.imag))
        for place, line in zip(points, pressure, strict=True)
        for one, value in zip(hz, line, strict=True)
    ]
    path.write_text("\n".join((",".join(HEADER), *rows)) + "\n", encoding="utf-8")


def write_sofa(path: Path, points: np.ndarray, hz: np.ndarray, pressure: np.ndarray) -> None:
    """Receivers of AES69's FreeFieldDirectivityTF where the microphone stood, written and verified by sofar."""
    sofa = sofar.Sofa("FreeFieldDirectivityTF", version="1.1")
    sofa.ReceiverPosition, sofa.ReceiverPosition_Type, sofa.ReceiverPosition_Units = points, "cartesian", "metre"
    sofa.N, sofa.Data_Real, sofa.Data_Imag = hz, pressure.real[np.newaxis], pressure.imag[np.newaxis]
    for name in ("MIDINote", "SourceTuningFrequency", "Description", "EmitterDescriptions"):
        if hasattr(sofa, name):
            sofa.delete(name)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sofar.write_sofa(str(path), sofa)
