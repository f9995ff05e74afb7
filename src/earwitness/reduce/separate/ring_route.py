"""Separation on rings: a Fourier transform over azimuth, then one small real least squares per frequency and m.

Where all rings have the same even number of points A, and every second one is turned by half a step, orders beyond A/2
can be told too: m and m - A fall on the same wave of a ring, but with opposite signs on turned rings. They are solved
together.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import scipy.fft

from earwitness.dsp.spherical import acn, normalized_legendre
from earwitness.quantities import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.reduce.separate.field import Shell, far_factor, incoming_columns, outgoing_columns, standing_share
from earwitness.reduce.separate.normal_equations import START_RELATIVE_NOISE, Fit, Matrix, Regularization, updated
from earwitness.reduce.separate.sampling import Rings

_EVIDENCE_ROUNDS = 2
# Blocks of low m have the most unknowns for the same rings, and the worst condition.
_CONDITION_UP_TO_M = 1
_TURN_TOLERANCE = 0.05
_BEYOND_HEIGHTS = 1.12
_TURNED_SHARE = 0.3
_POLAR_COS = np.cos(np.linspace(0.0, np.pi, 37))


@dataclass(frozen=True, slots=True, eq=False)
class _Block:
    """One wave m of the rings over frequencies of one order pair.

    matrix (F', R', C), real with incoming waves; out : number of outgoing columns; degree, own (C,) n and m of every
    column, m that of the first side; sides : 2, or 1 where m and -m are the same wave.
    """

    rows: IntArray
    m: int
    rings: IntArray
    matrix: Matrix
    gram: Matrix
    out: int
    degree: IntArray
    own: IntArray
    sides: int


def order_caps(rings: Rings, *, incoming: bool) -> int:
    """Highest order that rings and azimuths can tell apart, for each kind of wave.

    Outgoing waves alone look nearly alike on all surfaces: turned rings at different heights tell as many orders as
    there are heights, and the prior bears a few more than that.
    """
    by_azimuth = (int(rings.count.max()) - 1) // 2
    if incoming:
        return max(0, min(by_azimuth, int(0.95 * rings.radius_m.size / 2) - 1))
    if turned_rings(rings) is None:
        return max(0, min(by_azimuth, int(0.95 * rings.radius_m.size) - 1))
    heights = int(np.unique(np.round(rings.cos_polar, 3)).size)
    return max(by_azimuth, int(_BEYOND_HEIGHTS * min(heights, int(rings.count.max()))))


def turned_rings(rings: Rings) -> FloatArray | None:
    """(R,) sign of e^(-j A start): -1 on rings turned by half a step; None unless some are, and counts are even."""
    count = int(rings.count.max())
    if count % 2 or (rings.count != count).any():
        return None
    turn = np.exp(-1j * count * (rings.start_rad - rings.start_rad[0]))
    sign = np.sign(turn.real)
    minus = float(np.mean(sign < 0))
    if np.abs(turn - sign).max() > _TURN_TOLERANCE or not _TURNED_SHARE <= minus <= 1 - _TURNED_SHARE:
        return None
    return np.asarray(sign, dtype=float)


def fit_rings(
    rings: Rings,
    pressure: ComplexArray,
    k: FloatArray,
    shell: Shell,
    order_out: IntArray,
    order_in: IntArray,
    left_out: BoolArray,
    *,
    evidence_rounds: int = _EVIDENCE_ROUNDS,
) -> Fit:
    """Outgoing and incoming waves of pressures on rings.

    pressure : (P, F); k (F,) [rad/m]; order_out, order_in (F,), order_in -1 for none;
    left_out : (P,) points whose pressure isn't used, they are predicted.
    """
    blocks = list(_blocks(rings, k, shell, order_out, order_in))
    # (R, J, F) pressures in slots, 0 where there is none.
    held, empty = pressure[np.maximum(rings.slot, 0)], _empty(rings, left_out)
    held[empty | (rings.slot < 0)] = 0
    points = float(np.sum(rings.count) - empty.sum())
    penalty = _start(blocks, k.size)
    right = _right(rings, blocks, held)
    for _round in range(evidence_rounds):
        inverses = _inverses(blocks, penalty)
        if empty.any():
            held = _filled(rings, blocks, inverses, held, empty)
            right = _right(rings, blocks, held)
        solved, state = _pass(blocks, inverses=inverses, rights=right, now=penalty, total=_energy(held), points=points)
        used, penalty = penalty, state.penalty
    outgoing, incoming = _coefficients(rings, blocks, solved, k=k, shell=shell, order_out=order_out, order_in=order_in)
    fitted = _predicted(rings, blocks, solved, held.shape)
    residual = np.zeros_like(pressure)
    there = rings.slot >= 0
    residual[rings.slot[there]] = pressure[rings.slot[there]] - fitted[there]
    return Fit(
        shell=shell,
        order_out=order_out,
        order_in=order_in,
        outgoing=outgoing,
        incoming=incoming,
        residual=residual,
        evidence=state,
        condition=_condition(blocks, inverses, used, k.size),
        directions=_POLAR_COS,
        variance=_variance(blocks, inverses, noise=state.noise_variance, k=k, shell=shell, order_out=order_out),
    )


def _blocks(rings: Rings, k: FloatArray, shell: Shell, order_out: IntArray, order_in: IntArray) -> Iterator[_Block]:
    radii, place = np.unique(np.round(rings.radius_m, 6), return_inverse=True)
    top, count = int(max(order_out.max(), order_in.max())), int(rings.count.max())
    legendre = normalized_legendre(top, rings.cos_polar)
    for out, into in sorted(set(zip(order_out.tolist(), order_in.tolist(), strict=True))):
        rows = np.flatnonzero((order_out == out) & (order_in == into))
        waves = outgoing_columns(k[rows], radii, out, shell)[:, place, :]
        y = -waves.imag if into >= 0 else waves
        j = incoming_columns(k[rows], radii, max(into, 0), shell)[:, place, :]
        sign = turned_rings(rings) if into < 0 and 2 * out >= count else None
        for m, orders, sides in _waves_of(max(out, into), None if sign is None else count):
            used = np.flatnonzero(rings.count > 2 * m) if m and sign is None else np.arange(rings.count.size)
            columns: list[tuple[Matrix, IntArray, int]] = []
            outgoing = 0
            for kind, last in ((y, out), (j, into)):
                for one in (order for order in orders if abs(order) <= last):
                    n = np.arange(abs(one), last + 1)
                    shape = legendre[abs(one), abs(one) : last + 1][:, used].T * np.sqrt(rings.count[used])[:, None]
                    if one != m and sign is not None:
                        turn = sign[used] ** ((one - m) // count)
                        shape = shape * (turn * (-1.0 if one < 0 and one % 2 else 1.0))[:, None]
                    columns.append((kind[:, used, abs(one) :] * shape, n, one))
                    outgoing += n.size if kind is y else 0
            matrix = np.concatenate([values for values, _n, _one in columns], axis=2)
            yield _Block(
                rows=rows, m=m, rings=used, matrix=matrix, gram=matrix.conj().transpose(0, 2, 1) @ matrix, out=outgoing,
                degree=np.concatenate([n for _values, n, _one in columns]),
                own=np.concatenate([np.full(n.size, one) for _values, n, one in columns]), sides=sides,
            )  # fmt: skip


def _waves_of(order: int, count: int | None) -> list[tuple[int, list[int], int]]:
    """Waves of a ring with the orders m that fall on each, and sides; count : points of all rings, None: no aliases."""
    if count is None:
        return [(m, [m], 2 if m else 1) for m in range(order + 1)]
    found = []
    for m in range(count // 2 + 1):
        aliases = [m, m - count, m + count]
        found.append((m, [one for one in aliases if abs(one) <= order], 1 if m in (0, count // 2) else 2))
    return [one for one in found if one[1]]


def _empty(rings: Rings, left_out: BoolArray) -> BoolArray:
    """(R, J) slots that exist on their ring but hold no usable pressure."""
    exists = np.arange(rings.slot.shape[1])[None, :] < rings.count[:, None]
    result: BoolArray = exists & ((rings.slot < 0) | left_out[np.maximum(rings.slot, 0)])
    return result


def _transformed(rings: Rings, held: ComplexArray) -> ComplexArray:
    """(R, J, F) mean of p e^(-j m azimuth), m as in an FFT of the ring's own length."""
    result = np.zeros_like(held)
    for count in np.unique(rings.count):
        one = rings.count == count
        result[one, :count] = scipy.fft.fft(held[one, :count], axis=1, workers=-1) / count
    return result


def _right(rings: Rings, blocks: list[_Block], held: ComplexArray) -> list[ComplexArray]:
    """(F', C, 2 or 1) of every block: M^H times its data.

    Data are the weighted waves of m and -m (the latter times (-1)^m), (F', R', 2), phase counted from azimuth 0;
    (F', R', 1) where both are the same wave.
    """
    waves = _transformed(rings, held)
    weight = np.sqrt(rings.count)
    packed: dict[int, ComplexArray] = {}
    result: list[ComplexArray] = []
    for block in blocks:
        used, m = block.rings, block.m
        if m not in packed:
            turn = np.exp(-1j * m * rings.start_rad[used]) * weight[used]
            one = np.empty((held.shape[2], used.size, block.sides), dtype=np.complex128)
            one[:, :, 0] = (waves[used, m] * turn[:, None]).T
            if block.sides == 2:
                minus = waves[used, rings.count[used] - m]
                one[:, :, 1] = (minus * (turn.conj() * (-1.0) ** m)[:, None]).T
            packed[m] = one
        result.append(_times(block.matrix.conj().transpose(0, 2, 1), packed[m][block.rows]))
    return result


def _start(blocks: list[_Block], frequencies: int) -> FloatArray:
    """(F, 2) first penalties: a relative noise of 1e-3 on the best-seen coefficient."""
    size = np.zeros(frequencies)
    for block in blocks:
        if block.m == 0:
            size[block.rows] = np.einsum("fcc->fc", block.gram).real.max(axis=1)
    return np.repeat((START_RELATIVE_NOISE**2 * size)[:, None], 2, axis=1)


def _inverses(blocks: list[_Block], penalty: FloatArray) -> list[Matrix]:
    """(F', C, C) inverse of every block's loaded Gram matrix."""
    result: list[Matrix] = []
    for block in blocks:
        kind = np.arange(block.matrix.shape[2]) >= block.out
        loaded = block.gram.copy()
        np.einsum("fcc->fc", loaded)[...] += np.where(kind, penalty[block.rows, 1:], penalty[block.rows, :1])
        result.append(np.linalg.inv(loaded))
    return result


def _filled(
    rings: Rings, blocks: list[_Block], inverses: list[Matrix], held: ComplexArray, empty: BoolArray
) -> ComplexArray:
    """(R, J, F) pressures whose empty slots hold what the fit of the others predicts there, exactly.

    With zeros in the empty slots the fit predicts z0 there; values z that predict themselves, z = z0 + H z with H the
    fit's influence of empty slots on each other, are those of a fit that knows nothing of them.
    """
    ring, place = np.nonzero(empty)
    angle = rings.start_rad[ring] + 2 * np.pi * place / rings.count[ring]
    turned = angle[:, None] - angle[None, :]
    start = np.where(empty[:, :, None], 0, held)
    influence = np.zeros((held.shape[2], ring.size, ring.size), dtype=blocks[0].matrix.dtype)
    solved = []
    for block, inverse, right in zip(blocks, inverses, _right(rings, blocks, start), strict=True):
        solved.append(_times(inverse, right))
        weight = np.zeros((block.rows.size, rings.count.size, block.matrix.shape[2]), dtype=block.matrix.dtype)
        weight[:, block.rings] = block.matrix / np.sqrt(rings.count[block.rings])[:, None]
        between = weight @ inverse @ weight.conj().transpose(0, 2, 1)
        share = 2 * np.cos(block.m * turned) if block.sides == 2 else np.exp(1j * block.m * turned)
        if influence.dtype.kind == "f":
            share = share.real
        influence[block.rows] += between[:, ring[:, None], ring[None, :]] * share
    first = _predicted(rings, blocks, solved, held.shape)[ring, place]
    answer = np.linalg.solve(np.eye(ring.size) - influence, first.T[:, :, None])[:, :, 0]
    start[ring, place] = answer.T
    return start


def _pass(
    blocks: list[_Block],
    inverses: list[Matrix],
    rights: list[ComplexArray],
    now: FloatArray,
    total: FloatArray,
    points: float,
) -> tuple[list[ComplexArray], Regularization]:
    """Solve all blocks with one set of penalties and take the next from the result."""
    frequencies = total.size
    solved = []
    spread, energy, count = (np.zeros((frequencies, 2)) for _ in range(3))
    explained = np.zeros(frequencies)
    for block, inverse, right in zip(blocks, inverses, rights, strict=True):
        kind = np.arange(block.matrix.shape[2]) >= block.out
        load = np.where(kind, now[block.rows, 1:], now[block.rows, :1])
        x = _times(inverse, right)
        both = right.shape[2]
        diagonal = np.einsum("fcc->fc", inverse).real * load * both
        squared = np.sum(x.real**2 + x.imag**2, axis=2)
        # |q - M x|^2 = |q|^2 - Re(x^H (r + Lambda x)), with r = M^H q = (G + Lambda) x.
        explained[block.rows] += np.sum((x.conj() * right).real, axis=(1, 2)) + np.sum(load * squared, axis=1)
        for one in (0, 1):
            part = slice(block.out, None) if one else slice(0, block.out)
            spread[block.rows, one] += diagonal[:, part].sum(axis=1)
            energy[block.rows, one] += squared[:, part].sum(axis=1)
            count[block.rows, one] += both * squared[:, part].shape[1]
        solved.append(x)
    residual = np.maximum(total - explained, 0.0)
    state = updated(penalty=now, count=count, spread=spread, energy=energy, residual=residual, points=points)
    return solved, state


def _energy(held: ComplexArray) -> FloatArray:
    """(F,) sum of |pressure|^2."""
    return np.asarray(np.sum(held.real**2 + held.imag**2, axis=(0, 1)), dtype=float)


def _times(matrix: Matrix, data: ComplexArray) -> ComplexArray:
    """matrix @ data without turning a real matrix complex."""
    if matrix.dtype.kind == "c":
        return np.asarray(matrix @ data, dtype=np.complex128)
    flat = np.ascontiguousarray(data).view(np.float64)
    return np.ascontiguousarray(matrix @ flat).view(np.complex128)


def _predicted(rings: Rings, blocks: list[_Block], solved: list[ComplexArray], shape: tuple[int, ...]) -> ComplexArray:
    """(R, J, F) the fit on every slot."""
    waves = np.zeros(shape, dtype=np.complex128)
    for block, x in zip(blocks, solved, strict=True):
        used, m = block.rings, block.m
        fitted = _times(block.matrix, x)
        turn = np.exp(1j * m * rings.start_rad[used]) / np.sqrt(rings.count[used])
        waves[used[:, None], m, block.rows[None, :]] = (fitted[:, :, 0] * turn).T
        if block.sides == 2:
            opposite = (fitted[:, :, 1] * turn.conj() * (-1.0) ** m).T
            waves[used[:, None], (rings.count[used] - m)[:, None], block.rows[None, :]] = opposite
    result = np.zeros_like(waves)
    for count in np.unique(rings.count):
        one = rings.count == count
        result[one, :count] = scipy.fft.ifft(waves[one, :count], axis=1, workers=-1) * count
    return result


def _coefficients(
    rings: Rings,
    blocks: list[_Block],
    solved: list[ComplexArray],
    k: FloatArray,
    shell: Shell,
    order_out: IntArray,
    order_in: IntArray,
) -> tuple[ComplexArray, ComplexArray]:
    """Outgoing and incoming (F, K) in ACN order from the blocks' real-pair unknowns."""
    top_out, top_in = int(order_out.max()), int(order_in.max())
    y = np.zeros((k.size, (top_out + 1) ** 2), dtype=np.complex128)
    j = np.zeros((k.size, (max(top_in, 0) + 1) ** 2), dtype=np.complex128)
    for block, x in zip(blocks, solved, strict=True):
        place = block.degree * (block.degree + 1)
        # Turns were counted from the first ring's start.
        turn = np.exp(-1j * (block.own - block.m) * rings.start_rad[0])
        for side, sign in enumerate((1, -1)[: block.sides]):
            for target, part in ((y, slice(0, block.out)), (j, slice(block.out, None))):
                target[block.rows[:, None], (place + sign * block.own)[None, part]] = (
                    x[:, part, side] * (turn if side == 0 else turn.conj())[part]
                )
    return from_real_pair(y, j, k, shell, order_in)


def from_real_pair(
    y: ComplexArray, j: ComplexArray, k: FloatArray, shell: Shell, order_in: IntArray
) -> tuple[ComplexArray, ComplexArray]:
    """Outgoing and incoming coefficients from those of y_n and j_n; unchanged where order_in is -1."""
    double = order_in >= 0
    outgoing = np.where(double[:, None], 1j * y, y)
    top_out, top_in = int(np.sqrt(y.shape[1])) - 1, int(np.sqrt(j.shape[1])) - 1
    both = min(top_out, top_in)
    degree = acn(both)[0]
    share = standing_share(k, both, shell)[:, degree]
    carried = share * outgoing[:, : degree.size] * (degree[None, :] <= order_in[:, None])
    incoming = j.copy()
    incoming[:, : degree.size] -= carried
    return outgoing, incoming


def _condition(blocks: list[_Block], inverses: list[Matrix], penalty: FloatArray, frequencies: int) -> FloatArray:
    """(F,) bound on the condition of the loaded matrix with unit columns: root of its 1-norm times its inverse's."""
    worst = np.ones(frequencies)
    for block, inverse in zip(blocks, inverses, strict=True):
        if block.m > _CONDITION_UP_TO_M:
            continue
        kind = np.arange(block.matrix.shape[2]) >= block.out
        load = np.where(kind, penalty[block.rows, 1:], penalty[block.rows, :1])
        scale = np.sqrt(np.einsum("fcc->fc", block.gram).real + load)
        loaded = block.gram + load[:, :, None] * np.eye(load.shape[1])
        norm = np.abs(loaded / (scale[:, :, None] * scale[:, None, :])).sum(axis=1).max(axis=1)
        back = np.abs(inverse * (scale[:, :, None] * scale[:, None, :])).sum(axis=1).max(axis=1)
        worst[block.rows] = np.maximum(worst[block.rows], np.sqrt(norm * back))
    return worst


def _variance(
    blocks: list[_Block], inverses: list[Matrix], noise: FloatArray, k: FloatArray, shell: Shell, order_out: IntArray
) -> FloatArray:
    """(G, F) variance of the far field at 1 m by polar angle, mean over azimuth: each m adds its own."""
    top = int(order_out.max())
    factor, legendre = far_factor(k, top, shell), normalized_legendre(top, _POLAR_COS)
    variance = np.zeros((_POLAR_COS.size, k.size))
    for block, inverse in zip(blocks, inverses, strict=True):
        # Orders of one wave lean on each other, which averages out over azimuth.
        for m in np.unique(block.own[: block.out]):
            at = np.flatnonzero(block.own[: block.out] == m)
            own, n = slice(at[0], at[-1] + 1), block.degree[at]
            values = factor[np.ix_(block.rows, n)][:, None, :] * legendre[abs(m), n].T[None]
            part = np.sum(((values @ inverse[:, own, own]) * values.conj()).real, axis=2)
            variance[:, block.rows] += block.sides * part.T
    return variance * noise
