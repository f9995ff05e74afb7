"""The scan's room, and its session.toml as a person would write it."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from earwitness.demo import rig
from earwitness.demo.lineup import DemoLoudspeaker
from earwitness.demo.room import Images, shoebox_images
from earwitness.demo.script import _keys, _loudspeaker

ROOM_M = np.array([5.0, 4.2, 2.7])
MIDDLE_M = np.array([2.2, 1.95, 1.3])
REFLECTION = np.array([[0.82, 0.86], [0.84, 0.8], [0.74, 0.88]])
REFLECTION_ORDER = 8
SCATTERED_TO_HZ = (4000.0, 5000.0)
FADE_IN_S = 0.03


@lru_cache(maxsize=2)
def images(order: int) -> Images:
    """Image sources of the body's middle, seen from there; a hair beside it, as the two may not coincide."""
    return shoebox_images(ROOM_M, MIDDLE_M, MIDDLE_M + np.array([1e-9, 0.0, 0.0]), REFLECTION, order)


def session_text(one: DemoLoudspeaker, *, lead_in_s: float, sweep_s: float) -> str:
    """The whole file."""
    place = MIDDLE_M + np.array([one.sphere_radius_m, 0.0, 0.0])
    length, width, height = (float(x) for x in ROOM_M)
    parts = [
        "# An invented session: a simulated loudspeaker scanned in a simulated room. No such product or maker exists.",
        _keys(format=1, date="2026-03-09"),
        *_loudspeaker(one),
        "[tester]\n"
        + _keys(
            name="Earwitness demo",
            obtained="invented",
            disclosure="Simulated recordings of a loudspeaker that does not exist.",
        ),
        "[microphone]\n"
        + _keys(
            name="simulated pressure microphone (invented)",
            sensitivity_fs_per_pa=rig.MICROPHONE_FS_PER_PA,
            sensitivity_u_db=0.1,
            correction_file="mic.txt",
            correction_u_db=rig.CORRECTION_U_DB,
        ),
        "[drive]\n" + _keys(voltage_v=rig.DRIVE_V, u_db=0.05),
        "[stimulus]\n"
        + _keys(
            kind="sweep",
            form="synchronized",
            start_hz=rig.SWEEP_START_HZ,
            stop_hz=rig.SWEEP_STOP_HZ,
            duration_s=sweep_s,
            fade_in_s=FADE_IN_S,
            fade_out_s=rig.FADE_OUT_S,
            lead_in_s=lead_in_s,
        ),
        "[environment]\n" + _keys(temperature_c=rig.TEMPERATURE_C, humidity_percent=rig.HUMIDITY_PERCENT),
        "[environment.room]\n"
        + _keys(
            length_m=length,
            width_m=width,
            height_m=height,
            loudspeaker_m=[round(float(x), 4) for x in place],
            microphone_m=[round(float(x), 4) for x in place + np.array([0.3, 0.0, 0.0])],
        ),
        "# The simulated body is a rigid sphere; its front pole is the reference point.\n[scan]\n"
        + _keys(
            body="sphere",
            sphere_radius_m=one.sphere_radius_m,
            body_center_m=[-one.sphere_radius_m, 0.0, 0.0],
        ),
        "[[take]]\n" + _keys(kind="scan", positions="scan/positions.csv", files="scan/p_{point}.flac"),
    ]
    return "\n\n".join(parts) + "\n"
