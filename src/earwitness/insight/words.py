"""The vocabulary of sound: words, the region each belongs to, and what the curve does there.

Words marked "ITU-R BS.2399" stand in that report's list of attributes of reproduced sound (read as quoted by third
parties); the others, and all limits in hertz, are common practice, no source, unless a note says otherwise.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from earwitness.files.data import table_of

Direction = Literal["too much", "too little"]


@dataclass(frozen=True, slots=True)
class Word:
    """A word for how it sounds.

    low_hz, high_hz : region; direction : "too much" for a rise of the level there, "too little" for a fall
    group : bass, midrange, treble or balance; source : where word and limits come from
    is_usual : the word a sentence about a curve may use; the others are understood when a listener writes them
    """

    name: str
    direction: Direction
    low_hz: float
    high_hz: float
    group: Literal["bass", "midrange", "treble", "balance"]
    source: str
    is_usual: bool


_TABLE = table_of("insight", "words")
SOURCES: Mapping[str, str] = _TABLE["sources"]
VOCABULARY: tuple[Word, ...] = tuple(
    Word(name, direction, low_hz=low_hz, high_hz=high_hz, group=group, source=SOURCES[source], is_usual=is_usual)
    for name, (direction, low_hz, high_hz, group, source, is_usual) in _TABLE["timbre"].items()
)

REGIONS: tuple[tuple[str, float, float], ...] = tuple((name, *band) for name, band in _TABLE["regions"].items())
"""Names of regions, common practice, no source."""

_LEAST_SHARE = 0.5


def region(frequency_hz: float) -> str:
    """Name of the region a frequency lies in."""
    return next((name for name, low, high in REGIONS if low <= frequency_hz < high), REGIONS[-1][0])


def word(name: str) -> Word | None:
    """The word of that name, or None; capitals and outer blanks do not count."""
    return next((one for one in VOCABULARY if one.name == name.strip().lower()), None)


def overlap(one: Word, low_hz: float, high_hz: float) -> float:
    """Octaves that a band shares with the word's region, over the octaves of the narrower of the two; 0 to 1."""
    shared = math.log2(min(one.high_hz, high_hz) / max(one.low_hz, low_hz)) if high_hz > 0 else 0.0
    narrower = min(math.log2(one.high_hz / one.low_hz), math.log2(high_hz / low_hz)) if high_hz > low_hz else 0.0
    if narrower <= 0:
        return float(one.low_hz <= low_hz <= one.high_hz)
    return max(0.0, min(1.0, shared / narrower))


def usual_words(center_hz: float, low_hz: float, high_hz: float, *, rises: bool, most: int = 2) -> tuple[Word, ...]:
    """The words that usually go with a rise or fall of the level over a band, best first.

    A word fits when the center lies in its region and half of the narrower band is shared; of those, the words whose
    middle and width come nearest to the band's stand first.
    """
    direction = "too much" if rises else "too little"
    fitting = [
        one
        for one in VOCABULARY
        if one.is_usual
        and one.direction == direction
        and one.low_hz <= center_hz <= one.high_hz
        and overlap(one, low_hz, high_hz) >= _LEAST_SHARE
    ]
    width = math.log2(max(high_hz / low_hz, 1.0))

    def apart(one: Word) -> float:
        middle = abs(math.log2(math.sqrt(one.low_hz * one.high_hz) / center_hz))
        return middle + 0.25 * abs(math.log2(one.high_hz / one.low_hz) - width)

    return tuple(sorted(fitting, key=apart)[:most])


def value_and_spread(value: float, u: float) -> str:
    """Value and uncertainty, with as many decimals as leave the uncertainty one digit; none where it is 0."""
    if u <= 0.0:
        return f"{value:.3g}"
    decimals = max(0, -math.floor(math.log10(u)))
    return f"{value:.{decimals}f} ± {u:.{decimals}f}"


def decibels(value: float, u_db: float, sign: str = "") -> str:
    """A level or a change of it with U (k = 2), each with one decimal. sign : "+" to have one always."""
    return f"{value:{sign}.1f} ± {max(2.0 * u_db, 0.1):.1f}"
