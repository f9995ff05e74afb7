"""The scan's room, and its session.toml as a person would write it."""

from functools import lru_cache

import numpy as np

from earwitness.demo.lineup import DemoLoudspeaker
from earwitness.demo.room import Images, shoebox_images
from earwitness.demo.script import filled

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
    return filled(
        "scan",
        one,
        place_m=np.round(place, 4),
        microphone_m=np.round(place + np.array([0.3, 0.0, 0.0]), 4),
        room_m=ROOM_M,
        lead_in_s=lead_in_s,
        sweep_s=sweep_s,
        fade_in_s=FADE_IN_S,
    )
