"""From pressures at scan points to the field of the loudspeaker alone. The only file that knows the order."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from earwitness.dsp.spherical import log_hankel_size
from earwitness.errors import InputError
from earwitness.quantities import FrequencyAxis
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.centre import Center, search_center, unmoved
from earwitness.reduce.separate.field import Part, SeparatedField, order_energy
from earwitness.reduce.separate.fit import Fit
from earwitness.reduce.separate.quality import Quality, leave_out, quality_of, unseen_points
from earwitness.reduce.separate.radial import ROOM_DISTANCE_FACTOR, Shell
from earwitness.reduce.separate.ring_route import order_caps, turned_rings
from earwitness.reduce.separate.robust import BadPoint, Points, stands_out, usable_points
from earwitness.reduce.separate.sampling import distinct_directions
from earwitness.reduce.separate.scatter import Box, box_scattered, sphere_scattered
from earwitness.reduce.separate.solve import Route, Scan, affordable_orders, fit_scan, scan_about

Body = Literal["box", "sphere", "none"]

_BAD_ROUNDS = 3
_MOST_BAD_SHARE = 0.15
_UNKNOWN_CABINET_SHARE = 0.75
# A cabinet told to some millimeters: how far the second box model differs from the first.
_SIZE_DOUBT_M = 0.004
_PLACE_DOUBT_M = 0.003
_SPHERE_DOUBT = 0.75
_DOUBT_PILOTS = 12
_BAND_OCTAVES = 0.5
_HIGHEST_TAIL = 1e-3
_SOURCE_SHARES = (0.2, 0.35, 0.6, 1.0)
_GATED_ROUNDS = 4
_SURE_SHARE = 0.9
_HIGHEST_UNSEEN = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class Separation:
    """What a scan says about the loudspeaker alone.

    field : free-field radiation; quality : how far to trust it; route : which solver; body : which model of the cabinet
    took the scattered sound off; bad_points : rows left out and why; centers : centers searched, one a band, or none;
    valid_band_hz : lowest and highest frequency of the longest valid run, None if there is none
    """

    field: SeparatedField
    quality: Quality
    route: Route
    body: Body
    bad_points: tuple[BadPoint, ...]
    centers: tuple[Center, ...]
    valid_band_hz: tuple[float, float] | None


def separate(
    points_m: FloatArray,
    pressure: ComplexArray,
    hz: FloatArray,
    *,
    cabinet_m: tuple[float, float, float] | None,
    speed_of_sound: float,
    cabinet_center_m: tuple[float, float, float] = (0.0, 0.0, 0.0),
    reference_m: tuple[float, float, float] = (0.0, 0.0, 0.0),
    body: Body = "box",
    sphere_radius_m: float | None = None,
    noise_rms: FloatArray | None = None,
) -> Separation:
    """Tell outgoing from incoming waves, and take off what the cabinet scattered.

    points_m (P, 3) [m], AES69 axes; pressure (P, F) [Pa/V], exp(+j omega t); hz (F,) rising; cabinet_m : width, height,
    depth or None if unknown (then nothing scattered is taken off); cabinet_center_m, reference_m : in the points'
    coordinates; sphere_radius_m : of a body that is a sphere, None: that of the cabinet's volume;
    noise_rms (F,) : least noise to assume, from a silence [Pa/V].

    InputError for scans that can't be used (see robust.py). Sources: Weinreich and Arnold, J. Acoust. Soc. Am. 68, 1980
    (from memory), and scatter.py.
    """
    center, reference = np.array(cabinet_center_m, dtype=float), np.array(reference_m, dtype=float)
    if body == "sphere" and sphere_radius_m is not None:
        # A cube inside that sphere: the check for points within the cabinet then holds for the body that is there.
        cabinet_m = (2 * sphere_radius_m / np.sqrt(3),) * 3
    clean = _clean(points_m, pressure, hz, cabinet_m, center, one_surface_is_enough=False)
    k = 2 * np.pi * np.asarray(hz, dtype=float) / speed_of_sound
    scan = scan_about(clean.points_m, center)
    shell = _shell(scan, cabinet_m)
    orders = affordable_orders(scan, k, shell, len(clean.rows), incoming=True)
    resolved = _resolved(k, shell, orders[0], orders[1])
    fit, left_out = _fit_without_bad(scan, clean.pressure, k, shell, orders, resolved)
    if noise_rms is not None:
        fit = _at_least_noise(fit, np.asarray(noise_rms, dtype=float))
    chosen: Body = body if cabinet_m is not None else "none"
    scattered, remainder = _scattered(fit, k, scan, cabinet_m, chosen, resolved, sphere_radius_m)
    part = Part(
        rows=np.arange(k.size), weight=np.ones(k.size), center_m=center, axes=scan.axes, shell=shell,
        inner_radius_m=shell.source_radius_m, outgoing=fit.outgoing - scattered, order=fit.order_out,
        directions=fit.directions, variance=fit.variance, remainder=remainder,
    )  # fmt: skip
    axis = FrequencyAxis(hz)
    field = SeparatedField(axis, speed_of_sound, reference, (part,), resolved)
    quality = quality_of(
        field, fit, clean.pressure, ~left_out, k,
        leave_out_db=leave_out(scan, clean.pressure, k, shell, orders, left_out),
        resolved=resolved, scattered_db=_share_db(part, k, scattered),
    )  # fmt: skip
    return _separation(field, quality, scan, chosen, clean, left_out, ())


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
) -> Separation:
    """Outgoing waves only, of pressures gated in time before the first reflection; one surface is enough.

    Arguments as in separate. The expansion center is searched in each band of `band_octaves` octaves.
    """
    middle, reference = np.array(cabinet_center_m, dtype=float), np.array(reference_m, dtype=float)
    clean = _clean(points_m, pressure, hz, cabinet_m, middle, one_surface_is_enough=True)
    k = 2 * np.pi * np.asarray(hz, dtype=float) / speed_of_sound
    half = _half_size(clean.points_m - middle, cabinet_m)
    band = np.floor(np.log2(k / k[0]) / band_octaves + 1e-9).astype(np.int64)
    parts, centers, fits, resolved = [], [], [], np.zeros(k.size, dtype=bool)
    about_middle = k <= _highest_about_middle(clean, middle, half)
    for one in np.unique(band):
        for all_round in (True, False):
            rows = np.flatnonzero((band == one) & (about_middle == all_round))
            if rows.size == 0:
                continue
            found = search_center(clean.points_m, clean.pressure[:, rows], k[rows], middle, half)
            tries = [middle] if all_round else [found.center_m, middle]
            part, fit, fine = _gated_part(clean, rows, k, tries, middle, half)
            parts.append(part)
            fits.append(fit)
            centers.append(found if part.center_m is found.center_m else unmoved(found, middle))
            resolved[rows] = fine
    field = SeparatedField(FrequencyAxis(hz), speed_of_sound, reference, tuple(parts), resolved)
    qualities = []
    nobody = np.ones(len(clean.rows), dtype=bool)
    for part, fit in zip(parts, fits, strict=True):
        rows = part.rows
        alone = SeparatedField(
            FrequencyAxis(hz[rows]),
            speed_of_sound,
            reference,
            (replace(part, rows=np.arange(rows.size)),),
            resolved[rows],
        )
        data = clean.pressure[:, rows]
        qualities.append(
            quality_of(
                alone, fit, data, nobody, k[rows],
                leave_out_db=10 * np.log10(np.maximum(fit.evidence.gcv / np.mean(np.abs(data) ** 2, axis=0), 1e-30)),
                resolved=resolved[rows], scattered_db=np.full(rows.size, -300.0),
            )
        )  # fmt: skip
    scan = scan_about(clean.points_m, middle, look_for_rings=False)
    return _separation(field, _joined(qualities), scan, "none", clean, ~nobody, tuple(centers))


def _clean(
    points_m: FloatArray,
    pressure: ComplexArray,
    hz: FloatArray,
    cabinet_m: tuple[float, float, float] | None,
    center: FloatArray,
    *,
    one_surface_is_enough: bool,
) -> Points:
    return usable_points(
        np.asarray(points_m, dtype=float),
        np.asarray(pressure, dtype=np.complex128),
        np.asarray(hz, dtype=float),
        cabinet_m=cabinet_m,
        cabinet_center_m=center,
        one_surface_is_enough=one_surface_is_enough,
    )


def _shell(scan: Scan, cabinet_m: tuple[float, float, float] | None) -> Shell:
    """The cabinet's half diagonal, no larger than the nearest microphone's distance."""
    radius = np.linalg.norm(scan.points_m, axis=1)
    inner, outer = float(radius.min()), float(radius.max())
    reach = float(np.linalg.norm(cabinet_m)) / 2 if cabinet_m is not None else _UNKNOWN_CABINET_SHARE * inner
    return Shell(min(reach, inner), outer, ROOM_DISTANCE_FACTOR * outer)


def _resolved(k: FloatArray, shell: Shell, order_out: IntArray, order_in: IntArray) -> BoolArray:
    """(F,) frequencies whose orders reach what both kinds of waves need at least."""
    enough = order_out >= k * shell.source_radius_m + 2
    result: BoolArray = enough & ((order_in < 0) | (order_in >= k * shell.outer_radius_m))
    return result


def _fit_without_bad(
    scan: Scan,
    pressure: ComplexArray,
    k: FloatArray,
    shell: Shell,
    orders: tuple[IntArray, IntArray],
    resolved: BoolArray,
) -> tuple[Fit, BoolArray]:
    """The fit, and the points it does without because nothing else explains them."""
    left_out = np.zeros(len(pressure), dtype=bool)
    for _round in range(_BAD_ROUNDS):
        fit = fit_scan(scan, pressure, k, shell, orders, left_out)
        found = stands_out(scan.points_m, pressure, fit.residual, left_out, resolved)
        if not (found & ~left_out).any():
            if not left_out.any():
                return fit, left_out
            break
        left_out = left_out | found
        if left_out.mean() > _MOST_BAD_SHARE:
            raise InputError(
                f"{int(left_out.sum())} of {left_out.size} scan points don't fit to the others",
                expected="a few per cent at most",
                remedy="check the order of the files, the coordinates' units and origin, and the speed of sound",
            )
    # A point that only its bad neighbors had bent is taken in again.
    fit = fit_scan(scan, pressure, k, shell, orders, left_out)
    readmitted = left_out & ~stands_out(scan.points_m, pressure, fit.residual, left_out, resolved)
    if readmitted.any():
        left_out = left_out & ~readmitted
        fit = fit_scan(scan, pressure, k, shell, orders, left_out)
    return fit, left_out


def _at_least_noise(fit: Fit, noise_rms: FloatArray) -> Fit:
    factor = np.maximum(noise_rms**2 / np.maximum(fit.evidence.noise_variance, 1e-300), 1.0)
    return replace(fit, variance=fit.variance * factor)


def _scattered(
    fit: Fit,
    k: FloatArray,
    scan: Scan,
    cabinet_m: tuple[float, float, float] | None,
    body: Body,
    resolved: BoolArray,
    sphere_radius_m: float | None,
) -> tuple[ComplexArray, ComplexArray | None]:
    """Scaled coefficients of what the cabinet scattered, and of what may be wrong with them."""
    order = int(fit.order_out.max())
    shell = fit.shell
    none = np.zeros_like(fit.outgoing)
    volume_radius = sphere_radius_m or _equal_volume_radius(cabinet_m, shell)
    if cabinet_m is None or body == "none":
        # Nothing is taken off: all that an average cabinet may scatter is in doubt.
        return none, sphere_scattered(fit.incoming, k, shell, volume_radius, order)
    if body == "sphere":
        scattered = sphere_scattered(fit.incoming, k, shell, volume_radius, order)
        if sphere_radius_m is not None:
            # The body is a sphere, told to some millimeters: only its size and place are in doubt.
            other = sphere_scattered(fit.incoming, k, shell, sphere_radius_m + _SIZE_DOUBT_M + _PLACE_DOUBT_M, order)
            return _within(scattered, fit), _within(other - scattered, fit)
        return _within(scattered, fit), _within(_SPHERE_DOUBT * scattered, fit)
    width, height, depth = cabinet_m
    size = np.array([depth, width, height])[list(scan.axes)]
    doubtful = Box(size + _SIZE_DOUBT_M, np.full(3, _PLACE_DOUBT_M / np.sqrt(3)))
    scattered, doubt = none.copy(), np.zeros(k.size)
    # Where the orders do not suffice nothing is published, and the slow model is spared.
    rows = np.flatnonzero(resolved)
    if rows.size:
        told = fit.incoming[rows]
        scattered[rows] = box_scattered(told, k[rows], shell, Box(size, np.zeros(3)), order)
        # How much the two boxes differ changes slowly: a few frequencies tell it for all.
        pilots = np.unique(np.linspace(0, rows.size - 1, min(rows.size, _DOUBT_PILOTS)).round().astype(np.int64))
        other = box_scattered(told[pilots], k[rows[pilots]], shell, doubtful, order)
        own = scattered[rows[pilots]]
        share = np.sqrt(_far_energy(other - own, fit, rows[pilots], k) / _far_energy(own, fit, rows[pilots], k))
        doubt[rows] = np.interp(np.log(k[rows]), np.log(k[rows[pilots]]), share)
    scattered = _within(scattered, fit)
    return scattered, doubt[:, None] * scattered


def _far_energy(coefficients: ComplexArray, fit: Fit, rows: IntArray, k: FloatArray) -> FloatArray:
    """(R,) energy that coefficients (R, K) of the frequencies `rows` send to the far field, to a common factor."""
    degree = np.floor(np.sqrt(np.arange(coefficients.shape[1]) + 0.5)).astype(np.int64)
    size = log_hankel_size(int(degree.max()), k[rows] * fit.shell.source_radius_m)[:, degree]
    kept = np.where(degree[None, :] <= fit.order_out[rows, None], np.abs(coefficients) ** 2, 0.0)
    return np.asarray(np.maximum(np.sum(kept * np.exp(-2 * size), axis=1), 1e-300), dtype=float)


def _within(coefficients: ComplexArray, fit: Fit) -> ComplexArray:
    """Coefficients without orders beyond the frequency's own."""
    degree = np.floor(np.sqrt(np.arange(coefficients.shape[1]) + 0.5))
    return np.where(degree[None, :] <= fit.order_out[:, None], coefficients, 0.0)


def _equal_volume_radius(cabinet_m: tuple[float, float, float] | None, shell: Shell) -> float:
    if cabinet_m is None:
        return 0.7 * shell.source_radius_m
    return float((3 * np.prod(cabinet_m) / (4 * np.pi)) ** (1 / 3))


def _share_db(part: Part, k: FloatArray, scattered: ComplexArray) -> FloatArray:
    """(F,) far-field energy of the scattered sound over the loudspeaker's own [dB]."""
    order = int(part.order.max())
    degree = np.floor(np.sqrt(np.arange((order + 1) ** 2) + 0.5)).astype(np.int64)
    weight = np.exp(-2 * log_hankel_size(order, k * part.shell.source_radius_m))[:, degree]
    own = np.sum(weight * np.abs(part.outgoing) ** 2, axis=1)
    taken = np.sum(weight * np.abs(scattered) ** 2, axis=1)
    return np.asarray(10 * np.log10(np.maximum(taken / np.maximum(own, 1e-300), 1e-30)), dtype=float)


def _half_size(points: FloatArray, cabinet_m: tuple[float, float, float] | None) -> FloatArray:
    if cabinet_m is None:
        return np.full(3, 0.5 * float(np.linalg.norm(points, axis=1).min()))
    width, height, depth = cabinet_m
    return np.array([depth, width, height]) / 2


def _highest_about_middle(clean: Points, middle: FloatArray, half: FloatArray) -> float:
    """Wavenumber up to which turned rings around the cabinet tell all orders that its size asks for; 0 without them."""
    rings = scan_about(clean.points_m, middle).rings
    if rings is None or turned_rings(rings) is None:
        return 0.0
    return _SURE_SHARE * order_caps(rings, incoming=False) / _reach(clean, middle, middle, half)


def _gated_part(
    clean: Points, rows: IntArray, k: FloatArray, centers: list[FloatArray], middle: FloatArray, half: FloatArray
) -> tuple[Part, Fit, BoolArray]:
    """Outgoing waves of one band about one of `centers`.

    The sphere that encloses what radiates may be far smaller than the cabinet: cross-validation in the band's middle
    tells. Between centers points that the fit does not see decide, level for level: noise from wrong places is strong
    where it is loud, which misleads cross-validation.
    """
    pilot = rows[rows.size // 2 : rows.size // 2 + 1]
    usable = min(distinct_directions(clean.points_m - middle), len(clean.rows))
    nobody = np.zeros(len(clean.rows), dtype=bool)
    best: tuple[float, FloatArray, float, FloatArray] | None = None
    for center in centers:
        reach, start, own = _reach(clean, center, middle, half), None, []
        for share in _SOURCE_SHARES:
            state = _gated_fit(clean, pilot, k, center, share * reach, usable, nobody, start).evidence
            start = state.penalty[0]
            own.append((float(state.gcv[0]), share * reach, start))
        _score, radius_m, start = min(own, key=lambda one: one[0])
        error = _unseen_error(clean, pilot, k, center, radius_m, usable, start) if len(centers) > 1 else 0.0
        if best is None or error < best[0]:
            best = (error, center, radius_m, start)
    assert best is not None
    error, center, radius_m, start = best
    fit = _gated_fit(clean, rows, k, center, radius_m, usable, nobody, start)
    part = Part(
        rows=rows, weight=np.ones(rows.size), center_m=center, axes=scan_about(clean.points_m, center).axes,
        shell=fit.shell, inner_radius_m=_reach(clean, center, middle, half), outgoing=fit.outgoing,
        order=fit.order_out, directions=fit.directions, variance=fit.variance, remainder=None,
    )  # fmt: skip
    orders = order_energy(part, k[rows])
    tail = orders[np.arange(rows.size), fit.order_out] / orders.sum(axis=1)
    return part, fit, (tail <= _HIGHEST_TAIL) & (error <= _HIGHEST_UNSEEN)


def _unseen_error(
    clean: Points, pilot: IntArray, k: FloatArray, center: FloatArray, radius_m: float, usable: int, start: FloatArray
) -> float:
    """Mean error of every tenth point, which the fit does not see, over the level there; at most 1 each."""
    held = unseen_points(len(clean.rows))
    fit = _gated_fit(clean, pilot, k, center, radius_m, usable, held, start)
    size = np.abs(fit.residual[held]) ** 2 / np.maximum(np.abs(clean.pressure[np.ix_(held, pilot)]) ** 2, 1e-300)
    return float(np.mean(np.minimum(size, 1.0)))


def _reach(clean: Points, center: FloatArray, middle: FloatArray, half: FloatArray) -> float:
    """Radius about `center` that encloses the cabinet, no larger than the nearest microphone's distance."""
    nearest = float(np.linalg.norm(clean.points_m - center, axis=1).min())
    return min(float(np.linalg.norm(half + np.abs(center - middle))), nearest)


def _gated_fit(
    clean: Points, some: IntArray, k: FloatArray, center: FloatArray, radius_m: float, usable: int,
    left_out: BoolArray, penalty: FloatArray | None,
) -> Fit:  # fmt: skip
    scan = scan_about(clean.points_m, center)
    outer = float(np.linalg.norm(scan.points_m, axis=1).max())
    shell = Shell(radius_m, outer, ROOM_DISTANCE_FACTOR * outer)
    orders = affordable_orders(scan, k[some], shell, usable, incoming=False)
    return fit_scan(
        scan, clean.pressure[:, some], k[some], shell, orders, left_out, penalty=penalty, evidence_rounds=_GATED_ROUNDS
    )


def _joined(parts: list[Quality]) -> Quality:
    from dataclasses import fields

    return Quality(**{one.name: np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(Quality)})


def _separation(
    field: SeparatedField,
    quality: Quality,
    scan: Scan,
    body: Body,
    clean: Points,
    left_out: BoolArray,
    centers: tuple[Center, ...],
) -> Separation:
    bad = [BadPoint(int(clean.rows[row]), "does not fit to the others") for row in np.flatnonzero(left_out)]
    every = tuple(sorted((*clean.bad, *bad), key=lambda one: one.row))
    field = replace(field, valid=quality.valid)
    return Separation(field, quality, scan.route, body, every, centers, longest_run(field.axis.hz, quality.valid))


def longest_run(hz: FloatArray, valid: BoolArray) -> tuple[float, float] | None:
    """First and last frequency of the longest run of valid ones."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], valid.astype(int), [0]])))
    if edges.size == 0:
        return None
    first, last = edges[::2], edges[1::2] - 1
    best = int(np.argmax(last - first))
    return float(hz[first[best]]), float(hz[last[best]])
