"""How much one place, one band or one path tells of a room: statistics of the reverberant field above Schroeder.

The energy of one frequency at one place is exponentially distributed (Schroeder 1954, from memory), so that the level
of a mean over M independent values scatters by 10 / ln 10 of the root of the trigamma function of M.
"""

import math
from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
from scipy.special import polygamma, sici

from earwitness.quantities.arrays import FloatArray

SPEED_M_S: Final = 343.0
DB_PER_NEPER: Final = 10.0 / math.log(10.0)
_SEED: Final = 17
THIRD: Final = 10.0**0.05 - 10.0**-0.05
"""Width of a third octave over its center (IEC 61260-1, base ten)."""


def schroeder_hz(volume_m3: float, decay_s: float) -> float:
    """2000 sqrt(T / V): below it single modes decide (Schroeder and Kuttruff 1962, from memory)."""
    return 2000.0 * math.sqrt(decay_s / volume_m3)


def values_in_band(width_hz: FloatArray, decay_s: FloatArray | float) -> FloatArray:
    """Independent values in a band: 1 / M = 2 / x atan x - ln(1 + x^2) / x^2, x = B / b, b = 3 ln 10 / (pi T)."""
    x = np.asarray(width_hz) * math.pi * np.asarray(decay_s) / (3.0 * math.log(10.0))
    return np.asarray(1.0 / (2.0 / x * np.arctan(x) - np.log1p(x * x) / x**2))


def values_at_places(hz: FloatArray, places_m: FloatArray) -> FloatArray:
    """(F,) independent ones among places (N, 3): N^2 over the sum of sinc^2(k d) of all pairs (diffuse field)."""
    apart = np.linalg.norm(places_m[:, None] - places_m[None], axis=-1)
    alike = np.sinc(2.0 * np.asarray(hz)[:, None, None] * apart / SPEED_M_S) ** 2
    return np.asarray(len(places_m) ** 2 / alike.sum(axis=(1, 2)))


def values_on_path(hz: FloatArray, length_m: float) -> FloatArray:
    """(F,) independent places on a straight path: 1 / M = 2 / L^2 times the integral of (L - x) sinc^2(kx) dx.

    In closed form with v = 2 k L: (2 / v)^2 (v Si(v) + cos v - 1 - ln v - gamma + Ci(v)).
    """
    v = 4.0 * math.pi * np.asarray(hz) * length_m / SPEED_M_S
    si, ci = sici(v)
    return np.asarray(v**2 / (4.0 * (v * si + np.cos(v) - 1.0 - (np.log(v) + np.euler_gamma - ci))))


def u_of_mean_db(values: FloatArray, direct_over_reverberant: FloatArray) -> FloatArray:
    """Standard deviation [dB] of the level of an energy mean over independent values of which direct sound is a part:
    the relative variance of the energy is (1 + 2 D) / ((1 + D)^2 M)."""
    ratio = np.asarray(direct_over_reverberant)
    share = (1.0 + 2.0 * ratio) / (1.0 + ratio) ** 2
    return np.asarray(DB_PER_NEPER * np.sqrt(polygamma(1, np.maximum(values / share, 1.0))))


def perturbed(
    answer: Callable[[dict[str, FloatArray]], FloatArray], reach: Mapping[str, FloatArray], *, draws: int = 24
) -> FloatArray:
    """Standard deviation of an answer when what it rests on lies evenly within `reach` of what is given.

    answer : takes the errors by the names of `reach`. One seed makes the same answer every time.
    """
    random = np.random.default_rng(_SEED)
    errors = [{key: random.uniform(-1.0, 1.0, far.shape) * far for key, far in reach.items()} for _ in range(draws)]
    return np.asarray(np.std([answer(one) for one in errors], axis=0, ddof=1))
