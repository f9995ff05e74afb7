"""From pressures at scan points to the field of the loudspeaker alone, and how far to trust it. Only this file knows
the order."""

from dataclasses import dataclass, fields, replace

import numpy as np
from scipy.linalg import blas, lapack

from earwitness.dsp.spherical import acn, complex_harmonics
from earwitness.errors import InputError
from earwitness.quantities import BoolArray, ComplexArray, FloatArray, FrequencyAxis, IntArray, cta_orbits
from earwitness.reduce.separate.field import (
    ORDERS_BEYOND_CORNERS,
    ORDERS_BEYOND_SOURCE,
    ROOM_DISTANCE_FACTOR,
    Part,
    SeparatedField,
    Shell,
    far_u_db,
    order_energy,
    outgoing_columns,
)
from earwitness.reduce.separate.normal_equations import Fit
from earwitness.reduce.separate.robust import BadPoint, Points, contradicted, stands_out, usable_points
from earwitness.reduce.separate.scatter import Body, BodyDoubt, scattered_of
from earwitness.reduce.separate.solve import Route, Scan, affordable_orders, fit_scan, scan_about

# Limits of the project, not of a standard.
HIGHEST_RESIDUAL_DB = -15.0
HIGHEST_CONDITION = 1000.0
_LEFT_OUT_EVERY = 10
_LEFT_OUT_PILOTS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Quality:
    """All (F,) unless said otherwise.

    residual_db : energy that the fit leaves over the energy measured; leave_out_db : the same at points the fit didn't
    see, measured at a few frequencies and drawn between them; condition; order_out, order_in (-1: none);
    tail_db : highest order's share of the radiated energy; settled : coefficients that the data settle;
    gcv_db : generalized cross-validation score over the energy measured; u_db : expected error, rms over the CTA
    directions; scattered_db : what was taken off as scattered, rms over directions, over the loudspeaker's own sound;
    valid : frequencies to publish; room_db : incoming over outgoing energy at the microphones.
    """

    residual_db: FloatArray
    leave_out_db: FloatArray
    condition: FloatArray
    order_out: IntArray
    order_in: IntArray
    tail_db: FloatArray
    settled: FloatArray
    gcv_db: FloatArray
    u_db: FloatArray
    scattered_db: FloatArray
    resolved: BoolArray
    valid: BoolArray


def quality_of(
    field: SeparatedField, fit: Fit, pressure: ComplexArray, kept: BoolArray, k: FloatArray,
    *, leave_out_db: FloatArray, resolved: BoolArray, scattered_db: FloatArray,
) -> Quality:  # fmt: skip
    """Numbers of one fit; kept (P,) points used, resolved (F,) frequencies whose orders the points can carry."""
    energy = np.maximum(np.mean(np.abs(pressure[kept]) ** 2, axis=0), 1e-300)
    residual_db = _db(np.mean(np.abs(fit.residual[kept]) ** 2, axis=0) / energy)
    orders = order_energy(field.parts[0], k)
    tail = orders[np.arange(k.size), fit.order_out] / np.maximum(orders.sum(axis=1), 1e-300)
    u = far_u_db(field, cta_orbits().unit_vectors())
    valid = resolved & (residual_db <= HIGHEST_RESIDUAL_DB) & (fit.condition <= HIGHEST_CONDITION)
    return Quality(
        residual_db=residual_db,
        leave_out_db=leave_out_db,
        condition=fit.condition,
        order_out=fit.order_out,
        order_in=fit.order_in,
        tail_db=_db(tail),
        settled=fit.evidence.settled,
        gcv_db=_db(fit.evidence.gcv / energy),
        u_db=np.sqrt(np.mean(u**2, axis=0)),
        scattered_db=scattered_db,
        resolved=resolved,
        valid=valid,
    )


def leave_out(
    scan: Scan, pressure: ComplexArray, k: FloatArray, shell: Shell, orders: tuple[IntArray, IntArray], bad: BoolArray
) -> FloatArray:
    """(F,) error at every tenth point, which the fit doesn't see, over the energy there [dB].

    Fitted at up to eight frequencies, drawn in between over log frequency.
    """
    pilots = np.unique(np.linspace(0, k.size - 1, _LEFT_OUT_PILOTS).round().astype(np.int64))
    held = unseen_points(bad.size) & ~bad
    fit = fit_scan(scan, pressure[:, pilots], k[pilots], shell, (orders[0][pilots], orders[1][pilots]), bad | held)
    energy = np.mean(np.abs(pressure[np.ix_(held, pilots)]) ** 2, axis=0)
    error = _db(np.mean(np.abs(fit.residual[held]) ** 2, axis=0) / np.maximum(energy, 1e-300))
    return np.asarray(np.interp(np.log(k), np.log(k[pilots]), error), dtype=float)


def unseen_points(count: int) -> BoolArray:
    """(P,) every tenth point by a fixed shuffle: in list order it would take the same azimuths of every ring."""
    held = np.zeros(count, dtype=bool)
    held[np.random.default_rng(0).permutation(count)[::_LEFT_OUT_EVERY]] = True
    return held


def _db(ratio: FloatArray) -> FloatArray:
    return np.asarray(10 * np.log10(np.maximum(ratio, 1e-30)), dtype=float)


# Where to put the expansion center in the high bands: where the sound comes from, as the data tell.
#
# With few orders only waves from near the center fit. So the center at which a fit of limited order leaves the smallest
# residual is the acoustic center of the band.

_FIRST_STEP_M = 0.08
_LAST_STEP_M = 0.01
_PILOTS = 3
_MOST_POINTS = 700
_SEARCH_ORDER = 9
_MOVES = np.concatenate([np.eye(3), -np.eye(3)])


@dataclass(frozen=True, slots=True, eq=False)
class Center:
    """center_m (3,); residual_db there and at the start, of the search's limited order; moved_m how far it went."""

    center_m: FloatArray
    residual_db: float
    start_residual_db: float
    moved_m: float


def search_center(
    points_m: FloatArray, pressure: ComplexArray, k: FloatArray, start_m: FloatArray, half_size_m: FloatArray
) -> Center:
    """The center, within half_size_m (3,) of start_m, that a limited order fits best; pressure (P, F), k (F,).

    With a half size of 0 nothing is searched: start_m and what it leaves.
    """
    chosen = np.unique(np.linspace(0, k.size - 1, _PILOTS).round().astype(np.int64))
    step = max(1, len(points_m) // _MOST_POINTS)
    rows: IntArray = np.arange(0, len(points_m), step)
    points, data, wave = points_m[rows], pressure[np.ix_(rows, chosen)], k[chosen]
    center = start_m.copy()
    best = start = _residual(points - center, data, wave)
    size = _FIRST_STEP_M if half_size_m.any() else 0.0
    while size >= _LAST_STEP_M:
        tries = np.clip(center + size * _MOVES, start_m - half_size_m, start_m + half_size_m)
        found = [_residual(points - one, data, wave) for one in tries]
        lowest = int(np.argmin(found))
        if found[lowest] < best * (1 - 1e-3):
            center, best = tries[lowest], found[lowest]
        else:
            size /= 2
    return Center(center, 10 * np.log10(best), 10 * np.log10(start), float(np.linalg.norm(center - start_m)))


def _residual(points: FloatArray, data: ComplexArray, k: FloatArray) -> float:
    """Mean share of the energy that outgoing waves of limited order don't explain."""
    radius = np.linalg.norm(points, axis=1)
    shell = Shell(0.5 * float(radius.min()), float(radius.max()), 2 * float(radius.max()))
    order = min(_SEARCH_ORDER, int(np.sqrt(len(points) / 2)) - 1)
    harmonics = complex_harmonics(order, points[:, 2] / radius, np.arctan2(points[:, 1], points[:, 0]))
    degree, shares = acn(order)[0], []
    for f, waves in enumerate(outgoing_columns(k, radius, order, shell)):
        matrix = harmonics * waves[:, degree]
        gram = blas.zherk(1.0, matrix, trans=2, lower=1)
        gram[np.diag_indices_from(gram)] += 1e-8 * gram.diagonal().real.max()
        answer = lapack.zposv(gram, matrix.conj().T @ data[:, f], lower=1)[1]
        rest = data[:, f] - matrix @ answer
        shares.append(np.sum(np.abs(rest) ** 2) / np.sum(np.abs(data[:, f]) ** 2))
    return float(np.mean(shares))


_BAD_ROUNDS = 3
_MOST_BAD_SHARE = 0.15
_TIMES_ORDERS, _MOST_BY_ORDERS = 2.0, 0.4
_UNKNOWN_CABINET_SHARE = 0.75


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
    body_doubt: BodyDoubt | None = None,
) -> Separation:
    """Tell outgoing from incoming waves, and take off what the cabinet scattered.

    points_m (P, 3) [m], AES69 axes; pressure (P, F) [Pa/V], exp(+j omega t); hz (F,) rising; cabinet_m : width, height,
    depth or None if unknown (then nothing scattered is taken off); cabinet_center_m, reference_m : in the points'
    coordinates; sphere_radius_m : of a body that is a sphere, None: that of the cabinet's volume;
    noise_rms (F,) : least noise to assume, from a silence [Pa/V]; body_doubt : how well the body is known, None for a
    stated one.

    InputError for scans that can't be used (see robust.py). Sources: Weinreich and Arnold, J. Acoust. Soc. Am. 68, 1980
    (from memory), and scatter.py.
    """
    center, reference = np.array(cabinet_center_m, dtype=float), np.array(reference_m, dtype=float)
    if body == "sphere" and sphere_radius_m is not None:
        # A cube inside that sphere: the check for points within the cabinet then holds for the body that is there.
        cabinet_m = (2 * sphere_radius_m / np.sqrt(3),) * 3
    hz = np.asarray(hz, dtype=float)
    clean = usable_points(
        np.asarray(points_m, dtype=float), np.asarray(pressure, dtype=np.complex128), hz, cabinet_m=cabinet_m,
        cabinet_center_m=center, one_surface_is_enough=False,
    )  # fmt: skip
    k = 2 * np.pi * hz / speed_of_sound
    scan = scan_about(clean.points_m, center)
    shell = shell_of(scan, cabinet_m)
    orders = affordable_orders(
        scan, k, shell, len(clean.rows), incoming=True, beyond_source=beyond_source(shell, cabinet_m)
    )
    resolved = resolved_by(k, shell, orders[0], orders[1])
    fit, left_out = fit_without_bad(scan, pressure=clean.pressure, k=k, shell=shell, orders=orders, resolved=resolved)
    if noise_rms is not None:
        more = np.asarray(noise_rms, dtype=float) ** 2 / np.maximum(fit.evidence.noise_variance, 1e-300)
        fit = replace(fit, variance=fit.variance * np.maximum(more, 1.0))
    chosen: Body = body if cabinet_m is not None else "none"
    scattered, remainder = scattered_of(fit, k, scan, cabinet_m, chosen, resolved, sphere_radius_m, body_doubt)
    part = Part(
        rows=np.arange(k.size), weight=np.ones(k.size), center_m=center, axes=scan.axes, shell=shell,
        inner_radius_m=shell.source_radius_m, outgoing=fit.outgoing - scattered, order=fit.order_out,
        directions=fit.directions, variance=fit.variance, remainder=remainder,
    )  # fmt: skip
    axis = FrequencyAxis(hz)
    field = SeparatedField(axis, speed_of_sound, reference, (part,), resolved)
    quality = quality_of(
        field, fit, clean.pressure, ~left_out, k,
        leave_out_db=leave_out(scan=scan, pressure=clean.pressure, k=k, shell=shell, orders=orders, bad=left_out),
        resolved=resolved, scattered_db=_share_db(part, k, scattered),
    )  # fmt: skip
    return separation_of(field, quality=quality, scan=scan, body=chosen, clean=clean, left_out=left_out, centers=())


def shell_of(scan: Scan, cabinet_m: tuple[float, float, float] | None) -> Shell:
    """The cabinet's half diagonal, no larger than the nearest microphone's distance."""
    radius = np.linalg.norm(scan.points_m, axis=1)
    inner, outer = float(radius.min()), float(radius.max())
    reach = float(np.linalg.norm(cabinet_m)) / 2 if cabinet_m is not None else _UNKNOWN_CABINET_SHARE * inner
    return Shell(min(reach, inner), outer, ROOM_DISTANCE_FACTOR * outer)


def beyond_source(shell: Shell, cabinet_m: tuple[float, float, float] | None) -> int:
    """Orders above k times the source's radius: corners that stand out of its sphere, as a cylinder of points about a
    tall cabinet leaves them, sound in orders that die away slowly."""
    stands_out_m = 0.0 if cabinet_m is None else float(np.linalg.norm(cabinet_m)) / 2 - shell.source_radius_m
    return ORDERS_BEYOND_CORNERS if stands_out_m > 0 else ORDERS_BEYOND_SOURCE


def resolved_by(k: FloatArray, shell: Shell, order_out: IntArray, order_in: IntArray) -> BoolArray:
    """(F,) frequencies whose orders reach what both kinds of waves need at least."""
    enough = order_out >= k * shell.source_radius_m + 2
    result: BoolArray = enough & ((order_in < 0) | (order_in >= k * shell.outer_radius_m))
    return result


def fit_without_bad(
    scan: Scan, pressure: ComplexArray, k: FloatArray, shell: Shell, orders: tuple[IntArray, IntArray],
    resolved: BoolArray,
) -> tuple[Fit, BoolArray]:  # fmt: skip
    """The fit, and the points it does without because nothing else explains them."""
    left_out = np.zeros(len(pressure), dtype=bool)
    fit = fit_scan(scan=scan, pressure=pressure, k=k, shell=shell, orders=orders, left_out=left_out)
    first = stands_out(scan.points_m, pressure, fit.residual, left_out, resolved)
    if not first.any() or not (first & _beyond_orders(scan, pressure, fit, resolved)).any():
        return fit, left_out
    # Where one is wrong others may lean on themselves; without any, what near drivers' high orders leave looks so too.
    wrong = contradicted(scan.points_m, pressure, k=k, shell=shell, orders=orders, state=fit.evidence, trusted=resolved)
    left_out = wrong.copy()
    for _round in range(_BAD_ROUNDS):
        _refuse_many(left_out)
        fit = fit_scan(scan=scan, pressure=pressure, k=k, shell=shell, orders=orders, left_out=left_out)
        found = stands_out(scan.points_m, pressure, fit.residual, left_out, resolved)
        if not (found & ~left_out).any():
            break
        left_out = left_out | found
    _refuse_many(left_out)
    fit = fit_scan(scan=scan, pressure=pressure, k=k, shell=shell, orders=orders, left_out=left_out)
    # A point that only its bad neighbors had bent is taken in again, and one that orders left out explain.
    again = ~wrong & ~stands_out(scan.points_m, pressure, fit.residual, left_out, resolved)
    again = left_out & (again | ~_beyond_orders(scan, pressure, fit, resolved))
    if again.any():
        left_out = left_out & ~again
        fit = fit_scan(scan=scan, pressure=pressure, k=k, shell=shell, orders=orders, left_out=left_out)
    return fit, left_out


def _beyond_orders(scan: Scan, pressure: ComplexArray, fit: Fit, resolved: BoolArray) -> BoolArray:
    """(P,) points farther off than by the orders that a near driver lacks: order n falls with (radius / distance)^n."""
    falls = fit.shell.source_radius_m / np.linalg.norm(scan.points_m, axis=1)[:, None]
    share = np.minimum(_TIMES_ORDERS * falls ** (fit.order_out[resolved] + 1), _MOST_BY_ORDERS)
    off, level = (np.mean(np.abs(one[:, resolved]) ** 2, axis=1) for one in (fit.residual, pressure))
    return np.asarray(off > np.mean(share**2, axis=1) * level, dtype=bool)


def _refuse_many(left_out: BoolArray) -> None:
    if left_out.mean() > _MOST_BAD_SHARE:
        raise InputError.of("reduce.points_do_not_fit", left=int(left_out.sum()), left_out=left_out)


def _share_db(part: Part, k: FloatArray, scattered: ComplexArray) -> FloatArray:
    """(F,) far-field energy of the scattered sound over the loudspeaker's own [dB]."""
    own, taken = (order_energy(replace(part, outgoing=one), k).sum(axis=1) for one in (part.outgoing, scattered))
    return np.asarray(10 * np.log10(np.maximum(taken / np.maximum(own, 1e-300), 1e-30)), dtype=float)


def separation_of(
    field: SeparatedField, quality: Quality, scan: Scan, body: Body, clean: Points, left_out: BoolArray,
    centers: tuple[Center, ...],
) -> Separation:  # fmt: skip
    """The result, with every point left out told by its row in the list as given."""
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


_BLEND_OCTAVES = 0.5
_UNUSABLE_U_DB = 40.0


@dataclass(frozen=True, slots=True, eq=False)
class Combined:
    """separation : the joined result; joint_hz : where it changes over, None if one source serves alone."""

    separation: Separation
    joint_hz: float | None


def combined(low: Separation, gated: Separation, *, gate_u_db: FloatArray) -> Combined:
    """Join a separation and outgoing waves fitted to gated sound, both over the same frequencies.

    gate_u_db (F,) : uncertainty that the gate itself brings [dB]. The joint is the frequency at which the sum over
    frequencies of squared expected errors, low below and gated above, is least; blended over half an octave.
    InputError where the frequencies differ.
    """
    hz = low.field.axis.hz
    if not low.field.axis.same_as(gated.field.axis):
        raise InputError.of("reduce.frequencies_differ")
    u_low = np.where(low.quality.valid, low.quality.u_db, _UNUSABLE_U_DB)
    u_high = np.where(gated.quality.valid, np.hypot(gated.quality.u_db, gate_u_db), _UNUSABLE_U_DB)
    before = np.concatenate([[0.0], np.cumsum(u_low**2)])
    after = np.concatenate([np.cumsum((u_high**2)[::-1])[::-1], [0.0]])
    joint = int(np.argmin(before + after))
    if joint in (0, hz.size):
        return Combined(gated if joint == 0 else low, None)
    share = _low_share(hz, float(hz[joint]), low.quality.valid & gated.quality.valid)
    parts = [replace(part, weight=part.weight * share[part.rows]) for part in low.field.parts]
    parts += [replace(part, weight=part.weight * (1 - share[part.rows])) for part in gated.field.parts]
    valid = ((share == 0) | low.quality.valid) & ((share == 1) | gated.quality.valid)
    field = SeparatedField(low.field.axis, low.field.speed_of_sound_m_s, low.field.reference_m, tuple(parts), valid)
    quality = _blended(low=low.quality, high=gated.quality, share=share, u_low=u_low, u_high=u_high, valid=valid)
    every = {one.row: one for one in (*low.bad_points, *gated.bad_points)}
    bad = tuple(every[row] for row in sorted(every))
    result = replace(
        low, field=field, quality=quality, bad_points=bad, centers=gated.centers, valid_band_hz=longest_run(hz, valid)
    )
    return Combined(result, float(hz[joint]))


def _low_share(hz: FloatArray, joint_hz: float, both: BoolArray) -> FloatArray:
    """(F,) weight of the separation: a step where one of the two has no say, else a raised cosine about the joint."""
    x = np.clip(np.log2(hz / joint_hz) / _BLEND_OCTAVES + 0.5, 0.0, 1.0)
    smooth = 0.5 + 0.5 * np.cos(np.pi * x)
    return np.where(both, smooth, np.where(hz < joint_hz, 1.0, 0.0))


def _blended(
    low: Quality, high: Quality, share: FloatArray, u_low: FloatArray, u_high: FloatArray, valid: BoolArray
) -> Quality:
    """Each number from the source with the larger share; the expected error blended."""
    values = {
        one.name: np.where(share >= 0.5, getattr(low, one.name), getattr(high, one.name)) for one in fields(Quality)
    }
    values["u_db"] = share * u_low + (1 - share) * u_high
    values["valid"] = valid
    return Quality(**values)
