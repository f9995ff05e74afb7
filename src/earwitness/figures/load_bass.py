"""Figures of the box, from the bass peaks of the impedance."""

from collections.abc import Mapping

import numpy as np

from earwitness.figures.info import FigureInfo
from earwitness.figures.load_box import LEAST_RISE, WORST_FIT, Peaks, bass_peaks, fit_closed, fit_vented, valley_hz
from earwitness.quantities import Figure, Impedance

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
    vented = closed = other
    if ported:
        found = _vented(grid, peaks, enclosure, infos)
        return {**(refused(VENTED_KEYS, found) if isinstance(found, str) else found), **refused(CLOSED_KEYS, closed)}
    if enclosure == "closed":
        result = _closed(grid, peaks, infos)
        return {**refused(VENTED_KEYS, vented), **(refused(CLOSED_KEYS, result) if isinstance(result, str) else result)}
    return {**refused(VENTED_KEYS, vented), **refused(CLOSED_KEYS, closed)}


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
        key: Figure(key, value, one_u, "Hz", (low, high), infos[key].method, caveats=told, lineage=grid.lineage)
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
        key: Figure(
            key, value, value * share, infos[key].unit, band, infos[key].method, caveats=notes, lineage=grid.lineage
        )
        for key, (value, share) in zip(CLOSED_KEYS, values, strict=True)
    }
