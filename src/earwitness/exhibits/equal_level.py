"""Exhibit: what a loudspeaker adds at levels at which testers compare."""

from collections.abc import Mapping
from typing import Literal

from earwitness.exhibits.chart import Table
from earwitness.exhibits.texts import table
from earwitness.exhibits.words import band_words, figure_words, true_minus
from earwitness.figures.equal_level import EQUAL_LEVEL_FIGURES
from earwitness.figures.registry import base_key, place_of
from earwitness.quantities import Figure

_NAMES = {
    "distortion_at_level": "Largest distortion",
    "distortion_bass_at_level": "Largest distortion in the bass",
    "multitone_at_level": "Multitone distortion",
    "intermodulation_at_level": "Intermodulation",
    "compression_at_level": "Mean compression",
}


def equal_level_table(figures: Mapping[str, Figure]) -> Table | None:
    """One row a quantity with its band, one column a level; None where nothing was recorded that could tell."""
    kept = {key: figure for key, figure in figures.items() if base_key(key) in _NAMES}
    if not any(figure.is_judged for figure in kept.values()):
        return None
    levels = sorted({place_of(key) for key in kept}, key=lambda place: float(place.split()[0]))
    rows = []
    for info in EQUAL_LEVEL_FIGURES:
        at = {place_of(key): figure for key, figure in kept.items() if base_key(key) == info.key}
        if at:
            band = next((band_words(one.band_hz) for one in at.values() if one.band_hz is not None), "")
            cells = (equal_level_words(at[level]) if level in at else "not measured" for level in levels)
            rows.append((_NAMES[info.key], band, *cells))
    right: list[Literal["left", "right"]] = ["right"] * len(levels)
    return table(
        "equal_level",
        rows,
        columns=("Quantity", "Band", *(f"{level} at 1 m" for level in levels)),
        align=("left", "left", *right),
    )


def equal_level_words(figure: Figure) -> str:
    """The value and where in the band it is, or why there is none."""
    where = where_in_band(figure)
    return true_minus(figure_words(figure) + (f" ({where})" if where and figure.is_judged else ""))


def where_in_band(figure: Figure) -> str:
    """ "at 210 Hz", of a figure that is the largest of a band; "" of others."""
    return next((note for note in figure.caveats if note.startswith("at ") and note.endswith(" Hz")), "")
