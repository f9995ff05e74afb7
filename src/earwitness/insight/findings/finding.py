"""A finding: one deviation of a loudspeaker's response, its size, its place in space, and whether it can be heard.

How far it exceeds what can be heard is a heuristic of this project, not a published curve. What is published (Toole
and Olive, J. Audio Eng. Soc. 36(3), 1988, by a literature summary; not read): broad resonances are heard from far
smaller heights than narrow ones, about 1 to 2 dB at Q = 1 and roughly 10 dB at high Q. Buecklein, J. Audio Eng. Soc.
29(3), 1981 (by the same summary): peaks are far more audible than equal dips. The line through three points below was
laid by hand through these statements.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

import numpy as np

from earwitness.dsp.window import gate_weights
from earwitness.files.data import table_of
from earwitness.quantities import FloatArray, Orbit

POINTS_Q = (1.0, 10.0, 50.0)
POINTS_DB = (1.0, 5.0, 10.0)
DIP_WEIGHT = 0.5
SOURCE_BONUS_DB = 1.0
PINK_NOISE_FACTOR = 0.25


def threshold_db(q: FloatArray | float, *, sensitive: bool = False) -> FloatArray:
    """Height in dB from which a peak of that Q counts as audible; shape of q.

    Linear in log Q through (1, 1 dB), (10, 5 dB), (50, 10 dB), constant outside. sensitive : a quarter of it, for
    pink noise. Heuristic, see the head of this module.
    """
    size = np.interp(np.log10(np.asarray(q, dtype=float)), np.log10(POINTS_Q), POINTS_DB)
    return np.asarray(size * (PINK_NOISE_FACTOR if sensitive else 1.0), dtype=float)


def audible_from_db(q: float, *, is_peak: bool, sensitive: bool = False) -> float:
    """The size [dB] from which a peak or a dip of that Q counts as audible."""
    return float(threshold_db(q, sensitive=sensitive)) / (1.0 if is_peak else DIP_WEIGHT)


def height_db(size_db: float) -> float:
    """What a size counts [dB]; a dip half its depth."""
    return size_db if size_db > 0 else -DIP_WEIGHT * size_db


def margin_db(size_db: float, q: float, *, sensitive: bool = False) -> float:
    """Height over the threshold [dB]."""
    return height_db(size_db) - float(threshold_db(q, sensitive=sensitive))


Kind = Literal["source", "load", "port", "near_axis", "partial", "off_axis", "vertical", "tilt", "band_limit"]

_TABLE = table_of("insight", "findings")
KINDS: Mapping[Kind, str] = _TABLE["kinds"]
EQUALIZABLE: frozenset[Kind] = frozenset({"source", "load", "port", "tilt"})
SOURCES: tuple[Kind, ...] = ("source", "load", "port")

DIRECT = "on_axis"
"""The one curve that is the direct sound, in figures and findings alike: the response on the reference axis."""
PLACES: Mapping[str, str] = _TABLE["places"]
"""Where a size stands, by the key of its curve."""
OFF_AXIS = ("early_reflections", "sound_power")
_HEARD = ("on_axis", "listening_window", "horizontal_window", "in_room")
_ALIKE_SHARE, _LEAST_APART_DB, _COVERAGE = 0.25, 0.3, 2.0

_RATE_OVER_HZ = 24.0

AIMED: Mapping[Kind, Orbit] = MappingProxyType({"near_axis": "horizontal", "vertical": "vertical"})
"""Kinds that only another aim mends, and the orbit it is looked for on."""


@dataclass(frozen=True, slots=True)
class AimAnswer:
    """What the study of aims says to a finding that only another aim can mend.

    orbit : the aims that were studied, those of `insight.mend.aim`
    gain_deg, gain_db, u_gain_db : the best aim but on axis, its lead over the axis (rms, negative where it
        is rougher) and that lead's standard uncertainty
    is_better : that lead counts and is beyond doubt
    try_deg : where to listen: the best aim if it is better, else the smallest turn that halves this finding, else 0
    size_ahead_db, size_there_db : the finding on axis and at try_deg, fitted alike; None where try_deg is 0 or
        it could not be told
    rougher_db : by how much everything together is rougher at try_deg than on axis, negative for smoother
    sentence : all that for people
    """

    orbit: Orbit
    gain_deg: float
    gain_db: float
    u_gain_db: float
    is_better: bool
    try_deg: float
    size_ahead_db: float | None
    size_there_db: float | None
    rougher_db: float
    sentence: str


@dataclass(frozen=True, slots=True)
class Resonance:
    """A resonance that rings longer than the gate, as it stands behind the gate.

    hz, q, size_db : of the peaking filter of its shape (cookbook Q), with u_ln_hz, u_ln_q, u_db (k = 1)
    least_q : where Q is not known better than "at least", with 95 % confidence; None where it is
    witness : what else shows it, "near field of woofer" or "impedance", "" without
    seen_hz, seen_q, seen_db : the shape that the gated curves show
    gate_s, fall_share : of the gate, and of its taper
    """

    hz: float
    u_ln_hz: float
    q: float
    u_ln_q: float
    size_db: float
    u_db: float
    least_q: float | None
    witness: str
    seen_hz: float
    seen_q: float
    seen_db: float
    gate_s: float
    fall_share: float

    @property
    def sure_db(self) -> float:
        """The size as far as it is known, size (1 + u^2 / size^2)^-1: what a correction may rest on."""
        return self.size_db**3 / (self.size_db**2 + self.u_db**2)

    def hidden_db(self, hz: FloatArray) -> FloatArray:
        """(F,) what the gate hides of it [dB]: added to a gated curve it gives the curve to correct.

        Of 1 + (A - 1) b, b a band-pass, the gate cuts the later part of b's ringing e^(-w0 t / 2Q) (cos wd t -
        sin wd t / sqrt(4 Q^2 - 1)) w0 / Q (inverse Laplace transform), weighted by what its window leaves off.
        """
        lift = 10.0 ** (self.sure_db / 20.0)
        pole_q = max(self.q * math.sqrt(lift), 0.6)
        w0 = 2.0 * math.pi * self.hz
        step = 1.0 / (_RATE_OVER_HZ * max(self.hz, float(hz.max(initial=1.0)) / 8.0))
        flat_s = self.gate_s * (1.0 - self.fall_share)
        count = math.ceil(20.0 * pole_q / w0 / step)
        time = np.asarray(flat_s + step * (0.5 + np.arange(count)), dtype=np.float64)
        wd = w0 * math.sqrt(1.0 - 1.0 / (4.0 * pole_q**2))
        ring = np.exp(-w0 * time / (2.0 * pole_q)) * w0 / pole_q
        ring *= np.cos(wd * time) - np.sin(wd * time) / math.sqrt(4.0 * pole_q**2 - 1.0)
        cut = ring * (1.0 - gate_weights(time, self.gate_s, fall_share=self.fall_share))
        angle = 2.0 * math.pi * np.outer(hz, time)
        lost = (np.cos(angle) @ cut - 1j * (np.sin(angle) @ cut)) * step
        x = hz / self.hz
        band = (1j * x / pole_q) / (1.0 - x**2 + 1j * x / pole_q)
        whole, gated = np.abs(1.0 + (lift - 1.0) * band), np.abs(1.0 + (lift - 1.0) * (band - lost))
        return np.asarray(20.0 * np.log10(whole / gated), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Sized:
    """Size of one shape in one curve, signed [dB].

    u_db : its standard uncertainty; u_own_db : the part of it that other curves of the session do not share
    """

    size_db: float
    u_db: float
    u_own_db: float

    @property
    def is_sure(self) -> bool:
        """Beyond its expanded uncertainty (k = 2)."""
        return abs(self.size_db) > _COVERAGE * self.u_db

    def is_apart(self, other: Sized) -> bool:
        """The two sizes differ beyond what their curves do not share (k = 2), and by 0.3 dB at least (own choice)."""
        apart = _COVERAGE * math.hypot(self.u_own_db, other.u_own_db)
        return abs(self.size_db - other.size_db) > max(apart, _LEAST_APART_DB)

    def is_larger(self, other: Sized) -> bool:
        """Larger in magnitude, beyond the same."""
        apart = _COVERAGE * math.hypot(self.u_own_db, other.u_own_db)
        return abs(self.size_db) - abs(other.size_db) > max(apart, _LEAST_APART_DB)


@dataclass(frozen=True, slots=True)
class Placed:
    """A size that is told: place is the key of its curve, "" for what all curves show alike."""

    place: str
    size_db: float
    u_db: float


@dataclass(frozen=True, slots=True)
class Origin:
    """What may have made a finding, with the numbers that speak for it. facts : by name, units in the names."""

    name: Literal[
        "port", "standing wave", "breakup", "baffle step", "edge diffraction", "crossover lobe", "beaming", "driver"
    ]
    facts: Mapping[str, float]
    part: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Finding:
    """One deviation from a smooth trend.

    key : number, 1 for the most audible
    center_hz, low_hz, high_hz : center, and where half the size (in dB) is left; of a tilt or a limit its band
    size_db : height over the trend in the curve where it was found, negative for a dip; of a tilt the whole change over
        its band; of a limit -6. What is told for people is `told`
    u_db : standard uncertainty of size_db (k = 1)
    q : cookbook Q of the peaking filter of that shape, None for a tilt or a limit
    kind : see `KINDS`
    curves : keys of the curves that show it
    evidence : numbers behind kind and rank, by name (size in each curve in dB, equalizability, excess phase ...)
    margin_db : height over the audibility threshold of `audibility`, a heuristic; negative below it
    is_equalizable : an equalizer mends it at all angles at once, and the response has minimum phase there
    title, sentence : words for people
    aim : what the study of aims says to it; None where no other aim can mend it, or none was studied
    resonance : where the gate hides part of it, the resonance behind the gate; center, band, size and q are then its
    radiator : name of the driver or port whose near field makes it, "" where none is known to
    sizes : the same shape in each curve, by its key, as far as the data tell; empty for a tilt or a limit
    origins : causes that the evidence speaks for, the surest first
    """

    key: int
    center_hz: float
    low_hz: float
    high_hz: float
    size_db: float
    u_db: float
    q: float | None
    kind: Kind
    curves: tuple[str, ...]
    evidence: Mapping[str, float]
    margin_db: float
    is_equalizable: bool
    title: str
    sentence: str
    aim: AimAnswer | None = None
    resonance: Resonance | None = None
    radiator: str = ""
    sizes: Mapping[str, Sized] = field(default_factory=dict)
    origins: tuple[Origin, ...] = ()

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"finding of unknown kind {self.kind}")
        numbers = (self.center_hz, self.low_hz, self.high_hz, self.size_db, self.u_db, self.margin_db)
        if not all(map(math.isfinite, (*numbers, *self.evidence.values()))) or self.u_db < 0:
            raise ValueError(f"finding {self.key} holds numbers that are none: {numbers}")
        if not 0 < self.low_hz <= self.center_hz <= self.high_hz:
            raise ValueError(f"finding {self.key}: {self.low_hz}, {self.center_hz}, {self.high_hz} Hz do not rise")
        object.__setattr__(self, "evidence", MappingProxyType(dict(self.evidence)))
        # In one order, however they were kept: sentences and pages follow it.
        order = {key: place for place, key in enumerate(PLACES)}
        placed = dict(sorted(self.sizes.items(), key=lambda one: (order.get(one[0], len(order)), one[0])))
        object.__setattr__(self, "sizes", MappingProxyType(placed))

    @property
    def told(self) -> Placed:
        """The size that is printed: where it is largest, or that of the source where all curves show it alike."""
        sizes = self.sizes if self.resonance is None else {}
        return told_of(self.kind, self.size_db, self.u_db, sizes)

    @property
    def heard(self) -> Placed:
        """The size that a listener meets: of on axis, window and predicted in-room response the most audible."""
        sizes = self.sizes if self.resonance is None else {}
        return heard_of(self.kind, self.size_db, self.u_db, sizes)

    def size_in(self, curve: str) -> float | None:
        """The size in that curve, by its key, where it is told beyond its uncertainty; None where it is not."""
        if not self.sizes or self.resonance is not None:
            return self.size_db
        sized = self.sizes.get(curve)
        return sized.size_db if sized is not None and sized.is_sure else None

    @property
    def is_peak(self) -> bool:
        return self.size_db > 0

    @property
    def is_audible(self) -> bool:
        """Above the threshold of `audibility`; a heuristic."""
        return self.margin_db > 0


def is_alike(sizes: Mapping[str, Sized], size_db: float) -> bool:
    """Every curve shows the shape with the same sign and, but for a quarter of it or its uncertainty, the same size."""
    rows = tuple(sizes.values())
    return len(rows) > 1 and all(
        one.size_db * size_db > 0
        and abs(one.size_db - size_db) <= max(_ALIKE_SHARE * abs(size_db), _COVERAGE * one.u_own_db, _LEAST_APART_DB)
        and abs(one.size_db) >= (1.0 - 2.0 * _ALIKE_SHARE) * abs(size_db)
        for one in rows
    )


def told_of(kind: Kind, size_db: float, u_db: float, sizes: Mapping[str, Sized]) -> Placed:
    """See `Finding.told`."""
    if not sizes or (kind in SOURCES and is_alike(sizes, size_db)):
        return Placed("", size_db, u_db)
    place = max(sizes, key=lambda key: abs(sizes[key].size_db))
    return Placed(place, sizes[place].size_db, sizes[place].u_db)


def heard_of(kind: Kind, size_db: float, u_db: float, sizes: Mapping[str, Sized]) -> Placed:
    """See `Finding.heard`; a size within its uncertainty is not heard."""
    here = {key: one for key, one in sizes.items() if key in _HEARD and one.is_sure}
    if not here or (kind in SOURCES and is_alike(sizes, size_db)):
        return Placed("", size_db, u_db)
    place = max(here, key=lambda key: height_db(here[key].size_db))
    return Placed(place, here[place].size_db, here[place].u_db)
