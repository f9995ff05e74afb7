"""What a session claims to tell, and what was true.

After docs/figures.md, "Distance": where the near field of the cones is known, levels are those of the far field up to
the near field's limit and pass over to those of the measuring distance within two octaves above it (half a cosine in dB
over log frequency); everywhere else they are those of the measuring distance. Coverage angles are those of the pattern
in steps of 5 degrees.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coverage_worlds.bodies import ComplexArray, FloatArray
from coverage_worlds.loudspeakers import Loudspeaker, is_symmetric
from earwitness.figures.read import read_response
from earwitness.quantities import (
    DirectionalResponse,
    Directions,
    FrequencyAxis,
    Measurement,
    Reading,
    cta_orbits,
    from_orbit,
)
from earwitness.quantities.directions import Orbit, join
from earwitness.session.session import Session

PASSAGE_OCTAVES = 2.0
FINE_DEG = 5.0
_PORTS = ("port", "passive radiator")


@dataclass(frozen=True, eq=False)
class Truth:
    """claimed : curves and figures that a session without any error would give; fine : coverage curves only."""

    claimed: Reading
    fine: Reading
    limit_hz: float | None


def claim_limit_hz(measurement: Measurement, session: Session) -> float | None:
    """Up to here levels are claimed to be those of the far field; None where near fields do not make up the bass."""
    if not measurement.near_field or any(flag.id == "no splice" for flag in measurement.flags):
        return None
    kinds = {driver.name: driver.kind for driver in session.loudspeaker.drivers}
    cones = [part for part in measurement.near_field if kinds[part.driver] not in _PORTS]
    return min(part.highest_valid_hz for part in cones or measurement.near_field)


def truth_of(one: Loudspeaker, measurement: Measurement, session: Session, distance_m: float) -> Truth:
    limit = claim_limit_hz(measurement, session)
    response = measurement.response
    symmetric = is_symmetric(one)
    around = np.arange(-180.0 + FINE_DEG, 180.0 + FINE_DEG / 2, FINE_DEG)
    upright = around[(np.abs(around) > 1e-9) & (np.abs(around) < 180.0 - 1e-9)]
    places: list[tuple[Orbit, FloatArray]] = [("horizontal", around), ("vertical", upright)]
    fine = join([from_orbit(orbit, float(a)) for orbit, angles in places for a in angles])
    every = _claimed(one, fine, response.axis, distance_m, limit)
    close = read_response(_exact(every, fine, response), symmetric=symmetric)
    known = cta_orbits()
    nearest = np.argmax(known.unit_vectors() @ fine.unit_vectors().T, axis=1)
    claimed = read_response(_exact(every[nearest], known, response), symmetric=symmetric)
    return Truth(claimed, close, limit)


def _claimed(
    one: Loudspeaker, directions: Directions, axis: FrequencyAxis, distance_m: float, limit_hz: float | None
) -> ComplexArray:
    hz = axis.hz
    there = one.at(directions, hz, distance_m)
    if limit_hz is None:
        return there
    far = one.far(directions, hz)
    share = 0.5 + 0.5 * np.cos(np.pi * np.clip(np.log2(hz / limit_hz) / PASSAGE_OCTAVES, 0.0, 1.0))
    size = np.exp(share * np.log(np.abs(far)) + (1 - share) * np.log(np.abs(there)))
    return np.asarray(size * np.exp(1j * np.angle(there)))


def _exact(pressure: ComplexArray, directions: Directions, like: DirectionalResponse) -> DirectionalResponse:
    nothing: FloatArray = np.zeros(pressure.shape)
    return DirectionalResponse(
        axis=like.axis,
        directions=directions,
        pressure=pressure,
        u_db=nothing,
        u_common_db=np.zeros(pressure.shape[1]),
        valid=nothing == 0,
        absolute=like.absolute,
        distance_m=like.distance_m,
    )
