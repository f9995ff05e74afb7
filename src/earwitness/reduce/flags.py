"""Red flags and limits of the checks by name (flags.toml, limits.toml), and the facts of a take that checks need."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from earwitness.files.data import table_of
from earwitness.quantities import FloatArray, Locked, Orbit, QualityFlag, Severity, hz_words

_MOST_NAMED = 4
OWN = frozenset({"number", "size", "limit", "ids", "takes", "Takes", "named", "low_hz", "high_hz", "low", "high"})


def flag(
    name: str, number: float = 0.0, limit: float = 0.0, *, takes: Sequence[str] = (),
    band_hz: tuple[float, float] | None = None, severity: Severity | None = None, **facts: Any,
) -> QualityFlag:  # fmt: skip
    """The red flag under `name` in flags.toml, with facts in place of its braces.

    number, limit : what was found and what it was held against, in the flag's unit; severity : where the case decides
    it. Every sentence may name what OWN lists, which needs no facts.
    """
    entry = table_of("reduce", "flags")[name]
    which = f"take {takes[0]}" if len(takes) == 1 else f"{len(takes)} takes"
    told = facts | {"number": number, "size": abs(number), "limit": limit, "ids": takes, "takes": which}
    told |= {"Takes": which.replace("take ", "Take ", 1), "named": named(takes)}
    if band_hz is not None:
        told |= {"low_hz": band_hz[0], "high_hz": band_hz[1], "low": hz_words(band_hz[0]), "high": hz_words(band_hz[1])}
    return QualityFlag(
        id=entry.get("id", name.replace("_", " ")).format(**told),
        severity=severity or entry.get("severity", "warn"),
        number=float(number),
        threshold=float(limit),
        unit=entry.get("unit", ""),
        takes=tuple(takes),
        band_hz=band_hz,
        sentence=entry["sentence"].format(**told),
    )


def named(takes: Sequence[str]) -> str:
    """Takes by name, as far as a sentence bears them."""
    some = ", ".join(takes[:_MOST_NAMED])
    rest = len(takes) - _MOST_NAMED
    return f"take {some}" if len(takes) == 1 else f"takes {some}" + (f" and {rest} more" if rest > 0 else "")


def limits(name: str) -> Mapping[str, float]:
    """The limits of one check, by name."""
    return MappingProxyType(table_of("reduce", "limits")[name])


# Project defaults, common practice where no standard says otherwise.
THRESHOLDS = limits("takes")
IMPULSE_LEAD_S = 5e-3


@dataclass(frozen=True, slots=True, eq=False)
class TakeFacts(Locked):
    """What the checks need to know of one take.

    orbit, angle_deg : None for takes that are on no orbit (near field, level series)
    distance_m : as stated; rate_hz : of the file; peak_fs : largest sample, full scale 1
    clipped_runs : runs of equal samples at the top; arrival_s : time of flight of the direct sound [s]
    arrival_known : False without a loop-back (then the delay proves nothing)
    impulse : (N,) from 5 ms before the arrival, at impulse_rate_hz
    band_level_db : level over the lowest octave the gate allows, referred to 1 m
    non_causal_db : energy ahead of the arrival, re peak
    """

    id: str
    orbit: Orbit | None
    angle_deg: float | None
    distance_m: float
    rate_hz: float
    peak_fs: float
    clipped_runs: int
    arrival_s: float
    arrival_known: bool
    impulse: FloatArray
    impulse_rate_hz: float
    band_level_db: float
    non_causal_db: float


def by_angle(facts: Sequence[TakeFacts], orbit: Orbit) -> list[int]:
    """Rows of one orbit's facts, by angle; of several at one angle the first."""
    rows: dict[float, int] = {}
    for i, fact in enumerate(facts):
        if fact.orbit == orbit and fact.angle_deg is not None:
            rows.setdefault(round(wrapped_deg(fact.angle_deg), 3), i)
    return [rows[angle] for angle in sorted(rows)]


def wrapped_deg(angle_deg: float) -> float:
    """The same angle in (-180, 180]."""
    return 180.0 - (180.0 - angle_deg) % 360.0
