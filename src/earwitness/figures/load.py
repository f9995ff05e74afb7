"""The loudspeaker as a load: everything that is read off its impedance.

Small resonances of cabinet, cone or port are seen as wrinkles: a vibration that takes energy from the cone shows as a
narrow bump against its smooth surroundings. Method and limits of that are project defaults, no source.
"""

from dataclasses import dataclass, replace

import numpy as np

from earwitness.figures.load_box import above_bass_hz, bass_figures, vertex
from earwitness.figures.registry import FigureInfo, figure_infos
from earwitness.quantities import REFERENCE_VOLTAGE_V, BoolArray, Curve, Figure, FloatArray, Impedance, log_axis
from earwitness.quantities.arrays import REPORT_POINTS_PER_OCTAVE

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
    valid = impedance.valid
    passive = valid & (np.abs(phase) <= 90.0)

    def curve(key: str, name: str, values: FloatArray, u: FloatArray, unit: str) -> Curve:
        good = passive if key == "epdr" else valid
        return Curve.of(
            key, name, impedance.axis, values, good, u=u, unit=unit, reference=unit, lineage=impedance.lineage
        )

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
    return Impedance(axis=axis, ohm=ohm, u_ohm=u_ohm, u_deg=u_deg, valid=valid, lineage=impedance.lineage)


WRINKLE_BAND_HZ = (80.0, 20_000.0)
SURROUNDINGS_OCTAVES, CORE_OCTAVES = 1.0 / 4.0, 1.0 / 16.0
LEAST_PERCENT = 0.6
NOISE_FACTOR = 6.0
MOST = 12


@dataclass(frozen=True, slots=True)
class MinorResonance:
    """A narrow bump: where it is largest [Hz], and how far |Z| leaves its smooth surroundings there [%, signed]."""

    hz: float
    percent: float


def relative_noise(impedance: Impedance) -> float:
    """Relative standard deviation of what differs from point to point of |Z|, each against its two neighbors."""
    size = np.log(np.where(impedance.valid, np.maximum(np.abs(impedance.ohm), 1e-9), 1.0))
    whole = impedance.valid[1:-1] & impedance.valid[:-2] & impedance.valid[2:]
    off = (size[1:-1] - 0.5 * (size[:-2] + size[2:]))[whole]
    if off.size == 0:
        return 0.0
    # Median instead of rms: bends and bumps are few. A point against two neighbors has 1.5 times its variance.
    return float(1.4826 * np.median(np.abs(off - np.median(off))) / np.sqrt(1.5))


def minor_resonances(impedance: Impedance, *, above_hz: float = WRINKLE_BAND_HZ[0]) -> tuple[MinorResonance, ...]:
    """Bumps of 0.6 % and more above `above_hz`, lowest frequency first, the twelve largest at most.

    The surroundings are a cubic through 1/4 octave to either side without the innermost 1/16; a bump counts if it
    also exceeds six times the noise, and stands out by half its size from what lies 1/12 to 1/4 octave beside it.
    """
    grid = on_load_grid(impedance)
    bump, known = _against_surroundings(grid)
    hz = grid.axis.hz
    inside = known & (hz >= max(above_hz, WRINKLE_BAND_HZ[0])) & (hz <= WRINKLE_BAND_HZ[1])
    limit = max(LEAST_PERCENT / 100.0, NOISE_FACTOR * relative_noise(grid))
    found: list[int] = []
    apart = round(REPORT_POINTS_PER_OCTAVE * SURROUNDINGS_OCTAVES)
    for row in np.argsort(-np.abs(np.where(inside, bump, 0.0)), kind="stable"):
        if abs(bump[row]) < limit or not inside[row] or len(found) == MOST:
            break
        if all(abs(row - other) > apart for other in found) and _is_narrow(bump, int(row)):
            found.append(int(row))
    tops = [vertex(np.log(hz), bump, row) for row in sorted(found)]
    return tuple(MinorResonance(float(np.exp(place)), 100.0 * float(np.expm1(size))) for place, size in tops)


def _against_surroundings(grid: Impedance) -> tuple[FloatArray, BoolArray]:
    """ln |Z| (F,) minus the cubic through its surroundings, and where all of them are valid."""
    reach, core = (round(REPORT_POINTS_PER_OCTAVE * width) for width in (SURROUNDINGS_OCTAVES, CORE_OCTAVES))
    place = np.arange(-reach, reach + 1)
    outside = np.abs(place) >= core
    # Row 0 of the pseudo-inverse predicts the middle from the surroundings.
    weights = np.zeros(place.size)
    weights[outside] = np.linalg.pinv((place[outside, None] / reach) ** np.arange(4))[0]
    size = np.log(np.where(grid.valid, np.maximum(np.abs(grid.ohm), 1e-9), 1.0))
    bump, known = np.zeros(size.shape), np.zeros(size.shape, dtype=bool)
    if size.size <= 2 * reach:
        return bump, known
    rows = np.lib.stride_tricks.sliding_window_view(size, place.size)
    bump[reach:-reach] = size[reach:-reach] - rows @ weights
    known[reach:-reach] = np.lib.stride_tricks.sliding_window_view(grid.valid, place.size).all(axis=-1)
    return bump, known


def _is_narrow(bump: FloatArray, row: int) -> bool:
    """A wide bend leaves one sign of nearly one size all around; a bump falls to half within 1/12 octave each side."""
    step = REPORT_POINTS_PER_OCTAVE // 12
    sides = (bump[max(row - step, 0)], bump[min(row + step, bump.size - 1)])
    return all(side / bump[row] < 0.5 for side in sides)


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
        **bass_figures(grid, enclosure, INFO),
        **_wrinkle_figures(grid),
        **_drawn_figures(grid, band, program=program, sensitivity=sensitivity, level_db=level_db, crest_db=crest_db),
    }
    figures["amplifier_load"] = _amplifier_load(figures, grid.lineage)
    return {info.key: figures[info.key] for info in LOAD_FIGURES}


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
    low = _lowest(curves["impedance_magnitude"], band.rows, relative_noise(grid))
    bound, told = ("", ()) if band.whole else ("at most", (_missing_reason(band),))
    told = (*told, *_lower_elsewhere(grid, band, low.value))
    phase, asked = phase_deg(grid), {key: INFO[key].asked(grid.lineage, band.band_hz) for key in keys}
    found = {
        keys[0]: asked[keys[0]].judged(low.value, low.u, *told, bound=bound),
        keys[1]: asked[keys[1]].judged(low.hz, low.u_hz),
        keys[2]: asked[keys[2]].judged(float(phase[low.row]), float(grid.u_deg[low.row])),
        rating[1]: _supported(low.value, low.u, band, grid.lineage),
    }
    found[rating[0]] = _margin(low.value, u=low.u, rated_ohm=rated_ohm, band=band, told=told, lineage=grid.lineage)
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
    return INFO[key].asked(lineage, band.band_hz).judged(margin, u, verdict, *told, bound=bound)


def rating_of(minimum_ohm: float) -> float:
    """Largest of 16, 8, 6, 4, 2 ohm of which 80 % is not above `minimum_ohm`; 0 where it is below 1.6 ohm."""
    return next((one for one in RATINGS_OHM if minimum_ohm >= RATED_SHARE * one - 1e-9), 0.0)


def _supported(minimum: float, u: float, band: _Band, lineage: tuple[str, ...]) -> Figure:
    key = "rated_impedance_supported"
    return _step_figure(key, tuple(rating_of(minimum + k * u) for k in (-2.0, 0.0, 2.0)), lineage, band.band_hz)


def _step_figure(key: str, steps: tuple[float, ...], lineage: tuple[str, ...], band_hz: tuple[float, float]) -> Figure:
    """One of a row of ratings, (low, value, high) within the uncertainty; 0 stands for below the least."""
    low, value, high = steps
    least, asked = RATINGS_OHM[-1], INFO[key].asked(lineage, band_hz)
    if value == 0.0:
        return asked.judged(least, 0.0, f"the impedance is too low even for {least:g} ohm", bound="at most")
    if low == high:
        return asked.judged(value)
    shown = tuple("less than 2" if one == 0.0 else f"{one:g}" for one in (low, high))
    note = f"within the uncertainty of the measurement it may be {shown[0]} or {shown[1]} ohm"
    return replace(asked.judged(value, 0.0, note), interval=(low, high))


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
        steepest, at = (INFO[key].asked(grid.lineage, band.band_hz) for key in keys)
        found[keys[0]] = steepest.judged(float(phase[row]), float(grid.u_deg[row]), note)
        found[keys[1]] = at.judged(hz, hz * 0.5 / 48.0 * np.log(2.0))
    if program.share < LEAST_COVERED:
        found[factor] = INFO[factor].refused(_missing_reason(program), grid.lineage)
        return found
    share = power_factor(grid)
    places = np.flatnonzero(program.rows)
    row = int(places[np.argmin(share[places])])
    u = abs(float(np.sin(np.angle(grid.ohm[row])))) * float(np.radians(grid.u_deg[row]))
    note = f"at {grid.axis.hz[row]:.0f} Hz"
    found[factor] = INFO[factor].asked(grid.lineage, program.band_hz).judged(float(share[row]), u, note)
    return found


def _epdr_figures(grid: Impedance, program: _Band) -> dict[str, Figure]:
    found: dict[str, Figure] = {}
    curve, noise = load_curves(grid)["epdr"], relative_noise(grid)
    for key, band in (("epdr_minimum", _band(grid, FULL_BAND_HZ)), ("epdr_minimum_program", program)):
        rows = band.rows & curve.valid
        if band.share < LEAST_COVERED or not rows.any():
            found.update({name: INFO[name].refused(_missing_reason(band), grid.lineage) for name in (key, f"{key}_at")})
            continue
        low = _lowest(curve, rows, noise)
        note = f"there the impedance is {abs(grid.ohm[low.row]):.1f} ohm at {phase_deg(grid)[low.row]:+.0f} degrees"
        bound = "" if band.whole else "at most"
        lowest, at = (INFO[name].asked(grid.lineage, band.band_hz) for name in (key, f"{key}_at"))
        found[key] = lowest.judged(low.value, low.u, note, bound=bound)
        found[f"{key}_at"] = at.judged(low.hz, low.u_hz)
    return found


def _wrinkle_figures(grid: Impedance) -> dict[str, Figure]:
    key = "impedance_wrinkles"
    above = above_bass_hz(grid)
    band = _band(grid, (max(above, 80.0), 20_000.0))
    if band.share < LEAST_COVERED:
        return {key: INFO[key].refused(_missing_reason(band), grid.lineage)}
    found = minor_resonances(grid, above_hz=above)
    notes = tuple(f"{one.percent:+.1f} % at {one.hz:.0f} Hz" for one in found)
    return {key: INFO[key].asked(grid.lineage, band.band_hz).judged(float(len(found)), 0.0, *notes)}


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
        key: INFO[key].asked(grid.lineage, PROGRAM_BAND_HZ).judged(value, value * u, note)
        for key, (value, u) in zip(keys, values, strict=True)
    }
