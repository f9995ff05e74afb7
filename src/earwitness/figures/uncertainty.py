"""Uncertainty of figures: curves as they were measured and as they could have been, through one rule for both.

After JCGM 101 (from memory). What is off by one amount in a whole session is drawn once for all its curves, by its
name, so that it cancels where curves are subtracted; what each take has for itself is drawn once a take, the same at
all frequencies. Of an uncertainty whose causes are not known half is taken to change smoothly over frequency, its
correlation falling to 1/e at one octave, and half to be independent from point to point, in variance (own choice).
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.special import ndtri

from earwitness.figures.sampling import Gap, bridged
from earwitness.figures.windows import DirectionalLevels, Windows, pulls_of_takes
from earwitness.quantities import Cause, Curve, Figure, FloatArray
from earwitness.quantities.response import smooth_basis, smooth_causes

SEED = 20_340
DRAWS = 1000
DRAWS_ALONE = 300
SMOOTH_SHARE = 0.5
_AT_ONCE = 25
# A sensitivity that so many draws would show by chance alone is none.
_CHANCE = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A curve as measured and as it could have been.

    curve : with its small gaps bridged; rows : (1 + N, F) in its unit, the measured one first; gaps : what was bridged
    """

    curve: Curve
    rows: FloatArray
    gaps: tuple[Gap, ...] = ()

    def at(self, frequency_hz: FloatArray) -> FloatArray:
        """(1 + N, G) values at other frequencies inside the axis, linear against log frequency."""
        return interpolated(self.curve.axis.hz, self.rows, frequency_hz)

    def notes(self, low_hz: float, high_hz: float) -> tuple[str, ...]:
        """A caveat for each gap that was bridged inside a band."""
        return tuple(
            gap.sentence(self.curve.name) for gap in self.gaps if gap.low_hz < high_hz and gap.high_hz > low_hz
        )

    def minus(self, other: Drawn, curve: Curve) -> Drawn:
        """Their difference, draw by draw; curve : the difference of the measured ones."""
        whole, gaps = bridged(curve)
        return Drawn(whole, self.rows - other.rows, (*self.gaps, *other.gaps, *gaps))


def interpolated(hz: FloatArray, rows: FloatArray, frequency_hz: FloatArray) -> FloatArray:
    """(N, G) rows (N, F) at other frequencies, linear against log frequency."""
    x, wanted = np.log2(hz), np.log2(frequency_hz)
    left = np.clip(np.searchsorted(x, wanted, side="right") - 1, 0, x.size - 2)
    part = np.clip((wanted - x[left]) / (x[left + 1] - x[left]), 0.0, 1.0)
    return np.asarray(rows[:, left] * (1 - part) + rows[:, left + 1] * part, dtype=float)


def joint_roots(pulls: FloatArray, u_db: FloatArray) -> FloatArray:
    """(F, C, C) symmetric roots of the covariance of C curves. pulls : (C, S, F) [dB/dB]; u_db : (S, F) [dB]."""
    weighted = np.moveaxis(pulls * u_db, 2, 0)
    covariance = weighted @ np.swapaxes(weighted, 1, 2)
    size, axes = np.linalg.eigh(covariance)
    roots: FloatArray = (axes * np.sqrt(np.maximum(size, 0.0))[:, None, :]) @ np.swapaxes(axes, 1, 2)
    return roots


@lru_cache(maxsize=4)
def _quantiles(draws: int) -> FloatArray:
    """(N,) of a unit normal, evenly spaced in probability, of variance 1."""
    found = ndtri((np.arange(draws) + 0.5) / draws)
    return np.asarray(found / found.std(ddof=1), dtype=float)


@lru_cache(maxsize=256)
def draws_of(key: str, draws: int) -> FloatArray:
    """(N,) unit normals of a cause, the same wherever a cause of that key is met.

    The quantiles of the law in a random order (Latin hypercube sampling, handbook): no chance is in the spread of what
    one cause moves alone, which of 300 free draws is known to 4 % only.
    """
    return np.random.default_rng([SEED, zlib.crc32(key.encode())]).permutation(_quantiles(draws))


def session_draws(causes: Sequence[Cause], draws: int) -> FloatArray:
    """(N, F) errors of a curve by its causes, each with a pull of (1, F)."""
    if not causes:
        return np.zeros((draws, 1))
    size = np.array([draws_of(cause.key, draws) for cause in causes])
    return np.asarray(size.T @ np.concatenate([cause.pull_db for cause in causes]), dtype=float)


def take_draws(levels: DirectionalLevels, draws: int) -> list[FloatArray]:
    """(N, M) a kind: unit normals of what every measured direction has for itself."""
    measured = len(levels.directions) if levels.mixing is None else int(levels.mixing.shape[1]) - 1
    return [_take_draws(cause.key, draws, measured) for cause in levels.causes if cause.each]


@lru_cache(maxsize=16)
def _take_draws(key: str, draws: int, count: int) -> FloatArray:
    every = np.broadcast_to(_quantiles(draws)[:, None], (draws, count))
    return np.random.default_rng([SEED, zlib.crc32(key.encode()), 1]).permuted(every, axis=0)


def _rough(random: np.random.Generator, curves: int, draws: int, hz: FloatArray) -> FloatArray:
    """(C, N, F) unit errors of unknown causes: half of the variance smooth over frequency, half from point to point."""
    basis = smooth_basis(hz)
    rough = random.standard_normal((curves, draws, hz.size)) * np.sqrt(1 - SMOOTH_SHARE)
    rough += random.standard_normal((curves, draws, basis.shape[1])) @ (basis.T * np.sqrt(SMOOTH_SHARE))
    return np.asarray(rough, dtype=float)


@lru_cache(maxsize=1)
def _rough_together(curves: int, draws: int, hz: bytes) -> FloatArray:
    """The same for every measurement on one axis, whose curves are drawn together. hz : its bytes."""
    rough = _rough(np.random.default_rng(SEED), curves, draws, np.frombuffer(hz))
    rough.flags.writeable = False
    return rough


def drawn_curves(
    levels: DirectionalLevels, found: Windows, keys: Sequence[str], *, draws: int = DRAWS
) -> dict[str, Drawn]:
    """Those of the averages `keys` that there are, drawn together; always the same for the same input."""
    keys = [key for key in keys if key in found.pulls]
    if not keys:
        return {}
    pulls = np.array([found.pulls[key] for key in keys])
    roots = joint_roots(pulls, levels.u_db)
    rough = _rough_together(len(keys), draws, levels.axis.hz.tobytes())
    takes = take_draws(levels, draws)
    made: dict[str, Drawn] = {}
    for c, key in enumerate(keys):
        errors = session_draws(found.curves[key].causes, draws) + np.zeros((draws, len(levels.axis)))
        for size, moved in zip(takes, pulls_of_takes(levels, found.pulls[key]), strict=True):
            errors += size @ moved
        # In pieces that stay in the processor's cache.
        for first in range(0, draws, _AT_ONCE):
            rows = slice(first, first + _AT_ONCE)
            for i in range(len(keys)):
                errors[rows] += rough[i, rows] * roots[:, c, i]
        made[key] = _with_errors(found.curves[key], errors)
    return made


@lru_cache(maxsize=8)
def alone(curve: Curve, draws: int = DRAWS_ALONE) -> Drawn:
    """A curve drawn by itself, from its causes and the rest of its uncertainty."""
    hz, causes = curve.axis.hz, curve.causes
    if not causes:
        common = curve.u_common
        even = float(common[curve.valid].min()) if curve.valid.any() else 0.0
        rest = np.sqrt(np.maximum(common**2 - even**2, 0.0))
        offset = Cause(name="common level", source="", pull_db=np.full((1, hz.size), even))
        causes = (offset, *smooth_causes("common shape", "", rest, hz))
    random = np.random.default_rng([SEED, zlib.crc32(curve.key.encode()), 2])
    errors = session_draws(causes, draws) + _rough(random, 1, draws, hz)[0] * curve.u_rest()
    return _with_errors(curve, errors)


def exact(curve: Curve) -> Drawn:
    """A curve without any draws, for values alone."""
    whole, gaps = bridged(curve)
    return Drawn(whole, whole.values[None, :], gaps)


def drawn(curve: Curve | Drawn) -> Drawn:
    """A curve alone is drawn by itself; drawn ones stay as they are."""
    return curve if isinstance(curve, Drawn) else alone(curve)


def _with_errors(curve: Curve, errors: FloatArray) -> Drawn:
    """errors : (N, F). Across a bridged gap every draw is a straight line, off by what a line may be off there."""
    whole, gaps = bridged(curve)
    rows = np.concatenate([whole.values[None, :], whole.values + errors])
    for gap in gaps:
        inside = np.arange(gap.first - 1, gap.last + 2)
        x = np.log2(curve.axis.hz[inside])
        part = (x - x[0]) / (x[-1] - x[0])
        ends = errors[:, [inside[0]]] * (1 - part) + errors[:, [inside[-1]]] * part
        size = draws_of(f"gap at {gap.low_hz:.3f}", len(errors))[:, None]
        rows[1:, inside] = whole.values[inside] + ends + size * gap.u_db * (4 * part * (1 - part))
    return Drawn(whole, rows, gaps)


def with_spread(
    figure: Figure, values: FloatArray, causes: Sequence[Cause] = (), *, low: float = -np.inf, high: float = np.inf
) -> Figure:
    """A judged figure with standard uncertainty, 95 % interval, and what of it other sessions may share.

    values : (1 + N,) the figure of the measured curve and of the drawn ones, nothing is done without any; causes : of
    the curves it is taken from.
    The measured curve carries one set of errors already, and drawing errors on top of it moves the median of figures
    that count deviations. The interval is therefore shifted so that the draws' median falls on the figure. low, high :
    limits the quantity cannot leave.
    """
    others = values[1:]
    if figure.value is None or not others.size:
        return figure
    below, middle, above = np.percentile(others, [2.5, 50.0, 97.5])
    interval = (max(figure.value + float(below - middle), low), min(figure.value + float(above - middle), high))
    u = float(np.std(others, ddof=1))
    return replace(figure, u=u, interval=interval, shared=_shared(others, u, causes))


def _shared(values: FloatArray, u: float, causes: Sequence[Cause]) -> tuple[tuple[str, float], ...]:
    """How far each cause of a device moves a figure: the slope of its draws (N,) on the cause's own."""
    away = values - values.mean()
    keys = dict.fromkeys(cause.key for cause in causes if cause.device)
    slopes = ((key, float(away @ draws_of(key, values.size)) / values.size) for key in keys)
    least = _CHANCE * u / np.sqrt(values.size)
    return tuple((key, slope) for key, slope in slopes if abs(slope) > least)
