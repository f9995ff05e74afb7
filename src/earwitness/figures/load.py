"""The loudspeaker as a load: everything that is read off its impedance."""

from dataclasses import dataclass, replace

import numpy as np

from earwitness.figures import load_bass
from earwitness.figures.info import FigureInfo, figure_infos
from earwitness.figures.load_curves import dissipation_share, load_curves, on_load_grid, phase_deg, power_factor
from earwitness.figures.load_wrinkles import roughness, wrinkles
from earwitness.quantities import Curve, Figure, Impedance
from earwitness.quantities.arrays import BoolArray
from earwitness.quantities.response import REFERENCE_VOLTAGE_V

LOAD_FIGURES = figure_infos("load")
INFO: dict[str, FigureInfo] = {info.key: info for info in LOAD_FIGURES}
FULL_BAND_HZ, PROGRAM_BAND_HZ = (20.0, 20_000.0), (40.0, 4000.0)
RATED_SHARE = 0.8
RATINGS_OHM = (16.0, 8.0, 6.0, 4.0, 2.0)
LOW_FACTOR = 1.5
LEAST_COVERED = 0.95
_NONE = "no impedance was measured"


@dataclass(frozen=True, slots=True, eq=False)
class _Band:
    """Rows (F,) of the valid part of a band; whole : nothing of the band is missing."""

    rows: BoolArray
    band_hz: tuple[float, float]
    share: float

    @property
    def whole(self) -> bool:
        return self.share > 0.999


@dataclass(frozen=True, slots=True)
class _Low:
    """A minimum: row, value, its standard uncertainty, and the one of its frequency."""

    row: int
    value: float
    u: float
    hz: float
    u_hz: float


def load_figures(
    impedance: Impedance | None,
    *,
    rated_ohm: float | None = None,
    enclosure: str = "other",
    sensitivity: Figure | None = None,
    rated_band_hz: tuple[float, float] | None = None,
    level_db: float = 90.0,
    crest_db: float = 12.0,
) -> dict[str, Figure]:
    """Every figure of LOAD_FIGURES, judged or with the reason why not.

    rated_ohm : the maker's rated impedance; enclosure : "closed", "vented", "passive radiator", "open", "other";
    sensitivity : the level at 1 m for 2.83 V [dB]; rated_band_hz : the maker's frequency range, else 20 Hz to 20 kHz
    level_db : level at 1 m, free field, at which current and power are asked; crest_db : peak over rms of music
    (10 to 20 dB, common practice, no source).
    """
    if impedance is None:
        return {info.key: info.refused(_NONE) for info in LOAD_FIGURES}
    grid = on_load_grid(impedance)
    band = _band(grid, rated_band_hz or FULL_BAND_HZ)
    program = _band(grid, PROGRAM_BAND_HZ)
    figures = {
        **_minimum_figures(grid, band, rated_ohm),
        **_phase_figures(grid, band, program),
        **_epdr_figures(grid, program),
        **load_bass.bass_figures(grid, enclosure, INFO),
        **_wrinkle_figures(grid),
        **_drawn_figures(grid, band, program, sensitivity, level_db, crest_db),
    }
    figures["amplifier_load"] = _amplifier_load(figures, grid.lineage)
    return {info.key: figures[info.key] for info in LOAD_FIGURES}


def _judged(
    key: str,
    value: float,
    u: float,
    lineage: tuple[str, ...],
    *,
    band_hz: tuple[float, float] | None = None,
    bound: str = "",
    interval: tuple[float, float] | None = None,
    caveats: tuple[str, ...] = (),
) -> Figure:
    info = INFO[key]
    return Figure(key, value, u, info.unit, band_hz, info.method, bound, interval, "", caveats, lineage)


def _band(grid: Impedance, band_hz: tuple[float, float]) -> _Band:
    """The valid part of a band, and its share of all points the band should have."""
    hz = grid.axis.hz
    inside = (hz >= band_hz[0]) & (hz <= band_hz[1])
    wanted = np.log2(band_hz[1] / band_hz[0])
    step = float(np.median(np.diff(np.log2(hz)))) if hz.size > 1 else 1.0
    rows = inside & grid.valid
    return _Band(rows, band_hz, min(1.0, (float(rows.sum()) + 1.0) * step / wanted))


def _missing_reason(band: _Band) -> str:
    low, high = band.band_hz
    return f"the impedance is known in {100.0 * band.share:.0f} % of the band from {low:g} Hz to {high:g} Hz only"


def _lowest(curve: Curve, rows: BoolArray, noise: float) -> _Low:
    """Minimum over rows; its frequency is as uncertain as noise leaves the bottom of the valley flat."""
    hz, values = curve.axis.hz, curve.values
    places = np.flatnonzero(rows)
    row = int(places[np.argmin(values[places])])
    low = high = row
    limit = values[row] * (1.0 + 2.0 * noise)
    while low > 0 and rows[low - 1] and values[low - 1] <= limit:
        low -= 1
    while high < hz.size - 1 and rows[high + 1] and values[high + 1] <= limit:
        high += 1
    step = hz[min(row + 1, hz.size - 1)] - hz[max(row - 1, 0)]
    u_hz = float(np.hypot(0.25 * (hz[high] - hz[low]), 0.5 * step / np.sqrt(12.0)))
    return _Low(row, float(values[row]), float(curve.u_total[row]), float(hz[row]), u_hz)


def _minimum_figures(grid: Impedance, band: _Band, rated_ohm: float | None) -> dict[str, Figure]:
    keys = ("impedance_minimum", "impedance_minimum_at", "impedance_minimum_phase")
    rating = ("rated_impedance_margin", "rated_impedance_supported")
    if band.share < LEAST_COVERED:
        return {key: INFO[key].refused(_missing_reason(band), grid.lineage) for key in (*keys, *rating)}
    curves = load_curves(grid)
    low = _lowest(curves["impedance_magnitude"], band.rows, roughness(grid))
    bound, told = ("", ()) if band.whole else ("at most", (_missing_reason(band),))
    told = (*told, *_lower_elsewhere(grid, band, low.value))
    phase = phase_deg(grid)
    found = {
        keys[0]: _judged(keys[0], low.value, low.u, grid.lineage, band_hz=band.band_hz, bound=bound, caveats=told),
        keys[1]: _judged(keys[1], low.hz, low.u_hz, grid.lineage, band_hz=band.band_hz),
        keys[2]: _judged(
            keys[2], float(phase[low.row]), float(grid.u_deg[low.row]), grid.lineage, band_hz=band.band_hz
        ),
        rating[1]: _supported(low.value, low.u, band, grid.lineage),
    }
    found[rating[0]] = _margin(low.value, low.u, rated_ohm, band, told, grid.lineage)
    return found


def _lower_elsewhere(grid: Impedance, band: _Band, minimum: float) -> tuple[str, ...]:
    """IEC 60268-5 wants a lower magnitude outside the rated range to be stated."""
    outside = grid.valid & ~band.rows
    if not outside.any():
        return ()
    size = np.where(outside, np.abs(grid.ohm), np.inf)
    row = int(np.argmin(size))
    if size[row] > minimum - 2.0 * grid.u_ohm[row]:
        return ()
    return (f"outside the band the impedance falls to {size[row]:.2f} ohm at {grid.axis.hz[row]:.0f} Hz",)


def _margin(
    minimum: float, u: float, rated_ohm: float | None, band: _Band, told: tuple[str, ...], lineage: tuple[str, ...]
) -> Figure:
    key = "rated_impedance_margin"
    if rated_ohm is None:
        return INFO[key].refused("the maker states no rated impedance", lineage)
    limit = RATED_SHARE * rated_ohm
    margin = minimum - limit
    rule = f"80 % of the rated {rated_ohm:g} ohm are {limit:.2f} ohm"
    if margin >= 2.0 * u:
        verdict = f"the maker's rating holds: {rule}"
    elif margin <= -2.0 * u:
        verdict = f"the maker's rating does not hold: {rule}, the lowest impedance falls short by {-margin:.2f} ohm"
    else:
        verdict = f"within the uncertainty it cannot be told if the maker's rating holds: {rule}"
    bound = "" if band.whole else "at most"
    return _judged(key, margin, u, lineage, band_hz=band.band_hz, bound=bound, caveats=(verdict, *told))


def rating_of(minimum_ohm: float) -> float:
    """Largest of 16, 8, 6, 4, 2 ohm of which 80 % is not above `minimum_ohm`; 0 where it is below 1.6 ohm."""
    return next((one for one in RATINGS_OHM if minimum_ohm >= RATED_SHARE * one - 1e-9), 0.0)


def _supported(minimum: float, u: float, band: _Band, lineage: tuple[str, ...]) -> Figure:
    key = "rated_impedance_supported"
    return _step_figure(key, tuple(rating_of(minimum + k * u) for k in (-2.0, 0.0, 2.0)), lineage, band.band_hz)


def _step_figure(key: str, steps: tuple[float, ...], lineage: tuple[str, ...], band_hz: tuple[float, float]) -> Figure:
    """One of a row of ratings, (low, value, high) within the uncertainty; 0 stands for below the least."""
    low, value, high = steps
    least = RATINGS_OHM[-1]
    if value == 0.0:
        note = f"the impedance is too low even for {least:g} ohm"
        return _judged(key, least, 0.0, lineage, band_hz=band_hz, bound="at most", caveats=(note,))
    if low == high:
        return _judged(key, value, 0.0, lineage, band_hz=band_hz)
    shown = tuple("less than 2" if one == 0.0 else f"{one:g}" for one in (low, high))
    note = f"within the uncertainty of the measurement it may be {shown[0]} or {shown[1]} ohm"
    return _judged(key, value, 0.0, lineage, band_hz=band_hz, interval=(low, high), caveats=(note,))


def _amplifier_load(figures: dict[str, Figure], lineage: tuple[str, ...]) -> Figure:
    key = "amplifier_load"
    size, peak = figures["impedance_minimum"], figures["epdr_minimum_program"]
    for part in (size, peak):
        if part.value is None:
            return INFO[key].refused(part.reason, lineage)
    assert size.value is not None
    assert size.u is not None
    assert peak.value is not None
    assert peak.u is not None
    share = float(dissipation_share(np.array([45.0]))[0])
    steps = tuple(
        min(rating_of(size.value + k * size.u), rating_of((peak.value + k * peak.u) / share)) for k in (-2.0, 0.0, 2.0)
    )
    found = _step_figure(key, steps, lineage, size.band_hz or FULL_BAND_HZ)
    if rating_of(peak.value / share) < rating_of(size.value):
        note = "the phase asks for it: the magnitude alone would allow a higher rating"
        found = replace(found, caveats=(*found.caveats, note))
    return found


def _phase_figures(grid: Impedance, band: _Band, program: _Band) -> dict[str, Figure]:
    keys, factor = ("phase_steepest", "phase_steepest_at"), "power_factor_minimum"
    found: dict[str, Figure] = {}
    phase, size = phase_deg(grid), np.abs(grid.ohm)
    if band.share < LEAST_COVERED:
        found = {key: INFO[key].refused(_missing_reason(band), grid.lineage) for key in keys}
    else:
        lowest = float(size[band.rows].min())
        places = np.flatnonzero(band.rows & (size <= LOW_FACTOR * lowest))
        row = int(places[np.argmax(np.abs(phase[places]))])
        hz = float(grid.axis.hz[row])
        note = f"the impedance there is {size[row]:.1f} ohm"
        found[keys[0]] = _judged(
            keys[0], float(phase[row]), float(grid.u_deg[row]), grid.lineage, band_hz=band.band_hz, caveats=(note,)
        )
        found[keys[1]] = _judged(keys[1], hz, hz * 0.5 / 48.0 * np.log(2.0), grid.lineage, band_hz=band.band_hz)
    if program.share < LEAST_COVERED:
        found[factor] = INFO[factor].refused(_missing_reason(program), grid.lineage)
        return found
    share = power_factor(grid)
    places = np.flatnonzero(program.rows)
    row = int(places[np.argmin(share[places])])
    u = abs(float(np.sin(np.angle(grid.ohm[row])))) * float(np.radians(grid.u_deg[row]))
    note = f"at {grid.axis.hz[row]:.0f} Hz"
    found[factor] = _judged(factor, float(share[row]), u, grid.lineage, band_hz=program.band_hz, caveats=(note,))
    return found


def _epdr_figures(grid: Impedance, program: _Band) -> dict[str, Figure]:
    found: dict[str, Figure] = {}
    curve, noise = load_curves(grid)["epdr"], roughness(grid)
    for key, band in (("epdr_minimum", _band(grid, FULL_BAND_HZ)), ("epdr_minimum_program", program)):
        rows = band.rows & curve.valid
        if band.share < LEAST_COVERED or not rows.any():
            found.update({name: INFO[name].refused(_missing_reason(band), grid.lineage) for name in (key, f"{key}_at")})
            continue
        low = _lowest(curve, rows, noise)
        note = f"there the impedance is {abs(grid.ohm[low.row]):.1f} ohm at {phase_deg(grid)[low.row]:+.0f} degrees"
        bound = "" if band.whole else "at most"
        found[key] = _judged(key, low.value, low.u, grid.lineage, band_hz=band.band_hz, bound=bound, caveats=(note,))
        found[f"{key}_at"] = _judged(f"{key}_at", low.hz, low.u_hz, grid.lineage, band_hz=band.band_hz)
    return found


def _wrinkle_figures(grid: Impedance) -> dict[str, Figure]:
    key = "impedance_wrinkles"
    above = load_bass.above_bass_hz(grid)
    band = _band(grid, (max(above, 80.0), 20_000.0))
    if band.share < LEAST_COVERED:
        return {key: INFO[key].refused(_missing_reason(band), grid.lineage)}
    found = wrinkles(grid, above_hz=above)
    notes = tuple(f"{one.percent:+.1f} % at {one.hz:.0f} Hz" for one in found)
    return {key: _judged(key, float(len(found)), 0.0, grid.lineage, band_hz=band.band_hz, caveats=notes)}


def _drawn_figures(
    grid: Impedance, band: _Band, program: _Band, sensitivity: Figure | None, level_db: float, crest_db: float
) -> dict[str, Figure]:
    """U = 2.83 V 10^((L - S)/20); P = U^2 mean(cos phi / |Z|) and I = U sqrt(mean 1/|Z|^2) over log frequency."""
    keys = ("drawn_voltage", "drawn_power", "drawn_current", "drawn_current_peak")
    reason = ""
    if sensitivity is None or sensitivity.value is None or sensitivity.u is None:
        reason = "no sensitivity is known" if sensitivity is None else f"sensitivity: {sensitivity.reason}"
    elif min(band.share, program.share) < LEAST_COVERED:
        reason = _missing_reason(program if program.share < LEAST_COVERED else band)
    if reason or sensitivity is None or sensitivity.value is None or sensitivity.u is None:
        return {key: INFO[key].refused(reason, grid.lineage) for key in keys}
    volts = REFERENCE_VOLTAGE_V * 10 ** ((level_db - sensitivity.value) / 20.0)
    u_volts = sensitivity.u * np.log(10.0) / 20.0
    size, rows = np.abs(grid.ohm), program.rows
    u_size = float(np.mean(grid.u_ohm[rows] / size[rows]))
    power = volts**2 * float(np.mean(power_factor(grid)[rows] / size[rows]))
    amperes = volts * float(np.sqrt(np.mean(size[rows] ** -2.0)))
    lowest = _lowest(load_curves(grid)["impedance_magnitude"], band.rows, 0.0)
    peak = volts * 10 ** (crest_db / 20.0) / lowest.value
    note = f"for {level_db:g} dB at 1 m in free field, one loudspeaker, peaks {crest_db:g} dB above the rms"
    values: tuple[tuple[float, float], ...] = (
        (volts, u_volts),
        (power, float(np.hypot(2.0 * u_volts, u_size))),
        (amperes, float(np.hypot(u_volts, u_size))),
        (peak, float(np.hypot(u_volts, lowest.u / lowest.value))),
    )
    return {
        key: _judged(key, value, value * u, grid.lineage, band_hz=PROGRAM_BAND_HZ, caveats=(note,))
        for key, (value, u) in zip(keys, values, strict=True)
    }
