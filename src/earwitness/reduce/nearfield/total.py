"""The bass of a loudspeaker from all of its near fields: leak solved, ports faded, summed in every direction.

By a second sum: what may be off in it, and how far each cause would move every direction.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from earwitness.dsp.box_field import axial_pressure
from earwitness.files.data import worded
from earwitness.quantities import Cause, ComplexArray, Directions, FloatArray, Locked
from earwitness.reduce.nearfield.body import (
    GROUP_SPACING,
    Body,
    Fields,
    NearPart,
    Seat,
    fault_of_place,
    fields_of,
    highest_hz,
    highest_model_hz,
    overlapping,
    seats_of,
)

CROSSTALK_MARGIN_DB = -6.0
LARGEST_DISTANCE_EFFECT_DB = 6.0
# Columns over their diagonal, at any frequency below the overlap (own choice, from ports 3 to 10 cm below a woofer).
HIGHEST_CONDITION = 3.0
_FADE_OCTAVES = 1.0
_EFFECT_OCTAVES = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Bass(Locked):
    """The parts on the body with their fields.

    hz : (F,); seats : the discs of each part; weights : (P, F) of ports that drown in a cone's leak;
    strengths : (P, F) complex, j omega rho times volume velocity [Pa m per V]
    highest_hz : of their sum; effect_hz : up to where the effect of the distance is taken in full
    """

    parts: tuple[NearPart, ...]
    body: Body
    seats: tuple[tuple[Seat, ...], ...]
    hz: FloatArray
    fields: Fields
    strengths: ComplexArray
    weights: FloatArray
    highest_hz: float
    effect_hz: float

    def far(self) -> ComplexArray:
        """(D, F) free-field pressure at 1 m [Pa/V], referred from the far field to the reference point."""
        return summed(self.fields.far, self.strengths * self.weights)

    def there(self) -> ComplexArray:
        """(D, F) the same at the measuring distance, referred to 1 m by distance alone.

        ValueError where the fields know no distance.
        """
        if self.fields.there is None:
            raise ValueError("the fields were computed without a measuring distance")
        return summed(self.fields.there, self.strengths * self.weights)

    def to_far_field(self, seen: ComplexArray) -> ComplexArray:
        """(D, F) factor that takes what was read at the measuring distance, `seen` (D, F), to the far field.

        Drivers away from the reference point, and sound that bends around the cabinet, do not fall off exactly with
        the distance from that point. Each part is corrected by as much of the sound as it makes, in full to an octave
        above ka = 1 or the end of the cabinet's model, and fading out over two octaves more; by at most 6 dB, so that
        nulls do not matter.
        """
        far, there = self.far(), self.there()
        tiny = np.finfo(float).tiny
        ratio = far / np.where(np.abs(there) > tiny, there, tiny)
        largest = 10 ** (LARGEST_DISTANCE_EFFECT_DB / 20)
        ratio = ratio * np.clip(np.abs(ratio), 1 / largest, largest) / np.maximum(np.abs(ratio), tiny)
        part = np.minimum(np.abs(there) / np.maximum(np.abs(seen), tiny), 1.0)
        octaves = np.log2(self.hz / self.effect_hz) / _EFFECT_OCTAVES
        fade = 0.5 + 0.5 * np.cos(np.pi * np.clip(octaves, 0.0, 1.0))
        return np.asarray(1 + part * fade * (ratio - 1))


def seated(parts: Sequence[NearPart], body: Body) -> tuple[tuple[Seat, ...], ...] | str:
    """The discs of every part on the body, or the reason, a sentence, why they cannot all sit there."""
    for part in parts:
        fault = fault_of_place(part.driver, body)
        if fault:
            return fault
    seats = tuple(seats_of(part.driver, body) for part in parts)
    pair = overlapping([(part.driver.name, one) for part, one in zip(parts, seats, strict=True)])
    if pair:
        return worded("reduce.places_overlap", first=pair[0], second=pair[1])
    return seats


def bass_of(
    parts: Sequence[NearPart],
    hz: FloatArray,
    body: Body,
    seats: tuple[tuple[Seat, ...], ...],
    directions: Directions,
    *,
    speed_of_sound: float,
    distance_m: float | None = None,
) -> Bass | str:
    """The low-frequency radiation behind near-field readings, or the reason why their leak cannot be taken apart.

    parts : all cones and ports that work at low frequencies, each on hz (F,); seats : see `seated`
    distance_m : of the far microphones, where the distance effect is wanted
    What every microphone reads is the sum over all parts; the flows follow by solving that at each frequency, on the
    rigid box (boundary elements) or the sphere (series), and so the baffle step and the leak are those of the cabinet.
    Raises ValueError without parts or on frequencies of another length.
    """
    hz = np.asarray(hz, dtype=float)
    if not parts or any(part.pressure.shape != hz.shape for part in parts):
        raise ValueError("near field needs at least one part, each on the given frequencies")
    fields = fields_of(
        body,
        seats,
        [part.gap_m for part in parts],
        hz,
        directions.unit_vectors(),
        speed_of_sound=speed_of_sound,
        distance_m=distance_m,
    )
    top = min(highest_hz(parts, speed_of_sound), highest_model_hz(body, speed_of_sound))
    reason = _ill(parts, fields.reading[hz <= top])
    if reason:
        return reason
    strengths = solved(fields.reading, parts)
    weights = _port_fades(parts, strengths, hz)
    effect_hz = min(2 * highest_hz(parts, speed_of_sound), highest_model_hz(body, speed_of_sound))
    return Bass(tuple(parts), body, seats, hz, fields, strengths, weights, top, effect_hz)


def solved(reading: ComplexArray, parts: Sequence[NearPart]) -> ComplexArray:
    """(P, F) strengths behind the readings."""
    heard = np.stack([part.pressure for part in parts], axis=-1)
    return np.asarray(np.linalg.solve(reading, heard[..., None])[..., 0].T)


def summed(fields: ComplexArray, strengths: ComplexArray) -> ComplexArray:
    """(D, F) of fields (D, F, P) and strengths (P, F)."""
    return np.asarray(np.einsum("dfp,pf->df", fields, strengths))


def scaled_part(part: NearPart, by: complex) -> NearPart:
    return replace(part, pressure=part.pressure * by)


def condition_of(reading: ComplexArray) -> float:
    """Largest condition number of leak matrices (F, P, P), columns over their diagonal."""
    if reading.shape[1] == 1 or not len(reading):
        return 1.0
    diagonal = np.einsum("fpp->fp", reading)
    return float(np.linalg.cond(reading / diagonal[:, None, :]).max())


def _ill(parts: Sequence[NearPart], reading: ComplexArray) -> str:
    condition = condition_of(reading)
    if condition <= HIGHEST_CONDITION:
        return ""
    names = " and ".join(part.driver.name for part in parts)
    return worded("reduce.places_too_near", names=names, condition=condition, highest_condition=HIGHEST_CONDITION)


def _port_fades(parts: Sequence[NearPart], strengths: ComplexArray, hz: FloatArray) -> FloatArray:
    """Weight (P, F): ports fade out where the cone's leak into their microphone takes over."""
    cones = [j for j, part in enumerate(parts) if not part.is_port]
    weights = np.ones((len(parts), hz.size))
    for i, part in enumerate(parts):
        if not part.is_port or not cones:
            continue
        leak = np.zeros(hz.size)
        for j in cones:
            apart = float(np.linalg.norm(np.subtract(part.driver.position_m, parts[j].driver.position_m)))
            leak += np.abs(strengths[j]) / max(apart, parts[j].radius_m)
        own = np.abs(strengths[i]) * 2 / part.radius_m
        weights[i] = _fade(own, leak, hz)
    return weights


def _fade(port: FloatArray, leak: FloatArray, hz: FloatArray) -> FloatArray:
    """1 up to the frequency above the port's peak where it sinks to the margin over the leak, then down to 0."""
    peak = int(np.argmax(port / hz))
    drowned = np.flatnonzero(port[peak:] < leak[peak:] * 10 ** (CROSSTALK_MARGIN_DB / 20))
    if drowned.size == 0:
        return np.ones_like(hz)
    octaves = np.log2(hz / hz[peak + drowned[0]])
    weight: FloatArray = 0.5 + 0.5 * np.cos(np.pi * np.clip(octaves / _FADE_OCTAVES, 0.0, 1.0))
    return weight


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
                moved = _placed(bass=bass, part=i, axis=axis, by_m=u_m, k=k, unit_vectors=directions.unit_vectors())
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
