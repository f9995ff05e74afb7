"""Scaled columns of the separation: what an order does along the radius, outgoing and incoming.

Unknowns are scaled so that one regularization parameter means the same for every order. Outgoing: strength on the
sphere that encloses the source, c~_n = c_n |h_n(k R_s)|. Incoming: strength of far sources at the distance D of the
room, d~_n = d_n / (k D |h_n(k D)|). Fields are solved for in the real pair (j_n, y_n), since h_n = j_n - j y_n: the
matrix is then real and only the pressures are complex.
"""

from dataclasses import dataclass

import numpy as np

from earwitness.dsp.spherical import log_hankel_size, outgoing_waves, regular_waves
from earwitness.quantities.arrays import ComplexArray, FloatArray, IntArray

ORDERS_BEYOND_SOURCE = 7
# Where microphones stand nearer to the middle than the cabinet's farthest corners; checked on drawn scans, no source.
ORDERS_BEYOND_CORNERS = 12
ORDERS_BEYOND_SHELL = 3
ROOM_DISTANCE_FACTOR = 2.0
_ORDER_STEP = 3


@dataclass(frozen=True, slots=True)
class Shell:
    """Radii of a separation [m]: the source's sphere, the outermost microphone, and where the room begins."""

    source_radius_m: float
    outer_radius_m: float
    room_distance_m: float


def incoming_columns(k: FloatArray, radius_m: FloatArray, order: int, shell: Shell) -> FloatArray:
    """(F, R, order+1) j_n(k r) times the incoming scale; k (F,) [rad/m], radius_m (R,)."""
    scale = incoming_log_scale(k, order, shell)[:, None, :]
    return regular_waves(order, k[:, None] * radius_m[None, :], scale)


def outgoing_columns(k: FloatArray, radius_m: FloatArray, order: int, shell: Shell) -> ComplexArray:
    """(F, R, order+1) h_n^(2)(k r) / |h_n^(2)(k R_s)|."""
    return outgoing_waves(order, k[:, None] * radius_m[None, :], k[:, None] * shell.source_radius_m)


def incoming_log_scale(k: FloatArray, order: int, shell: Shell) -> FloatArray:
    """(F, order+1) ln of k D |h_n(k D)|."""
    x = k * shell.room_distance_m
    return log_hankel_size(order, x) + np.log(x)[:, None]


def standing_share(k: FloatArray, order: int, shell: Shell) -> FloatArray:
    """(F, order+1) e_n with h_n / |h_n(k R_s)| = e_n j~_n - j y~_n."""
    size = log_hankel_size(order, k * shell.source_radius_m) + incoming_log_scale(k, order, shell)
    return np.exp(-size)


def far_factor(k: FloatArray, order: int, shell: Shell) -> ComplexArray:
    """(F, order+1) lim r e^(j k r) h_n(k r) / |h_n(k R_s)| = j^(n+1) / (k |h_n(k R_s)|) [m]."""
    size = log_hankel_size(order, k * shell.source_radius_m)
    phase = np.array([1j, -1.0, -1j, 1.0])[np.arange(order + 1) % 4]
    result: ComplexArray = phase * np.exp(-size - np.log(k)[:, None])
    return result


def wanted_orders(
    k: FloatArray, shell: Shell, *, beyond_source: int = ORDERS_BEYOND_SOURCE
) -> tuple[IntArray, IntArray]:
    """Orders (F,) that outgoing and incoming waves need: ceil(k R_s) + 7 and ceil(k r_max) + 3, rounded up to threes.

    beyond_source : in place of 7.

    Rounding lets frequencies share their order pair, and so be solved together.
    """
    outgoing = np.ceil(k * shell.source_radius_m).astype(np.int64) + beyond_source
    incoming = np.ceil(k * shell.outer_radius_m).astype(np.int64) + ORDERS_BEYOND_SHELL
    return -(-outgoing // _ORDER_STEP) * _ORDER_STEP, -(-incoming // _ORDER_STEP) * _ORDER_STEP
