"""How far a scan's gains, delays, radii, places and speed of sound are off: found where the data tell, else doubted.

Variable projection (Golub and Pereyra, SIAM J. Numer. Anal. 10, 1973, from memory): the effects of all unknowns are
more right-hand sides of the separation's own equations; what of them the waves can't explain is held against what the
fit leaves. Two kinds of sound tell: that with the room, by both kinds of waves, and that before the first reflection,
by outgoing waves alone. A third are readings of the drift itself: a point that was visited again and again, or a
microphone that stayed in its place.

Wrong places are the same at all frequencies, which therefore do not count as independent (counts chosen on drawn
scans, held against others). What the data tell is corrected only where it stands out of its own doubt: a sound scan is
not made worse. What they hardly tell keeps its prior.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.quantities import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.expansion import Expansion, Places, Scatterer, orders_of, places_of
from earwitness.reduce.separate.field import Shell
from earwitness.reduce.separate.rig import (
    Corrections,
    Rig,
    Tolerances,
    Unknown,
    corrections,
    drift_mode,
    effects,
    unknowns_of,
)

ROUNDS = 3
_SMALL_STEP = 0.1
_WIDENINGS = 3
_INDEPENDENT_WHOLE, _INDEPENDENT_DIRECT = 1.4, 0.4
_MOST_SHARE = 0.3
_HARDLY_TOLD = 0.1
# Of 24 clean scans without direct sound 8 had an axis beyond 3 times its doubt, 2 beyond 5, none beyond 6.
_STANDS_OUT = 6.0
_FEWEST_VISITS = 4
_SPOILS_TIMES = 4.0
_TOLD_STD = 3.0
_CONTRADICTED = 9.0
_LEAST_TOLD, _MOST_WIDENED = 0.5, 400.0
# Gains that change evenly with the radius are nearly another sound: left free they would take the passes' part.
_NEVER_WIDENED = ("stop gain", "speed", "arm")
_KINDS = {
    "gain": "gains between passes", "stop gain": "gains between radii", "clock": "delays between passes",
    "radius": "radii", "arm": "radii", "speed": "sound's speeds",
    "shift": "shifts of passes", "tilt": "turns of passes", "gain drift": "drifts of the gain",
    "clock drift": "drifts of the clock",
}  # fmt: skip
_ORDERS_FLOOR_DB = -65.0
# No recording is quieter; a simulated one is, and its equations would have no inverse.
_LEAST_NOISE_DB = -100.0
_MORE_ORDERS = 8
_UNKNOWNS_PER_POINT = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class SoundField:
    """Pressures (P, F) at wavenumbers k (F,) as told, with orders and penalties (F, 2) that the routes chose;
    noise_rms (F,), 0 where unknown, residual (P, F) that the routes leave and left (F,) its variance at a point;
    order_in -1 for sound before the first reflection."""

    pressure: ComplexArray
    k: FloatArray
    order_out: IntArray
    order_in: IntArray
    penalty: FloatArray
    noise_rms: FloatArray
    residual: ComplexArray
    left: FloatArray
    shell: Shell

    @property
    def is_direct(self) -> bool:
        return bool((self.order_in < 0).all())


@dataclass(frozen=True, slots=True, eq=False)
class Revisits:
    """Readings of the drift against the first of them: time (R,) 0 to 1, gain_db (R,), delay_s (R,), and how sure
    each is."""

    time: FloatArray
    gain_db: FloatArray
    delay_s: FloatArray
    u_gain_db: float
    u_delay_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Nuisance:
    """theta (U,) what is corrected and covariance (U, U) what is left in doubt, in prior standard deviations; ratio
    (F,) of the whole sound's residual over what places, noise and scatter of the gain allow; wide (U,) : by how
    much the stated tolerances' variance had to grow; told : sentences about what was found."""

    rig: Rig
    unknowns: tuple[Unknown, ...]
    theta: FloatArray
    covariance: FloatArray
    ratio: FloatArray
    wide: FloatArray
    told: tuple[str, ...]


def found_nuisance(
    rig: Rig,
    tolerances: Tolerances,
    points_m: FloatArray,
    sounds: Sequence[SoundField],
    speed_m_s: float,
    revisits: Sequence[Revisits] = (),
) -> Nuisance:
    """The unknowns of a rig from its sounds, points (P, 3) from the middle in local axes.

    The first of the sounds with incoming waves gives the residual's ratio.
    """
    unknowns = unknowns_of(rig, tolerances)
    count = len(unknowns)
    theta, wide, readings = np.zeros(count), np.ones(count), _readings(unknowns, revisits)
    ratio, covariance = np.zeros(0), np.eye(count)
    most = int(np.sqrt(_UNKNOWNS_PER_POINT * len(points_m))) - 1
    for _round in range(ROUNDS):
        ratio = np.zeros(0)
        fixed = corrections(rig, unknowns, theta, points_m)
        gram, right = np.zeros((count, count)), np.zeros(count)
        # Waves that the routes do without, near a corner or a cone, leave a pattern that drifts or shifts explain too.
        orders = [np.maximum(np.minimum(one.order_out + _MORE_ORDERS, most), one.order_out) for one in sounds]
        top = max((orders_of(out, one.order_in) for out, one in zip(orders, sounds, strict=True)), default=0)
        places = places_of(points_m + fixed.normal_m[:, None] * rig.normal, top)
        for sound, order_out in zip(sounds, orders, strict=True):
            own, pull, found = _told_by(rig, unknowns, places, order_out, sound, fixed, tolerances, speed_m_s, theta)
            gram, right = gram + own, right + pull
            ratio = found if not sound.is_direct and not ratio.size else ratio
        for rows, values, u in readings:
            gram += rows.T @ rows / u**2
            right += rows.T @ (values - rows @ theta) / u**2
        start = theta
        for _again in range(_WIDENINGS):
            covariance = np.asarray(np.linalg.inv(gram + np.diag(1 / wide)), dtype=float)
            theta = start + covariance @ (right - start / wide)
            wide = _widened(unknowns, theta, covariance, wide)
        # The next step is some hundredths of this one.
        if np.abs(theta - start).max() < _SMALL_STEP:
            break
    kept, left = _settled(theta, covariance, wide)
    return Nuisance(rig, unknowns, kept, covariance=left, ratio=ratio, wide=wide, told=_told(unknowns, kept, wide))


def _widened(unknowns: tuple[Unknown, ...], theta: FloatArray, covariance: FloatArray, wide: FloatArray) -> FloatArray:
    """(U,) variance of each kind of unknown, at least that of the stated tolerance, where the scan contradicts it."""
    out = np.ones(theta.size)
    told = 1 - np.diag(covariance) / wide
    for kind in dict.fromkeys(one.kind for one in unknowns):
        rows = [n for n, one in enumerate(unknowns) if one.kind == kind]
        sure = float(np.sum(told[rows]))
        if sure > _LEAST_TOLD and kind not in _NEVER_WIDENED:
            out[rows] = np.clip(np.sum(theta[rows] ** 2) / sure, 1.0, _MOST_WIDENED)
    return out


def _told_by(
    rig: Rig,
    unknowns: tuple[Unknown, ...],
    places: Places,
    order_out: IntArray,
    sound: SoundField,
    fixed: Corrections,
    tolerances: Tolerances,
    speed_m_s: float,
    theta: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Information (U, U) and right-hand side (U,) of one kind of sound, and its residual's ratio (F,).

    order_out (F,) : highest outgoing orders that count as waves.
    """
    count = len(unknowns)
    gram, right, ratio = np.zeros((count, count)), np.zeros(count), np.zeros(sound.k.size)
    share = min(_MOST_SHARE, (_INDEPENDENT_DIRECT if sound.is_direct else _INDEPENDENT_WHOLE) / sound.k.size)
    placed = np.array([one.kind in ("shift", "tilt") for one in unknowns])
    for f, told in enumerate(sound.k):
        omega = float(told * speed_m_s)
        k, into, penalty = float(told / (1 + fixed.speed)), int(sound.order_in[f]), sound.penalty[f]
        fit = Expansion(places, k=k, shell=sound.shell, order_out=int(order_out[f]), order_in=into, penalty=penalty)
        data = sound.pressure[:, f] * np.exp(-fixed.gain + 1j * omega * fixed.delay_s)
        # The effects of what the routes found: of more orders they would be the noise's, and found in it again.
        own = Expansion(places, k, shell=sound.shell, order_out=int(sound.order_out[f]), order_in=into, penalty=penalty)
        unknown = own.fitted(data[:, None])
        field, slope = own.field(unknown)[:, 0], own.slope(unknown[:, 0])
        moved = effects(rig=rig, unknowns=unknowns, points_m=places.points_m, field=field, slope=slope, omega=omega)
        if theta[placed].any():
            data = data - moved[:, placed] @ theta[placed]
        columns = np.concatenate([data[:, None], moved], axis=1)
        rest = columns - fit.field(fit.fitted(columns))
        free = max(len(data) - fit.settled, 0.1 * len(data))
        size = float(np.mean(np.abs(data) ** 2))
        least = 10 ** (_LEAST_NOISE_DB / 10) * size
        variance = max(float(np.sum(np.abs(rest[:, 0]) ** 2)) / free, float(sound.noise_rms[f]) ** 2, least)
        left = rest[:, 1:]
        gram += 2 * share * (left.conj().T @ left).real / variance
        right += 2 * share * (left.conj().T @ rest[:, 0]).real / variance
        scatter = (10 ** (tolerances.scatter_db / 20) - 1) ** 2 + 10 ** (_ORDERS_FLOOR_DB / 10)
        allowed = tolerances.place_m**2 * float(np.mean(np.sum(np.abs(slope) ** 2, axis=1))) + scatter * size
        ratio[f] = float(sound.left[f]) / (allowed + float(sound.noise_rms[f]) ** 2)
    return gram, right, ratio


def _readings(
    unknowns: tuple[Unknown, ...], revisits: Sequence[Revisits]
) -> list[tuple[FloatArray, FloatArray, float]]:
    """Rows (R, U) over the unknowns, what they read, and its standard uncertainty."""
    found: list[tuple[FloatArray, FloatArray, float]] = []
    for one in revisits:
        if one.time.size < 2:
            continue
        for kind, values, u in (
            ("gain drift", one.gain_db, one.u_gain_db),
            ("clock drift", one.delay_s, one.u_delay_s),
        ):
            sound = _without_one(one.time, values, u)
            time, values = one.time[sound], values[sound]
            rows = np.zeros((time.size, len(unknowns)))
            for n, unknown in enumerate(unknowns):
                if unknown.kind == kind:
                    rows[:, n] = unknown.size * drift_mode(time, unknown.axis)
            # What all visits share is the place's own sound; no visit, the first neither, is surer than the others.
            found.append((rows - rows.mean(axis=0), values - values.mean(), max(u, _scatter(time, values))))
    return found


def _without_one(time: FloatArray, values: FloatArray, u: float) -> BoolArray:
    """(R,) visits to use: all but one that by itself makes the others' scatter several times larger, a spoiled take."""
    every = np.ones(values.size, dtype=bool)
    if values.size < _FEWEST_VISITS + 1:
        return every
    rest = np.array([_scatter(np.delete(time, n), np.delete(values, n)) for n in range(values.size)])
    worst = int(np.argmin(rest))
    every[worst] = _scatter(time, values) <= _SPOILS_TIMES * max(float(rest[worst]), u)
    return every


def _scatter(time: FloatArray, values: FloatArray) -> float:
    """Standard deviation of single readings beside the line between their neighbors: what no slow drift makes."""
    if values.size < _FEWEST_VISITS:
        return 0.0
    share = (time[1:-1] - time[:-2]) / (time[2:] - time[:-2])
    beside = values[1:-1] - (1 - share) * values[:-2] - share * values[2:]
    return float(np.sqrt(np.mean(beside**2 / (1 + share**2 + (1 - share) ** 2))))


def _settled(theta: FloatArray, covariance: FloatArray, wide: FloatArray) -> tuple[FloatArray, FloatArray]:
    """What to correct, and the doubt that is left.

    Along each axis of the covariance, in units of the prior: what is hardly told keeps its prior; what is told but lies
    within six times its doubt is left as it is, and counts as doubt; the rest is corrected.
    """
    unit = np.sqrt(wide)
    size, axes = np.linalg.eigh(covariance / unit[:, None] / unit)
    size = np.maximum(size, 0.0)
    along = axes.T @ (theta / unit)
    told = size < _HARDLY_TOLD
    out = told & (np.abs(along) > _STANDS_OUT * np.sqrt(size))
    left = np.where(out, size, np.where(told, size + along**2, 1.0))
    doubt = (axes * left) @ axes.T * unit[:, None] * unit
    return unit * (axes @ np.where(out, along, 0.0)), doubt


def _told(unknowns: tuple[Unknown, ...], theta: FloatArray, wide: FloatArray) -> tuple[str, ...]:
    """What was found: single unknowns beyond three of their prior standard deviations, drifts as one."""
    found = []
    for value, one in zip(theta, unknowns, strict=True):
        if "drift" not in one.kind and abs(value) > _TOLD_STD:
            found.append(f"{one.words}: {_amount(one, value)} against what was told")
    for kind, words in (("gain drift", "The gain"), ("clock drift", "The clock")):
        rows = [n for n, one in enumerate(unknowns) if one.kind == kind]
        modes = np.array([[drift_mode(t, unknowns[n].axis) for n in rows] for t in np.linspace(0, 1, 21)])
        walk = modes @ theta[rows]
        if np.ptp(walk) > _TOLD_STD:
            one = unknowns[rows[0]]
            found.append(f"{words} drifted by {_amount(one, float(np.ptp(walk)))} over the scan; it was taken off")
    for kind in dict.fromkeys(one.kind for one in unknowns):
        most = max(float(w) for one, w in zip(unknowns, wide, strict=True) if one.kind == kind)
        if most > _CONTRADICTED:
            found.append(f"{_KINDS[kind]} contradict what was told of them by {np.sqrt(most):.1f} times")
    return tuple(found)


def _amount(one: Unknown, value: float) -> str:
    size = value * one.size
    if "gain" in one.kind:
        return f"{size:+.2f} dB"
    if "clock" in one.kind:
        return f"{1e6 * size:+.1f} µs"
    if one.kind in ("radius", "arm", "shift"):
        return f"{1e3 * size:+.1f} mm"
    return f"{np.degrees(size):+.2f}°" if one.kind == "tilt" else f"{100 * size:+.2f} %"


# From what is left in doubt about a scan to what it moves in every direction, with its sign.
#
# Errors of directions that have one cause go together: in an average they add, in a directivity index they cancel as
# far as they are alike. So each cause is carried as the change of all levels at once (JCGM 102, from memory), few
# causes for many unknowns: the axes that move the levels most, and what the others move as a part of each direction's
# own.

PATTERNS = 8
_DB = 20 / np.log(10)
_REST = 0.01
_MOST_AXES = 12
# Relative to the rms over directions: in a null the first order of an error says nothing.
_NULL = 0.03


@dataclass(frozen=True, slots=True, eq=False)
class Pulls:
    """At wavenumbers k (F,), as told: rig_db (U + 1, D, F) change of levels along each axis of the doubt, and what the
    penalties of the fit hold back; pattern (R, D, F)
    shares of a noisy level's error that go together over directions, root sum of squares at most 1; unexplained (P, F)
    by waves and all unknowns, over the sound's rms."""

    k: FloatArray
    rig_db: FloatArray
    pattern: FloatArray
    unexplained: ComplexArray


def pulls_of(
    found: Nuisance,
    points_m: FloatArray,
    sound: SoundField,
    speed_m_s: float,
    look: FloatArray,
    scatterer: Scatterer | None,
) -> Pulls:
    """What the doubt in `found` moves along local unit vectors look (D, 3); sound and points as corrected."""
    size, axes = np.linalg.eigh(found.covariance)
    weight = axes * np.sqrt(np.maximum(size, 0.0))
    places = places_of(points_m, orders_of(sound.order_out, sound.order_in))
    rig = np.zeros((len(found.unknowns) + 1, len(look), sound.k.size))
    pattern = np.zeros((PATTERNS, len(look), sound.k.size))
    columns = np.empty((sound.k.size, len(points_m), len(found.unknowns)), dtype=np.complex128)
    rest = np.empty((sound.k.size, len(points_m)), dtype=np.complex128)
    speed = next(n for n, one in enumerate(found.unknowns) if one.kind == "speed")
    for f, k in enumerate(sound.k):
        fit = Expansion(
            places=places,
            k=float(k),
            shell=sound.shell,
            order_out=int(sound.order_out[f]),
            order_in=int(sound.order_in[f]),
            penalty=sound.penalty[f],
        )
        unknown = fit.fitted(sound.pressure[:, f : f + 1])
        field, slope = fit.field(unknown)[:, 0], fit.slope(unknown[:, 0])
        moved = effects(found.rig, found.unknowns, points_m, field=field, slope=slope, omega=float(k * speed_m_s))
        taken, heard = fit.fitted(moved), sound.pressure[:, f]
        size = np.sqrt(np.mean(np.abs(heard) ** 2))
        columns[f], rest[f] = (moved - fit.field(taken)) / size, (heard - field) / size
        every = fit.far(np.concatenate([unknown, taken, fit.held_back(unknown)], axis=1), look, scatterer)
        far, change, held = every[:, 0], every[:, 1:-1], every[:, -1]
        # With the wavenumber the far field's own 1/k is wrong.
        change[:, speed] -= found.unknowns[speed].size * far
        floor = _NULL * np.sqrt(np.mean(np.abs(far) ** 2))
        inverse = far.conj() / np.maximum(np.abs(far) ** 2, floor**2)
        rig[:-1, :, f] = (_DB * (inverse[:, None] * change).real @ weight).T
        rig[-1, :, f] = _DB * (inverse * held).real
        # The noise of real and imaginary part is alike: covariance of levels from that of the far field.
        noise = (inverse[:, None] * fit.noise_far(look) * inverse.conj()).real
        own, ways = np.linalg.eigh(noise)
        lead = slice(None, -PATTERNS - 1, -1)
        spread = np.sqrt(np.maximum(noise.diagonal(), 1e-300))
        pattern[: own[lead].size, :, f] = (ways[:, lead] * np.sqrt(np.maximum(own[lead], 0.0)) / spread[:, None]).T
    return Pulls(sound.k, rig, pattern, _beside(columns, rest))


def _beside(columns: ComplexArray, values: ComplexArray) -> ComplexArray:
    """(P, F) what real multiples of columns (F, P, U), the same at all frequencies, leave of values (F, P)."""
    gram = np.einsum("fpu,fpv->uv", columns.conj(), columns).real
    right = np.einsum("fpu,fp->u", columns.conj(), values).real
    found = np.linalg.lstsq(gram, right, rcond=1e-9)[0]
    return np.asarray((values - columns @ found).T, dtype=np.complex128)


def on_frequencies(parts: Sequence[tuple[Pulls, FloatArray]], k: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(U, D, G) and (R, D, G) on wavenumbers k (G,), parts weighted by their share (G,) in the field.

    Between pilots signs are drawn and the size kept: what comes in from the room changes from one to the next.
    """
    rig = np.zeros((*parts[0][0].rig_db.shape[:2], k.size))
    pattern = np.zeros((*parts[0][0].pattern.shape[:2], k.size))
    for one, share in parts:
        rig += share * _kept_size(one.k, one.rig_db, k)
        near = np.argmin(np.abs(np.log(k[:, None] / one.k)), axis=1)
        pattern += share * one.pattern[:, :, near]
    total = np.sqrt(np.sum(pattern**2, axis=0))
    return rig, pattern / np.maximum(total, 1.0)


def _kept_size(at: FloatArray, values: FloatArray, to: FloatArray) -> FloatArray:
    """(U, D, G) drawn over log frequency, with the root sum of squares over U drawn by itself."""
    row = np.clip(np.searchsorted(at, to, side="right") - 1, 0, max(at.size - 2, 0))
    after = np.minimum(row + 1, at.size - 1)
    step = np.maximum(np.log(at[after] / at[row]), 1e-12)
    share = np.clip(np.log(to / at[row]) / step, 0.0, 1.0)
    drawn = (1 - share) * values[:, :, row] + share * values[:, :, after]
    size = np.sqrt(np.sum(values**2, axis=0))
    wanted = (1 - share) * size[:, row] + share * size[:, after]
    return np.asarray(drawn * wanted / np.maximum(np.sqrt(np.sum(drawn**2, axis=0)), 1e-12), dtype=float)


def leading(pulls_db: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Few axes (A, D, F) that make up 99 % of the variance of pulls (U, D, F), and the rest (D, F) as a size."""
    flat = pulls_db.reshape(len(pulls_db), -1)
    size, axes = np.linalg.eigh(flat @ flat.T)
    order = np.argsort(size)[::-1]
    gone = 1 - np.cumsum(size[order]) / max(float(size.sum()), 1e-300)
    count = min(int(np.searchsorted(-gone, -_REST)) + 1, _MOST_AXES, len(order))
    turned = np.tensordot(axes[:, order].T, pulls_db, axes=(1, 0))
    # One sign, so that the same scan gives the same numbers.
    turned *= np.where(turned.sum(axis=(1, 2)) < 0, -1.0, 1.0)[:, None, None]
    return turned[:count], np.sqrt(np.sum(turned[count:] ** 2, axis=0))
