"""What the edges of a measuring baffle leave open: one of limited size stands for the wall of an in-wall."""

import numpy as np

from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.causes import Cause
from earwitness.session.session import Session

_STEPS = 720


def edge_change_db(width_m: float, height_m: float, hz: FloatArray, speed_m_s: float) -> FloatArray:
    """(F,) level on axis of a small source in the middle of a thin rigid baffle against one in an endless wall [dB].

    20 lg |1 - mean(exp(-jk r)) / 2| over all directions to the edge at r: the edge wave far away on axis, exact for a
    circle up to its second diffraction (geometrical theory of diffraction, handbook knowledge, from memory): -6.02 dB
    where the baffle is small against the wavelength.
    """
    turn = (np.arange(_STEPS) + 0.5) * 2.0 * np.pi / _STEPS
    to_edge = np.minimum(
        width_m / 2.0 / np.maximum(np.abs(np.cos(turn)), 1e-9), height_m / 2.0 / np.maximum(np.abs(np.sin(turn)), 1e-9)
    )
    wave = np.exp(-2j * np.pi / speed_m_s * np.outer(hz, to_edge)).mean(axis=1)
    return np.asarray(20.0 * np.log10(np.abs(1.0 - wave / 2.0)), dtype=np.float64)


def baffle_causes(
    session: Session, hz: FloatArray, speed_m_s: float, near_share: FloatArray | float
) -> tuple[Cause, ...]:
    """What the baffle's edge may do to the level, as its size: where the loudspeaker sat in it decides the ripple.

    near_share : (F,) of the near field, which hears no edge.
    """
    size_m = session.environment.baffle_m
    if size_m is None:
        return ()
    change = np.abs(edge_change_db(*size_m, hz, speed_m_s)) * (1.0 - near_share)
    source = f"edges of a baffle of {size_m[0]:g} m by {size_m[1]:g} m"
    return (Cause(name="measuring baffle", source=source, pull_db=change[None, :]),)
