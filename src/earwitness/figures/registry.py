"""Every figure by key: its name, unit, precision, rule in one sentence, and where the documentation explains it."""

import math
from types import MappingProxyType

from earwitness.figures.info import FigureInfo, figure_infos
from earwitness.quantities import Figure

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
