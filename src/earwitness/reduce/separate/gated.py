"""From gated pressures at scan points to outgoing waves: places corrected, one fit a band, many origins above."""

from dataclasses import dataclass, fields, replace

import numpy as np

from earwitness.quantities import BoolArray, ComplexArray, FloatArray, FrequencyAxis, IntArray
from earwitness.reduce.separate import separation
from earwitness.reduce.separate.dense_route import order_cap
from earwitness.reduce.separate.field import ROOM_DISTANCE_FACTOR, Part, SeparatedField, Shell, order_energy, waves_at
from earwitness.reduce.separate.kernel_route import Family, KernelFit, fit_kernel, likeliest_center, shell_of, tuned
from earwitness.reduce.separate.normal_equations import Fit, Regularization
from earwitness.reduce.separate.ring_route import order_caps, turned_rings
from earwitness.reduce.separate.robust import Points, usable_points
from earwitness.reduce.separate.sampling import distinct_directions
from earwitness.reduce.separate.solve import Scan, affordable_orders, fit_scan, scan_about

# Where the microphone really stood, told by what the fit leaves at many frequencies.
#
# A point some tenths of a millimeter off its place hears the pressure of another place: the error is the pressure's
# slope times the offset, and the offset is the same at all frequencies. Where the points are many more than the
# unknowns most of that error is left by the fit, and three real numbers a point explain it at all frequencies together
# (least squares with a prior of the offsets' own size; linear, so offsets must stay small against the wavelength).

_STEP_M = 1e-4
_LARGEST_TURN = 0.3
_LEAST_EXPLAINED = 0.2
_QUIET_SHARE = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """offset_m (P, 3) of the true places from the stated ones; rms_m : their size along one axis before, left_m :
    what is left of it, as far as can be told; explained : share of the residual's energy at frequencies that the
    offsets were not taken from; noise_db : what they leave, against all sound; absorbed : share of the offsets'
    dimensions that the waves took for themselves."""

    offset_m: FloatArray
    rms_m: float
    left_m: float
    explained: float
    noise_db: float
    absorbed: float


def found_places(
    field: SeparatedField, points_m: FloatArray, pressure: ComplexArray, residual_share: FloatArray
) -> Places:
    """Offsets from a fit of a few frequencies; pressure (P, F) as measured, at points (P, 3) as stated.

    residual_share (F,) : share of the residual's dimensions among the points'. Offsets 0 where those from every second
    frequency do not explain a fifth of what is left at the others.
    """
    k = 2 * np.pi * field.axis.hz / field.speed_of_sound_m_s
    there = waves_at(field, points_m)
    slope = _slope(field, points_m)
    rest = pressure - there
    size = np.mean(np.abs(slope) ** 2, axis=(0, 2))
    # All that is left counts as noise of each frequency: too much, so that offsets are rather found too small.
    noise = np.mean(np.abs(rest) ** 2, axis=0) / residual_share
    rms = float(np.sqrt(np.median(np.mean(np.abs(rest) ** 2, axis=0) / residual_share / (3 * size))))
    usable = k * rms <= _LARGEST_TURN
    absorbed = 1 - float(np.mean(residual_share))
    nothing = Places(np.zeros_like(points_m), rms, rms, 0.0, _noise_db(rest, residual_share, pressure), absorbed)
    if usable.sum() < 4 or rms == 0.0:
        return nothing
    rows = np.flatnonzero(usable)
    half, _ = _solved(slope[:, rows[::2]], rest[:, rows[::2]], noise[rows[::2]], rms)
    other = rows[1::2]
    unexplained = rest[:, other] - np.einsum("pfi,pi->pf", slope[:, other], half)
    ratio = np.mean(np.abs(unexplained) ** 2, axis=0) / np.mean(np.abs(rest[:, other]) ** 2, axis=0)
    explained = 1 - float(np.median(ratio))
    if explained < _LEAST_EXPLAINED:
        return nothing
    offset, unsure = _solved(slope[:, rows], rest[:, rows], noise[rows], rms)
    told = _noise_db(rest - np.einsum("pfi,pi->pf", slope, offset), residual_share, pressure)
    return Places(offset, rms, float(np.sqrt(absorbed * rms**2 + unsure)), explained, noise_db=told, absorbed=absorbed)


def moved_back(
    field: SeparatedField, points_m: FloatArray, pressure: ComplexArray, offset_m: FloatArray
) -> ComplexArray:
    """Pressures (P, F) as they would be at the stated places: less what the field changes from there to the true."""
    return np.asarray(
        pressure - (waves_at(field, points_m + offset_m) - waves_at(field, points_m)), dtype=np.complex128
    )


def _noise_db(left: ComplexArray, residual_share: FloatArray, pressure: ComplexArray) -> float:
    """Median over frequencies of the noise in a residual (P, F), against all sound: that of the quietest points.

    Where it is loud what is left of wrong places counts, which grows with the sound.
    """
    level = np.abs(pressure) ** 2
    quiet = level <= np.quantile(level, _QUIET_SHARE, axis=0)
    size = np.sum(np.where(quiet, np.abs(left) ** 2, 0.0), axis=0) / np.sum(quiet, axis=0)
    share = size / residual_share / np.mean(level, axis=0)
    return float(10 * np.log10(max(float(np.median(share)), 1e-12)))


def _slope(field: SeparatedField, points_m: FloatArray) -> ComplexArray:
    """(P, F, 3) gradient of the fitted pressure [Pa/V/m]."""
    steps = _STEP_M * np.eye(3)
    ways = [(waves_at(field, points_m + one) - waves_at(field, points_m - one)) / (2 * _STEP_M) for one in steps]
    return np.stack(ways, axis=2)


def _solved(slope: ComplexArray, rest: ComplexArray, noise: FloatArray, rms_m: float) -> tuple[FloatArray, float]:
    """Offsets (P, 3), and their mean variance along the slope."""
    gram = np.einsum("pfi,f,pfj->pij", slope.conj(), 1 / noise, slope).real + np.eye(3) / rms_m**2
    right = np.einsum("pfi,f,pf->pi", slope.conj(), 1 / noise, rest).real
    offset = np.linalg.solve(gram, right[:, :, None])[:, :, 0]
    variance = np.linalg.inv(gram)
    along = np.einsum("pfi,pij,pfj->p", slope.conj(), variance, slope).real / np.sum(np.abs(slope) ** 2, axis=(1, 2))
    return np.asarray(offset, dtype=float), float(np.mean(along))


_BAND_OCTAVES = 0.5
_HIGHEST_TAIL = 1e-3
_SOURCE_SHARES = (0.2, 0.35, 0.6, 1.0)
_GATED_ROUNDS = 4
_SURE_SHARE = 0.65
_HIGHEST_UNSEEN = 0.2
_HIGHEST_UNEXPLAINED = 0.03
_MOST_MIXED_POINTS = 4500
_PILOTS = 20
_PLACE_ROUNDS = 2
_FEWEST_PILOTS = 8
_MORE_ORDERS = 6
_LEAST_WRONG = 0.1
_PILOT_SPAN = 4.0
_MOST_SETTLED = 0.9
_MOST_ABSORBED = 0.5
_SMALL_SHARES = (0.1, 0.35)
_CLEAR_SHARE = 0.7
_UNKNOWN_NOISE_DB = -40.0


@dataclass(frozen=True, slots=True, eq=False)
class _Scan:
    """What all bands share: points and pressures, which of them are left out (P,), places as corrected (P, 3),
    wavenumbers (F,), the cabinet's middle and half size, how many points count as different, speed of sound, and what
    is known about the places."""

    clean: Points
    left_out: BoolArray
    moved_m: FloatArray
    k: FloatArray
    middle: FloatArray
    half: FloatArray
    usable: int
    speed_m_s: float
    places: Places | None


@dataclass(frozen=True, slots=True, eq=False)
class _Band:
    """Parts over the same rows, the fit's numbers, resolved (F',), and the center that the data tell."""

    parts: tuple[Part, ...]
    fit: Fit
    resolved: BoolArray
    center: separation.Center


def separate_gated(
    points_m: FloatArray,
    pressure: ComplexArray,
    hz: FloatArray,
    *,
    cabinet_m: tuple[float, float, float] | None,
    speed_of_sound: float,
    cabinet_center_m: tuple[float, float, float] = (0.0, 0.0, 0.0),
    reference_m: tuple[float, float, float] = (0.0, 0.0, 0.0),
    band_octaves: float = _BAND_OCTAVES,
) -> separation.Separation:
    """Outgoing waves only, of pressures gated in time before the first reflection; one surface is enough.

    Arguments as in separate. Up to the frequency at which the points tell all orders that the cabinet's size asks for
    one fit a band serves, about the cabinet's middle or a center that the band's data tell; above it waves about the
    acoustic center and about the middle together, see kernel_route.py. Points are taken where the sound says they
    were, see places.py; those that nothing explains are left out.
    """
    middle, reference = np.array(cabinet_center_m, dtype=float), np.array(reference_m, dtype=float)
    hz = np.asarray(hz, dtype=float)
    clean = usable_points(
        np.asarray(points_m, dtype=float), np.asarray(pressure, dtype=np.complex128), hz, cabinet_m=cabinet_m,
        cabinet_center_m=middle, one_surface_is_enough=True,
    )  # fmt: skip
    k = 2 * np.pi * hz / speed_of_sound
    half = _half_size(clean.points_m - middle, cabinet_m)
    usable = min(distinct_directions(clean.points_m - middle), len(clean.rows))
    nobody = np.zeros(len(clean.rows), dtype=bool)
    scan = _Scan(clean, nobody, clean.points_m, k, middle, half, usable, speed_of_sound, None)
    # The equations among the points of a larger scan would not fit into memory: it tells many orders anyway.
    told = (k <= _highest_told(scan)) | (len(clean.rows) > _MOST_MIXED_POINTS)
    band = np.floor(np.log2(k / k[0]) / band_octaves + 1e-9).astype(np.int64)
    scan = _with_places(_without_bad(scan, np.flatnonzero(told)), np.flatnonzero(told))
    found: list[_Band] = []
    for one in np.unique(band):
        for plain in (True, False):
            rows = np.flatnonzero((band == one) & (told == plain))
            if rows.size:
                mixed = bool(found) and len(found[-1].parts) > 1
                start = found[-1].center.center_m if mixed else None
                found.append(_told_band(scan, rows) if plain else _mixed_band(scan, rows, start))
    resolved = np.zeros(k.size, dtype=bool)
    for one_band in found:
        resolved[one_band.parts[0].rows] = one_band.resolved
    parts = tuple(part for one_band in found for part in one_band.parts)
    axis = FrequencyAxis(hz)
    field = SeparatedField(axis, speed_of_sound, reference, parts, resolved)
    quality = _joined([_quality(scan, axis, reference, one_band) for one_band in found])
    about = scan_about(clean.points_m, middle, look_for_rings=False)
    centers = tuple(one_band.center for one_band in found)
    return separation.separation_of(field, quality, about, "none", clean=clean, left_out=scan.left_out, centers=centers)


def _pilots(scan: _Scan, told: IntArray) -> IntArray:
    """A few frequencies at which the points are many more than the unknowns."""
    k = scan.k[told]
    reach = _reach(scan, scan.middle)
    few = told[(k >= k.max(initial=0.0) / _PILOT_SPAN) & ((k * reach + 4) ** 2 <= _MOST_ABSORBED * scan.usable)]
    at = np.unique(np.linspace(0, max(few.size - 1, 0), min(_PILOTS, few.size)).round().astype(np.int64))
    return np.asarray(few[at], dtype=np.int64)


def _without_bad(scan: _Scan, told: IntArray) -> _Scan:
    """The scan without points that nothing explains where all others agree."""
    pilots = _pilots(scan, told)
    if not pilots.size:
        return scan
    about, shell, orders = _waves_about(scan, pilots, scan.middle, _reach(scan, scan.middle))
    # Drivers close to the points leave patterns that look like wrong points to fewer orders.
    most = int(np.sqrt(_MOST_ABSORBED * scan.usable)) - 1
    orders = (np.maximum(np.minimum(orders[0] + _MORE_ORDERS, most), orders[0]), orders[1])
    data, every = scan.clean.pressure[:, pilots], np.ones(pilots.size, dtype=bool)
    fit, found = separation.fit_without_bad(about, data, k=scan.k[pilots], shell=shell, orders=orders, resolved=every)
    # What a wrong place makes is smaller, and is mended below.
    off = np.mean(np.abs(fit.residual) ** 2, axis=1) / np.mean(np.abs(data) ** 2, axis=1)
    return replace(scan, left_out=found & (off > _LEAST_WRONG**2))


def _with_places(scan: _Scan, told: IntArray) -> _Scan:
    """The scan with places corrected, of points that are used."""
    pilots = _pilots(scan, told)
    if pilots.size < _FEWEST_PILOTS:
        return scan
    data, axis = scan.clean.pressure[:, pilots], FrequencyAxis(scan.k[pilots] * scan.speed_m_s / (2 * np.pi))
    pressure, points, good = data, scan.clean.points_m, ~scan.left_out
    for _round in range(_PLACE_ROUNDS):
        some = replace(scan, clean=replace(scan.clean, pressure=pressure), k=scan.k[pilots])
        part, fit, _fine = _fitted(some, np.arange(pilots.size), [scan.middle])
        field = SeparatedField(axis, scan.speed_m_s, scan.middle, (part,), np.ones(pilots.size, dtype=bool))
        free = 1 - np.minimum(fit.evidence.settled / good.sum(), _MOST_SETTLED)
        places = found_places(field, points[good], data[good], free)
        offset = np.zeros_like(points)
        offset[good] = places.offset_m
        pressure = moved_back(field, points, data, offset)
    return replace(scan, moved_m=points + offset, places=places)


def _told_band(scan: _Scan, rows: IntArray) -> _Band:
    """One fit about one center; where places are known it is made again with what they change taken off."""
    data, k, good = scan.clean.pressure[:, rows], scan.k[rows], ~scan.left_out
    within = float(k.max()) <= _highest_told(scan) and _on_turned_rings(scan)
    half = 0.0 * scan.half if within else scan.half
    found = separation.search_center(scan.clean.points_m[good], data[good], k, scan.middle, half)
    tries = [scan.middle] if within else [found.center_m, scan.middle]
    part, fit, fine = _fitted(scan, rows, tries)
    if scan.places is not None and scan.places.explained > 0:
        axis = FrequencyAxis(k * scan.speed_m_s / (2 * np.pi))
        alone = replace(part, rows=np.arange(rows.size))
        field = SeparatedField(axis, scan.speed_m_s, scan.middle, (alone,), np.ones(rows.size, dtype=bool))
        moved = scan.clean.pressure.copy()
        moved[:, rows] = moved_back(field, scan.clean.points_m, data, scan.moved_m - scan.clean.points_m)
        before, settled = part.variance, fit.evidence.settled
        part, fit, fine = _fitted(replace(scan, clean=replace(scan.clean, pressure=moved)), rows, [part.center_m])
        # What the waves took of the offsets themselves stayed in them, and spreads over as many dimensions.
        kept = np.minimum(scan.places.absorbed * len(scan.moved_m) / settled, 1.0)
        part = replace(part, variance=part.variance + kept * before)
    if part.center_m is not found.center_m:
        found = separation.Center(scan.middle, found.start_residual_db, found.start_residual_db, 0.0)
    return _Band((part,), fit, fine, found)


def _mixed_band(scan: _Scan, rows: IntArray, start_m: FloatArray | None) -> _Band:
    """Waves about the acoustic center, of sources of several sizes there, and about the middle of the cabinet."""
    good = ~scan.left_out
    data, points = scan.clean.pressure[np.ix_(good, rows)], scan.moved_m[good]
    k, pilot = scan.k[rows], rows.size // 2
    searched = separation.search_center(points, data, k, scan.middle, scan.half)
    reach = _reach(scan, scan.middle)
    noise_db = _UNKNOWN_NOISE_DB if scan.places is None else scan.places.noise_db
    place_m = 0.0 if scan.places is None else scan.places.left_m

    def families(center: FloatArray) -> tuple[Family, ...]:
        return (*(Family(center, share * reach) for share in _SMALL_SHARES), Family(scan.middle, reach))

    start = searched.center_m if start_m is None else start_m
    center = likeliest_center(
        points_m=points,
        pressure=data[:, pilot],
        k=float(k[pilot]),
        families=families,
        start_m=start,
        middle_m=scan.middle,
        half_size_m=scan.half,
        noise_db=noise_db,
        place_m=place_m,
    )
    # A source's sphere that touches a microphone makes strong what only that one hears.
    most_m, (*small, body) = _CLEAR_SHARE * float(np.linalg.norm(points - center, axis=1).min()), families(center)
    clear = (*(replace(one, radius_m=min(one.radius_m, most_m)) for one in small), body)
    prior = tuned(points, data, k, clear, noise_db=noise_db, place_m=place_m)
    fit = fit_kernel(points, data, k, prior)
    # Directions are judged one by one by their uncertainty: here only whether the waves explain the sound at all.
    error = np.mean(np.abs(fit.unseen) ** 2, axis=0) / np.mean(np.abs(data) ** 2, axis=0)
    outer = float(np.linalg.norm(points - scan.middle, axis=1).max())
    parts = []
    # The middle's family first: its orders are those that are told. The first part holds the variance of all.
    last = len(prior.families) - 1
    for row in (last, *range(last)):
        family = prior.families[row]
        parts.append(
            Part(
                rows=rows, weight=np.ones(rows.size), center_m=family.center_m, axes=(0, 1, 2),
                shell=shell_of(family, outer), inner_radius_m=_reach(scan, family.center_m),
                outgoing=fit.outgoing[row], order=fit.order[row], directions=fit.directions,
                variance=fit.variance if row == last else np.zeros_like(fit.variance), remainder=None,
            )
        )  # fmt: skip
    told = separation.Center(
        center, searched.residual_db, searched.start_residual_db, float(np.linalg.norm(center - scan.middle))
    )
    return _Band(tuple(parts), _as_fit(fit, parts[0]), error <= _HIGHEST_UNEXPLAINED, told)


def _as_fit(fit: KernelFit, part: Part) -> Fit:
    """The numbers that quality is told from."""
    energy = np.mean(np.abs(fit.unseen) ** 2, axis=0)
    count = fit.settled.size
    return Fit(
        shell=part.shell, order_out=part.order, order_in=np.full(count, -1), outgoing=part.outgoing,
        incoming=np.zeros((count, 1), dtype=np.complex128), residual=fit.residual,
        evidence=Regularization(np.zeros((count, 2)), np.mean(np.abs(fit.residual) ** 2, axis=0), fit.settled, energy),
        condition=fit.condition, directions=fit.directions, variance=fit.variance,
    )  # fmt: skip


def _quality(scan: _Scan, axis: FrequencyAxis, reference: FloatArray, band: _Band) -> separation.Quality:
    rows = band.parts[0].rows
    own = FrequencyAxis(axis.hz[rows])
    parts = tuple(replace(part, rows=np.arange(rows.size)) for part in band.parts)
    alone = SeparatedField(own, scan.speed_m_s, reference, parts, band.resolved)
    data = scan.clean.pressure[np.ix_(~scan.left_out, rows)]
    return separation.quality_of(
        alone, band.fit, data, np.ones(len(data), dtype=bool), scan.k[rows],
        leave_out_db=10 * np.log10(np.maximum(band.fit.evidence.gcv / np.mean(np.abs(data) ** 2, axis=0), 1e-30)),
        resolved=band.resolved, scattered_db=np.full(rows.size, -300.0),
    )  # fmt: skip


def _on_turned_rings(scan: _Scan) -> bool:
    rings = scan_about(scan.clean.points_m, scan.middle).rings
    return rings is not None and turned_rings(rings) is not None


def _highest_told(scan: _Scan) -> float:
    """Wavenumber up to which the points tell all orders that the cabinet's size asks for."""
    about = scan_about(scan.clean.points_m, scan.middle)
    caps = order_cap(scan.usable, incoming=False)
    if about.rings is not None:
        caps = order_caps(about.rings, incoming=False)
    return _SURE_SHARE * caps / _reach(scan, scan.middle)


def _fitted(scan: _Scan, rows: IntArray, centers: list[FloatArray]) -> tuple[Part, Fit, BoolArray]:
    """Outgoing waves of one band about one of `centers`.

    The sphere that encloses what radiates may be far smaller than the cabinet: cross-validation in the band's middle
    tells. Between centers points that the fit does not see decide, level for level: noise from wrong places is strong
    where it is loud, which misleads cross-validation.
    """
    pilot = rows[rows.size // 2 : rows.size // 2 + 1]
    best: tuple[float, FloatArray, float, FloatArray] | None = None
    for center in centers:
        reach, start, own = _reach(scan, center), None, []
        for share in _SOURCE_SHARES:
            state = _gated_fit(scan, pilot, center, share * reach, left_out=scan.left_out, penalty=start).evidence
            start = state.penalty[0]
            own.append((float(state.gcv[0]), share * reach, start))
        _score, radius_m, start = min(own, key=lambda one: one[0])
        error = _unseen_error(scan, pilot, center, radius_m, start) if len(centers) > 1 else 0.0
        if best is None or error < best[0]:
            best = (error, center, radius_m, start)
    assert best is not None
    error, center, radius_m, start = best
    fit = _gated_fit(scan=scan, some=rows, center=center, radius_m=radius_m, left_out=scan.left_out, penalty=start)
    fit = replace(fit, residual=fit.residual[~scan.left_out])
    part = Part(
        rows=rows, weight=np.ones(rows.size), center_m=center, axes=scan_about(scan.clean.points_m, center).axes,
        shell=fit.shell, inner_radius_m=_reach(scan, center), outgoing=fit.outgoing,
        order=fit.order_out, directions=fit.directions, variance=fit.variance, remainder=None,
    )  # fmt: skip
    orders = order_energy(part, scan.k[rows])
    tail = orders[np.arange(rows.size), fit.order_out] / orders.sum(axis=1)
    return part, fit, (tail <= _HIGHEST_TAIL) & (error <= _HIGHEST_UNSEEN)


def _unseen_error(scan: _Scan, pilot: IntArray, center: FloatArray, radius_m: float, start: FloatArray) -> float:
    """Mean error of every tenth point, which the fit does not see, over the level there; at most 1 each."""
    held = separation.unseen_points(len(scan.clean.rows)) & ~scan.left_out
    fit = _gated_fit(scan, some=pilot, center=center, radius_m=radius_m, left_out=held | scan.left_out, penalty=start)
    size = np.abs(fit.residual[held]) ** 2 / np.maximum(np.abs(scan.clean.pressure[np.ix_(held, pilot)]) ** 2, 1e-300)
    return float(np.mean(np.minimum(size, 1.0)))


def _reach(scan: _Scan, center: FloatArray) -> float:
    """Radius about `center` that encloses the cabinet, no larger than the nearest microphone's distance."""
    nearest = float(np.linalg.norm(scan.clean.points_m - center, axis=1).min())
    return min(float(np.linalg.norm(scan.half + np.abs(center - scan.middle))), nearest)


def _gated_fit(
    scan: _Scan, some: IntArray, center: FloatArray, radius_m: float, left_out: BoolArray, penalty: FloatArray | None
) -> Fit:
    about, shell, orders = _waves_about(scan, some, center, radius_m)
    data, k = scan.clean.pressure[:, some], scan.k[some]
    return fit_scan(about, data, k, shell, orders, left_out=left_out, penalty=penalty, evidence_rounds=_GATED_ROUNDS)


def _waves_about(
    scan: _Scan, some: IntArray, center: FloatArray, radius_m: float
) -> tuple[Scan, Shell, tuple[IntArray, IntArray]]:
    """The scan about a center, the spheres and the orders of outgoing waves there."""
    about = scan_about(scan.clean.points_m, center)
    outer = float(np.linalg.norm(about.points_m, axis=1).max())
    shell = Shell(radius_m, outer, ROOM_DISTANCE_FACTOR * outer)
    return about, shell, affordable_orders(about, scan.k[some], shell, scan.usable, incoming=False)


def _half_size(points: FloatArray, cabinet_m: tuple[float, float, float] | None) -> FloatArray:
    if cabinet_m is None:
        return np.full(3, 0.5 * float(np.linalg.norm(points, axis=1).min()))
    width, height, depth = cabinet_m
    return np.array([depth, width, height]) / 2


def _joined(parts: list[separation.Quality]) -> separation.Quality:
    return separation.Quality(
        **{one.name: np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(separation.Quality)}
    )
