"""What was read from a measurement, by key: curves and maps with their trust; figures, or why there is none."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from earwitness.quantities.arrays import BoolArray, FloatArray, FrequencyAxis, Locked, lock_fields, require_shape
from earwitness.quantities.response import Cause, pulled_apart, u_of_causes_db

Bound = str  # "", "at most", "at least"


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure.

    key : name in the registry of figures (unit, precision, method and documentation stand there)
    value : number in `unit`, or None when not judged
    u : standard uncertainty in `unit` (k = 1), or None when not judged
    unit : "dB", "Hz", "dB/octave", "%", "ohm", "deg", "" (a pure number)
    band_hz : frequencies it was taken over, or None
    method : one sentence: rule, curve, source
    bound : "at most" or "at least" when the data only give a limit, else ""
    interval : 95 % coverage interval when it is not value +- 2 u, else None
    reason : why it was not judged, else ""
    caveats : plain sentences that must travel with it (a fallback used, a limit of use)
    lineage : keys of the steps it came from
    shared : change of the value [unit] for one standard uncertainty of each cause that another session may hold too,
        by the cause's key
    """

    key: str
    value: float | None
    u: float | None
    unit: str
    band_hz: tuple[float, float] | None
    method: str
    bound: Bound = ""
    interval: tuple[float, float] | None = None
    reason: str = ""
    caveats: tuple[str, ...] = ()
    lineage: tuple[str, ...] = ()
    shared: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        if self.value is None:
            if not self.reason:
                raise ValueError(f"figure {self.key} has neither a value nor a reason")
            return
        if not math.isfinite(self.value) or self.u is None or not math.isfinite(self.u) or self.u < 0:
            raise ValueError(f"figure {self.key} is {self.value} +- {self.u}: not a number")
        if self.reason:
            raise ValueError(f"figure {self.key} has a value and a reason for having none")

    @property
    def is_judged(self) -> bool:
        return self.value is not None

    @property
    def judged_value(self) -> float:
        """The value where it is known to be judged; ValueError with the reason where it is not."""
        if self.value is None:
            raise ValueError(f"figure {self.key} is not judged: {self.reason}")
        return self.value

    @property
    def judged_u(self) -> float:
        """Its standard uncertainty, likewise."""
        if self.u is None:
            raise ValueError(f"figure {self.key} is not judged: {self.reason}")
        return self.u


@dataclass(frozen=True, slots=True)
class Asked:
    """What a figure is asked for, before the data give it or refuse it; fields as in `Figure`."""

    key: str
    unit: str
    method: str
    band_hz: tuple[float, float] | None = None
    lineage: tuple[str, ...] = ()

    def judged(self, value: float, u: float = 0.0, *caveats: str, bound: Bound = "") -> Figure:
        """The figure the data give, with its standard uncertainty; empty caveats are left out."""
        figure = Figure(
            self.key, value, u, self.unit, band_hz=self.band_hz, method=self.method, bound=bound, lineage=self.lineage
        )
        return replace(figure, caveats=tuple(filter(None, caveats)))

    def refused(self, reason: str) -> Figure:
        """A figure the data cannot give, with the reason."""
        return Figure(
            self.key, None, None, self.unit, self.band_hz, method=self.method, reason=reason, lineage=self.lineage
        )


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


@dataclass(frozen=True, slots=True, eq=False)
class DirectivityMap:
    """Level over angle and frequency on one orbit, relative to the reference axis.

    angle_deg : (A,) rising, -180 excluded, 180 included; level_db : (A, F); valid : (A, F)
    reference : what 0 dB means
    """

    orbit: Literal["horizontal", "vertical"]
    axis: FrequencyAxis
    angle_deg: FloatArray
    level_db: FloatArray
    valid: BoolArray
    reference: str

    def __post_init__(self) -> None:
        lock_fields(self, angle_deg=float, level_db=float, valid=bool)
        shape = (self.angle_deg.size, len(self.axis))
        require_shape("DirectivityMap", "level_db", self.level_db, shape)
        require_shape("DirectivityMap", "valid", self.valid, shape)


@dataclass(frozen=True, slots=True, eq=False)
class Reading(Locked):
    """Curves and figures by key, maps by orbit; `missing` says why a curve is not there."""

    curves: Mapping[str, Curve]
    figures: Mapping[str, Figure]
    maps: Mapping[str, DirectivityMap]
    missing: Mapping[str, str]
    choices: Mapping[str, str]
