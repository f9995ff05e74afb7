"""A single number with unit, uncertainty, band, method; or the reason why there is none."""

import math
from dataclasses import dataclass, replace

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
        figure = Figure(self.key, value, u, self.unit, self.band_hz, self.method, bound, lineage=self.lineage)
        return replace(figure, caveats=tuple(filter(None, caveats)))

    def refused(self, reason: str) -> Figure:
        """A figure the data cannot give, with the reason."""
        return Figure(self.key, None, None, self.unit, self.band_hz, self.method, reason=reason, lineage=self.lineage)
