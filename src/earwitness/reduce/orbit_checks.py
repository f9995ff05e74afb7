"""Red flags of a whole orbit: what single takes cannot show."""

from collections.abc import Sequence
from math import prod
from typing import Any

import numpy as np

from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.quantities.directions import Orbit
from earwitness.quantities.quality import QualityFlag
from earwitness.reduce.flags import flag
from earwitness.reduce.take_facts import THRESHOLDS, TakeFacts, by_angle, wrapped_deg

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
