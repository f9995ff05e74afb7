"""What a demo loudspeaker radiates without any error of measurement: what tests and benchmarks hold measurements to."""

from __future__ import annotations

import numpy as np

from earwitness.demo import world
from earwitness.demo.room import room_field
from earwitness.quantities import ComplexArray, Directions, FloatArray


def true_pressure_at(
    key: str, directions: Directions, frequency_hz: FloatArray, distance_m: float, *, heating_k: float = 0.0
) -> ComplexArray:
    """Pressure per volt at `distance_m`, referred to 1 m by distance; (directions, frequencies), Pa/V.

    p d e^(jkd) for a microphone at d from the reference point: what a measurement at d that is referred to 1 m by
    20 lg d, as ANSI/CTA-2034-A has it, would give without any error. heating_k : voice coils above room temperature.
    InputError for an unknown key.
    """
    one = world.loudspeaker(key)
    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    active = world.speaker_sources(one, frequency, heating_k=heating_k)
    parts = world.fields_at(one, tuple(s.cap for s in active), distance_m * directions.unit_vectors(), frequency)
    total = np.zeros((len(directions), frequency.size), dtype=np.complex128)
    for source, part in zip(active, parts, strict=True):
        total += part * (source.filter * source.flow)
    referred: ComplexArray = total * distance_m * np.exp(2j * np.pi * frequency / world.C * distance_m)
    return referred


def scan_pressure(key: str, points_m: FloatArray, frequency_hz: FloatArray) -> ComplexArray:
    """(P, F) pressure per volt at points (P, 3) from the reference point, room and scattering included [Pa/V]."""
    one = world.loudspeaker(key)
    active = world.speaker_sources(one, frequency_hz)
    caps = tuple(source.cap for source in active)
    drive = [source.filter * source.flow for source in active]
    from_middle = points_m + np.array([one.sphere_radius_m, 0.0, 0.0])
    field = room_field(one, caps, frequency_hz, float(np.linalg.norm(from_middle, axis=1).max()))
    total = np.zeros((len(points_m), frequency_hz.size), dtype=np.complex128)
    for part, back, strength in zip(
        world.fields_at(one, caps, points_m, frequency_hz), field.at(from_middle), drive, strict=True
    ):
        total += (part + back) * strength
    return total
