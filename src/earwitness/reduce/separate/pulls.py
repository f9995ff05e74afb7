"""From what is left in doubt about a scan to what it moves in every direction, with its sign.

Errors of directions that have one cause go together: in an average they add, in a directivity index they cancel as far
as they are alike. So each cause is carried as the change of all levels at once (JCGM 102, from memory), few causes for
many unknowns: the axes that move the levels most, and what the others move as a part of each direction's own.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.reduce.separate.expansion import Expansion, Scatterer, orders_of, places_of
from earwitness.reduce.separate.nuisance import Nuisance, Sound
from earwitness.reduce.separate.rig import effects

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
    found: Nuisance, points_m: FloatArray, sound: Sound, speed_m_s: float, look: FloatArray, scatterer: Scatterer | None
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
            places, float(k), sound.shell, int(sound.order_out[f]), int(sound.order_in[f]), sound.penalty[f]
        )  # fmt: skip
        unknown = fit.fitted(sound.pressure[:, f : f + 1])
        field, slope = fit.field(unknown)[:, 0], fit.slope(unknown[:, 0])
        moved = effects(found.rig, found.unknowns, points_m, field, slope, float(k * speed_m_s))
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
