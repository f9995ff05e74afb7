"""The reading of a kind: its figures, what they say, and the curves of its one exhibit."""

from dataclasses import dataclass
from typing import Final

from earwitness.figures.registry import figure_infos
from earwitness.quantities import Curve, Figure

INFO: Final = {row.key: row for row in figure_infos("kinds")}
Rows = tuple[tuple[str, Figure], ...]


@dataclass(frozen=True, slots=True, eq=False)
class KindReading:
    """What a kind is read for. rows : where or of what each figure is, and the figure; curves : of the chart, () where
    a table of the rows is the exhibit."""

    kind: str
    rows: Rows
    sentences: tuple[str, ...]
    curves: tuple[Curve, ...] = ()


def figure_of(key: str, value: float, u: float, note: str = "") -> Figure:
    """A figure of the registry's group of kinds."""
    return INFO[key].asked().judged(float(value), float(u), note)


def plus_minus(figure: Figure, decimals: int = 1) -> str:
    """Value and expanded uncertainty in words."""
    return f"{figure.value or 0.0:.{decimals}f} ± {2.0 * (figure.u or 0.0):.{decimals}f} {figure.unit}"
