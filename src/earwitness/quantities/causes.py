"""What is off by one amount in a whole session, and how far it moves every level."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from earwitness.quantities.arrays import FloatArray, lock_fields


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Cause:
    """One fact of a session that is off by one unknown amount in all its recordings.

    name : "place of woofer"; source : where its size comes from, "1 cm, as a tape measure does"
    pull_db : (D, F) change of every level [dB] when the cause is off by one standard uncertainty, or (1, F) where
        all directions move alike
    part : which of several causes of that name, "near 1 kHz"; "" where there is one
    device : what carries the cause into other sessions, "microphone M1 12"; "" where it belongs to this one alone
    each : True where every direction is off by an amount of its own, the same at all frequencies

    A session's causes are drawn once, each from a standard normal law, and move every curve together; they cancel in
    a difference as far as both sides hold them (JCGM 100:2008, correlated inputs, from memory).
    """

    name: str
    source: str
    pull_db: FloatArray
    part: str = ""
    device: str = ""
    each: bool = False

    def __post_init__(self) -> None:
        lock_fields(self, pull_db=float)
        if self.pull_db.ndim != 2 or not np.isfinite(self.pull_db).all():
            raise ValueError(f"cause {self.name!r} needs finite pulls over directions and frequencies")

    @property
    def alike(self) -> bool:
        """Whether all directions move by the same amount."""
        return bool(self.pull_db.shape[0] == 1) and not self.each

    @property
    def key(self) -> str:
        """What it is in every curve and every session that it moves; "name, part @ device"."""
        return ", ".join(filter(None, (self.name, self.part))) + (f" @ {self.device}" if self.device else "")


CORRELATION_OCTAVES = 1.0
_KNOTS_PER_OCTAVE = 2


def smooth_basis(hz: FloatArray) -> FloatArray:
    """(F, K) rows of unit length; times K independent unit normals they give a smooth unit normal error.

    A Gaussian kernel of half an octave on knots half an octave apart: correlation exp(-(d / 1 octave)^2), own choice.
    """
    x = np.log2(hz)
    knots = np.arange(x[0] - 1.5, x[-1] + 1.5 + 1 / _KNOTS_PER_OCTAVE, 1 / _KNOTS_PER_OCTAVE)
    kernel = np.exp(-(((x[:, None] - knots) / CORRELATION_OCTAVES) ** 2) * 2)
    basis: FloatArray = kernel / np.linalg.norm(kernel, axis=1, keepdims=True)
    return basis


def smooth_causes(
    name: str, source: str, u_db: FloatArray, hz: FloatArray, *, device: str = "", known_hz: float | None = None
) -> tuple[Cause, ...]:
    """What is off by a shape that changes smoothly over frequency, one cause a knot; together they make u_db (F,).

    known_hz : where the shape is known to be 0, as a response is at the frequency of its calibrator; about it u falls
        with sqrt(1 - correlation^2), the conditional normal law (handbook formula)
    """
    basis = smooth_basis(hz)
    if known_hz is not None:
        there = smooth_basis(np.append(hz[:1], [known_hz, hz[-1]]))[1]
        basis = basis - (basis @ there)[:, None] * there
    pulls = (basis * u_db[:, None]).T
    knots = np.log2(hz[0]) - 1.5 + np.arange(len(pulls)) / _KNOTS_PER_OCTAVE
    return tuple(
        Cause(name=name, source=source, pull_db=pull[None, :], part=f"near {2.0**knot:.0f} Hz", device=device)
        for knot, pull in zip(knots, pulls, strict=True)
        if pull.any()
    )


def u_of_causes_db(causes: Sequence[Cause], directions: int, frequencies: int) -> FloatArray:
    """(D, F) standard uncertainty of every level by all causes, root sum of squares [dB]."""
    total = np.zeros((directions, frequencies))
    for cause in causes:
        total += cause.pull_db**2
    return np.asarray(np.sqrt(total), dtype=float)


def pulled_apart(first: Sequence[Cause], second: Sequence[Cause]) -> tuple[Cause, ...]:
    """Causes of a difference of two curves: where both hold one, the difference of its pulls; none that cancels."""
    other = {cause.key: cause for cause in second}
    kept: list[Cause] = []
    for cause in first:
        twin = other.pop(cause.key, None)
        pull = cause.pull_db if twin is None else cause.pull_db - twin.pull_db
        if pull.any():
            kept.append(replace(cause, pull_db=pull))
    kept += [replace(cause, pull_db=-cause.pull_db) for cause in other.values() if cause.pull_db.any()]
    return tuple(kept)


def of_devices(causes: Sequence[Cause]) -> tuple[Cause, ...]:
    """Those that a second session holds too, where it used the same device."""
    return tuple(cause for cause in causes if cause.device)
