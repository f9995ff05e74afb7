"""What is known of a figure before it is measured; the figures themselves stand in figures.toml."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from earwitness.quantities import Figure, not_judged


@dataclass(frozen=True, slots=True)
class FigureInfo:
    """What is known of a figure before it is measured.

    decimals : at most so many are printed, whatever the uncertainty; method : the rule in one sentence
    anchor : heading in the figures reference of the documentation; curves : keys of the curves it is taken from
    """

    key: str
    name: str
    unit: str
    decimals: int
    method: str
    anchor: str
    curves: tuple[str, ...]

    def refused(self, reason: str, lineage: tuple[str, ...] = ()) -> Figure:
        """The figure where it is not judged, and why."""
        return not_judged(self.key, reason, unit=self.unit, method=self.method, lineage=lineage)


@cache
def _table() -> dict[str, Any]:
    return tomllib.loads((files("earwitness.figures") / "figures.toml").read_text(encoding="utf-8"))


def figure_infos(group: str) -> tuple[FigureInfo, ...]:
    """The figures of a group, "response", "load" or "seats", in the order of figures.toml."""
    return tuple(FigureInfo(key, **{**row, "curves": tuple(row["curves"])}) for key, row in _table()[group].items())
