"""A number of a sentence with its uncertainty."""

import math


def value_and_spread(value: float, u: float) -> str:
    """Value and uncertainty, with as many decimals as leave the uncertainty one digit; none where it is 0."""
    if u <= 0.0:
        return f"{value:.3g}"
    decimals = max(0, -math.floor(math.log10(u)))
    return f"{value:.{decimals}f} ± {u:.{decimals}f}"


def decibels(value: float, u_db: float, sign: str = "") -> str:
    """A level or a change of it with U (k = 2), each with one decimal. sign : "+" to have one always."""
    return f"{value:{sign}.1f} ± {max(2.0 * u_db, 0.1):.1f}"
