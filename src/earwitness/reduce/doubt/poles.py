"""Two orbits meet ahead and behind: a gain that differs between them, and vertical angles that count downward."""

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from earwitness.quantities import QualityFlag
from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.directions import Orbit
from earwitness.reduce.flags import flag, limits
from earwitness.reduce.take_facts import TakeFacts, by_angle, wrapped_deg
from earwitness.session.record import Driver

# Own choices, tried on simulated loudspeakers with gains and angles as they are and as they should not be.
LIMITS = limits("poles")
_LOW_HZ, _HIGH_HZ = (300.0, 900.0), (3000.0, 12_000.0)
_HEIGHT_DEG = (15.0, 65.0)
_ORBITS: tuple[Orbit, ...] = ("horizontal", "vertical")


def gain_flags(facts: Sequence[TakeFacts]) -> list[QualityFlag]:
    """The vertical orbit's level at the places that both orbits share, by its neighbors there."""
    off: dict[float, float] = {}
    step = 0.0
    horizontal = {wrapped_deg(facts[i].angle_deg or 0.0): facts[i] for i in by_angle(facts, "horizontal")}
    upright = {wrapped_deg(facts[i].angle_deg or 0.0): facts[i] for i in by_angle(facts, "vertical")}
    for pole in (0.0, 180.0):
        here = next((fact for angle, fact in horizontal.items() if abs(angle) == pole), None)
        if here is None or any(abs(angle) == pole for angle in upright):
            continue
        found = _level_at(upright, pole)
        if found is not None:
            off[pole], step = found[0] - here.band_level_db, found[1]
    if not off:
        return []
    limit = LIMITS["coarse_gain_db" if step > LIMITS["coarse_from_deg"] else "gain_db"]
    mean = float(np.mean([*off.values()]))
    alike = max(off.values()) - min(off.values()) < max(LIMITS["sides_alike_db"], 0.5 * abs(mean))
    if abs(mean) <= limit or not alike:
        return []
    way = "above" if mean > 0 else "below"
    where = "ahead and behind" if len(off) == 2 else "ahead" if 0.0 in off else "behind"
    takes = tuple(fact.id for fact in upright.values())
    return [flag("orbit_level", mean, limit, takes=takes, way=way, where=where)]


def _level_at(orbit: dict[float, TakeFacts], pole_deg: float) -> tuple[float, float] | None:
    """Level that an orbit would have at a pole, by an even parabola through its neighbors, and their step [degrees]."""
    near: dict[float, list[float]] = {}
    for angle, fact in orbit.items():
        apart = round(abs(180.0 - (180.0 - (angle - pole_deg)) % 360.0), 3)
        if 0.0 < apart <= 45.0:
            near.setdefault(apart, []).append(fact.band_level_db)
    pairs = sorted((apart, float(np.mean(levels))) for apart, levels in near.items() if len(levels) == 2)
    if not pairs:
        return None
    if len(pairs) == 1:
        return pairs[0][1], pairs[0][0]
    (a, at_a), (b, at_b) = pairs[:2]
    return (b * b * at_a - a * a * at_b) / (b * b - a * a), a


def mirrored_flags(facts: Sequence[TakeFacts], drivers: Sequence[Driver], speed_m_s: float) -> list[QualityFlag]:
    """Vertical angles against the drivers' heights: from above, the sound of a low woofer comes later.

    The bass's delay between takes at the same angle up and down, less that of the treble, is 2 h sin(angle) / c for
    drivers h apart (own derivation).
    """
    cones = [one for one in drivers if one.kind == "cone"]
    tops = [one for one in drivers if one.kind in ("dome", "horn", "ribbon")]
    if not cones or not tops:
        return []
    largest = max(cones, key=lambda one: one.diameter_m)
    low = [one.position_m[2] for one in cones if one.diameter_m > 0.8 * largest.diameter_m]
    stated = float(np.mean([one.position_m[2] for one in tops])) - float(np.mean(low))
    if abs(stated) < LIMITS["least_height_m"]:
        return []
    heights, takes = [], []
    orbit = {wrapped_deg(facts[i].angle_deg or 0.0): facts[i] for i in by_angle(facts, "vertical")}
    for angle, up in orbit.items():
        down = orbit.get(-angle)
        if not _HEIGHT_DEG[0] <= angle <= _HEIGHT_DEG[1] or down is None or up.impulse.size != down.impulse.size:
            continue
        late = _lag_s(up, down, _LOW_HZ) - _lag_s(up, down, _HIGH_HZ)
        heights.append(late * speed_m_s / (2.0 * math.sin(math.radians(angle))))
        takes += [up.id, down.id]
    if len(heights) < 2:
        return []
    seen = float(np.median(heights))
    if not -1.6 < seen / stated < -LIMITS["mirrored_share"]:
        return []
    ways = ["below" if at > 0 else "above" for at in (seen, stated)]
    return [
        flag("mirrored", seen, stated, takes=takes, seen_cm=abs(seen) * 100, stated_cm=abs(stated) * 100, ways=ways)
    ]


def late_flags(facts: Sequence[TakeFacts]) -> list[QualityFlag]:
    """Takes whose bass comes later or earlier than that of both neighbors: the recording started at another moment."""
    odd: dict[str, float] = {}
    for orbit in _ORBITS:
        rows = by_angle(facts, orbit)
        if len(rows) < 5 or len({facts[i].impulse.size for i in rows}) != 1:
            continue
        lags = [_lag_s(facts[b], facts[a], (100.0, 500.0), arrival=True) for a, b in pairwise(rows)]
        for k in range(1, len(rows) - 1):
            before, after = lags[k - 1], -lags[k]
            least = min(abs(before), abs(after))
            if (
                before * after > 0.0
                and least > LIMITS["late_s"]
                and abs(before - after) < 0.5 * max(abs(before), abs(after))
            ):
                odd[facts[rows[k]].id] = 0.5 * (before + after)
    if not odd:
        return []
    worst = max(odd, key=lambda take: abs(odd[take]))
    number, way = 1e3 * odd[worst], "later" if odd[worst] > 0 else "earlier"
    more = f", and {len(odd) - 1} more" if len(odd) > 1 else ""
    return [flag("late_take", number, 1e3 * LIMITS["late_s"], takes=tuple(odd), worst=worst, way=way, more=more)]


def _lag_s(one: TakeFacts, other: TakeFacts, band_hz: tuple[float, float], *, arrival: bool = False) -> float:
    """How much later a band comes in `one` than in `other` [s], by the largest correlation.

    arrival : counted from the arrivals told for both takes, else from where their own treble begins
    """
    from scipy import fft

    count = 4 * one.impulse.size
    hz = fft.rfftfreq(count, 1.0 / one.impulse_rate_hz)
    octaves = np.maximum(np.log2(band_hz[0] / np.maximum(hz, 1e-9)), np.log2(np.maximum(hz, 1e-9) / band_hz[1]))
    weight = np.clip(1.0 - 2.0 * octaves, 0.0, 1.0)
    across = fft.irfft(fft.rfft(one.impulse, count) * np.conj(fft.rfft(other.impulse, count)) * weight, count)
    reach = round(4e-3 * one.impulse_rate_hz)
    near: FloatArray = np.concatenate([across[-reach:], across[: reach + 1]])
    top = int(np.argmax(near))
    part = 0.0
    if 0 < top < near.size - 1:
        bend = near[top - 1] - 2.0 * near[top] + near[top + 1]
        part = 0.5 * (near[top - 1] - near[top + 1]) / bend if bend != 0.0 else 0.0
    begun = one.arrival_s - other.arrival_s if arrival else 0.0
    return (top - reach + part) / one.impulse_rate_hz + begun
