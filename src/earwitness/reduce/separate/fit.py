"""What both routes of the solver hand back."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from earwitness.quantities.arrays import ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.evidence import Evidence
from earwitness.reduce.separate.radial import Shell

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
