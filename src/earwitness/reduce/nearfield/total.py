"""The bass of a loudspeaker from all of its near fields: leak solved, ports faded, summed in every direction."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from earwitness.files.data import worded
from earwitness.quantities.arrays import ComplexArray, FloatArray, Locked
from earwitness.quantities.directions import Directions
from earwitness.reduce.nearfield.body import Body, NearPart, Seat, fault_of_place, highest_hz, overlapping, seats_of
from earwitness.reduce.nearfield.fields import Fields, fields_of, highest_model_hz

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
