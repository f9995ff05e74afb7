"""What a session claims to tell, and what was true.

After docs/figures.md, "Distance": where the near field of the cones is known, and the session says that levels were
referred, they are those of the far field up to the near field's limit and pass over to those of the measuring distance
within two octaves above it; everywhere else they are those of the measuring distance. In that passage a session only
claims to lie between both (each part is referred by its own share). So there are three truths, that pass over at once,
by a half cosine in dB over log frequency, and at the end: a curve or a figure may lie between the lowest and the
highest of the three. Coverage angles are those of the pattern in steps of 5 degrees.
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
    Measurement,
    Reading,
    cta_orbits,
    from_orbit,
)
from earwitness.quantities.directions import Orbit, join
from earwitness.reduce.gate import speed_of_sound
from earwitness.reduce.nearfield.body import body_of, highest_model_hz
from earwitness.session.session import Session

PASSAGE_OCTAVES = 2.0
FINE_DEG = 5.0
_PORTS = ("port", "passive radiator")


@dataclass(frozen=True, eq=False)
class Truth:
    """claimed : curves and figures that sessions without any error would give, one a way to pass over, the middle one
    first; fine : the same of the pattern in fine steps, for coverage; limit_hz : up to which the far field is claimed.
    """

    claimed: tuple[Reading, ...]
    fine: tuple[Reading, ...]
    limit_hz: float | None

    def of(self, key: str) -> tuple[Reading, ...]:
        """The readings that tell a curve or a figure."""
        return self.fine if "coverage" in key else self.claimed

    def bounds_of(self, key: str) -> tuple[FloatArray, FloatArray]:
        """(F,) lowest and highest value that a curve may have: one and the same outside the passage."""
        values = [one.curves[key].values for one in self.of(key) if key in one.curves]
        return np.min(values, axis=0), np.max(values, axis=0)

    def range_of(self, key: str) -> tuple[float, float] | None:
        """Lowest and highest value that a figure may have; None where it has none or a bound only."""
        figures = [one.figures[key] for one in self.of(key)]
        if figures[0].value is None or figures[0].bound:
            return None
        values = [figure.value for figure in figures if figure.value is not None and not figure.bound]
        return min(values), max(values)


def claim_limit_hz(measurement: Measurement, session: Session) -> float | None:
    """Up to here levels are claimed to be those of the far field; None where the session does not say so."""
    if not any(flag.id == "far-field reference" for flag in measurement.flags):
        return None
    kinds = {driver.name: driver.kind for driver in session.loudspeaker.drivers}
    cones = [part for part in measurement.near_field if kinds[part.driver] not in _PORTS]
    model = highest_model_hz(body_of(session.loudspeaker), speed_of_sound(session.environment.temperature_c))
    return min(model, *(part.highest_valid_hz for part in cones or measurement.near_field))


def truth_of(one: Loudspeaker, measurement: Measurement, session: Session, distance_m: float) -> Truth:
    limit = claim_limit_hz(measurement, session)
    response = measurement.response
    symmetric = is_symmetric(one)
    around = np.arange(-180.0 + FINE_DEG, 180.0 + FINE_DEG / 2, FINE_DEG)
    upright = around[(np.abs(around) > 1e-9) & (np.abs(around) < 180.0 - 1e-9)]
    places: list[tuple[Orbit, FloatArray]] = [("horizontal", around), ("vertical", upright)]
    fine = join([from_orbit(orbit, float(a)) for orbit, angles in places for a in angles])
    hz = response.axis.hz
    there, far = one.at(fine, hz, distance_m), one.far(fine, hz)
    known = cta_orbits()
    nearest = np.argmax(known.unit_vectors() @ fine.unit_vectors().T, axis=1)
    claimed, close = [], []
    for passage in ("middle", "at once", "at the end") if limit is not None else ("middle",):
        share = _far_share(hz, limit, passage)
        size = np.exp(share * np.log(np.abs(far)) + (1 - share) * np.log(np.abs(there)))
        every = np.asarray(size * np.exp(1j * np.angle(there)))
        close.append(read_response(_exact(every, fine, response), symmetric=symmetric))
        claimed.append(read_response(_exact(every[nearest], known, response), symmetric=symmetric))
    return Truth(tuple(claimed), tuple(close), limit)


def _far_share(hz: FloatArray, limit_hz: float | None, passage: str) -> FloatArray:
    """(F,) how much of the way to the far field a level is claimed to be referred."""
    if limit_hz is None:
        return np.zeros(hz.size)
    octaves = np.log2(hz / limit_hz) / PASSAGE_OCTAVES
    if passage != "middle":
        return np.asarray(octaves <= (0.0 if passage == "at once" else 1.0), dtype=float)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * np.clip(octaves, 0.0, 1.0)))


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
