"""Red flags of whole orbits, and of two that meet ahead and behind: what single takes cannot show."""

import math
from collections.abc import Sequence
from itertools import pairwise
from math import prod
from typing import Any

import numpy as np

from earwitness.quantities import ComplexArray, FloatArray, Orbit, QualityFlag
from earwitness.reduce.flags import THRESHOLDS, TakeFacts, by_angle, flag, limits, wrapped_deg
from earwitness.session.record import Driver

_ORBITS: tuple[Orbit, ...] = ("horizontal", "vertical")
_SHADOW = 0.05
_BANDS_HZ = 1000.0 * 2.0 ** (np.arange(-7, 13) / 3)


def orbit_flags(
    facts: Sequence[TakeFacts], level_db: FloatArray, hz: FloatArray, *, symmetric: bool, heard_to_hz: float = 20_000.0,
    half_space: bool = False,
) -> list[QualityFlag]:  # fmt: skip
    """Missing, repeated or mislabeled angles, and a left that is not like the right.

    level_db : (T, F), one row per fact, on hz (F,); facts without an orbit are passed over
    symmetric : True when the cabinet is built the same left and right; heard_to_hz : what lies above it is noise, as
    of a subwoofer, and says nothing of angles; half_space : in a wall, with nothing beyond 90 degrees
    Raises ValueError for levels of another shape.
    """
    if level_db.shape != (len(facts), hz.size):
        raise ValueError(f"levels have shape {level_db.shape}, expected {(len(facts), hz.size)}")
    bands, band_hz = third_octaves(level_db, hz)
    bands, band_hz = bands[:, band_hz < heard_to_hz], band_hz[band_hz < heard_to_hz]
    flags: list[QualityFlag] = []
    flags += _missing(facts, symmetric, 90.0 if half_space else 180.0)
    if heard_to_hz > 2.0 * THRESHOLDS["duplicate_above_hz"]:
        flags += _duplicates(facts, symmetric)
    for orbit in _ORBITS:
        rows = by_angle(facts, orbit)
        angles = np.array([wrapped_deg(facts[i].angle_deg or 0.0) for i in rows])
        flags += _rear_louder(facts, rows, angles, bands, band_hz)
        flags += _swapped(facts, rows, angles, bands[rows][:, band_hz >= 1000.0])
    if symmetric:
        flags += _asymmetry(facts, bands, band_hz)
    return flags


def third_octaves(level_db: FloatArray, hz: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Power means (T, B) in third octaves from 200 Hz to 16 kHz [dB], and their centers (B,), as far as hz reaches."""
    inside = [(hz >= center * 2 ** (-1 / 6)) & (hz < center * 2 ** (1 / 6)) for center in _BANDS_HZ]
    kept = [i for i, columns in enumerate(inside) if columns.any()]
    power = 10 ** (level_db / 10)
    if not kept:
        return np.zeros((level_db.shape[0], 0)), np.zeros(0)
    means = np.stack([power[:, inside[i]].mean(axis=1) for i in kept], axis=1)
    return 10 * np.log10(np.maximum(means, 1e-300)), _BANDS_HZ[kept]


def _missing(facts: Sequence[TakeFacts], symmetric: bool, last_deg: float) -> list[QualityFlag]:
    flags: list[QualityFlag] = []
    step = THRESHOLDS["orbit_step_deg"]
    required = np.arange(-last_deg, last_deg + step / 2, step)[int(last_deg == 180.0) :]
    have = {
        orbit: np.array([wrapped_deg(facts[i].angle_deg or 0.0) for i in by_angle(facts, orbit)]) for orbit in _ORBITS
    }
    for orbit in _ORBITS:
        other = have["vertical" if orbit == "horizontal" else "horizontal"]
        shared = other[(np.abs(other) < 0.5) | (np.abs(other) > 179.5)]
        present = np.concatenate([have[orbit], shared])
        lacking = [a for a in required if not _near(present, a)]
        if not lacking:
            continue
        mirrored = symmetric and orbit == "horizontal" and all(_near(present, -a) for a in lacking)
        shown = ", ".join(f"{a:.0f}" for a in lacking[:6]) + (", ..." if len(lacking) > 6 else "")
        told: dict[str, Any] = {"orbit": orbit, "count": required.size, "shown": shown}
        flags.append(flag("angles_of_one_side" if mirrored else "missing_angles", len(lacking), **told))
    return flags


def _near(angles: FloatArray, angle_deg: float) -> bool:
    apart = np.abs(180.0 - np.mod(180.0 - (angles - angle_deg), 360.0))
    return bool(apart.size and apart.min() < 1.0)


def _duplicates(facts: Sequence[TakeFacts], symmetric: bool) -> list[QualityFlag]:
    """Two different directions with the same response: one recording under two names, or a turntable that stood."""
    placed = [f for f in facts if f.orbit is not None and f.angle_deg is not None and f.impulse.any()]
    if len(placed) < 2 or len({f.impulse_rate_hz for f in placed}) != 1:
        return []
    spectra = _above(placed, THRESHOLDS["duplicate_above_hz"])
    # The same recording has the same level too, so alike is more than of the same shape.
    power = np.sum(np.abs(spectra) ** 2, axis=1)
    alike = 2 * np.abs(spectra @ spectra.conj().T) / (power[:, None] + power[None, :])
    found = np.argwhere(np.triu(alike > _duplicate_limits(placed, symmetric), 1))
    if not found.size:
        return []
    pairs = [(placed[i].id, placed[j].id) for i, j in found]
    strongest = float(alike[found[:, 0], found[:, 1]].max())
    takes = tuple(dict.fromkeys(name for pair in pairs for name in pair))
    limit = THRESHOLDS["duplicate_correlation"]
    others = len(pairs) - 1
    more = f", and {others} more pair{'s' if others > 1 else ''}" if others else ""
    band = (2000.0, 20_000.0)
    return [flag("duplicate", min(strongest, 1.0), limit, takes=takes, band_hz=band, first=pairs[0], more=more)]


def _above(placed: Sequence[TakeFacts], low_hz: float) -> ComplexArray:
    """(T, bins) spectra above low_hz, scaled alike."""
    from scipy import fft

    count = max(f.impulse.size for f in placed)
    spectra: ComplexArray = np.stack([fft.rfft(f.impulse, count) for f in placed])
    bins = fft.rfftfreq(count, 1 / placed[0].impulse_rate_hz)
    spectra = spectra[:, (bins >= low_hz) & (bins <= 20_000.0)]
    scaled: ComplexArray = spectra / np.max(np.linalg.norm(spectra, axis=1))
    return scaled


def _duplicate_limits(placed: Sequence[TakeFacts], symmetric: bool) -> FloatArray:
    """(T, T), infinite for the same direction; stricter for neighbors and mirrored sides, which may truly be alike."""
    angle = np.array([wrapped_deg(fact.angle_deg or 0.0) for fact in placed])
    upright = np.array([fact.orbit == "vertical" for fact in placed])
    one_orbit = upright[:, None] == upright
    pole = (np.abs(angle) < 0.5) | (np.abs(angle) > 179.5)
    apart = np.abs(180.0 - np.mod(180.0 - (angle[:, None] - angle), 360.0))
    same = (apart < 0.5) & (one_orbit | (pole[:, None] & pole))
    mirrored = one_orbit & (np.abs(180.0 - np.mod(180.0 - (angle[:, None] + angle), 360.0)) < 0.5)
    # Up and down may be alike too, as with a horn that stands for itself.
    same |= mirrored & (symmetric | upright[:, None])
    # What is built alike all around its axis sounds alike at one angle of both orbits.
    same |= ~one_orbit & (np.abs(np.abs(angle)[:, None] - np.abs(angle)) < 0.5)
    steep = np.maximum(np.abs(angle)[:, None], np.abs(angle))
    close = mirrored | (apart <= 10.5) | (~one_orbit & (steep <= 20.5))
    limit = np.where(close, THRESHOLDS["duplicate_close_correlation"], THRESHOLDS["duplicate_correlation"])
    return np.where(same, np.inf, limit)


def _rear_louder(
    facts: Sequence[TakeFacts], rows: Sequence[int], angles: FloatArray, bands: FloatArray, band_hz: FloatArray
) -> list[QualityFlag]:
    front, rear = np.flatnonzero(np.abs(angles) < 0.5), np.flatnonzero(np.abs(angles) > 179.5)
    high = band_hz > THRESHOLDS["rear_louder_above_hz"]
    if not front.size or not rear.size or not high.any():
        return []
    ahead, behind = rows[int(front[0])], rows[int(rear[0])]
    excess = float(np.mean(bands[behind, high] - bands[ahead, high]))
    limit = THRESHOLDS["rear_louder_db"]
    if excess <= limit:
        return []
    takes = (facts[ahead].id, facts[behind].id)
    return [flag("mislabeled", excess, limit, takes=takes, band_hz=(5000.0, 20_000.0))]


def _swapped(
    facts: Sequence[TakeFacts], rows: Sequence[int], angles: FloatArray, bands: FloatArray
) -> list[QualityFlag]:
    """Two takes that fit each other's place, by all the others, far better than their own."""
    count = len(rows)
    if count < 6 or bands.shape[1] == 0:
        return []
    gaps = np.diff(angles, append=angles[0] + 360.0)
    if np.median(gaps) > THRESHOLDS["neighbors_within_deg"]:
        return []
    closed = bool(np.ptp(gaps) < 1.0)
    # What lies in deep shadow is rough by itself, and says little of its place.
    weight = np.clip(10.0 ** ((bands - bands.max(axis=0)) / 20.0), _SHADOW, 1.0)
    best: tuple[float, int, int] | None = None
    for one in range(count):
        for other in range(one + 1, count):
            change = bands[one] - bands[other]
            shared = np.minimum(weight[one], weight[other])
            if np.sqrt(np.mean(change**2)) < THRESHOLDS["swap_change_db"]:
                continue
            meant = [_by_the_others(angles, bands, at, (one, other), closed) for at in (one, other)]
            if meant[0] is None or meant[1] is None:
                continue
            own = np.sum(shared * ((bands[one] - meant[0]) ** 2 + (bands[other] - meant[1]) ** 2))
            exchanged = np.sum(shared * ((bands[other] - meant[0]) ** 2 + (bands[one] - meant[1]) ** 2))
            ratio = float(exchanged / max(own, 1e-12))
            if best is None or ratio < best[0]:
                best = (ratio, one, other)
    limit = THRESHOLDS["swap_ratio"]
    if best is None or best[0] >= limit:
        return []
    takes = (facts[rows[best[1]]].id, facts[rows[best[2]]].id)
    return [flag("swapped", best[0], limit, takes=takes, band_hz=(1000.0, 16_000.0))]


def _by_the_others(
    angles: FloatArray, bands: FloatArray, at: int, out: tuple[int, int], closed: bool
) -> FloatArray | None:
    """Levels (B,) that the two nearest takes on each side of an angle ask for there, by the cubic through them."""
    count = angles.size
    sides: list[tuple[float, int]] = []
    for step in (-1, 1):
        found, place = 0, at
        while found < 2:
            place += step
            if (not closed and not 0 <= place < count) or abs(place - at) >= count:
                return None
            if place % count in out:
                continue
            sides.append((float(angles[place % count] + 360.0 * (place // count)), place % count))
            found += 1
    here = [angle - float(angles[at]) for angle, _ in sides]
    # Lagrange's weights at zero.
    shares = [prod(other / (other - one) for k, other in enumerate(here) if k != own) for own, one in enumerate(here)]
    return np.asarray(sum(share * bands[row] for share, (_, row) in zip(shares, sides, strict=True)), dtype=np.float64)


def _asymmetry(facts: Sequence[TakeFacts], bands: FloatArray, band_hz: FloatArray) -> list[QualityFlag]:
    """Left against right on the horizontal orbit, and the turntable's zero that would explain it."""
    rows = by_angle(facts, "horizontal")
    angles = np.array([wrapped_deg(facts[i].angle_deg or 0.0) for i in rows])
    level = bands[rows][:, (band_hz > 199.0) & (band_hz < 8100.0)]
    within = THRESHOLDS["asymmetry_within_deg"] + 0.5
    left = [i for i, a in enumerate(angles) if 0.5 < a <= within and np.any(np.abs(angles + a) < 0.5)]
    if len(left) < 3 or level.shape[1] == 0:
        return []
    right = [int(np.argmin(np.abs(angles + angles[i]))) for i in left]
    apart = np.abs(level[left] - level[right])
    mean, largest = float(apart.mean()), float(apart.max())
    flags: list[QualityFlag] = []
    names = tuple(facts[rows[i]].id for i in (*left, *right))
    for number, key in ((mean, "asymmetry_mean_db"), (largest, "asymmetry_largest_db")):
        if number > THRESHOLDS[key]:
            both, band = (mean, largest), (200.0, 8000.0)
            flags.append(flag("asymmetry", number, THRESHOLDS[key], takes=names, band_hz=band, both=both))
            break
    offset = angle_offset_deg(angles, level)
    limit = THRESHOLDS["angle_offset_deg"]
    if offset is not None and abs(offset) > limit:
        flags.append(flag("angle_offset", offset, limit, takes=names))
    return flags


def angle_offset_deg(angles_deg: FloatArray, level_db: FloatArray) -> float | None:
    """Angle about which levels (A, B) on rising angles (A,) are most symmetric [degrees]; None where they are too few.

    Where every angle looks alike there is no offset to find: 0.
    """
    from scipy.interpolate import CubicSpline

    reach, half = 10.0, np.arange(5.0, 60.1, 5.0)
    if angles_deg.size < 7 or angles_deg[0] > -reach - 50 or angles_deg[-1] < reach + 50:
        return None
    curve = CubicSpline(angles_deg, level_db, axis=0)
    offsets = np.arange(-reach, reach + 0.05, 0.1)
    left, right = curve(offsets[:, None] + half), curve(offsets[:, None] - half)
    cost = np.sum((left - right) ** 2, axis=(1, 2))
    # A shallow minimum proves nothing: it must explain most of what the stated zero leaves.
    if cost.min() > 0.5 * cost[offsets.size // 2]:
        return 0.0
    return float(offsets[int(np.argmin(cost))])


# Own choices, tried on simulated loudspeakers with gains and angles as they are and as they should not be.
LIMITS = limits("poles")
_LOW_HZ, _HIGH_HZ = (300.0, 900.0), (3000.0, 12_000.0)
_HEIGHT_DEG = (15.0, 65.0)


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
