"""Where the microphone really stood, told by what the fit leaves at many frequencies.

A point some tenths of a millimeter off its place hears the pressure of another place: the error is the pressure's slope
times the offset, and the offset is the same at all frequencies. Where the points are many more than the unknowns most
of that error is left by the fit, and three real numbers a point explain it at all frequencies together (least squares
with a prior of the offsets' own size; linear, so offsets must stay small against the wavelength).
"""

from dataclasses import dataclass

import numpy as np

from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.reduce.separate.field import SeparatedField, waves_at

_STEP_M = 1e-4
_LARGEST_TURN = 0.3
_LEAST_EXPLAINED = 0.2
_QUIET_SHARE = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """offset_m (P, 3) of the true places from the stated ones; rms_m : their size along one axis before, left_m :
    what is left of it, as far as can be told; explained : share of the residual's energy at frequencies that the
    offsets were not taken from; noise_db : what they leave, against all sound; absorbed : share of the offsets'
    dimensions that the waves took for themselves."""

    offset_m: FloatArray
    rms_m: float
    left_m: float
    explained: float
    noise_db: float
    absorbed: float


def found_places(
    field: SeparatedField, points_m: FloatArray, pressure: ComplexArray, residual_share: FloatArray
) -> Places:
    """Offsets from a fit of a few frequencies; pressure (P, F) as measured, at points (P, 3) as stated.

    residual_share (F,) : share of the residual's dimensions among the points'. Offsets 0 where those from every second
    frequency do not explain a fifth of what is left at the others.
    """
    k = 2 * np.pi * field.axis.hz / field.speed_of_sound_m_s
    there = waves_at(field, points_m)
    slope = _slope(field, points_m)
    rest = pressure - there
    size = np.mean(np.abs(slope) ** 2, axis=(0, 2))
    # All that is left counts as noise of each frequency: too much, so that offsets are rather found too small.
    noise = np.mean(np.abs(rest) ** 2, axis=0) / residual_share
    rms = float(np.sqrt(np.median(np.mean(np.abs(rest) ** 2, axis=0) / residual_share / (3 * size))))
    usable = k * rms <= _LARGEST_TURN
    absorbed = 1 - float(np.mean(residual_share))
    nothing = Places(np.zeros_like(points_m), rms, rms, 0.0, _noise_db(rest, residual_share, pressure), absorbed)
    if usable.sum() < 4 or rms == 0.0:
        return nothing
    rows = np.flatnonzero(usable)
    half, _ = _solved(slope[:, rows[::2]], rest[:, rows[::2]], noise[rows[::2]], rms)
    other = rows[1::2]
    unexplained = rest[:, other] - np.einsum("pfi,pi->pf", slope[:, other], half)
    ratio = np.mean(np.abs(unexplained) ** 2, axis=0) / np.mean(np.abs(rest[:, other]) ** 2, axis=0)
    explained = 1 - float(np.median(ratio))
    if explained < _LEAST_EXPLAINED:
        return nothing
    offset, unsure = _solved(slope[:, rows], rest[:, rows], noise[rows], rms)
    told = _noise_db(rest - np.einsum("pfi,pi->pf", slope, offset), residual_share, pressure)
    return Places(offset, rms, float(np.sqrt(absorbed * rms**2 + unsure)), explained, told, absorbed)


def moved_back(
    field: SeparatedField, points_m: FloatArray, pressure: ComplexArray, offset_m: FloatArray
) -> ComplexArray:
    """Pressures (P, F) as they would be at the stated places: less what the field changes from there to the true."""
    return np.asarray(
        pressure - (waves_at(field, points_m + offset_m) - waves_at(field, points_m)), dtype=np.complex128
    )


def _noise_db(left: ComplexArray, residual_share: FloatArray, pressure: ComplexArray) -> float:
    """Median over frequencies of the noise in a residual (P, F), against all sound: that of the quietest points.

    Where it is loud what is left of wrong places counts, which grows with the sound.
    """
    level = np.abs(pressure) ** 2
    quiet = level <= np.quantile(level, _QUIET_SHARE, axis=0)
    size = np.sum(np.where(quiet, np.abs(left) ** 2, 0.0), axis=0) / np.sum(quiet, axis=0)
    share = size / residual_share / np.mean(level, axis=0)
    return float(10 * np.log10(max(float(np.median(share)), 1e-12)))


def _slope(field: SeparatedField, points_m: FloatArray) -> ComplexArray:
    """(P, F, 3) gradient of the fitted pressure [Pa/V/m]."""
    steps = _STEP_M * np.eye(3)
    ways = [(waves_at(field, points_m + one) - waves_at(field, points_m - one)) / (2 * _STEP_M) for one in steps]
    return np.stack(ways, axis=2)


def _solved(slope: ComplexArray, rest: ComplexArray, noise: FloatArray, rms_m: float) -> tuple[FloatArray, float]:
    """Offsets (P, 3), and their mean variance along the slope."""
    gram = np.einsum("pfi,f,pfj->pij", slope.conj(), 1 / noise, slope).real + np.eye(3) / rms_m**2
    right = np.einsum("pfi,f,pf->pi", slope.conj(), 1 / noise, rest).real
    offset = np.linalg.solve(gram, right[:, :, None])[:, :, 0]
    variance = np.linalg.inv(gram)
    along = np.einsum("pfi,pij,pfj->p", slope.conj(), variance, slope).real / np.sum(np.abs(slope) ** 2, axis=(1, 2))
    return np.asarray(offset, dtype=float), float(np.mean(along))
