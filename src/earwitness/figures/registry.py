"""Every figure by key: its name, unit, precision and rule, as figures.toml has them before it is measured."""

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from earwitness.files.data import table_of
from earwitness.quantities import Asked, Figure


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

    def asked(
        self, lineage: tuple[str, ...] = (), band_hz: tuple[float, float] | None = None, *, at: str = ""
    ) -> Asked:
        """What is asked of the data. at : the level or frequency that stands behind "@" in its key."""
        return Asked(f"{self.key}@{at}" if at else self.key, self.unit, self.method, band_hz, lineage)

    def refused(self, reason: str, lineage: tuple[str, ...] = ()) -> Figure:
        """The figure where it is not judged, and why."""
        return self.asked(lineage).refused(reason)


def figure_infos(group: str) -> tuple[FigureInfo, ...]:
    """The figures of a group, "response", "load" or "seats", in the order of figures.toml."""
    return tuple(
        FigureInfo(key, **{**row, "curves": tuple(row["curves"])})
        for key, row in table_of("figures", "figures")[group].items()
    )


_ROWS = figure_infos("response")
RESPONSE_FIGURES = tuple(row.key for row in _ROWS)
_LEVEL_ROWS = tuple(
    row for group in ("equal_level", "distortion", "compression", "highest_level") for row in figure_infos(group)
)
_OWN_ROWS = (*figure_infos("bass"), *figure_infos("powered"))
OWN_KIND = frozenset(row.key for row in _OWN_ROWS)
"""Those that only a kind of loudspeaker has."""
LEVEL_FIGURES = tuple(row.key for row in _LEVEL_ROWS)
FIGURES = MappingProxyType({row.key: row for row in (*_ROWS, *figure_infos("load"), *_LEVEL_ROWS, *_OWN_ROWS)})


def base_key(key: str) -> str:
    """The registry's key of a figure: "distortion_largest" of "distortion_largest@2.83v"."""
    return key.partition("@")[0]


def info_of(key: str) -> FigureInfo | None:
    """What the registry knows of a figure, whatever level it stands at; None for a foreign key."""
    return FIGURES.get(base_key(key))


def place_of(key: str) -> str:
    """The level or frequency of a figure in words, "2.83 V", "86 dB" or "63 Hz"; "" where there is one for all."""
    place = key.partition("@")[2]
    for ending, unit in (("hz", "Hz"), ("db", "dB"), ("v", "V")):
        if place.endswith(ending):
            return f"{place.removesuffix(ending)} {unit}"
    return place


def decimals(figure: Figure) -> int:
    """Decimals to print: as many as the uncertainty supports with one digit, between 0 and those of the registry."""
    most = FIGURES[base_key(figure.key)].decimals
    if figure.u is None or figure.u <= 0:
        return most
    return max(0, min(most, -math.floor(math.log10(figure.u))))
