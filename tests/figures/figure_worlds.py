"""Random curves and loads for the golden tests of this room, and what of a result is worth keeping."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from earwitness.figures.load_box import closed_box, vented_box
from earwitness.quantities import Cause, Curve, Figure, FrequencyAxis, Impedance
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.response import smooth_causes


def off_octaves(low_hz: float, high_hz: float, per_octave: int) -> FrequencyAxis:
    """As log_axis, a little denser: no two points lie a whole octave, a half or a sixth apart, where the last bit would
    decide on which side of a limit they are."""
    step = 1.0 / (per_octave + 0.01)
    first, last = np.ceil(np.log2(low_hz / 1000.0) / step), np.floor(np.log2(high_hz / 1000.0) / step)
    return FrequencyAxis(np.asarray(1000.0 * 2.0 ** (np.arange(first, last + 1) * step), dtype=np.float64))


AXIS = off_octaves(25.0, 20_000.0, 24)


def of_figure(figure: Figure) -> list[Any]:
    """A figure without what the registry tells and the lineage, and without what is empty."""
    shared = {key: float(f"{slope:.4g}") for key, slope in figure.shared}
    kept = (figure.value, figure.u, figure.interval, figure.bound, figure.reason, figure.caveats, figure.band_hz)
    return [figure.key, *kept, *([shared] if shared else [])]


def of_figures(figures: dict[str, Figure]) -> list[Any]:
    return [of_figure(one) for _, one in sorted(figures.items())]


def of_curve(curve: Curve) -> list[Any]:
    """A curve with its numbers and words, without its axis; of its causes how many there are and what they come to."""
    causes = [len(curve.causes), sum(float(np.sum(one.pull_db)) for one in curve.causes)] if curve.causes else []
    words = (curve.key, curve.name, curve.unit, curve.reference)
    return [*words, curve.values, curve.u, curve.u_common, curve.valid, len(curve.axis), *causes]


def of_curves(curves: dict[str, Curve]) -> list[Any]:
    return [of_curve(one) for _, one in sorted(curves.items())]


def bumps(random: np.random.Generator, hz: FloatArray, count: int, most_db: float) -> FloatArray:
    """Peaks and dips of random place, width and height over log frequency."""
    x = np.log2(hz)
    total = np.zeros(hz.size)
    for _ in range(count):
        place, width = random.uniform(x[0], x[-1]), 2.0 ** random.uniform(-4.0, 0.5)
        total += random.uniform(-most_db, most_db) * np.exp(-(((x - place) / width) ** 2))
    return total


def curve_of(
    values: npt.NDArray[Any], axis: FrequencyAxis = AXIS, *, valid: BoolArray | None = None, u: float = 0.3,
    u_common: FloatArray | float = 0.2, causes: tuple[Cause, ...] = (), key: str = "on_axis",
) -> Curve:  # fmt: skip
    inside = np.ones(len(axis), dtype=bool) if valid is None else valid
    own, common = np.full(len(axis), u), np.zeros(len(axis)) + u_common
    return Curve(key, "on axis", axis, values, own, common, inside, "dB", "dB SPL at 1 m", ("step",), causes)


def loudspeaker(
    random: np.random.Generator, axis: FrequencyAxis = AXIS, *, gaps: int = 0, caused: bool = False,
    low_hz: float | None = None, most_db: float = 4.0, key: str = "on_axis",
) -> Curve:  # fmt: skip
    """Level on axis: a box with two ends, a slope, peaks and dips, and points that cannot be trusted."""
    hz = axis.hz
    low = random.uniform(35.0, 120.0) if low_hz is None else low_hz
    order, high = random.choice([2, 4, 6]), random.uniform(12_000.0, 40_000.0)
    values = 86.0 + random.uniform(-5, 5) - 10.0 * np.log10(1 + (low / hz) ** (2 * order)) * random.uniform(0.4, 1)
    values = values - 10.0 * np.log10(1 + (hz / high) ** 8) + random.uniform(-0.8, 0.8) * np.log2(hz / 1000.0)
    values = values + bumps(random, hz, 7, most_db)
    valid = np.ones(hz.size, dtype=bool)
    for _ in range(gaps):
        first = int(random.integers(0, hz.size))
        valid[first : first + int(random.integers(1, 5))] = False
    common = 0.2 + 0.3 * (hz / 20_000.0)
    causes: tuple[Cause, ...] = ()
    if caused:
        even = Cause(name="calibrator", source="", pull_db=np.full((1, hz.size), 0.15), device="calibrator K 2")
        causes = (
            even,
            *smooth_causes("microphone file", "", np.where(hz > 3000.0, 0.3, 0.1), hz, device="microphone M 1"),
        )
    return curve_of(
        values, axis, valid=valid, u=random.uniform(0.05, 0.6), u_common=common, causes=causes, key=key
    )  # fmt: skip


def closed_load(random: np.random.Generator, axis: FrequencyAxis, *, noise: float = 0.0) -> Impedance:
    """Impedance of a closed box of random data."""
    re, le, fs = random.uniform(3.0, 7.5), 10 ** random.uniform(-4.2, -3.0), random.uniform(35.0, 90.0)
    res, qms = re * random.uniform(1.5, 8.0), random.uniform(1.5, 6.0)
    ohm = closed_box(axis.hz, np.array([re, le, res, fs, qms, 1e-5, 5.0]))
    return load_of(random, axis, ohm, noise=noise)


def vented_load(random: np.random.Generator, axis: FrequencyAxis, *, noise: float = 0.0) -> Impedance:
    """Impedance of a vented box of random data."""
    re, le, fs = random.uniform(3.0, 7.5), 10 ** random.uniform(-4.2, -3.0), random.uniform(35.0, 70.0)
    res, qms, fb = re * random.uniform(2.0, 8.0), random.uniform(2.0, 6.0), fs * random.uniform(0.7, 1.1)
    ohm = vented_box(axis.hz, np.array([re, le, res, fs, qms, fb, 12.0, random.uniform(0.6, 2.0), 30.0, 1e-5, 5.0]))
    return load_of(random, axis, ohm, noise=noise)


def load_of(
    random: np.random.Generator, axis: FrequencyAxis, ohm: np.ndarray, *, noise: float = 0.0, wrinkles: int = 3
) -> Impedance:
    """An impedance with narrow bumps and noise, and uncertainties that rise toward its ends."""
    x = np.log2(axis.hz)
    for _ in range(wrinkles):
        place, size = random.uniform(7.5, 13.5), random.uniform(-0.04, 0.06)
        ohm = ohm * (1 + size / (1 + ((x - place) / 0.02) ** 2))
    ohm = ohm * (1 + noise * random.standard_normal(x.size))
    away = np.abs(x - 10.0) / 5.0
    u_ohm, u_deg = np.abs(ohm) * (0.004 + 0.01 * away), 0.3 + 0.4 * away
    return Impedance(axis, ohm, u_ohm, u_deg, np.ones(x.size, dtype=bool), ("impedance step",))
