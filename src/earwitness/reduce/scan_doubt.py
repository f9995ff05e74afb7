"""A scan's own mistakes: what its sound tells of gains, delays, radii and places is taken off, the rest doubted."""

from dataclasses import dataclass, replace

import numpy as np

from earwitness.formats.positions_table import REFERENCE
from earwitness.quantities import Cause, FrequencyAxis, QualityFlag
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.quantities.directions import cta_orbits
from earwitness.reduce.flags import flag
from earwitness.reduce.scan_gather import ScanData
from earwitness.reduce.separate import nuisance
from earwitness.reduce.separate.dense_route import order_cap
from earwitness.reduce.separate.expansion import Scatterer
from earwitness.reduce.separate.field import far_pressure, far_u_db
from earwitness.reduce.separate.rig import Rig, Tolerances, corrections, rig_of
from earwitness.reduce.separate.robust import SMALLEST_DEPTH, first_visits, scan_of_visits, usable_rows
from earwitness.reduce.separate.sampling import alike_nearby, radial_depth
from earwitness.reduce.separate.scatter import scatterer_of
from earwitness.reduce.separate.separation import Separation, beyond_source, fit_without_bad, resolved_by, shell_of
from earwitness.reduce.separate.solve import Scan, affordable_orders, fit_scan, scan_about
from earwitness.session.responses import ScanSetup

_MOST_POINTS = 1500
_WHOLE_PILOTS, _DIRECT_PILOTS = 12, 8
_PILOTS_FROM_HZ, _DIRECT_UP_TO_HZ = 38.0, 2500.0
_PULLS_PER_OCTAVE = 6
_TOLD_SHARE = 0.65
_SAME_PLACE_M = 1e-3
_READ_HZ = (80.0, 1600.0)
_READ_DB, _READ_S = 0.02, 1e-6
_FIRST_TAKES = 12
_PER_KELVIN = 0.0017
DISAGREE_TIMES = 1.5
_FEWEST_COMMON, _LOUD, _GATE_FLOOR_DB = 2, 0.1, 0.03
MOVED_RATIO, NOTED_RATIO = 12.0, 3.0
MOST_ALIKE = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Doubted:
    """data : as corrected, without points that were only visited again; found : None where nothing could be asked;
    whole, direct : what the doubt moves, by kind of sound, or None; flags; moved : something moved between points."""

    data: ScanData
    found: nuisance.Nuisance | None
    whole: nuisance.Pulls | None
    direct: nuisance.Pulls | None
    flags: tuple[QualityFlag, ...]
    moved: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Asked:
    """The scan as it is asked: scan about the middle_m (3,), rows (P',) of the data's points, the cabinet."""

    data: ScanData
    scan: Scan
    rows: IntArray
    cabinet_m: tuple[float, float, float]
    middle_m: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Placed:
    """The rig of those points that are asked, and of all, in the scan's local axes; points (P'', 3) that are asked, as
    rows of the usable ones; axes of the scan."""

    asked: Rig
    every: Rig
    points_m: FloatArray
    rows: IntArray
    axes: list[int]


def tolerances_of(setup: ScanSetup) -> Tolerances:
    """What the tester states, in place of what is usual."""
    usual = Tolerances()
    stated = {
        "gain_db": setup.gain_u_db, "radius_m": setup.radius_u_m, "gain_drift_db": setup.drift_u_db,
        "clock_drift_s": None if setup.clock_drift_us is None else 1e-6 * setup.clock_drift_us,
        "place_m": setup.place_u_m,
        "speed": None if setup.temperature_u_c is None else _PER_KELVIN * setup.temperature_u_c,
    }  # fmt: skip
    return replace(usual, **{key: value for key, value in stated.items() if value is not None})


def doubted(data: ScanData, setup: ScanSetup, cabinet: tuple[float, float, float], center: FloatArray) -> Doubted:
    """Ask a scan about itself; cabinet width, height, depth; center (3,) of it in the points' coordinates."""
    data = _steadied(data)
    revisits, data = _revisits(data, center)
    time = np.linspace(0, 1, len(data.points_m)) if data.time is None else data.time
    rows = usable_rows(data.points_m, data.whole)
    tolerances = tolerances_of(setup)
    rig = rig_of(data.points_m, data.surfaces, time, center)
    if rig.in_turns and data.impulse is not None and setup.gain_u_db is None:
        tolerances = tolerances.in_turns()
    if data.monitor is not None and setup.drift_u_db is None:
        tolerances = tolerances.monitored()
    asked = _Asked(data, scan_about(data.points_m[rows], center), rows, cabinet, center)
    two = data.holds_room and radial_depth(data.points_m[rows] - center) >= SMALLEST_DEPTH
    whole_at = _whole_rows(asked) if two else np.zeros(0, dtype=np.int64)
    direct_at = _direct_rows(asked, cabinet)
    sounds, good = _sounds(asked, whole_at, direct_at)
    if not sounds:
        return Doubted(data=data, found=None, whole=None, direct=None, flags=(), moved=False)
    some = np.flatnonzero(good)
    some = np.sort(np.random.default_rng(0).permutation(some)[:_MOST_POINTS])
    axes = list(asked.scan.axes)
    # Everything about points in the scan's local axes.
    local = replace(rig, normal=rig.normal[:, axes]).taken(rows[some])
    points = asked.scan.points_m[some]
    fewer = [replace(one, pressure=one.pressure[some]) for one in sounds]
    place = _Placed(local, replace(rig, normal=rig.normal[:, axes]), points, some, axes)
    found = nuisance.found_nuisance(local, tolerances, points, fewer, speed_m_s=data.speed_m_s, revisits=revisits)
    fixed, after = _corrected(data, place, found, asked)
    look_scatters = scatterer_of(setup.body, cabinet, setup.sphere_radius_m, sounds[0].shell, axes)
    whole, direct, alike = None, None, 0.0
    ratio = float(np.exp(np.mean(np.log(found.ratio)))) if found.ratio.size else 0.0
    if two:
        whole = _pulls(after, found, some, pressure=fixed.whole, at=whole_at, scatterer=look_scatters, incoming=True)
        alike = alike_nearby(points, whole.unexplained, local.surface)
    moved = alike > MOST_ALIKE or ratio > MOVED_RATIO
    if moved:
        # What doesn't fit to any waves says nothing about the rig either: only the sound before the reflections does.
        own = [one for one in fewer if one.is_direct]
        found = nuisance.found_nuisance(local, tolerances, points, own, speed_m_s=data.speed_m_s, revisits=revisits)
        whole = None
        fixed, after = _corrected(data, place, found, asked)
    if fixed.gated is not None and direct_at.size:
        direct = _pulls(after, found, some=some, pressure=fixed.gated, at=direct_at, scatterer=None, incoming=False)
    return Doubted(data=fixed, found=found, whole=whole, direct=direct, flags=_flags(found, ratio, alike), moved=moved)


def causes_of(
    one: Doubted, axis: FrequencyAxis, u_db: FloatArray, direct_share: FloatArray
) -> tuple[tuple[Cause, ...], FloatArray]:
    """Causes that move directions together, and what is left (D, F) of u_db (D, F) with the rest of the rig's doubt.

    direct_share (F,) : share of sound before the first reflection in the result.
    """
    parts = []
    if one.whole is not None:
        parts.append((one.whole, np.ones(len(axis)) if one.direct is None else 1 - direct_share))
    if one.direct is not None:
        parts.append((one.direct, np.ones(len(axis)) if one.whole is None else direct_share))
    if not parts:
        return (), u_db
    rig, pattern = nuisance.on_frequencies(parts, 2 * np.pi * axis.hz / one.data.speed_m_s)
    axes, rest = nuisance.leading(rig)
    rigged, noisy = "stated tolerances and what the sound tells", "what the fit leaves"
    causes = [Cause(name="rig of the scan", part=f"{n}", source=rigged, pull_db=pull) for n, pull in enumerate(axes, 1)]
    causes += [
        Cause(name="noise of the scan", part=f"{n}", source=noisy, pull_db=share * u_db)
        for n, share in enumerate(pattern, 1)
    ]
    alone = np.sqrt(np.maximum(1 - np.sum(pattern**2, axis=0), 0.0))
    return tuple(causes), np.hypot(alone * u_db, rest)


def disagreement(one: Doubted, low: Separation, high: Separation, gate_u_db: FloatArray) -> float:
    """How many times farther separated and gated sound lie apart than is stated of them, where both are shown.

    Gated sound knows nothing of the room: what is wrong with the body, or with a room that changed, shows here. 1 where
    they have too little in common. Counted are directions within 20 dB of the loudest.
    """
    look, axis = cta_orbits().unit_vectors(), low.field.axis
    both = np.flatnonzero(low.quality.valid & high.quality.valid)
    if both.size < _FEWEST_COMMON or one.whole is None:
        return 1.0
    levels, doubts = [], []
    for found, pulls, more in ((low, one.whole, 0.0 * gate_u_db), (high, one.direct, gate_u_db)):
        own = np.hypot(far_u_db(found.field, look)[:, both], more[both])
        if pulls is not None:
            rig, _ = nuisance.on_frequencies(
                [(pulls, np.ones(both.size))], 2 * np.pi * axis.hz[both] / one.data.speed_m_s
            )
            own = np.sqrt(own**2 + np.sum(rig**2, axis=0))
        levels.append(np.abs(far_pressure(found.field, look)[:, both]))
        doubts.append(own)
    loud = levels[1] > _LOUD * levels[1].max(axis=0)
    apart = 20 * np.log10(np.maximum(levels[0], 1e-300) / np.maximum(levels[1], 1e-300))
    stated = np.sqrt(doubts[0] ** 2 + doubts[1] ** 2 + _GATE_FLOOR_DB**2)
    by_frequency = [np.mean((apart[loud[:, f], f] / stated[loud[:, f], f]) ** 2) for f in range(both.size)]
    return float(np.sqrt(np.median(by_frequency)))


def _read_rows(data: ScanData) -> IntArray:
    """Frequencies that tell gain and delay between two recordings of one place."""
    hz = data.axis.hz[data.rows]
    band = np.flatnonzero((hz >= _READ_HZ[0]) & (hz <= _READ_HZ[1]))
    return band if band.size >= 2 else band[:0]


def _steadied(data: ScanData) -> ScanData:
    """The data with what a microphone that stayed in its place heard change from point to point taken off."""
    band = _read_rows(data)
    if data.monitor is None or not band.size:
        return replace(data, monitor=None)
    hz = data.axis.hz[data.rows]
    told = _read(data.monitor[:, band], hz[band], np.zeros(len(data.monitor)))
    # The level was calibrated before the scan; a single take may be off by itself.
    gain_db = told.gain_db - np.median(told.gain_db[:_FIRST_TAKES])
    turn = 10 ** (-gain_db / 20)[:, None] * np.exp(2j * np.pi * told.delay_s[:, None] * hz)
    return replace(data, whole=data.whole * turn, gated=None if data.gated is None else data.gated * turn)


def _revisits(data: ScanData, center: FloatArray) -> tuple[list[nuisance.Revisits], ScanData]:
    """Readings of the drift from places visited again, and the data without those visits."""
    count = len(data.points_m)
    time = np.linspace(0, 1, count) if data.time is None else data.time
    finite = np.asarray(np.isfinite(data.points_m).all(axis=1), dtype=bool)
    places = np.where(finite[:, None], data.points_m, np.arange(count)[:, None] * 1e3)
    first = first_visits(places, _SAME_PLACE_M)
    hz, band = data.axis.hz[data.rows], _read_rows(data)
    found = []
    for place in np.unique(first):
        rows = np.flatnonzero(first == place)
        if rows.size > 1 and band.size:
            found.append(_read(data.whole[np.ix_(rows, band)], hz[band], time[rows]))
    kept = scan_of_visits(places, first, center) & np.array([name != REFERENCE for name in data.surfaces])
    return found, data.taken(np.flatnonzero(kept), time)


def _read(pressure: ComplexArray, hz: FloatArray, time: FloatArray) -> nuisance.Revisits:
    """Gain and delay of each visit (R, F) against the first."""
    ratio = pressure / pressure[:1]
    gain = 20 * np.log10(np.maximum(np.abs(ratio), 1e-12))
    phase = np.unwrap(np.angle(ratio), axis=1)
    omega = 2 * np.pi * hz
    delay = -(phase @ omega) / np.sum(omega**2)
    rest = np.std(gain - np.median(gain, axis=1, keepdims=True)) / np.sqrt(hz.size)
    late = np.std(phase + delay[:, None] * omega) / np.sqrt(np.sum(omega**2))
    return nuisance.Revisits(
        time, np.median(gain, axis=1), delay, float(np.hypot(_READ_DB, rest)), float(np.hypot(_READ_S, late))
    )


def _whole_rows(asked: _Asked) -> IntArray:
    """Frequencies that separation tells, as rows of the data's own."""
    data, points = asked.data, asked.scan.points_m
    hz = data.axis.hz[data.rows]
    k = 2 * np.pi * hz / data.speed_m_s
    shell = shell_of(asked.scan, asked.cabinet_m)
    orders = affordable_orders(
        asked.scan, k, shell, len(points), incoming=True, beyond_source=beyond_source(shell, asked.cabinet_m)
    )  # fmt: skip
    return np.flatnonzero(resolved_by(k, shell, *orders) & (hz >= min(_PILOTS_FROM_HZ, hz[-1])))


def _direct_rows(asked: _Asked, cabinet: tuple[float, float, float]) -> IntArray:
    """Frequencies at which outgoing waves are told by the points, from the gate's lowest on."""
    data = asked.data
    if data.gated is None or data.gate is None:
        return np.zeros(0, dtype=np.int64)
    hz = data.axis.hz[data.rows]
    reach = float(np.linalg.norm(cabinet)) / 2
    top = _TOLD_SHARE * order_cap(len(asked.rows), incoming=False) / reach * data.speed_m_s / (2 * np.pi)
    return np.flatnonzero((hz >= data.gate.lowest_valid_hz) & (hz <= min(top, _DIRECT_UP_TO_HZ)))


def _sounds(asked: _Asked, whole_at: IntArray, direct_at: IntArray) -> tuple[list[nuisance.SoundField], BoolArray]:
    """Pilots of both kinds of sound, and which points fit to the others."""
    sounds, good = [], np.ones(asked.rows.size, dtype=bool)
    if whole_at.size:
        sound, good = _pilots(asked, asked.data.whole, whole_at, _WHOLE_PILOTS, incoming=True)
        sounds.append(sound)
    if direct_at.size and asked.data.gated is not None:
        sounds.append(_pilots(asked, asked.data.gated, direct_at, _DIRECT_PILOTS, incoming=False)[0])
    return sounds, good


def _spread(hz: FloatArray, most: int) -> IntArray:
    wanted = np.geomspace(hz[0], hz[-1], min(most, hz.size))
    return np.unique(np.argmin(np.abs(np.log(hz[None, :] / wanted[:, None])), axis=1))


def _pilots(
    asked: _Asked, pressure: ComplexArray, at: IntArray, most: int | None, *, incoming: bool
) -> tuple[nuisance.SoundField, BoolArray]:
    """`most` pilots, or all, of one kind of sound over all usable points, and which of them fit to the others."""
    data, scan = asked.data, asked.scan
    hz = data.axis.hz[data.rows]
    at = at if most is None else at[_spread(hz[at], most)]
    k = 2 * np.pi * hz[at] / data.speed_m_s
    shell = shell_of(scan, asked.cabinet_m)
    beyond = beyond_source(shell, asked.cabinet_m)
    orders = affordable_orders(scan, k, shell, len(scan.points_m), incoming=incoming, beyond_source=beyond)
    own = pressure[np.ix_(asked.rows, at)]
    if incoming:
        fit, left_out = fit_without_bad(scan, own, k, shell=shell, orders=orders, resolved=np.ones(k.size, dtype=bool))
    else:
        left_out = np.zeros(len(own), dtype=bool)
        fit = fit_scan(scan=scan, pressure=own, k=k, shell=shell, orders=orders, left_out=left_out)
    noise = data.noise_rms[at] if incoming else np.zeros(k.size)
    state = fit.evidence
    return nuisance.SoundField(
        own, k, orders[0], orders[1], state.penalty, noise, fit.residual, state.noise_variance, shell
    ), ~left_out


def _pulls(
    asked: _Asked,
    found: nuisance.Nuisance,
    some: IntArray,
    pressure: ComplexArray,
    at: IntArray,
    scatterer: Scatterer | None,
    *,
    incoming: bool,
) -> nuisance.Pulls:
    hz = asked.data.axis.hz[asked.data.rows][at]
    count = max(4, int(np.ceil(np.log2(hz[-1] / hz[0]) * _PULLS_PER_OCTAVE)) + 1)
    sound, _good = _pilots(asked, pressure, at, count, incoming=incoming)
    look = cta_orbits().unit_vectors()[:, list(asked.scan.axes)]
    fewer = replace(sound, pressure=sound.pressure[some])
    return nuisance.pulls_of(found, asked.scan.points_m[some], fewer, asked.data.speed_m_s, look, scatterer=scatterer)


def _corrected(data: ScanData, place: _Placed, found: nuisance.Nuisance, asked: _Asked) -> tuple[ScanData, _Asked]:
    """The data as they would be with nothing of what was found, and what is asked of them."""
    fixed = _without(data, place.every, found, asked, place.axes) if found.theta.any() else data
    return fixed, replace(asked, data=fixed, scan=scan_about(fixed.points_m[asked.rows], asked.middle_m))


def _without(data: ScanData, rig: Rig, found: nuisance.Nuisance, asked: _Asked, axes: list[int]) -> ScanData:
    back = np.argsort(axes)
    told = corrections(rig, found.unknowns, found.theta, (data.points_m - asked.middle_m)[:, axes])
    omega = 2 * np.pi * data.axis.hz[data.rows]
    turn = np.exp(-told.gain[:, None] + 1j * told.delay_s[:, None] * omega)
    # Along the normals points stay rings; shifts and turns are taken off the pressures below.
    points = data.points_m + (told.normal_m[:, None] * rig.normal)[:, back]
    fixed = replace(
        data, points_m=points, whole=data.whole * turn, gated=None if data.gated is None else data.gated * turn,
        speed_m_s=data.speed_m_s * (1 + told.speed),
    )  # fmt: skip
    return fixed if not told.moved.any() else _moved_back(fixed, told.offset_m[:, back], asked)


def _moved_back(data: ScanData, offset_m: FloatArray, asked: _Asked) -> ScanData:
    """Pressures at the stated places where points stood offset_m (P, 3) beside them, up to what separation tells."""
    from earwitness.reduce.separate.expansion import Expansion, orders_of, places_of

    at = _whole_rows(asked) if data.holds_room else np.zeros(0, dtype=np.int64)
    if not at.size:
        return data
    rows = asked.rows
    scan = scan_about(data.points_m[rows], asked.middle_m)
    sound, _good = _pilots(replace(asked, data=data, scan=scan), data.whole, at, None, incoming=True)
    axes = list(scan.axes)
    places = places_of(scan.points_m, orders_of(sound.order_out, sound.order_in))
    whole = data.whole.copy()
    for f, row in enumerate(at):
        fit = Expansion(
            places=places,
            k=float(sound.k[f]),
            shell=sound.shell,
            order_out=int(sound.order_out[f]),
            order_in=int(sound.order_in[f]),
            penalty=sound.penalty[f],
        )
        slope = fit.slope(fit.fitted(sound.pressure[:, f : f + 1])[:, 0])
        whole[rows, row] -= np.einsum("pi,pi->p", offset_m[rows][:, axes], slope)
    return replace(data, whole=whole)


def _flags(found: nuisance.Nuisance, ratio: float, alike: float) -> tuple[QualityFlag, ...]:
    flags = []
    if found.told:
        flags.append(flag("scan_rig", len(found.told), words="; ".join(found.told)))
    if alike > MOST_ALIKE:
        flags.append(flag("unexplained_alike", alike, MOST_ALIKE))
    elif ratio > MOVED_RATIO:
        flags.append(flag("scan_moved", ratio, MOVED_RATIO, times=np.sqrt(ratio)))
    elif ratio > NOTED_RATIO:
        flags.append(flag("scan_fits_badly", ratio, NOTED_RATIO, times=np.sqrt(ratio)))
    return tuple(flags)
