"""What the impedance tells of the box: tuning of a vented one, resonance and Q values of a closed one.

Models after Small, Direct-Radiator Loudspeaker System Analysis (1972) and Vented-Box Loudspeaker Systems (1973), from
memory, with the coil's inductance in series.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from earwitness.figures.registry import FigureInfo
from earwitness.quantities import ComplexArray, Figure, FloatArray, Impedance

BASS_BAND_HZ = (5.0, 250.0)
PROMINENCE_SHARE = 0.1
LEAST_RISE = 1.5
WORST_FIT = 0.03
_CLOSED, _VENTED = (
    ("re", "le", "res", "fs", "qms", "cp", "rp"),
    ("re", "le", "res", "fs", "qms", "fb", "ql", "alpha", "qp", "cp", "rp"),
)
_START_BESIDE = (1e-5, 5.0)
Model = Callable[[FloatArray, FloatArray], ComplexArray]


@dataclass(frozen=True, slots=True)
class Peaks:
    """Maxima of the bass impedance, lowest frequency first: hz, ohm; d.c. resistance as far as the data show it."""

    hz: tuple[float, ...]
    ohm: tuple[float, ...]
    dc_ohm: float
    lowest_hz: float


@dataclass(frozen=True, slots=True)
class Fitted:
    """Parameters of a box model by name, their standard uncertainties, and the rms of the relative misfit."""

    values: dict[str, float]
    u: dict[str, float]
    misfit: float


def closed_box(hz: FloatArray, p: FloatArray) -> ComplexArray:
    """Impedance (F,) for (re, le, res, fs, qms, cp, rp): parallel resonance, coil resistance and inductance."""
    re, le, res, fs, qms, cp, rp = p
    turn = 1j * hz / fs
    return _beside(hz, re + 2j * np.pi * hz * le + res * (turn / qms) / (turn**2 + turn / qms + 1.0), cp, rp)


def vented_box(hz: FloatArray, p: FloatArray) -> ComplexArray:
    """Impedance (F,) for (re, le, res, fs, qms, fb, ql, alpha, qp, cp, rp): leak ql and port loss qp at the tuning."""
    re, le, res, fs, qms, fb, ql, alpha, qp, cp, rp = p
    s = 1j * hz
    box = alpha * fs / (s + fb / ql + fb**2 / (s + fb / qp))
    motion = s / fs + fs / s + 1.0 / qms + box
    return _beside(hz, re + 2.0 * np.pi * s * le + res / qms / motion, cp, rp)


def _beside(hz: FloatArray, z: ComplexArray, cp: float, rp: float) -> ComplexArray:
    """Impedance (F,) of `z` with the other ways of a loudspeaker beside it: capacitance cp [F] and resistance rp."""
    admittance = 2j * np.pi * hz * cp / (1.0 + 2j * np.pi * hz * cp * rp)
    return np.asarray(1.0 / (1.0 / z + admittance))


def bass_peaks(impedance: Impedance) -> Peaks | None:
    """Maxima below 250 Hz that stand out by a tenth of the d.c. resistance; None where the bass is not known."""
    keep = impedance.valid & (impedance.axis.hz >= BASS_BAND_HZ[0]) & (impedance.axis.hz <= BASS_BAND_HZ[1])
    hz, z = impedance.axis.hz[keep], impedance.ohm[keep]
    if hz.size < 24 or hz[0] > 25.0:
        return None
    dc_ohm = float(z.real.min())
    rows = prominent(np.abs(z), PROMINENCE_SHARE * max(dc_ohm, 0.1))
    tops = [vertex(np.log(hz), np.abs(z), int(row)) for row in rows]
    places = tuple(float(np.exp(place)) for place, _ in tops)
    return Peaks(places, tuple(size for _, size in tops), dc_ohm, float(hz[0]))


def prominent(values: FloatArray, least: float) -> list[int]:
    """Rows of maxima that stand `least` or more above the higher of the lowest values to their left and right, up to
    where the next higher value is on that side."""
    found = []
    for row in np.flatnonzero((values[1:-1] > values[:-2]) & (values[1:-1] > values[2:])) + 1:
        sides = (values[row::-1], values[row:])
        feet = [side[: int(np.argmax(side > side[0])) or side.size].min() for side in sides]
        if values[row] - max(feet) >= least:
            found.append(int(row))
    return found


def valley_hz(impedance: Impedance, low_hz: float, high_hz: float) -> float:
    """Frequency of the lowest magnitude between two frequencies, by a parabola through three points."""
    rows = np.flatnonzero(impedance.valid & (impedance.axis.hz > low_hz) & (impedance.axis.hz < high_hz))
    size = np.abs(impedance.ohm)
    row = int(rows[np.argmin(size[rows])])
    return float(np.exp(vertex(np.log(impedance.axis.hz), size, row)[0]))


def vertex(x: FloatArray, y: FloatArray, row: int) -> tuple[float, float]:
    """Place and value of the extremum of the parabola through three neighbors."""
    if not 0 < row < x.size - 1:
        return float(x[row]), float(y[row])
    left, right = x[row - 1] - x[row], x[row + 1] - x[row]
    first, second = (y[row - 1] - y[row]) / left, (y[row + 1] - y[row]) / right
    bend = (second - first) / (right - left)
    slope = first - bend * left
    if bend == 0.0:
        return float(x[row]), float(y[row])
    move = float(np.clip(-slope / (2.0 * bend), left, right))
    return float(x[row]) + move, float(y[row] + slope * move + bend * move**2)


def fit_closed(impedance: Impedance, peaks: Peaks) -> Fitted:
    """Closed-box model about the highest peak, from 0.4 to twice its frequency."""
    top = int(np.argmax(peaks.ohm))
    fs, rise = peaks.hz[top], max(peaks.ohm[top] - peaks.dc_ohm, 0.1)
    start = np.array([max(peaks.dc_ohm, 0.1), 2e-4, rise, fs, 3.0, *_START_BESIDE])
    return _fitted(impedance=impedance, model=closed_box, names=_CLOSED, start=start, low_hz=fs / 2.5, high_hz=2.0 * fs)


def fit_vented(impedance: Impedance, peaks: Peaks, tuning_hz: float) -> Fitted:
    """Vented-box model over both peaks, from half the lower to half above the upper one."""
    low, high = peaks.hz[0], peaks.hz[1]
    fs = low * high / tuning_hz
    alpha = max((low**2 + high**2 - tuning_hz**2) / fs**2 - 1.0, 0.1)
    rise = max(max(peaks.ohm[:2]) - peaks.dc_ohm, 0.1)
    start = np.array([max(peaks.dc_ohm, 0.1), 2e-4, rise, fs, 4.0, tuning_hz, 10.0, alpha, 20.0, *_START_BESIDE])
    return _fitted(impedance, model=vented_box, names=_VENTED, start=start, low_hz=low / 2.0, high_hz=1.5 * high)


def _fitted(
    impedance: Impedance, model: Model, names: tuple[str, ...], start: FloatArray, low_hz: float, high_hz: float
) -> Fitted:
    """Least squares of the relative misfit over the logarithms of the parameters, which keeps them positive."""
    from scipy.optimize import least_squares

    keep = impedance.valid & (impedance.axis.hz >= low_hz) & (impedance.axis.hz <= high_hz)
    hz, z = impedance.axis.hz[keep], impedance.ohm[keep]

    def misfit(logs: FloatArray) -> FloatArray:
        gap = (model(hz, np.exp(logs)) - z) / np.abs(z)
        return np.concatenate([gap.real, gap.imag])

    centre = np.log(start)
    found = least_squares(misfit, centre, bounds=(centre - 6.0, centre + 6.0), x_scale=0.3, max_nfev=400)
    count = max(2 * hz.size - start.size, 1)
    variance = float(np.sum(found.fun**2)) / count
    # Where the model is not the loudspeaker, misfits run together: about one independent value in six points.
    slopes = np.asarray(found.jac, dtype=np.float64)
    spread = np.linalg.pinv(slopes.T @ slopes) * variance * 6.0
    values = np.exp(found.x)
    u = values * np.sqrt(np.maximum(np.diag(spread), 0.0))
    return Fitted(
        dict(zip(names, (float(v) for v in values), strict=True)),
        dict(zip(names, (float(v) for v in u), strict=True)),
        float(np.sqrt(np.mean(found.fun**2) * 2.0)),
    )


VENTED_KEYS = ("box_tuning", "box_peak_low", "box_peak_high")
CLOSED_KEYS = ("closed_resonance", "closed_q_mechanical", "closed_q_electrical", "closed_q_total")
_UNKNOWN = "the impedance is not known low enough in the bass"
_MODEL_SHARE = 0.01


def above_bass_hz(grid: Impedance) -> float:
    """Frequency from which the flanks of the bass peaks no longer look like small resonances."""
    peaks = bass_peaks(grid)
    return 80.0 if peaks is None or not peaks.hz else max(80.0, 1.5 * peaks.hz[-1])


def bass_figures(grid: Impedance, enclosure: str, infos: Mapping[str, FigureInfo]) -> dict[str, Figure]:
    """Tuning and peaks of a vented box or one with a passive radiator; resonance and Q values of a closed one."""
    peaks = bass_peaks(grid)

    def refused(keys: tuple[str, ...], reason: str) -> dict[str, Figure]:
        return {key: infos[key].refused(reason, grid.lineage) for key in keys}

    ported = enclosure in ("vented", "passive radiator")
    other = f"the enclosure is {enclosure}"
    if peaks is None:
        return {
            **refused(VENTED_KEYS, _UNKNOWN if ported else other),
            **refused(CLOSED_KEYS, _UNKNOWN if enclosure == "closed" else other),
        }
    vented = _vented(grid, peaks, enclosure, infos) if ported else other
    closed = _closed(grid, peaks, infos) if enclosure == "closed" else other
    return {
        **(refused(VENTED_KEYS, vented) if isinstance(vented, str) else vented),
        **(refused(CLOSED_KEYS, closed) if isinstance(closed, str) else closed),
    }


def _vented(grid: Impedance, peaks: Peaks, enclosure: str, infos: Mapping[str, FigureInfo]) -> dict[str, Figure] | str:
    if len(peaks.hz) < 2:
        return f"there {'is one bass peak' if peaks.hz else 'is no bass peak'}, a {enclosure} box shows two"
    low, high = peaks.hz[:2]
    valley = valley_hz(grid, low, high)
    fit = fit_vented(grid, peaks, valley)
    notes: tuple[str, ...] = (f"the impedance has its minimum between the peaks at {valley:.1f} Hz",)
    if fit.misfit <= WORST_FIT:
        # The valley lies off the tuning by losses and the coil; part of that distance is what the model may miss.
        tuning = fit.values["fb"]
        u = float(np.hypot(np.hypot(fit.u["fb"], _MODEL_SHARE * tuning), 0.25 * (tuning - valley)))
    else:
        tuning, u = valley, 0.04 * valley
        notes += ("the box model does not fit: the minimum between the peaks is given",)
    if len(peaks.hz) > 2:
        notes += (f"further peaks at {', '.join(f'{one:.0f} Hz' for one in peaks.hz[2:])}",)
    # A peak lies where the parabola has it, within a few hundredths of the step.
    spread = 0.1 / 48.0 * np.log(2.0)
    values = ((tuning, u, notes), (low, low * spread, ()), (high, high * spread, ()))
    return {
        key: infos[key].asked(grid.lineage, (low, high)).judged(value, one_u, *told)
        for key, (value, one_u, told) in zip(VENTED_KEYS, values, strict=True)
    }


def _closed(grid: Impedance, peaks: Peaks, infos: Mapping[str, FigureInfo]) -> dict[str, Figure] | str:
    if not peaks.hz:
        return "there is no bass peak above the lowest frequency measured"
    top = int(np.argmax(peaks.ohm))
    if peaks.ohm[top] < LEAST_RISE * peaks.dc_ohm:
        return f"the resonance is too damped: its peak is under {LEAST_RISE:g} times the d.c. resistance"
    if peaks.hz[top] < 1.5 * peaks.lowest_hz:
        return "the resonance lies too close to the lowest frequency measured"
    fit = fit_closed(grid, peaks)
    if fit.misfit > WORST_FIT:
        return f"the closed-box model does not fit (rms misfit {100.0 * fit.misfit:.0f} %)"
    v, rel = fit.values, {name: fit.u[name] / fit.values[name] for name in fit.values}
    mechanical = v["qms"]
    electrical = mechanical * v["re"] / v["res"]
    total = mechanical * electrical / (mechanical + electrical)
    # The scale of the impedance cancels in the ratio of its parts.
    u_electrical = float(np.sqrt(rel["qms"] ** 2 + rel["re"] ** 2 + rel["res"] ** 2 + _MODEL_SHARE**2))
    u_mechanical = float(np.hypot(rel["qms"], _MODEL_SHARE))
    values = (
        (v["fs"], float(np.hypot(rel["fs"], 0.002))),
        (mechanical, u_mechanical),
        (electrical, u_electrical),
        (total, u_electrical),
    )
    notes = () if len(peaks.hz) == 1 else (f"{len(peaks.hz)} bass peaks: a closed box with one woofer type has one",)
    band = (peaks.hz[top] / 2.5, 2.0 * peaks.hz[top])
    return {
        key: infos[key].asked(grid.lineage, band).judged(value, value * share, *notes)
        for key, (value, share) in zip(CLOSED_KEYS, values, strict=True)
    }
