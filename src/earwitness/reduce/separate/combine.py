"""Separation below, gated sound above: joined where the expected error of one becomes smaller than the other's."""

from dataclasses import dataclass, fields, replace

import numpy as np

from earwitness.errors import InputError
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.reduce.separate.field import SeparatedField
from earwitness.reduce.separate.quality import Quality
from earwitness.reduce.separate.separation import Separation, longest_run

_BLEND_OCTAVES = 0.5
_UNUSABLE_U_DB = 40.0


@dataclass(frozen=True, slots=True, eq=False)
class Combined:
    """separation : the joined result; joint_hz : where it changes over, None if one source serves alone."""

    separation: Separation
    joint_hz: float | None


def combined(low: Separation, gated: Separation, *, gate_u_db: FloatArray) -> Combined:
    """Join a separation and outgoing waves fitted to gated sound, both over the same frequencies.

    gate_u_db (F,) : uncertainty that the gate itself brings [dB]. The joint is the frequency at which the sum over
    frequencies of squared expected errors, low below and gated above, is least; blended over half an octave.
    InputError where the frequencies differ.
    """
    hz = low.field.axis.hz
    if not low.field.axis.same_as(gated.field.axis):
        raise InputError.of("reduce.frequencies_differ")
    u_low = np.where(low.quality.valid, low.quality.u_db, _UNUSABLE_U_DB)
    u_high = np.where(gated.quality.valid, np.hypot(gated.quality.u_db, gate_u_db), _UNUSABLE_U_DB)
    before = np.concatenate([[0.0], np.cumsum(u_low**2)])
    after = np.concatenate([np.cumsum((u_high**2)[::-1])[::-1], [0.0]])
    joint = int(np.argmin(before + after))
    if joint in (0, hz.size):
        return Combined(gated if joint == 0 else low, None)
    share = _low_share(hz, float(hz[joint]), low.quality.valid & gated.quality.valid)
    parts = [replace(part, weight=part.weight * share[part.rows]) for part in low.field.parts]
    parts += [replace(part, weight=part.weight * (1 - share[part.rows])) for part in gated.field.parts]
    valid = ((share == 0) | low.quality.valid) & ((share == 1) | gated.quality.valid)
    field = SeparatedField(low.field.axis, low.field.speed_of_sound_m_s, low.field.reference_m, tuple(parts), valid)
    quality = _blended(low.quality, gated.quality, share, u_low, u_high, valid)
    every = {one.row: one for one in (*low.bad_points, *gated.bad_points)}
    bad = tuple(every[row] for row in sorted(every))
    result = replace(
        low, field=field, quality=quality, bad_points=bad, centers=gated.centers, valid_band_hz=longest_run(hz, valid)
    )
    return Combined(result, float(hz[joint]))


def _low_share(hz: FloatArray, joint_hz: float, both: BoolArray) -> FloatArray:
    """(F,) weight of the separation: a step where one of the two has no say, else a raised cosine about the joint."""
    x = np.clip(np.log2(hz / joint_hz) / _BLEND_OCTAVES + 0.5, 0.0, 1.0)
    smooth = 0.5 + 0.5 * np.cos(np.pi * x)
    return np.where(both, smooth, np.where(hz < joint_hz, 1.0, 0.0))


def _blended(
    low: Quality, high: Quality, share: FloatArray, u_low: FloatArray, u_high: FloatArray, valid: BoolArray
) -> Quality:
    """Each number from the source with the larger share; the expected error blended."""
    values = {
        one.name: np.where(share >= 0.5, getattr(low, one.name), getattr(high, one.name)) for one in fields(Quality)
    }
    values["u_db"] = share * u_low + (1 - share) * u_high
    values["valid"] = valid
    return Quality(**values)
