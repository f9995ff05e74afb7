"""Where a deviation comes from: how large its shape stands in each curve and direction, whether the phase goes with
it, and from that its kind and the causes that the evidence speaks for.

An equalizer multiplies all directions by the same factor; only what all directions share can be mended by it. A cause
is named only where its frequency, its sign and the places that show it fit, by a formula of handbooks and facts of the
loudspeaker; that is evidence, no proof, and the sentence says which. Thresholds and tolerances are own choices.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import log2, pi

import numpy as np

from earwitness.figures.distortion import near_to_one_meter_db
from earwitness.figures.load import MinorResonance, minor_resonances
from earwitness.insight.findings.decompose import Peak, half_size_octaves, peaking_db
from earwitness.insight.findings.finding import DIRECT, EQUALIZABLE, SOURCES, Kind, Origin, Sized
from earwitness.quantities import Curve, DirectionalResponse, Impedance, NearField, on_orbit
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray
from earwitness.quantities.directions import Orbit
from earwitness.session.record import Driver, Loudspeaker

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
class PeakEvidence:
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
) -> PeakEvidence:
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
    return PeakEvidence(
        found,
        _off_axis(response=response, level_db=level, known=finite, peak=peak, others=others, orbit="horizontal"),
        _off_axis(response=response, level_db=level, known=finite, peak=peak, others=others, orbit="vertical"),
        _equalizability(response, size, told),
        None if excess_phase_rad is None else _phase_departure_deg(response.axis.hz, excess_phase_rad, peak),
        wrinkle_percent=None if wrinkle is None else wrinkle.percent,
        wrinkle_hz=None if wrinkle is None else wrinkle.hz,
        share_db=shares,
        radiator=radiator,
        is_port=any(one.name == radiator and one.kind == "port" for one in drivers),
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
    from earwitness.dsp.filters import minimum_phase

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


def _wrinkle(impedance: Impedance | None, peak: Peak) -> MinorResonance | None:
    """The largest wrinkle of the impedance inside the peak's width (at least 1/12 octave to either side)."""
    if impedance is None:
        return None
    reach = min(max(0.5 * half_size_octaves(peak.q), 1 / 12), 1 / 4)
    near = [one for one in minor_resonances(impedance) if abs(np.log2(one.hz / peak.center_hz)) <= reach]
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


SHARED = 0.5
"""Least part of the size on axis or in the window that a curve shows of the same, and its inverse the most."""
LEAST_EQUALIZABILITY = 0.8
ACROSS_SHARE, ACROSS_DB = 0.25, 2.0
MINIMUM_PHASE_DEG = 20.0


def kind_of(evidence: PeakEvidence, *, size_db: float, in_direct: bool) -> Kind:
    """The kind that the sizes in curves and directions speak for.

    size_db : of the peak where it was found; in_direct : found in the direct sound, not in the in-room prediction
    """
    sizes = evidence.curve_db
    direct = _larger(sizes.get("on_axis"), sizes.get("listening_window"))
    around = _larger(sizes.get("early_reflections"), sizes.get("sound_power"), sizes.get("in_room"))
    opposed = in_direct and direct is not None and around is not None and direct * size_db > 0 > around * direct
    in_all_direct = all(sizes.get(key, size_db) / size_db >= SHARED for key in ("on_axis", "listening_window"))
    faint = direct is None or (around is not None and abs(direct) < SHARED * abs(around) and not in_all_direct)
    if around is not None and not opposed and faint:
        return "vertical" if _is_vertical(evidence) else "off_axis"
    if not direct:
        return "partial"
    shares = [size / direct for size in sizes.values()]
    even = evidence.equalizability is None or evidence.equalizability >= LEAST_EQUALIZABILITY
    if min(shares) >= SHARED and max(shares) <= 1.0 / SHARED and even:
        return _resonance_of(evidence)
    reflected = [sizes[key] / direct for key in ("early_reflections", "sound_power") if key in sizes]
    if reflected and max(reflected) < SHARED:
        if _is_vertical(evidence) and abs(sizes.get("on_axis", 0.0)) < SHARED * abs(direct):
            return "vertical"
        if opposed and around is not None and direct is not None and abs(around) >= SHARED * abs(direct):
            return "off_axis"
        if not even:
            return "near_axis"
        return "off_axis" if opposed else "partial"
    return "partial"


def is_equalizable(kind: Kind, evidence: PeakEvidence) -> bool:
    """At all angles alike, and of minimum phase where the phase is known."""
    phase = evidence.excess_phase_deg
    return kind in EQUALIZABLE and (phase is None or phase <= MINIMUM_PHASE_DEG)


def _larger(*sizes: float | None) -> float | None:
    """The one of largest magnitude, with its sign."""
    known = [size for size in sizes if size is not None]
    return max(known, key=abs) if known else None


def _is_vertical(evidence: PeakEvidence) -> bool:
    across, up = evidence.horizontal_db, evidence.vertical_db
    return across is not None and up is not None and abs(across) < min(ACROSS_SHARE * abs(up), ACROSS_DB)


def _resonance_of(evidence: PeakEvidence) -> Kind:
    if evidence.is_port:
        return "port"
    return "load" if evidence.wrinkle_percent is not None else "source"


SOUND_M_S = 343.0
_WALL_M = 0.02
_NARROW_Q, _BROAD_Q = 3.0, 1.5
_FITS_OCTAVES, _STEP_OCTAVES = 0.12, 1.0
_STEP_M_HZ = 115.0
_BEAMING_KA, _BREAKUP_KA = 2.0, 1.0
_BEAMING_OCTAVES = (-0.5, 1.5)
_LOBE_WAVELENGTHS = (0.35, 2.0)


@dataclass(frozen=True, slots=True)
class Cabinet:
    """Outer lengths of a box [m]; below_top_m, left_m : of the reference point, from the top and to the left of the
    front's middle, the first None where it is not known; is_hollow : sound stands inside it."""

    width_m: float
    height_m: float
    depth_m: float
    below_top_m: float | None = None
    left_m: float = 0.0
    is_hollow: bool = True

    @staticmethod
    def of(loudspeaker: Loudspeaker) -> Cabinet | None:
        """The cabinet of a loudspeaker; None for what is no free box."""
        if loudspeaker.shape != "box" or loudspeaker.type == "in-wall":
            return None
        return Cabinet(
            width_m=loudspeaker.width_m,
            height_m=loudspeaker.height_m,
            depth_m=loudspeaker.depth_m,
            below_top_m=loudspeaker.reference_below_top_m,
            left_m=loudspeaker.reference_left_m,
            is_hollow=loudspeaker.enclosure != "open",
        )


def origins_of(
    kind: Kind,
    center_hz: float,
    q: float,
    size_db: float,
    sizes: Mapping[str, Sized],
    evidence: PeakEvidence,
    drivers: Sequence[Driver],
    cabinet: Cabinet | None,
) -> tuple[Origin, ...]:
    """What may have made it, the surest first; empty where no evidence speaks for a cause.

    size_db : on axis where it is known, for the sign that diffraction and the baffle step need.
    """
    found: list[Origin] = []
    if kind in SOURCES:
        found += _of_radiator(center_hz, q, evidence, drivers)
        found += _standing(center_hz, q, evidence, cabinet)
    radiating = [one for one in drivers if one.kind not in ("port", "passive radiator")]
    if kind == "vertical":
        found += _lobe(center_hz, radiating)
    if kind in ("near_axis", "partial"):
        found += _edge(center_hz, size_db, sizes, radiating, cabinet)
    if q < _BROAD_Q:
        found += _baffle_step(center_hz, sizes, cabinet)
    if kind in ("off_axis", "partial"):
        found += _beaming(center_hz, sizes, evidence, radiating)
    return tuple(found)


def _of_radiator(center_hz: float, q: float, evidence: PeakEvidence, drivers: Sequence[Driver]) -> list[Origin]:
    """Source: the near field itself. Breakup: a cone of ka over 1 (common practice, no source)."""
    driver = next((one for one in drivers if one.name == evidence.radiator), None)
    if driver is None:
        return []
    share = {"share_db": evidence.share_db[driver.name]}
    if driver.kind == "port":
        return [Origin("port", share, driver.name)]
    ka = ka_of(center_hz, driver.diameter_m)
    if driver.kind in ("cone", "dome") and ka >= _BREAKUP_KA and q >= _NARROW_Q:
        return [Origin("breakup", {**share, "ka": ka}, driver.name)]
    return [Origin("driver", share, driver.name)]


def _standing(center_hz: float, q: float, evidence: PeakEvidence, cabinet: Cabinet | None) -> list[Origin]:
    """c / (2 L) between parallel walls (handbook), where near field or impedance witness something of the box."""
    witnessed = bool(evidence.radiator) or evidence.wrinkle_percent is not None
    if cabinet is None or not cabinet.is_hollow or not witnessed or q < _NARROW_Q:
        return []
    inside = [length - 2 * _WALL_M for length in (cabinet.height_m, cabinet.width_m, cabinet.depth_m)]
    fitting = [(abs(log2(center_hz * 2 * length / SOUND_M_S)), length) for length in inside if length > _WALL_M]
    off, length = min(fitting, default=(1.0, 0.0))
    if off > _FITS_OCTAVES:
        return []
    return [Origin("standing wave", {"length_m": length, "expected_hz": SOUND_M_S / (2 * length)})]


def _lobe(center_hz: float, radiating: Sequence[Driver]) -> list[Origin]:
    """Two neighboring drivers a third to two wavelengths apart in height (path difference, handbook)."""
    heights = sorted({round(one.position_m[2], 4) for one in radiating})
    apart = [above - below for below, above in pairwise(heights)]
    fitting = [one for one in apart if _LOBE_WAVELENGTHS[0] <= one * center_hz / SOUND_M_S <= _LOBE_WAVELENGTHS[1]]
    if not fitting:
        return []
    distance = min(fitting)
    return [Origin("crossover lobe", {"distance_m": distance, "wavelengths": distance * center_hz / SOUND_M_S})]


def _edge(
    center_hz: float, size_db: float, sizes: Mapping[str, Sized], radiating: Sequence[Driver], cabinet: Cabinet | None
) -> list[Origin]:
    """The edge's wave, of the other sign and late by d / c: a dip on axis where d is a wavelength, a peak at half.

    Olson 1951 as told by third parties, from memory. From the smallest driver on, and only for what is stronger on
    axis than off.
    """
    off = [sizes[key] for key in ("early_reflections", "sound_power") if key in sizes]
    here = sizes.get(DIRECT)
    if cabinet is None or not radiating or here is None or not off or not all(here.is_larger(one) for one in off):
        return []
    smallest = min(radiating, key=lambda one: one.diameter_m)
    if ka_of(center_hz, smallest.diameter_m) < 0.3:
        return []
    y = cabinet.left_m + smallest.position_m[1]
    edges = [cabinet.width_m / 2 - y, cabinet.width_m / 2 + y]
    if cabinet.below_top_m is not None:
        edges.append(cabinet.below_top_m - smallest.position_m[2])
    share = 0.5 if size_db > 0 else 1.0
    expected = [(share * SOUND_M_S / one, one) for one in edges if one > smallest.diameter_m / 2]
    off_octaves, hz, distance = min(((abs(log2(center_hz / hz)), hz, one) for hz, one in expected), default=(1.0, 0, 0))
    if off_octaves > _FITS_OCTAVES:
        return []
    return [Origin("edge diffraction", {"distance_m": distance, "expected_hz": hz}, smallest.name)]


def _baffle_step(center_hz: float, sizes: Mapping[str, Sized], cabinet: Cabinet | None) -> list[Origin]:
    """115 m/s over the width (common practice for the middle of Olson's step): a broad rise above it or a broad dip
    below it, larger on axis than in the sound power, for the box gathers sound to the front and adds none."""
    here, power = sizes.get(DIRECT), sizes.get("sound_power")
    if cabinet is None or here is None or power is None or not here.is_sure or not here.is_apart(power):
        return []
    expected = _STEP_M_HZ / cabinet.width_m
    octaves = log2(center_hz / expected)
    away = octaves if here.size_db > 0 else -octaves
    if not 0.0 <= away <= _STEP_OCTAVES or not here.is_larger(power):
        return []
    return [Origin("baffle step", {"width_m": cabinet.width_m, "expected_hz": expected})]


def _beaming(
    center_hz: float, sizes: Mapping[str, Sized], evidence: PeakEvidence, radiating: Sequence[Driver]
) -> list[Origin]:
    """A dip off axis, horizontally too, where a driver that has a smaller one above it passes ka 2 (handbook)."""
    here, across = sizes.get(DIRECT), evidence.horizontal_db
    off = [sizes[key] for key in ("early_reflections", "sound_power") if key in sizes]
    if here is None or not off or across is None or across >= 0 or len(radiating) < 2:
        return []
    if not all(one.size_db < 0 and one.is_larger(here) for one in off):
        return []
    smallest = min(one.diameter_m for one in radiating)
    larger = [one for one in radiating if one.diameter_m > smallest]
    fitting = []
    for one in larger:
        begins = _BEAMING_KA * SOUND_M_S / (pi * one.diameter_m)
        octaves = log2(center_hz / begins)
        if _BEAMING_OCTAVES[0] <= octaves <= _BEAMING_OCTAVES[1]:
            fitting.append((abs(octaves), one.name, begins))
    if not fitting:
        return []
    _, name, begins = min(fitting)
    return [Origin("beaming", {"expected_hz": begins, "horizontal_db": across}, name)]


def ka_of(hz: float, diameter_m: float) -> float:
    """Circumference over wavelength of a round driver."""
    return pi * diameter_m * hz / SOUND_M_S
