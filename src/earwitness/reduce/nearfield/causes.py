"""What may be off in the sum of near fields, and how far each would move every direction, by a second sum."""

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from earwitness.dsp.piston import axial_pressure
from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.quantities.causes import Cause
from earwitness.quantities.directions import Directions
from earwitness.reduce.nearfield.body import GROUP_SPACING, Body, NearPart, Seat, seats_of
from earwitness.reduce.nearfield.fields import Fields, fields_of
from earwitness.reduce.nearfield.total import Bass, scaled_part, solved, summed

DIAMETER_SHARE = 0.02
GAP_M = 0.002
CABINET = "cabinet"
PLACE_M = 0.01
# By what share of every length a stated cabinet may differ from the rigid body that radiates like it: edges rounded,
# walls not flat, feet and grille on or off (own choice).
SIZE_SHARE = 0.03
# A shape that is neither box nor sphere lies between both: half of their difference (own choice).
OTHER_SHAPE_SHARE = 0.5
_OTHER_SPACING = 1.4 * GROUP_SPACING
_LARGEST_PULL_DB = 6.0


def near_causes(
    bass: Bass,
    directions: Directions,
    *,
    speed_of_sound: float,
    other_shape: bool,
    port_u_db: float | None,
    settle: Callable[[ComplexArray], tuple[NearPart, ...]] | None = None,
) -> tuple[Cause, ...]:
    """Causes of error of `bass.far()`, each off by one standard uncertainty.

    other_shape : the cabinet is neither box nor sphere; port_u_db : of the port's level against the cones', None
    without a port; settle : the parts by what each makes at each microphone (F, P, P), where the port's level was set
    by the cone and would be again
    """
    before = bass.far()
    found = []
    for name, source, fields, parts in _moved(bass, directions, speed_of_sound, other_shape, port_u_db):
        if settle is not None and parts is bass.parts:
            parts = settle(fields.reading)
        driven = solved(fields.reading, parts) * bass.weights
        pull = pull_db(summed(fields.far, driven), before)
        if other_shape and name == CABINET:
            pull = OTHER_SHAPE_SHARE * pull
        found.append(Cause(name=name, source=source, pull_db=pull))
    return tuple(found)


def pull_db(after: ComplexArray, before: ComplexArray) -> FloatArray:
    """(D, F) change of level, at most 6 dB, which only nulls pass."""
    tiny = np.finfo(float).tiny
    change = 20 * (np.log10(np.maximum(np.abs(after), tiny)) - np.log10(np.maximum(np.abs(before), tiny)))
    return np.asarray(np.clip(change, -_LARGEST_PULL_DB, _LARGEST_PULL_DB))


_Move = tuple[str, str, Fields, tuple[NearPart, ...]]


def _moved(
    bass: Bass, directions: Directions, speed_of_sound: float, other_shape: bool, port_u_db: float | None
) -> Iterator[_Move]:
    k = 2 * np.pi * bass.hz / speed_of_sound
    parts = bass.parts
    for i, part in enumerate(parts):
        name, a, gap = part.driver.name, part.radius_m, part.gap_m
        now = axial_pressure(k, a, gap)
        wider = axial_pressure(k, a * (1 + DIAMETER_SHARE), gap) - now
        source = f"effective diameter known to {100 * DIAMETER_SHARE:g} %"
        yield f"diameter of {name}", source, _read(bass, i, wider), parts
        farther = axial_pressure(k, a, gap + GAP_M) - now
        yield f"gap before {name}", f"{1000 * GAP_M:g} mm", _read(bass, i, farther), parts
        u_m = part.driver.position_u_m or PLACE_M
        source = "as stated" if part.driver.position_u_m else f"{100 * PLACE_M:g} cm, as a tape measure does"
        for axis, words in ((0, "depth"), (1, "side"), (2, "height")):
            if axis != bass.seats[i][0].axis:
                moved = _placed(bass, i, axis, u_m, k, directions.unit_vectors())
                yield f"place of {name}, {words}", source, moved, parts
    if port_u_db is not None:
        raised = tuple(scaled_part(one, 10 ** (port_u_db / 20)) if one.is_port else one for one in parts)
        yield "level of the port", "port against cone", bass.fields, raised
    body = bass.body.rounded() if other_shape else bass.body.scaled(1 + SIZE_SHARE)
    again = [seats_of(part.driver, body) for part in parts]
    source = f"as a rigid body {100 * SIZE_SHARE:g} % larger would radiate"
    if other_shape:
        source = "neither box nor sphere: half of what lies between both"
    yield CABINET, source, _fields(bass, body, again, directions, speed_of_sound), parts
    if bass.body.middle_u_m > 0:
        body = bass.body.raised(bass.body.middle_u_m)
        again = [seats_of(part.driver, body) for part in parts]
        source = f"reference_below_top_m is not stated, {100 * bass.body.middle_u_m:.0f} cm"
        yield "cabinet about the reference point", source, _fields(bass, body, again, directions, speed_of_sound), parts
    if any(part.driver.count > 1 for part in parts):
        again = [seats_of(part.driver, bass.body, spacing=_OTHER_SPACING) for part in parts]
        source = "only one place is stated for several drivers alike"
        yield "spacing of alike drivers", source, _fields(bass, bass.body, again, directions, speed_of_sound), parts


def _fields(
    bass: Bass, body: Body, seats: Sequence[Sequence[Seat]], directions: Directions, speed_of_sound: float
) -> Fields:
    gaps = [part.gap_m for part in bass.parts]
    return fields_of(body, seats, gaps, bass.hz, directions.unit_vectors(), speed_of_sound=speed_of_sound)


def _read(bass: Bass, part: int, change: ComplexArray) -> Fields:
    """Another reading of a part's own sound. change : (F,) at its microphone."""
    reading = bass.fields.reading.copy()
    reading[:, part, part] += change / bass.parts[part].driver.count
    return Fields(reading, bass.fields.far, None)


def _placed(bass: Bass, part: int, axis: int, by_m: float, k: FloatArray, unit_vectors: FloatArray) -> Fields:
    """The part moved along its face: what it and its neighbors on the same face hear of each other, and the path."""
    moved = np.zeros(3)
    moved[axis] = by_m
    reading, far = bass.fields.reading.copy(), bass.fields.far.copy()
    here = bass.seats[part][0]
    for j, seats in enumerate(bass.seats):
        if j == part or float(seats[0].outward @ here.outward) < 0.5:
            continue
        for seat in seats:
            change = (_beside(here.place_m + moved, seat, k) - _beside(here.place_m, seat, k)) / len(seats)
            reading[:, part, j] += change
        for seat in bass.seats[part]:
            other = seats[0]
            away = Seat(seat.place_m + moved, seat.outward, seat.axis, seat.side, seat.radius_m)
            change = (_beside(other.place_m, away, k) - _beside(other.place_m, seat, k)) / len(bass.seats[part])
            reading[:, j, part] += change
    far[:, :, part] *= np.exp(1j * np.outer(unit_vectors @ moved, k))
    return Fields(reading, far, None)


def _beside(point_m: FloatArray, seat: Seat, k: FloatArray) -> ComplexArray:
    """(F,) pressure beside a piston in a plane, over j omega rho U, as without delay but for the path.

    2 E(r^2/a^2) / (pi^2 a) inside the rim, 2 r (E(m) - (1 - m) K(m)) / (pi^2 a^2) with m = a^2/r^2 outside: the
    potential of an even disc (handbook formula, for example Kellogg, Foundations of Potential Theory, from memory).
    """
    from scipy.special import ellipe, ellipk

    apart, a = float(np.linalg.norm(point_m - seat.place_m)), seat.radius_m
    if apart <= a:
        size = 2 * float(ellipe((apart / a) ** 2)) / (np.pi**2 * a)
    else:
        m = (a / apart) ** 2
        size = 2 * apart * float(ellipe(m) - (1 - m) * ellipk(m)) / (np.pi**2 * a**2)
    return np.asarray(size * np.exp(-1j * k * apart))
