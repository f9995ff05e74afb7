"""What is known of a figure before it is measured; the figures themselves stand in figures.toml."""

from dataclasses import dataclass
from typing import Literal

from earwitness.files.data import table_of
from earwitness.quantities import Figure, not_judged


@dataclass(frozen=True, slots=True)
class FigureInfo:
    """What is known of a figure before it is measured.

    decimals : at most so many are printed, whatever the uncertainty; method : the rule in one sentence
    anchor : heading in the figures reference of the documentation; curves : keys of the curves it is taken from
    plain : words before the term, for those who do not know it; is_signed : a plus sign stands before what is above 0
    better : which way it gets better for the listener or the amplifier, "" where neither does
    """

    key: str
    name: str
    unit: str
    decimals: int
    method: str
    anchor: str
    curves: tuple[str, ...]
    plain: str = ""
    is_signed: bool = False
    better: Literal["higher", "lower", ""] = ""

    def refused(self, reason: str, lineage: tuple[str, ...] = ()) -> Figure:
        """The figure where it is not judged, and why."""
        return not_judged(self.key, reason, unit=self.unit, method=self.method, lineage=lineage)


def figure_infos(group: str) -> tuple[FigureInfo, ...]:
    """The figures of a group, "response", "load" or "seats", in the order of figures.toml."""
    return tuple(
        FigureInfo(key, **{**row, "curves": tuple(row["curves"])})
        for key, row in table_of("figures", "figures")[group].items()
    )
