"""How far to trust a separation, in numbers per frequency."""

from dataclasses import dataclass

import numpy as np

from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.quantities.directions import cta_orbits
from earwitness.reduce.separate.field import SeparatedField, far_u_db, order_energy
from earwitness.reduce.separate.fit import Fit
from earwitness.reduce.separate.radial import Shell
from earwitness.reduce.separate.solve import Scan, fit_scan

# Limits of the project, not of a standard.
HIGHEST_RESIDUAL_DB = -15.0
HIGHEST_CONDITION = 1000.0
_LEFT_OUT_EVERY = 10
_PILOTS = 8


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
    pilots = np.unique(np.linspace(0, k.size - 1, _PILOTS).round().astype(np.int64))
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
