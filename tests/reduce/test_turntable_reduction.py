"""Recordings on a turntable whose axis misses the reference point, reduced with and without knowing it.

The loudspeaker is a known filter of the true angle; where the microphone truly stood is worked out with a matrix.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_session import Made, facts, recording

from earwitness.formats.audio import Recording
from earwitness.reduce.flow import reduce_session

AXIS_M = (-0.2, 0.06)
ANGLES = (-20.0, 0.0, 20.0, 45.0, 90.0, 180.0)


def stood(angle_deg: float, distance_m: float) -> tuple[float, float]:
    """True angle [degrees] and distance [m]: the microphone turned about the axis, seen from the reference point."""
    turned = np.deg2rad(angle_deg)
    matrix = np.array([[np.cos(turned), -np.sin(turned)], [np.sin(turned), np.cos(turned)]])
    x, y = np.array(AXIS_M) + matrix @ (np.array([distance_m, 0.0]) - np.array(AXIS_M))
    return float(np.degrees(np.arctan2(y, x))), float(np.hypot(x, y))


@pytest.mark.parametrize("told", [True, False])
def test_levels_and_angles_are_those_of_where_the_microphone_stood(told: bool) -> None:
    made = Made(angles=ANGLES, distance_m=1.0)

    def read(name: str) -> Recording:
        angle = float(name.removeprefix("h").removesuffix(".wav"))
        true_deg, true_m = stood(angle, made.distance_m)
        return recording(replace(made, distance_m=true_m), true_deg, list(ANGLES).index(angle))

    more = {"turntable": {"axis_m": [*AXIS_M, 0.0]}} if told else {}
    measured = reduce_session(facts(made, **more), read)
    response = measured.response
    band = (response.axis.hz > 200.0) & (response.axis.hz < 15_000.0)
    off_db, off_deg = [], []
    azimuth = np.rad2deg(response.directions.azimuth_rad)
    for angle in ANGLES:
        true_deg, _ = stood(angle, made.distance_m)
        apart = np.abs((azimuth - true_deg + 180.0) % 360.0 - 180.0)
        row = int(np.argmin(apart))
        truth = made.truth(true_deg, response.axis.hz[band])
        off_deg.append(float(apart[row]))
        off_db.append(float(np.abs(20 * np.log10(np.abs(response.pressure[row, band] / truth))).max()))
    assert (max(off_deg) < 1e-6) == told
    assert (max(off_db) < 0.05) == told
    assert (any(flag.id == "distance" for flag in measured.flags)) != told
    missing = [flag.sentence for flag in measured.flags if flag.id == "missing angles"]
    assert "(-170, -160, -150" in missing[0]
    assert "lacks 31 of 36" in missing[0]
