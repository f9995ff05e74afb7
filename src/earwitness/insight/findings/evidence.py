"""How large one shape stands in each curve and each direction, and whether the phase goes with it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from earwitness.figures.distortion import near_to_one_meter_db
from earwitness.figures.load import Wrinkle, wrinkles
from earwitness.insight.findings.decompose import Peak, half_size_octaves, peaking_db
from earwitness.quantities import Curve, DirectionalResponse, Impedance, NearField, on_orbit
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray
from earwitness.quantities.directions import Orbit
from earwitness.session.record import Driver

_REACH_WIDTHS = 1.5
_LEAST_REACH_OCTAVES = 0.25
_MOST_REACH_OCTAVES = 2.5
_BENDING_BELOW_OCTAVES = 1.2
_LEAST_POINTS = 9
_LEAST_NEIGHBOR = 0.4
_LEAST_NEAR_Q = 2.0
# A near field goes out with 0 to 6 dB of the baffle's help; a radiator makes what its own sound explains to 9 dB, and
# 4 dB more than any other's (own choices: of simulated pairs the maker lies at -7 to +3 dB, leak at -14 dB and lower).
_BAFFLE_DB = 3.0
_LEAST_SHARE_DB, _CLEAR_DB = -9.0, 4.0
_WINDOW_DEG: tuple[tuple[Orbit, float], ...] = (("horizontal", 30.0), ("vertical", 10.0))
CURVES = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """One peak as every curve and direction shows it. A value that the data do not give is absent, never 0.

    curve_db : size by curve key [dB]
    horizontal_db, vertical_db : size in the energy off the axis of one orbit, weighted by area [dB]
    equalizability : m^2 / (m^2 + s^2) over the directions of the listening window, 0 to 1
    excess_phase_deg : largest departure of the on-axis excess phase from a delay, across the peak
    wrinkle_percent, wrinkle_hz : of the impedance, at the same place
    share_db : by radiator, the sound that its own near field gives to the resonance, against that of the whole [dB]
    radiator : the one that makes it, "" where none does, or more than one; is_port : it is a port
    """

    curve_db: dict[str, float]
    horizontal_db: float | None
    vertical_db: float | None
    equalizability: float | None
    excess_phase_deg: float | None
    wrinkle_percent: float | None
    wrinkle_hz: float | None
    share_db: Mapping[str, float]
    radiator: str = ""
    is_port: bool = False

    def numbers(self) -> dict[str, float]:
        """All but the sizes in curves, by name."""
        rest = {
            "horizontal_db": self.horizontal_db,
            "vertical_db": self.vertical_db,
            "equalizability": self.equalizability,
            "excess_phase_deg": self.excess_phase_deg,
            "impedance_wrinkle_percent": self.wrinkle_percent,
        }
        shares = {f"share of {name}": value for name, value in self.share_db.items()}
        return {**shares, **{key: value for key, value in rest.items() if value is not None}}


def sizes_db(
    hz: FloatArray, level_db: FloatArray, valid: BoolArray, peak: Peak, others: Sequence[Peak]
) -> tuple[FloatArray, BoolArray]:
    """(N,) size of the peak's shape in each of (N, F) levels, and where it could be told.

    Least squares over one and a half widths to either side, together with a straight or (for narrow peaks) bent trend
    and with the other peaks that are not small against it and whose centers lie there.
    """
    width = half_size_octaves(peak.q)
    x = np.log2(hz / peak.center_hz)
    reach = min(max(_REACH_WIDTHS * width, _LEAST_REACH_OCTAVES), _MOST_REACH_OCTAVES)
    near = np.abs(x) <= reach
    unknown = np.zeros(level_db.shape[0]), np.zeros(level_db.shape[0], dtype=bool)
    if np.count_nonzero(near) < _LEAST_POINTS or x[near].min() > -0.5 * width or x[near].max() < 0.5 * width:
        return unknown
    at = x[near]
    columns = [_unit(at, peak, peak.center_hz)]
    columns += [(at / reach) ** power for power in range(3 if width < _BENDING_BELOW_OCTAVES else 2)]
    for other in others:
        large = abs(other.size_db) >= _LEAST_NEIGHBOR * abs(peak.size_db)
        if large and abs(np.log2(other.center_hz / peak.center_hz)) < reach:
            shape = _unit(at, other, peak.center_hz)
            # Two shapes that are nearly one can't be told apart: the nearer one gets it all.
            if abs(np.corrcoef(shape, columns[0])[0, 1]) < 0.9:
                columns.append(shape)
    row = np.linalg.pinv(np.stack(columns, axis=-1), rcond=1e-6)[0]
    return level_db[:, near] @ row, np.asarray(valid[:, near].all(axis=1), dtype=bool)


def _unit(x: FloatArray, peak: Peak, about_hz: float) -> FloatArray:
    """Shape of 1 dB height; x in octaves about `about_hz`."""
    gain = peak.size_db if abs(peak.size_db) > 0.1 else 0.1
    return peaking_db(x, float(np.log2(peak.center_hz / about_hz)), float(np.log(peak.q)), gain) / gain


def gather(
    curves: dict[str, Curve],
    response: DirectionalResponse,
    peak: Peak,
    others: Sequence[Peak],
    *,
    edge_db: FloatArray,
    excess_phase_rad: FloatArray | None,
    impedance: Impedance | None,
    near_fields: Sequence[NearField],
    drivers: Sequence[Driver],
) -> Evidence:
    """Everything that bears on where a peak comes from.

    curves stand on the response's frequencies. edge_db : (F,) roll-off that all directions share, taken out first;
    excess_phase_rad : (F,) on axis, or None; drivers : of the near fields, by name.
    """
    found: dict[str, float] = {}
    for key, curve in curves.items():
        size, told = sizes_db(curve.axis.hz, (curve.values - edge_db)[None, :], curve.valid[None, :], peak, others)
        if told[0]:
            found[key] = float(size[0])
    level = response.level_db()
    finite = np.isfinite(level)
    level = np.where(finite, level, 0.0) - edge_db
    size, told = sizes_db(response.axis.hz, level, response.valid & finite, peak, others)
    wrinkle = _wrinkle(impedance, peak)
    shares = _shares(near_fields, drivers, response, peak)
    radiator = _maker(shares)
    return Evidence(
        found,
        _off_axis(response, level, finite, peak, others, "horizontal"),
        _off_axis(response, level, finite, peak, others, "vertical"),
        _equalizability(response, size, told),
        None if excess_phase_rad is None else _phase_departure_deg(response.axis.hz, excess_phase_rad, peak),
        None if wrinkle is None else wrinkle.percent,
        None if wrinkle is None else wrinkle.hz,
        shares,
        radiator,
        any(one.name == radiator and one.kind == "port" for one in drivers),
    )


def _off_axis(
    response: DirectionalResponse,
    level_db: FloatArray,
    known: BoolArray,
    peak: Peak,
    others: Sequence[Peak],
    orbit: Orbit,
) -> float | None:
    """Size in the energy of one orbit without the axis, each direction weighted by its share of the sphere."""
    mean = _off_axis_db(response, level_db, known, orbit)
    if mean is None:
        return None
    size, told = sizes_db(response.axis.hz, mean[None, :], np.ones((1, mean.size), dtype=bool), peak, others)
    return float(size[0]) if told[0] else None


def _off_axis_db(
    response: DirectionalResponse, level_db: FloatArray, known: BoolArray, orbit: Orbit
) -> FloatArray | None:
    """(F,) level of one orbit without the axis, the mean by area [dB]; None where fewer than four directions are
    known."""
    rows, angle = on_orbit(response.directions, orbit)
    taken = (np.abs(angle) > 0.5) & known[rows].all(axis=1)
    if np.count_nonzero(taken) < 4:
        return None
    weights = np.sin(np.deg2rad(np.abs(angle[taken])))[:, None]
    energy = (weights * 10 ** (level_db[rows[taken]] / 10)).sum(axis=0)
    return np.asarray(10 * np.log10(np.maximum(energy / weights.sum(), 1e-30)), dtype=float)


def vertical_contrast(response: DirectionalResponse, in_room: Curve) -> Curve | None:
    """Sound above and below over sound to the sides, off the axis [dB]: what both share cancels, roll-off, flaws of the
    source and narrowing alike, and what the spacing of drivers does above and below is left.

    in_room : lends its uncertainty and where it is valid. None where either orbit has fewer than four directions.
    """
    level = response.level_db()
    known = np.isfinite(level)
    level = np.where(known, level, 0.0)
    up, across = (_off_axis_db(response, level, known, orbit) for orbit in ("vertical", "horizontal"))
    if up is None or across is None:
        return None
    return replace(in_room, key="vertical_contrast", name="above and below over the sides", values=up - across)


def _equalizability(response: DirectionalResponse, size: FloatArray, told: BoolArray) -> float | None:
    """m^2 / (m^2 + s^2) of the sizes over the directions of the listening window."""
    taken: set[int] = set()
    for orbit, limit in _WINDOW_DEG:
        rows, angle = on_orbit(response.directions, orbit)
        taken |= {int(row) for row in rows[(np.abs(angle) <= limit + 0.5) & told[rows]]}
    if len(taken) < 3:
        return None
    sizes = size[sorted(taken)]
    mean, spread = float(sizes.mean()), float(sizes.std(ddof=1))
    return mean**2 / max(mean**2 + spread**2, 1e-12)


def excess_phase(hz: FloatArray, pressure: ComplexArray, valid: BoolArray) -> FloatArray | None:
    """(F,) phase [rad, unwrapped] over that of the minimum-phase response of the same magnitude.

    pressure : (F,) complex. The magnitude goes on below the data with 24 dB/octave and above them level. None where
    fewer than three octaves are valid.
    """
    from earwitness.dsp.minimum_phase import minimum_phase

    known = valid & (np.abs(pressure) > 0)
    if np.count_nonzero(known) < 32 or hz[known][-1] < 8 * hz[known][0]:
        return None
    at, level = np.log(hz[known]), np.log(np.abs(pressure[known]))
    rate_hz, bins = 4.0 * float(hz[-1]), 2**15 + 1
    grid = np.linspace(0.0, rate_hz / 2, bins)
    x = np.log(np.maximum(grid, grid[1] / 2))
    magnitude = np.exp(np.interp(x, at, level) + 4.0 * np.minimum(x - at[0], 0.0))
    least = minimum_phase(magnitude)
    phase = np.interp(hz, grid, np.unwrap(np.angle(least)))
    return np.asarray(np.unwrap(np.angle(pressure * np.exp(-1j * phase))), dtype=float)


def on_axis_excess_phase(response: DirectionalResponse) -> FloatArray | None:
    """`excess_phase` on axis; None where that direction is missing, has no phase or too narrow a valid range."""
    rows, angle = on_orbit(response.directions, "horizontal")
    here = rows[np.abs(angle) < 0.5]
    if here.size == 0 or response.phase == "none":
        return None
    row = int(here[0])
    return excess_phase(response.axis.hz, response.pressure[row], response.valid[row])


def _phase_departure_deg(hz: FloatArray, phase_rad: FloatArray, peak: Peak) -> float | None:
    """Largest departure from a delay and a constant over one width to either side, in degrees."""
    near = np.abs(np.log2(hz / peak.center_hz)) <= min(max(half_size_octaves(peak.q), 0.15), 1.0)
    if np.count_nonzero(near) < _LEAST_POINTS:
        return None
    columns = np.stack([np.ones(np.count_nonzero(near)), hz[near] / peak.center_hz], axis=-1)
    line = columns @ (np.linalg.pinv(columns) @ phase_rad[near])
    return float(np.rad2deg(np.max(np.abs(phase_rad[near] - line))))


def _wrinkle(impedance: Impedance | None, peak: Peak) -> Wrinkle | None:
    """The largest wrinkle of the impedance inside the peak's width (at least 1/12 octave to either side)."""
    if impedance is None:
        return None
    reach = min(max(0.5 * half_size_octaves(peak.q), 1 / 12), 1 / 4)
    near = [one for one in wrinkles(impedance) if abs(np.log2(one.hz / peak.center_hz)) <= reach]
    return max(near, key=lambda one: abs(one.percent)) if near else None


def _shares(
    near_fields: Sequence[NearField], drivers: Sequence[Driver], response: DirectionalResponse, peak: Peak
) -> dict[str, float]:
    """Sound that the resonance adds in each radiator's near field, taken to 1 m, against what it adds on axis [dB].

    A bump alone says little: what leaks into a near field 40 dB weaker than the driver beside it holds that driver's
    bump at full height. So the added sound itself is compared: |10^(size / 20) - 1| times the level beneath. A broad
    shape is lost in a port's roll-off and is not judged; neither is one of the other sign.
    """
    known = {one.name: one for one in drivers}
    row = response.directions.on_axis_row()
    whole = 20.0 * np.log10(np.maximum(np.abs(response.pressure[row]), 1e-300))
    added = _added_db(response.axis.hz, whole, response.valid[row], peak)
    found: dict[str, float] = {}
    if peak.q < _LEAST_NEAR_Q or added is None:
        return found
    for field in near_fields:
        driver = known.get(field.driver)
        if driver is None:
            continue
        inside = (field.axis.hz >= field.lowest_valid_hz) & (field.axis.hz <= field.highest_valid_hz)
        inside &= np.isfinite(field.level_db)
        own = _added_db(field.axis.hz, np.where(inside, field.level_db, 0.0), inside, peak)
        if own is not None:
            far_db = near_to_one_meter_db(driver.diameter_m / 2.0, 0.0) + 20.0 * np.log10(driver.count) + _BAFFLE_DB
            found[field.driver] = own + far_db - added
    return found


def _added_db(hz: FloatArray, level_db: FloatArray, valid: BoolArray, peak: Peak) -> float | None:
    """Level [dB] of what the peak's shape adds to a curve (F,), or None where it isn't there with the peak's sign."""
    size, told = sizes_db(hz, level_db[None, :], valid[None, :], peak, ())
    if not told[0] or size[0] * peak.size_db <= 0.0:
        return None
    beneath = float(np.interp(np.log(peak.center_hz), np.log(hz), level_db)) - float(size[0])
    return beneath + 20.0 * float(np.log10(max(abs(10.0 ** (size[0] / 20.0) - 1.0), 1e-6)))


def _maker(share_db: Mapping[str, float]) -> str:
    """The radiator whose own near field explains the resonance and stands clear of the next."""
    ranked = sorted(share_db.items(), key=lambda row: -row[1])
    if not ranked or ranked[0][1] < _LEAST_SHARE_DB:
        return ""
    return ranked[0][0] if len(ranked) == 1 or ranked[0][1] - ranked[1][1] >= _CLEAR_DB else ""
