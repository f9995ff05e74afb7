"""What a microphone close to a part of a demo loudspeaker hears, as the world has it."""

from __future__ import annotations

import numpy as np

from earwitness.demo import world
from earwitness.quantities.arrays import ComplexArray, FloatArray


def true_near_field(key: str, driver_name: str, frequency_hz: FloatArray) -> ComplexArray:
    """(F,) pressure per volt 5 mm in front of the middle of a cone or port, all sources sounding [Pa/V]."""
    one = world.loudspeaker(key)
    active = world.speaker_sources(one, frequency_hz)
    parts = world.near_fields(one, tuple(s.cap for s in active), driver_name, frequency_hz)
    sounds = [source.filter * source.flow * part for source, part in zip(active, parts, strict=True)]
    return np.asarray(np.sum(sounds, axis=0))
