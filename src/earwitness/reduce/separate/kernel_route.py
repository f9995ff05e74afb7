"""Outgoing waves of more orders than the points could tell, where the data say how the sound is spread over origins.

A small source on a large body sends out nearly all of its sound in few orders about its own place, and a weak rest,
bent around the body, in many orders about the body's middle. Such families of waves stand in one fit, each with a
strength of its own: the strengths that make the measured pressures most probable (evidence; MacKay, Neural Computation
4, 1992). With fewer points than unknowns the equations are solved among the points (a Gaussian process; Rasmussen and
Williams, Gaussian Processes for Machine Learning, 2006; both from memory).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.linalg

from earwitness.dsp.spherical import acn, complex_from_real, real_harmonics
from earwitness.errors import EarwitnessError
from earwitness.quantities import ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.field import ORDERS_BEYOND_SOURCE, Shell, far_factor, outgoing_columns
from earwitness.reduce.separate.sampling import even_directions

MOST_ORDER = 48
GRID = 160
_TUNING_POINTS = 800
_START_DB = (0.0, -15.0, -30.0)
_SINGLE_ABOVE_NOISE_DB = 50.0
_LEAST_DB, _MOST_DB = -90.0, 20.0
_STEPS_DB = (8.0, 3.0)
_MOST_ROUNDS = 3
# Of unseen points to a direction: those within some 18 degrees count.
_NEARNESS = 20.0
# Of field.py's doubt of gated fits: these are held against unseen points. Checked on drawn loudspeakers, no source.
_CHECKED_DOUBT = 0.75
_CENTER_POINTS = 300
_CENTER_STEPS_M = (0.04, 0.02, 0.01)
_MOVES = np.concatenate([np.eye(3), -np.eye(3)])


@dataclass(frozen=True, slots=True, eq=False)
class Family:
    """Waves that leave from within radius_m of center_m (3,), points' coordinates."""

    center_m: FloatArray
    radius_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """What the data say of some frequencies: strength_db (S, F) of each family's sound at the points and noise_db, both
    against all sound there; place_m : standard deviation of the points' places along the sound."""

    families: tuple[Family, ...]
    strength_db: FloatArray
    noise_db: float
    place_m: float


@dataclass(frozen=True, slots=True, eq=False)
class KernelFit:
    """outgoing, order : per family scaled complex coefficients (F, K) and their order (F,), see radial.py;
    residual (P, F) before what is held back is put back; unseen (P, F) error of each point in the fit of all others;
    settled (F,); condition (F,) largest noise gain of a far direction over a point's distance;
    directions (G, 3), variance (G, F) of the far field at 1 m."""

    outgoing: tuple[ComplexArray, ...]
    order: tuple[IntArray, ...]
    residual: ComplexArray
    unseen: ComplexArray
    settled: FloatArray
    condition: FloatArray
    directions: FloatArray
    variance: FloatArray


def family_order(k: float, radius_m: float) -> tuple[int, int]:
    """Order that a family is computed to, and the one that its size asks for: the rest counts as noise."""
    asked = int(np.ceil(k * radius_m)) + ORDERS_BEYOND_SOURCE
    return min(asked, MOST_ORDER), asked


def tuned(
    points_m: FloatArray,
    pressure: ComplexArray,
    k: FloatArray,
    families: tuple[Family, ...],
    *,
    noise_db: float,
    place_m: float,
) -> Prior:
    """The most probable strengths for pressure (P, F), k (F,) rising, from every few of the points.

    Told at the ends and in the middle, drawn between them over log frequency; noise_db, place_m : as in Prior.
    """
    pilots = np.unique([0, k.size // 2, k.size - 1])
    now, found = np.array(_START_DB[: len(families)]), []
    for row in pilots:
        points, data, noise = _some(points_m, pressure[:, row], float(k[row]), _TUNING_POINTS, noise_db, place_m)
        now, _score_there = _strengths([_kernel(points, float(k[row]), one) for one in families], noise, data, now)
        # Evidence asks how strong a source is over all directions. A beam stands far above that just where the doubt of
        # places, which grows with the sound, is largest, and would be held back: half the way up, in dB, is allowed.
        power = np.abs(pressure[:, row]) ** 2
        beam_db = 5 * np.log10(np.mean(power**2) / np.mean(power) ** 2)
        found.append(now + np.append(np.full(now.size - 1, beam_db), 0.0))
    drawn = np.array([np.interp(np.log(k), np.log(k[pilots]), one) for one in np.transpose(found)])
    return Prior(families, drawn, noise_db, place_m)


def likeliest_center(
    points_m: FloatArray, pressure: ComplexArray, k: float, families: Callable[[FloatArray], tuple[Family, ...]],
    start_m: FloatArray, middle_m: FloatArray, half_size_m: FloatArray, *, noise_db: float, place_m: float,
) -> FloatArray:  # fmt: skip
    """The center (3,) about which `families` are most probable, near a cabinet of half_size_m (3,); from start_m on."""
    points, data, noise = _some(points_m, pressure, k=k, count=_CENTER_POINTS, noise_db=noise_db, place_m=place_m)
    body = _kernel(points, k, families(start_m)[-1])

    def judged(center: FloatArray, strength: FloatArray) -> tuple[FloatArray, float]:
        if np.linalg.norm(points_m - center, axis=1).min() <= families(center)[-2].radius_m:
            return strength, -np.inf
        return _strengths([*(_kernel(points, k, one) for one in families(center)[:-1]), body], noise, data, strength)

    # A body that is no box may stand out of the stated one by as much as a ball out of its cube.
    reach_m, center = np.sqrt(3) * half_size_m, start_m.copy()
    strength, best = judged(center, np.array(_START_DB))
    for step in _CENTER_STEPS_M:
        for _round in range(_MOST_ROUNDS):
            tries = np.clip(center + step * _MOVES, middle_m - reach_m, middle_m + reach_m)
            found = [judged(one, strength) for one in tries]
            lead = int(np.argmax([score for _strength, score in found]))
            if found[lead][1] <= best:
                break
            center, (strength, best) = tries[lead], found[lead]
    return np.asarray(center, dtype=float)


def _some(
    points_m: FloatArray, pressure: ComplexArray, k: float, count: int, noise_db: float, place_m: float
) -> tuple[FloatArray, ComplexArray, FloatArray]:
    """Some of the points, their pressures of mean square 1, and the noise variance at each."""
    some = np.random.default_rng(0).permutation(len(points_m))[:count]
    data = pressure[some] / np.sqrt(np.mean(np.abs(pressure[some]) ** 2))
    return points_m[some], data, 10 ** (noise_db / 10) + (k * place_m) ** 2 * np.abs(data) ** 2


def _strengths(
    kernels: list[tuple[ComplexArray, FloatArray]], noise: FloatArray, data: ComplexArray, now: FloatArray
) -> tuple[FloatArray, float]:
    """Strengths (S,) [dB] of highest evidence from `now` on, and that evidence."""
    best = _score(kernels, now, noise, data)
    for step in _STEPS_DB:
        for _round in range(_MOST_ROUNDS):
            moved = False
            for row in range(now.size):
                for way in (step, -step):
                    trial = now.copy()
                    trial[row] = np.clip(trial[row] + way, _LEAST_DB, _MOST_DB)
                    found = _score(kernels, trial, noise, data)
                    if found > best:
                        now, best, moved = trial, found, True
                        break
            if not moved:
                break
    return now, best


def fit_kernel(points_m: FloatArray, pressure: ComplexArray, k: FloatArray, prior: Prior) -> KernelFit:
    """Outgoing waves of `prior`'s families; pressure (P, F), k (F,) rising.

    EarwitnessError where the equations are singular.
    """
    grid = even_directions(GRID)
    tops = [max(family_order(float(one), family.radius_m)[0] for one in k) for family in prior.families]
    bases = [_harmonics(points_m, family.center_m, top) for family, top in zip(prior.families, tops, strict=True)]
    looks = [real_harmonics(top, grid[:, 2], np.arctan2(grid[:, 1], grid[:, 0])) for top in tops]
    outgoing = [np.zeros((k.size, (top + 1) ** 2), dtype=np.complex128) for top in tops]
    order = [np.zeros(k.size, dtype=np.int64) for _top in tops]
    residual, unseen = np.zeros_like(pressure), np.zeros_like(pressure)
    settled, condition = np.zeros(k.size), np.zeros(k.size)
    variance = np.zeros((GRID, k.size))
    away = np.linalg.norm(points_m - prior.families[-1].center_m, axis=1)
    distance = float(np.median(away))
    near = np.exp(_NEARNESS * (grid @ (points_m - prior.families[-1].center_m).T / away - 1))
    near /= near.sum(axis=1, keepdims=True)
    for f, one in enumerate(k):
        data = pressure[:, f]
        power = float(np.mean(np.abs(data) ** 2))
        total = np.zeros((data.size, data.size), dtype=np.complex128, order="F")
        across = np.zeros((GRID, data.size), dtype=np.complex128)
        before, rest = np.zeros(GRID), np.zeros(data.size)
        waves: list[tuple[ComplexArray, float]] = []
        for family, basis, look, strength in zip(prior.families, bases, looks, prior.strength_db[:, f], strict=True):
            columns, far, beyond, far_beyond = _waves(basis, look, grid, one, family)
            share = power * 10 ** (strength / 10) / float(np.mean(np.sum(np.abs(columns) ** 2, axis=1) + beyond))
            _add_product(total, columns, share, double=strength > prior.noise_db + _SINGLE_ABOVE_NOISE_DB)
            across += share * (far @ columns.conj().T)
            before += share * (np.sum(np.abs(far) ** 2, axis=1) + far_beyond)
            rest += share * beyond
            waves.append((columns, share))
        noise = power * 10 ** (prior.noise_db / 10) + (one * prior.place_m) ** 2 * np.abs(data) ** 2 + rest
        alpha, weights, inverse_diagonal, variance[:, f], gain = _solved(total, noise, data, across, before)
        residual[:, f], unseen[:, f] = noise * alpha, alpha / inverse_diagonal
        # Errors at unseen points larger than expected make those far away that way larger too.
        unseen_times = near @ (np.abs(alpha) ** 2 / inverse_diagonal)
        variance[:, f] *= _CHECKED_DOUBT**2 * np.maximum(unseen_times, 1.0)
        settled[f] = data.size - float(np.sum(noise * inverse_diagonal))
        condition[f] = gain / distance
        for row, (columns, share) in enumerate(waves):
            outgoing[row][f, : columns.shape[1]] = share * (columns.conj().T @ weights)
            order[row][f] = int(np.sqrt(columns.shape[1])) - 1
    coefficients = tuple(complex_from_real(one) for one in outgoing)
    return KernelFit(coefficients, tuple(order), residual, unseen, settled, condition, grid, variance)


def shell_of(family: Family, outer_m: float) -> Shell:
    """Radii that the family's coefficients are scaled by."""
    return Shell(family.radius_m, outer_m, 2 * outer_m)


def _harmonics(points_m: FloatArray, center_m: FloatArray, order: int) -> tuple[FloatArray, FloatArray]:
    """Real harmonics (P, K) about a center, and distances (P,)."""
    away = points_m - center_m
    radius = np.linalg.norm(away, axis=1)
    return real_harmonics(order, away[:, 2] / radius, np.arctan2(away[:, 1], away[:, 0])), radius


def _waves(
    basis: tuple[FloatArray, FloatArray], look: FloatArray, grid: FloatArray, k: float, family: Family
) -> tuple[ComplexArray, ComplexArray, FloatArray, FloatArray]:
    """Columns (P, C), far field of each (G, C), and the power of the orders left out at points and far away."""
    order, asked = family_order(k, family.radius_m)
    shell, wave = shell_of(family, 1.0), np.array([k])
    harmonics, radius = basis
    degree = acn(order)[0]
    along = outgoing_columns(wave, radius, asked, shell)[0]
    columns = harmonics[:, : degree.size] * along[:, degree]
    away = far_factor(wave, asked, shell)[0]
    far = look[:, : degree.size] * away[degree] * np.exp(1j * k * (grid @ family.center_m))[:, None]
    number = np.arange(order + 1, asked + 1)
    weight = (2 * number + 1) / (4 * np.pi)
    beyond = np.sum(weight * np.abs(along[:, order + 1 :]) ** 2, axis=1)
    return columns, far, beyond, np.full(len(grid), np.sum(weight * np.abs(away[order + 1 :]) ** 2))


def _kernel(points_m: FloatArray, k: float, family: Family) -> tuple[ComplexArray, FloatArray]:
    """(P, P) covariance of a family of mean power 1 at the points, and the power of orders left out (P,)."""
    order, _asked = family_order(k, family.radius_m)
    basis = _harmonics(points_m, family.center_m, order)
    one = even_directions(4)
    columns, _far, beyond, _ = _waves(basis, real_harmonics(order, one[:, 2], np.zeros(4)), one, k, family)
    total = np.zeros((len(points_m), len(points_m)), dtype=np.complex128, order="F")
    share = 1 / float(np.mean(np.sum(np.abs(columns) ** 2, axis=1) + beyond))
    _add_product(total, columns, share, double=True)
    return total, share * beyond


def _add_product(total: ComplexArray, columns: ComplexArray, share: float, *, double: bool) -> None:
    """Add share * columns columns^H to the lower half; weak families bear single precision."""
    if double:
        total += scipy.linalg.blas.zherk(share, np.asfortranarray(columns), lower=1)
    else:
        total += scipy.linalg.blas.cherk(share, np.asfortranarray(columns.astype(np.complex64)), lower=1)


def _score(
    kernels: list[tuple[ComplexArray, FloatArray]], now: FloatArray, noise: FloatArray, data: ComplexArray
) -> float:
    """Log evidence of strengths (dB), to a constant."""
    total, diagonal = np.zeros_like(kernels[0][0]), noise
    for strength, (kernel, beyond) in zip(10 ** (now / 10), kernels, strict=True):
        total += strength * kernel
        diagonal = diagonal + strength * beyond
    total[np.diag_indices_from(total)] += diagonal
    factor, failed = scipy.linalg.lapack.zpotrf(total, lower=1, overwrite_a=1, clean=0)
    if failed:
        return -np.inf
    half = scipy.linalg.solve_triangular(factor, data, lower=True, check_finite=False)
    return -float(np.sum(np.abs(half) ** 2)) - 2 * float(np.sum(np.log(factor.diagonal().real)))


def _solved(
    total: ComplexArray, noise: FloatArray, data: ComplexArray, across: ComplexArray, before: FloatArray
) -> tuple[ComplexArray, ComplexArray, FloatArray, FloatArray, float]:
    """Weights (P,) by the prior, and with nothing held back; diagonal of the inverse, far variance left, noise gain.

    What a prior holds back is of one sign over a beam, and averages keep it. So the field found stands in the fit once
    more, its size free (kriging with a trend; Rasmussen and Williams, section 2.7, from memory).
    """
    total[np.diag_indices_from(total)] += noise
    factor, failed = scipy.linalg.lapack.zpotrf(total, lower=1, overwrite_a=1)
    if failed:
        raise EarwitnessError("the separation's equations can't be solved at these points", remedy="lower the order")
    half = scipy.linalg.solve_triangular(
        factor, np.concatenate([across.conj().T, data[:, None]], axis=1), lower=True, check_finite=False
    )
    back = scipy.linalg.solve_triangular(factor, half, lower=True, trans="C", check_finite=False)
    left = np.maximum(before - np.sum(np.abs(half[:, :-1]) ** 2, axis=0), 1e-12 * before)
    inverse = scipy.linalg.lapack.ztrtri(factor, lower=1)[0]
    gain = float(np.sqrt(np.max(np.sum(np.abs(back[:, :-1]) ** 2, axis=0))))
    alpha: ComplexArray = np.asarray(back[:, -1], dtype=np.complex128)
    held = inverse.conj().T @ (inverse @ (noise * alpha))
    field = data - noise * alpha
    told = max(float(np.vdot(field, alpha - held).real), 1e-300)
    left += np.abs(across @ held) ** 2 / told
    weights = alpha + float(np.vdot(field, alpha).real) / told * held
    return alpha, weights, np.sum(np.abs(inverse) ** 2, axis=0), left, gain
