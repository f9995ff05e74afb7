"""Near field and gated far field joined into one response."""

from dataclasses import dataclass

import numpy as np

from earwitness.files.data import worded
from earwitness.quantities import BoolArray, Cause, ComplexArray, FloatArray, Locked, Splice

NARROWEST_OVERLAP = 2.0 ** (1 / 3)
WIDEST_BLEND_OCTAVES = 1.0
# Half an order of a filter: what drifts apart so fast is not the same sound (own choice).
STEEPEST_DB_PER_OCTAVE = 3.0
# A gain of the near field beyond this, and beyond three standard uncertainties, is a mistake and no gain (own choice).
LARGEST_GAIN_DB = 3.0
LARGEST_GAIN_BY_HAND_DB = 6.0
# What near and far chain may differ by: one recording rig with a loop-back, or voltages and gains stated by hand.
CHAIN_U_DB = 0.15
CHAIN_BY_HAND_U_DB = 1.0
# The far field's own error where they meet, beside the gate's (from simulated boxes and spheres, docs/accuracy.md).
FAR_LEVEL_U_DB = 0.12
ANGLE_REMATCH_DB = 0.5
_REMATCH_FADE_OCTAVES = 2.0
_ANGLE_DELAY_S = 1e-3
_DELAY_SEARCH_S = 5e-3
_DELAY_DOUBT_PER_S = 20.0
_WIDTH_ALLOWANCE_DB = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class LevelPrior(Locked):
    """What is known beforehand of both levels on the axis, over frequency (F,).

    chain_u_db : of the near field's recording chain against the far field's; near_u_db : all that moves the whole near
    field, the chain with it; far_u_db : of the far field and of the cabinet's model there
    known : a loop-back tells level, start and polarity of both; may_turn : all near fields agree in polarity
    """

    chain_u_db: float
    near_u_db: FloatArray
    far_u_db: FloatArray
    known: bool
    may_turn: bool


@dataclass(frozen=True, slots=True, eq=False)
class SpliceResult(Locked):
    """pressure : (D, F) complex; u_db : (D, F) standard uncertainty of each direction alone [dB]

    causes : what the joint itself leaves open; share : of the measured gain that was put on the near field
    report : what was done on the axis
    """

    pressure: ComplexArray
    u_db: FloatArray
    causes: tuple[Cause, ...]
    share: float
    report: Splice


def splice(
    hz: FloatArray,
    far: ComplexArray,
    near: ComplexArray,
    far_low_hz: float,
    near_high_hz: float,
    u_far_db: FloatArray,
    u_near_db: FloatArray,
    on_axis_row: int,
    levels: LevelPrior,
) -> SpliceResult | str:
    """One response from a far field that holds above `far_low_hz` and a near field that holds below `near_high_hz`.

    far, near : (D, F) complex in the same unit and on the same frequencies hz (F,); u_far_db (D, F), u_near_db (F,)
    on_axis_row : row on which the blend's place, the level and the polarity are settled for all directions

    The blend lies where both agree best inside the limits; level and phase are blended apart, with a raised cosine
    in log frequency. Each direction keeps its own alignment in time and at most 0.5 dB of its own in level, which
    fades out downward. Of the gain that the near field would need on the axis only the share is put on that is more
    likely the near field's error than the far field's, s_near^2 / (s_near^2 + s_far^2), and that share without fade:
    what is wrong with a recording chain does not fade (own choice, from simulated boxes and spheres, docs/accuracy.md).
    Causes of error: that share of the far field's error, the rest of the chain's, and half the change when the blend
    moves by a third of an octave.
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
    shared = _inside(hz, far_low_hz, near_high_hz)
    on_axis = slice(on_axis_row, on_axis_row + 1)
    delays, turned_over = align(hz[shared], far[on_axis, shared], near[on_axis, shared])
    delay, inverted = float(delays[0]), bool(turned_over[0])
    scatter = spread / np.sqrt(max(1.0, 3 * np.log2(high / low)))
    near_u, far_u = float(np.mean(levels.near_u_db[inside])), float(np.mean(levels.far_u_db[inside]))
    far_u = float(np.hypot(far_u, scatter))
    reason = _impossible(levels, float(np.hypot(near_u, far_u)), gain, slope, inverted=inverted, band_hz=(low, high))
    if reason:
        return reason
    share = near_u**2 / (near_u**2 + far_u**2)
    matched = near * 10 ** (share * gain / 20) * (-1.0 if inverted else 1.0)
    matched = _per_direction(hz, far, matched, shared, inside, low_hz=low, delay_s=delay, on_axis_row=on_axis_row)
    pressure = _blend(hz, far, matched, low, high)
    near_part = 1 - blend_weight(hz, low, high)
    causes = (
        Cause(
            name="level at the splice",
            source=f"near field and far field where they meet, {share:.0%} of their difference put on the near field",
            pull_db=share * far_u * near_part[None, :],
        ),
        Cause(
            name="near-field chain",
            source="as one rig with a loop-back" if levels.known else "voltages and gain as stated by hand",
            pull_db=(1 - share) * levels.chain_u_db * near_part[None, :],
        ),
        Cause(
            name="place of the splice",
            source="a third of an octave either way",
            pull_db=_place_db(hz=hz, far=far, matched=matched, pressure=pressure, low_hz=low, high_hz=high),
        ),
    )
    u_db = _own_u_db(hz, low, high, u_far_db, u_near_db)
    report = _report(low, high=high, gain=gain, share=share, slope=slope, spread=spread, delay=delay, inverted=inverted)
    return SpliceResult(pressure, u_db, causes, share, report)


def _impossible(
    levels: LevelPrior, u_db: float, gain: float, slope: float, inverted: bool, band_hz: tuple[float, float]
) -> str:
    """Why the two cannot be one loudspeaker's, probable cause first, or "". u_db : of their difference."""
    band = f"between {band_hz[0]:.0f} and {band_hz[1]:.0f} Hz"
    if abs(slope) > STEEPEST_DB_PER_OCTAVE:
        return worded("reduce.splice_apart_2", slope=abs(slope), band=band) + (
            "" if levels.known else " Without a loop-back another clock or sweep than is stated does that too."
        )
    if inverted and (levels.known or not levels.may_turn):
        return worded("reduce.near_fields_turned_over", band=band)
    largest = LARGEST_GAIN_DB if levels.known else LARGEST_GAIN_BY_HAND_DB
    if abs(gain) > max(largest, 3 * u_db):
        return worded(
            "reduce.near_field_gain", gain=abs(gain), faint_or_loud="faint" if gain > 0 else "loud", band=band
        )
    return ""


def refusal(hz: FloatArray, far: ComplexArray, near: ComplexArray, far_low_hz: float, near_high_hz: float) -> str:
    """Why the two cannot be joined, or ""."""
    if near_high_hz < far_low_hz * NARROWEST_OVERLAP:
        return worded("reduce.splice_without_overlap", far_low_hz=far_low_hz, near_high_hz=near_high_hz)
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


def align(
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
    on_axis_row: int,
) -> ComplexArray:
    """The near field of every direction with its own delay and its own small level match, beside that on the axis."""
    octaves_below = np.log2(low_hz / hz)
    fade = 0.5 + 0.5 * np.cos(np.pi * np.clip(octaves_below / _REMATCH_FADE_OCTAVES, 0.0, 1.0))
    delay, inverted = align(hz[shared], far[:, shared], near[:, shared], about_s=delay_s)
    own_s = np.where(inverted, delay_s, delay)[:, None]
    offset = np.mean(_ratio_db(far[:, inside], near[:, inside]), axis=1, keepdims=True)
    rematch = np.clip(offset - offset[on_axis_row], -ANGLE_REMATCH_DB, ANGLE_REMATCH_DB) * fade
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


def _own_u_db(hz: FloatArray, low_hz: float, high_hz: float, u_far_db: FloatArray, u_near_db: FloatArray) -> FloatArray:
    """(D, F) of both parts, added as if fully correlated; what has no weight does not count, however uncertain."""
    weight = blend_weight(hz, low_hz, high_hz)
    far = np.where(weight > 0, weight * np.where(weight > 0, u_far_db, 0.0), 0.0)
    near = np.where(weight < 1, (1 - weight) * np.where(weight < 1, u_near_db, 0.0), 0.0)
    return np.asarray(far + near, dtype=float)


def _place_db(
    hz: FloatArray, far: ComplexArray, matched: ComplexArray, pressure: ComplexArray, low_hz: float, high_hz: float
) -> FloatArray:
    """(D, F) half the range of levels when the blend moves by a third of an octave, signed as from down to up."""
    third = NARROWEST_OVERLAP
    moved = [_blend(hz, far, matched, low_hz * by, high_hz * by) for by in (1 / third, third)]
    tiny = np.finfo(float).tiny
    levels = [20 * np.log10(np.maximum(np.abs(p), tiny)) for p in (moved[0], pressure, moved[1])]
    half = (np.max(levels, axis=0) - np.min(levels, axis=0)) / 2
    return np.asarray(np.where(levels[2] >= levels[0], half, -half), dtype=float)


def _report(
    low: float, high: float, gain: float, share: float, slope: float, spread: float, delay: float, inverted: bool
) -> Splice:
    sentence = (
        f"Near field and far field are blended from {low:.0f} to {high:.0f} Hz; the near field comes out "
        f"{abs(gain):.1f} dB too {'faint' if gain >= 0 else 'loud'} and was {'raised' if gain >= 0 else 'lowered'} by "
        f"{share * abs(gain):.1f} dB; the two differ there by {spread:.2f} dB in scatter and {abs(slope):.1f} dB per "
        "octave in slope."
    )
    if inverted:
        sentence += " The near-field recordings had the opposite polarity and were turned over."
    return Splice(low, high, gain, 0.0, slope, spread_db=spread, delay_s=delay, inverted=inverted, sentence=sentence)
