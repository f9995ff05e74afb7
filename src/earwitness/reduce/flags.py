"""Red flags and limits of the checks by name: id, severity, unit and sentence in flags.toml, limits in limits.toml."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

from earwitness.files.data import table_of
from earwitness.quantities.axis import hz_words
from earwitness.quantities.quality import QualityFlag, Severity

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
