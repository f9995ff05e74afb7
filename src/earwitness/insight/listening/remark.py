"""What was heard, as plain values."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from earwitness.session.notes import Direction, ListeningSheet, Strength

Sense = Literal["excess", "lack", "uneven", "even"]

_SENSES: dict[Direction, Sense] = {
    "too much": "excess",
    "sharp": "excess",
    "too little": "lack",
    "hollow": "lack",
    "uneven": "uneven",
    "even": "even",
}


@dataclass(frozen=True, slots=True)
class Region:
    """A band of frequencies."""

    low_hz: float
    high_hz: float

    def __post_init__(self) -> None:
        if not 0 < self.low_hz < self.high_hz < math.inf:
            raise ValueError(f"a region from {self.low_hz} Hz to {self.high_hz} Hz")

    @property
    def octaves(self) -> float:
        return math.log2(self.high_hz / self.low_hz)

    @property
    def center_hz(self) -> float:
        """The middle on a logarithmic axis."""
        return math.sqrt(self.low_hz * self.high_hz)

    def shares(self, other: Region) -> float:
        """Common part in octaves over the narrower of the two, 0 to 1."""
        return self._common(other) / min(self.octaves, other.octaves)

    def likeness(self, other: Region) -> float:
        """Common part in octaves over what the two cover together, 0 to 1."""
        common = self._common(other)
        return common / (self.octaves + other.octaves - common)

    def _common(self, other: Region) -> float:
        return max(0.0, math.log2(min(self.high_hz, other.high_hz) / max(self.low_hz, other.low_hz)))


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing heard: a word, where, as what, how strongly, in which passage ("" for no special one)."""

    word: str
    region: Region
    direction: Direction
    strength: Strength
    passage: str = ""
    text: str = ""

    @property
    def sense(self) -> Sense:
        """What the remark says about the level: sharp is too much, hollow too little of something."""
        return _SENSES[self.direction]


def remarks_of(sheet: ListeningSheet) -> tuple[Remark, ...]:
    """The remarks of a sheet, in its order."""
    return tuple(
        Remark(r.word, Region(*r.region_hz), r.direction, r.strength, r.passage or "", r.text) for r in sheet.remarks
    )
