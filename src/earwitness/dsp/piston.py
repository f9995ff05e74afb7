"""Rigid circular pistons in an infinite plane, in closed form or as an integral along the rim."""

import numpy as np

from earwitness.quantities.arrays import ComplexArray, FloatArray

HIGHEST_CORRECTED_KA = 2.0


def axial_pressure(wavenumber: FloatArray, radius_m: float, gap_m: float) -> ComplexArray:
    """(F,) pressure on the axis of a baffled piston at a gap, relative to j omega rho U [1/m]; time zero at the piston.

    p = 2 j rho c u exp(-jk (R+z)/2) sin(k (R-z)/2), R = sqrt(z^2 + a^2) (handbook formula, for example Kinsler et al.,
    Fundamentals of Acoustics, chapter 7, from memory). The magnitude is held above ka = 2, where cones no longer move
    as pistons, so that no zero of the sine is ever divided by.
    """
    slant_m = float(np.hypot(gap_m, radius_m))
    half = np.minimum(wavenumber, HIGHEST_CORRECTED_KA / radius_m) * (slant_m - gap_m) / 2
    size = (slant_m - gap_m) / (np.pi * radius_m**2) * np.sinc(half / np.pi)
    pressure: ComplexArray = size * np.exp(-0.5j * wavenumber * (slant_m + gap_m))
    return pressure


class RimIntegral:
    """Integral of exp(-jkR) / (4 pi R) over a disc, for points (P,) at `height_m` above its plane.

    aside_m : (P, 2) from the disc's middle, in its plane. The radial part is integrated exactly, the rest runs along
    the rim (after G. A. Maggi and A. Rubinowicz; own derivation), so that points at the disc need no finer steps.
    """

    def __init__(self, aside_m: FloatArray, height_m: FloatArray, radius_m: float, steps: int = 64) -> None:
        angle = (np.arange(steps) + 0.5) * 2 * np.pi / steps
        rim = np.stack([np.cos(angle), np.sin(angle)])
        to_rim = radius_m * rim[None] - aside_m[:, :, None]
        square = (to_rim**2).sum(axis=1)
        self._height = np.abs(height_m)[:, None]
        slant = np.sqrt(square + self._height**2)
        # (slant - height) / square, without dividing by a distance of zero.
        self._weight = (to_rim * rim).sum(axis=1) * radius_m * 2 * np.pi / steps / (4 * np.pi * (slant + self._height))
        self._beyond = slant - self._height

    def at(self, wavenumber: float) -> ComplexArray:
        """(P,) the integral [m]."""
        half = wavenumber * self._beyond / 2
        turn = np.exp(-1j * (wavenumber * self._height + half))
        total: ComplexArray = (self._weight * np.sinc(half / np.pi) * turn).sum(axis=1)
        return total
