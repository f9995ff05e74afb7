"""What is off by one amount in a whole session, and how far it moves every level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.quantities.arrays import FloatArray, lock_fields


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Cause:
    """One fact of a session that is off by one unknown amount in all its recordings.

    name : "place of woofer"; source : where its size comes from, "1 cm, as a tape measure does"
    pull_db : (D, F) change of every level [dB] when the cause is off by one standard uncertainty, or (1, F) where
        all directions move alike

    A session's causes are drawn once, each from a standard normal law, and move every curve together; they cancel in
    a difference as far as both sides hold them (JCGM 100:2008, correlated inputs, from memory).
    """

    name: str
    source: str
    pull_db: FloatArray

    def __post_init__(self) -> None:
        lock_fields(self, pull_db=float)
        if self.pull_db.ndim != 2 or not np.isfinite(self.pull_db).all():
            raise ValueError(f"cause {self.name!r} needs finite pulls over directions and frequencies")

    @property
    def alike(self) -> bool:
        """Whether all directions move by the same amount."""
        return bool(self.pull_db.shape[0] == 1)


def u_of_causes_db(causes: Sequence[Cause], directions: int, frequencies: int) -> FloatArray:
    """(D, F) standard uncertainty of every level by all causes, root sum of squares [dB]."""
    total = np.zeros((directions, frequencies))
    for cause in causes:
        total += cause.pull_db**2
    return np.asarray(np.sqrt(total), dtype=float)
