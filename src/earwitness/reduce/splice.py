"""Near field and gated far field joined into one response."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, lock_fields
from earwitness.quantities.measurement import Splice

NARROWEST_OVERLAP = 2.0 ** (1 / 3)
WIDEST_BLEND_OCTAVES = 1.0
# A whole order of a filter: what drifts apart so fast is not the same sound (project default).
STEEPEST_DB_PER_OCTAVE = 6.0
ANGLE_REMATCH_DB = 0.5
_REMATCH_FADE_OCTAVES = 2.0
_ANGLE_DELAY_S = 1e-3
_DELAY_SEARCH_S = 5e-3
_DELAY_DOUBT_PER_S = 20.0
_WIDTH_ALLOWANCE_DB = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class SpliceResult:
    """pressure : (D, F) complex; u_db : (D, F) standard uncertainty [dB]; report : what was done on the axis."""

    pressure: ComplexArray
    u_db: FloatArray
    report: Splice

    def __post_init__(self) -> None:
        lock_fields(self, pressure=complex, u_db=float)


def splice(
    hz: FloatArray,
    far: ComplexArray,
    near: ComplexArray,
    far_low_hz: float,
    near_high_hz: float,
    u_far_db: FloatArray,
    u_near_db: FloatArray,
    on_axis_row: int,
) -> SpliceResult | str:
    """One response from a far field that holds above `far_low_hz` and a near field that holds below `near_high_hz`.

    far, near : (D, F) complex in the same unit and on the same frequencies hz (F,); u_far_db (D, F), u_near_db (F,)
    on_axis_row : row on which the blend's place, the level and the polarity are settled for all directions

    The blend lies where both agree best inside the limits; level and phase are blended apart, with a raised cosine
    in log frequency. Each direction keeps its own alignment in time and at most 0.5 dB of its own in level, which
    fades out downward. The uncertainty holds both parts fully correlated, half the change when the blend moves by
    a third of an octave, and the scatter of the level match.
    Returns the reason, a sentence, where no honest joint exists.
    Raises ValueError for arrays that do not fit together.
    """
    hz = np.asarray(hz, dtype=float)
    if (
        far.shape != near.shape
        or far.shape != u_far_db.shape
        or far.shape[1:] != hz.shape
        or u_near_db.shape != hz.shape
    ):
        raise ValueError("far field, near field and their uncertainties do not stand on the same directions and hz")
    reason = refusal(hz, far, near, far_low_hz, near_high_hz)
    if reason:
        return reason
    ratio = _ratio_db(far, near)
    low, high = _region(hz, ratio[on_axis_row], far_low_hz, near_high_hz)
    inside = _inside(hz, low, high)
    gain, slope, spread = _match(hz[inside], ratio[on_axis_row, inside])
    if abs(slope) > STEEPEST_DB_PER_OCTAVE:
        return (
            f"Near field and far field drift apart by {abs(slope):.0f} dB per octave between {low:.0f} and "
            f"{high:.0f} Hz, so what is left there is not the same sound in both."
        )
    shared = _inside(hz, far_low_hz, near_high_hz)
    on_axis = slice(on_axis_row, on_axis_row + 1)
    delays, turned_over = _align(hz[shared], far[on_axis, shared], near[on_axis, shared])
    delay, inverted = float(delays[0]), bool(turned_over[0])
    matched = near * 10 ** (gain / 20) * (-1.0 if inverted else 1.0)
    matched = _per_direction(hz, far, matched, shared, inside, low, delay)
    pressure = _blend(hz, far, matched, low, high)
    u_db = _uncertainty(hz, far, matched, pressure, low, high, u_far_db, u_near_db, spread)
    return SpliceResult(pressure, u_db, _report(low, high, gain, slope, spread, delay, inverted))


def refusal(hz: FloatArray, far: ComplexArray, near: ComplexArray, far_low_hz: float, near_high_hz: float) -> str:
    """Why the two cannot be joined, or ""."""
    if near_high_hz < far_low_hz * NARROWEST_OVERLAP:
        return (
            f"The far field holds above {far_low_hz:.0f} Hz and the near field below {near_high_hz:.0f} Hz: "
            "they share less than a third of an octave, so nothing shows that they belong together."
        )
    inside = _inside(hz, far_low_hz, near_high_hz)
    if inside.sum() < 4:
        return f"Too few frequencies lie between {far_low_hz:.0f} and {near_high_hz:.0f} Hz to join the two responses."
    shared = np.stack([far[:, inside], near[:, inside]])
    if not np.isfinite(shared).all() or (np.abs(shared) == 0).any():
        return "One of the two responses is zero or not a number where they overlap."
    return ""


def blend_weight(hz: FloatArray, low_hz: float, high_hz: float) -> FloatArray:
    """(F,) weight of the far field: 0 below low_hz, 1 above high_hz, raised cosine in log frequency between."""
    x = np.clip(np.log(hz / low_hz) / np.log(high_hz / low_hz), 0.0, 1.0)
    weight: FloatArray = (1 - np.cos(np.pi * x)) / 2
    return weight


def _ratio_db(far: ComplexArray, near: ComplexArray) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return 20 * (np.log10(np.abs(far)) - np.log10(np.abs(near)))


def _inside(hz: FloatArray, low_hz: float, high_hz: float) -> BoolArray:
    return np.asarray((hz >= low_hz * (1 - 1e-9)) & (hz <= high_hz * (1 + 1e-9)), dtype=bool)


def _region(hz: FloatArray, ratio_db: FloatArray, low_hz: float, high_hz: float) -> tuple[float, float]:
    """The widest band whose scatter about its mean comes within 0.1 dB of the best band's."""
    span = np.log2(high_hz / low_hz)
    found: list[tuple[float, float, float]] = []
    for width in np.arange(1 / 3, min(span, WIDEST_BLEND_OCTAVES) + 1e-9, 1 / 12):
        for start in np.arange(0.0, span - width + 1e-9, 1 / 12):
            inside = _inside(hz, low_hz * 2**start, low_hz * 2 ** (start + width))
            if inside.sum() >= 4:
                found.append((float(np.std(ratio_db[inside])), float(start), float(width)))
    if not found:
        return low_hz, high_hz
    best = min(scatter for scatter, _, _ in found)
    good = [entry for entry in found if entry[0] <= best + _WIDTH_ALLOWANCE_DB]
    _, start, width = max(good, key=lambda entry: (round(entry[2], 6), -entry[0]))
    return low_hz * 2**start, low_hz * 2 ** (start + width)


def _match(hz: FloatArray, ratio_db: FloatArray) -> tuple[float, float, float]:
    """Mean [dB], slope [dB/octave] and scatter about that slope [dB] of the level difference."""
    octaves = np.log2(hz) - np.mean(np.log2(hz))
    gain = float(np.mean(ratio_db))
    slope = float(np.sum(octaves * ratio_db) / np.sum(octaves**2))
    return gain, slope, float(np.std(ratio_db - gain - slope * octaves))


def _align(
    hz: FloatArray, far: ComplexArray, near: ComplexArray, *, about_s: float | None = None
) -> tuple[FloatArray, BoolArray]:
    """Delay [s] to put on each near field (D,), and whether it is inverted (D,).

    far, near : (D, F); with `about_s` only delays within 1 ms of it are tried.
    """
    product = far * np.conj(near)
    product = product / np.abs(product)
    reach = (
        (-_DELAY_SEARCH_S, _DELAY_SEARCH_S) if about_s is None else (about_s - _ANGLE_DELAY_S, about_s + _ANGLE_DELAY_S)
    )
    tried = np.arange(reach[0], reach[1] + 1e-9, 2e-5)
    turned = product @ np.exp(2j * np.pi * np.outer(hz, tried))
    # Through the origin the phase is a delay and a sign; over a narrow band half a period and a sign look alike,
    # and then the shorter delay wins.
    fit = np.abs(turned.real) / hz.size - _DELAY_DOUBT_PER_S * np.abs(tried - (about_s or 0.0))
    best = np.argmax(fit, axis=1)
    inverted = np.asarray(np.take_along_axis(turned.real, best[:, None], axis=1)[:, 0] < 0, dtype=bool)
    sign = np.where(inverted, -1.0, 1.0)[:, None]
    left = np.angle(product * np.exp(2j * np.pi * hz * tried[best][:, None]) * sign)
    omega = 2 * np.pi * hz
    delay: FloatArray = tried[best] - left @ omega / np.sum(omega**2)
    return delay, inverted


def _per_direction(
    hz: FloatArray,
    far: ComplexArray,
    near: ComplexArray,
    shared: BoolArray,
    inside: BoolArray,
    low_hz: float,
    delay_s: float,
) -> ComplexArray:
    """The near field of every direction with its own delay and its own small level match."""
    octaves_below = np.log2(low_hz / hz)
    fade = 0.5 + 0.5 * np.cos(np.pi * np.clip(octaves_below / _REMATCH_FADE_OCTAVES, 0.0, 1.0))
    delay, inverted = _align(hz[shared], far[:, shared], near[:, shared], about_s=delay_s)
    own_s = np.where(inverted, delay_s, delay)[:, None]
    offset = np.mean(_ratio_db(far[:, inside], near[:, inside]), axis=1, keepdims=True)
    rematch = np.clip(offset, -ANGLE_REMATCH_DB, ANGLE_REMATCH_DB) * fade
    matched: ComplexArray = near * 10 ** (rematch / 20) * np.exp(-2j * np.pi * hz * own_s)
    return matched


def _blend(hz: FloatArray, far: ComplexArray, near: ComplexArray, low_hz: float, high_hz: float) -> ComplexArray:
    """Level and phase blended apart, so that a phase difference makes no dip."""
    weight = blend_weight(hz, low_hz, high_hz)
    out = np.where(weight >= 1.0, far, near)
    mixed = np.flatnonzero((weight > 0) & (weight < 1))
    if mixed.size == 0:
        return out
    w, f, n = weight[mixed], far[:, mixed], near[:, mixed]
    turn = np.unwrap(np.angle(f * np.conj(n)), axis=-1)
    turn -= 2 * np.pi * np.round(np.mean(turn, axis=-1, keepdims=True) / (2 * np.pi))
    tiny = np.finfo(float).tiny
    level = w * np.log(np.maximum(np.abs(f), tiny)) + (1 - w) * np.log(np.maximum(np.abs(n), tiny))
    out[:, mixed] = np.exp(level + 1j * (np.angle(n) + w * turn))
    return out


def _uncertainty(
    hz: FloatArray,
    far: ComplexArray,
    matched: ComplexArray,
    pressure: ComplexArray,
    low_hz: float,
    high_hz: float,
    u_far_db: FloatArray,
    u_near_db: FloatArray,
    spread_db: float,
) -> FloatArray:
    """(D, F) from both parts, the place of the blend and the scatter of the match."""
    weight = blend_weight(hz, low_hz, high_hz)
    parts = np.where(weight > 0, weight * np.where(weight > 0, u_far_db, 0.0), 0.0)
    parts = parts + np.where(weight < 1, (1 - weight) * np.where(weight < 1, u_near_db, 0.0), 0.0)
    third = NARROWEST_OVERLAP
    moved = [_blend(hz, far, matched, low_hz * by, high_hz * by) for by in (1 / third, third)]
    tiny = np.finfo(float).tiny
    levels = [20 * np.log10(np.maximum(np.abs(p), tiny)) for p in (pressure, *moved)]
    place = (np.max(levels, axis=0) - np.min(levels, axis=0)) / 2
    thirds = max(1.0, 3 * np.log2(high_hz / low_hz))
    match = np.where(weight < 1, spread_db / np.sqrt(thirds), 0.0)
    result: FloatArray = np.sqrt(parts**2 + place**2 + match**2)
    return result


def _report(low: float, high: float, gain: float, slope: float, spread: float, delay: float, inverted: bool) -> Splice:
    sentence = (
        f"Near field and far field are blended from {low:.0f} to {high:.0f} Hz; the near field was "
        f"{'raised' if gain >= 0 else 'lowered'} by {abs(gain):.1f} dB to meet the far field, "
        f"and the two differ there by {spread:.2f} dB in scatter and {abs(slope):.1f} dB per octave in slope."
    )
    if inverted:
        sentence += " The near-field recordings had the opposite polarity and were turned over."
    return Splice(low, high, gain, 0.0, slope, spread, delay, inverted, sentence)
