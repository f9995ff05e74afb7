"""Impedance as curves, and what an amplifier makes of it: equivalent peak dissipation resistance, power factor."""

import numpy as np

from earwitness.quantities import Curve, Impedance
from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.axis import REPORT_POINTS_PER_OCTAVE, log_axis

EPDR_NAME = "equivalent peak dissipation resistance"
LOWEST_HZ, HIGHEST_HZ = 5.0, 40_000.0
WIDEST_GAP_OCTAVES = 1.0 / 3.0
LOAD_CURVES = ("impedance_magnitude", "impedance_phase", "epdr")


def phase_deg(impedance: Impedance) -> FloatArray:
    """(F,) phase of the impedance [deg], positive where it is inductive."""
    return np.asarray(np.degrees(np.angle(impedance.ohm)), dtype=np.float64)


def dissipation_share(phase: FloatArray) -> FloatArray:
    """EPDR over |Z| for phases (F,) [deg] of either sign, up to 90 degrees; held at its end value beyond.

    1 / (4 (1 - sin(150 + 2 p/3)) sin(150 - p/3)), p = |phase| in degrees. Own derivation: with V sin t across the load
    and rails of +-V the conducting half of an ideal class-B stage dissipates V^2/|Z| (1 - sin t) sin(t - p), largest
    at t = 150 + 2 p/3; a resistor R reaches V^2/(4 R).
    """
    p = np.minimum(np.abs(phase), 90.0)
    high, low = np.radians(150.0 + 2.0 * p / 3.0), np.radians(150.0 - p / 3.0)
    return np.asarray(1.0 / (4.0 * (1.0 - np.sin(high)) * np.sin(low)), dtype=np.float64)


def epdr_ohm(impedance: Impedance) -> tuple[FloatArray, FloatArray]:
    """(F,) equivalent peak dissipation resistance and its standard uncertainty [ohm]."""
    size, phase = np.abs(impedance.ohm), phase_deg(impedance)
    share = dissipation_share(phase)
    step = 0.01
    slope = (dissipation_share(np.abs(phase) + step) - dissipation_share(np.abs(phase) - step)) / (2.0 * step)
    # At a phase of 0 the curve has a kink; the slope beside it is the honest one.
    beside = (1.0 - dissipation_share(np.array([1.0])))[0]
    slope = np.where(np.abs(phase) < 1.0, -beside, slope)
    return size * share, np.hypot(share * impedance.u_ohm, size * np.abs(slope) * impedance.u_deg)


def power_factor(impedance: Impedance) -> FloatArray:
    """(F,) cosine of the phase: real over apparent power for a sine."""
    return np.asarray(np.cos(np.angle(impedance.ohm)), dtype=np.float64)


def load_curves(impedance: Impedance) -> dict[str, Curve]:
    """Curves "impedance_magnitude" [ohm], "impedance_phase" [deg] and "epdr" [ohm]."""
    size, phase = np.abs(impedance.ohm), phase_deg(impedance)
    peak, u_peak = epdr_ohm(impedance)
    nothing, valid = np.zeros_like(size), impedance.valid
    passive = valid & (np.abs(phase) <= 90.0)

    def curve(key: str, name: str, values: FloatArray, u: FloatArray, unit: str) -> Curve:
        good = passive if key == "epdr" else valid
        return Curve(key, name, impedance.axis, values, u, nothing, good, unit, unit, impedance.lineage)

    return {
        "impedance_magnitude": curve("impedance_magnitude", "impedance", size, impedance.u_ohm, "ohm"),
        "impedance_phase": curve("impedance_phase", "electrical phase", phase, impedance.u_deg, "deg"),
        "epdr": curve("epdr", EPDR_NAME, peak, u_peak, "ohm"),
    }


def on_load_grid(impedance: Impedance) -> Impedance:
    """The impedance on 1/48 octave steps through 1 kHz, as far as it reaches; itself where it stands on them already.

    Logarithm of magnitude and unwrapped phase are linear over log frequency; a point is valid where both neighbors
    are, not more than a third of an octave apart.
    """
    hz = impedance.axis.hz
    axis = log_axis(max(float(hz[0]), LOWEST_HZ), min(float(hz[-1]), HIGHEST_HZ), REPORT_POINTS_PER_OCTAVE)
    if axis.same_as(impedance.axis):
        return impedance
    right = np.clip(np.searchsorted(hz, axis.hz), 1, hz.size - 1)
    left = right - 1
    near = np.log2(hz[right] / hz[left]) <= WIDEST_GAP_OCTAVES
    good = impedance.valid
    on_left, on_right = (np.isclose(axis.hz, hz[side], rtol=1e-9, atol=0.0) for side in (left, right))
    valid = np.where(on_right, good[right], np.where(on_left, good[left], good[left] & good[right] & near))
    size = np.where(good & (np.abs(impedance.ohm) > 0.0), np.abs(impedance.ohm), 1.0)
    turn = np.unwrap(np.where(good, np.angle(impedance.ohm), 0.0))
    place, known = np.log(axis.hz), np.log(hz)
    ohm = np.exp(np.interp(place, known, np.log(size)) + 1j * np.interp(place, known, turn))
    u_ohm, u_deg = (np.interp(place, known, part) for part in (impedance.u_ohm, impedance.u_deg))
    return Impedance(axis, ohm, u_ohm, u_deg, valid, impedance.lineage)
