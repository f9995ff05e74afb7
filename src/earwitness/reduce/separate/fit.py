"""What both routes of the solver hand back."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from earwitness.quantities.arrays import ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.radial import Shell

# Regularization chosen by the data: noise, and how strong outgoing and incoming waves are, from the fit itself.
#
# Every frequency has three unknown variances: of the noise, of the scaled outgoing and of the scaled incoming
# coefficients. Their most probable values follow from the fit's residual, the size of its coefficients and the number
# of coefficients that the data settle (MacKay, Bayesian interpolation, Neural Computation 4, 1992; from memory).

START_RELATIVE_NOISE = 1e-3
_SMALLEST = 1e-20


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """penalty (F, 2): noise variance over coefficient variance, outgoing then incoming; noise_variance (F,);
    settled (F,): number of coefficients that the data settle; gcv (F,): generalized cross-validation score."""

    penalty: FloatArray
    noise_variance: FloatArray
    settled: FloatArray
    gcv: FloatArray


def updated(
    penalty: FloatArray, count: FloatArray, spread: FloatArray, energy: FloatArray, residual: FloatArray, points: float
) -> Evidence:
    """One step of the evidence iteration.

    count (F, 2) coefficients of each kind; spread (F, 2) penalty times the trace of the inverse over each kind;
    energy (F, 2) sum of |coefficients|^2; residual (F,) sum of |data - fit|^2; points : number of data.
    """
    settled = np.clip(count - spread, 1e-3, None)
    free = np.maximum(points - settled.sum(axis=1), 0.02 * points)
    noise = np.maximum(residual / free, _SMALLEST)
    fresh = noise[:, None] * settled / np.maximum(energy, _SMALLEST)
    score = points * residual / free**2
    return Evidence(np.clip(fresh, penalty * 1e-6, penalty * 1e6), noise, settled.sum(axis=1), score)


# Real where both kinds of waves are fitted, complex for outgoing ones alone.
Matrix = npt.NDArray[np.inexact[Any]]


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Coefficients of outgoing and incoming waves about one center.

    outgoing, incoming : (F, K) complex, scaled as radial.py says, complex harmonics in ACN order, 0 beyond the order
    order_out, order_in : (F,), order_in -1 where no incoming waves were fitted
    residual : (P, F) data less fit; predicted left-out points included
    condition : (F,) of the regularized, scaled matrix
    variance : (G, F) of the far field at 1 m, by direction: unit vectors (G, 3), or cosines (G,) of the polar angle
    """

    shell: Shell
    order_out: IntArray
    order_in: IntArray
    outgoing: ComplexArray
    incoming: ComplexArray
    residual: ComplexArray
    evidence: Evidence
    condition: FloatArray
    directions: FloatArray
    variance: FloatArray
