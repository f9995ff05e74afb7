"""A quantity against frequency, with its trust."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from earwitness.quantities.arrays import BoolArray, FloatArray, lock_fields, require_shape
from earwitness.quantities.axis import FrequencyAxis
from earwitness.quantities.causes import Cause, pulled_apart, u_of_causes_db


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A quantity against frequency.

    key : such as "listening_window"; name : words for people, "listening window"
    values : (F,) in `unit`
    u : (F,) standard uncertainty by what moves this curve otherwise than the session's other curves, in `unit`
    u_common : (F,) standard uncertainty shared by every curve of the session (calibrator, microphone file,
        voltage): it moves all curves together and cancels in their differences
    valid : (F,) bool; outside it `values` are to be shown pale, never used for a figure
    unit : "dB", "deg", "ohm", "%", "s"
    reference : what 0 means, "dB SPL at 1 m, 2.83 V"
    lineage : keys of the steps it came from
    causes : the session's causes that move it, each with a pull of (1, F); they are part of u and u_common
    """

    key: str
    name: str
    axis: FrequencyAxis
    values: FloatArray
    u: FloatArray
    u_common: FloatArray
    valid: BoolArray
    unit: str
    reference: str
    lineage: tuple[str, ...] = ()
    causes: tuple[Cause, ...] = ()

    def __post_init__(self) -> None:
        lock_fields(self, values=float, u=float, u_common=float, valid=bool)
        shape = self.axis.hz.shape
        for name in ("values", "u", "u_common", "valid"):
            require_shape(f"Curve {self.key}", name, getattr(self, name), shape)
        if any(cause.pull_db.shape != (1, *shape) for cause in self.causes):
            raise ValueError(f"curve {self.key} has causes on other frequencies")
        if not np.isfinite(self.values[self.valid]).all():
            raise ValueError(f"curve {self.key} holds values that are not numbers where it says it is valid")

    @classmethod
    def of(
        cls,
        key: str,
        name: str,
        axis: FrequencyAxis,
        values: FloatArray,
        valid: BoolArray | None = None,
        *,
        u: FloatArray | float = 0.0,
        u_common: FloatArray | float = 0.0,
        unit: str = "dB",
        reference: str = "dB",
        lineage: tuple[str, ...] = (),
    ) -> Curve:
        """A curve of levels, or of what `unit` says. valid : (F,), None for everywhere; u, u_common : one for all
        frequencies, or (F,); left out, the curve tells no uncertainty."""
        own, common = (np.zeros(len(axis)) + part for part in (u, u_common))
        inside = np.ones(len(axis), dtype=bool) if valid is None else valid
        return cls(key, name, axis, values, own, common, inside, unit, reference, lineage)

    @property
    def u_total(self) -> FloatArray:
        """(F,) standard uncertainty of the absolute value."""
        return np.hypot(self.u, self.u_common)

    def minus(self, other: Curve, *, key: str, name: str, reference: str) -> Curve:
        """Difference of two curves of one session: what moves both alike cancels, the rest adds in quadrature."""
        if not self.axis.same_as(other.axis):
            raise ValueError(f"{self.key} and {other.key} stand on different frequencies; resample one first")
        causes = pulled_apart(self.causes, other.causes)
        rest = np.hypot(*(one.u_rest() for one in (self, other)))
        return Curve(
            key=key,
            name=name,
            axis=self.axis,
            values=self.values - other.values,
            u=np.hypot(rest, u_of_causes_db(causes, 1, len(self.axis))[0]),
            u_common=np.zeros_like(self.u),
            valid=self.valid & other.valid,
            unit=self.unit,
            reference=reference,
            lineage=tuple(dict.fromkeys(self.lineage + other.lineage)),
            causes=causes,
        )

    def u_rest(self) -> FloatArray:
        """(F,) the part of u that is in none of the causes."""
        known = u_of_causes_db(self.causes, 1, len(self.axis))[0] ** 2
        apart = np.maximum(known - self.u_common**2, 0.0)
        u: FloatArray = np.sqrt(np.maximum(self.u**2 - apart, 0.0))
        return u

    def valid_band_hz(self) -> tuple[float, float] | None:
        """Lowest and highest valid frequency, or None."""
        rows = np.flatnonzero(self.valid)
        return (float(self.axis.hz[rows[0]]), float(self.axis.hz[rows[-1]])) if rows.size else None

    def renamed(self, key: str, name: str) -> Curve:
        """The same curve under another key and name."""
        return replace(self, key=key, name=name)
