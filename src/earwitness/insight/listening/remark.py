"""What was heard, as plain values, and sealed before the data are shown.

Seals: a hash over canonical JSON and the time. Whoever holds the hash can tell an altered sheet. The hash proves
content, not time: the clock is the tester's own. It proves the time too once it has been given to somebody else, or
published, before the data were shown.

Words for what is heard beyond timbre: width, depth, focus, dynamics, noises; and what data can speak to them. The
groups are those of EBU Tech 3286 (spatial impression, stereo impression, freedom from noise and distortions), of ITU-R
BS.2399 the dynamics; both lists from memory. Where no figure of a loudspeaker alone can speak to a word, the verdict
says so. The limits are own choices.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from earwitness.errors import ArchiveError
from earwitness.figures.registry import place_of
from earwitness.files.data import table_of
from earwitness.insight.match.amplifier import PAIR_IN_ROOM_DB
from earwitness.insight.words import SOURCES, VOCABULARY
from earwitness.quantities import Figure
from earwitness.session.notes import Direction, HeardWord, ListeningSheet, Strength

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
        Remark(r.word, Region(*r.region_hz), r.direction, strength=r.strength, passage=r.passage or "", text=r.text)
        for r in sheet.remarks
    )


Clock = Callable[[], datetime]
SCHEME = "earwitness listening 1"


@dataclass(frozen=True, slots=True)
class Sealed:
    """facts : canonical JSON of the sheet; sealed_at : UTC, ISO 8601; sha256 : over both, 64 hex digits."""

    facts: str
    sealed_at: str
    sha256: str


def canonical(facts: Mapping[str, object]) -> str:
    """JSON in the one form that is hashed: keys sorted, no blanks, UTF-8 as it is, numbers as Python writes them.

    Raises ValueError for numbers that JSON has no word for.
    """
    return json.dumps(facts, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def seal(sheet: ListeningSheet, clock: Clock) -> Sealed:
    """Seal `sheet` at the time that `clock` gives (with its time zone)."""
    facts = canonical(sheet.model_dump(mode="json", by_alias=True))
    sealed_at = clock().astimezone(UTC).isoformat(timespec="seconds")
    return Sealed(facts, sealed_at, seal_hash(facts, sealed_at))


def seal_hash(facts: str, sealed_at: str) -> str:
    """SHA-256, in hex, over scheme, time and facts, each followed by one line feed, as UTF-8."""
    return hashlib.sha256(f"{SCHEME}\n{sealed_at}\n{facts}\n".encode()).hexdigest()


def unsealed(facts: str, sealed_at: str, sha256: str) -> ListeningSheet:
    """The sheet behind a seal. Raises ArchiveError when the seal does not fit: one of the three was altered."""
    if seal_hash(facts, sealed_at) != sha256:
        raise ArchiveError.of("insight.seal_broken", where=f"seal {sha256[:12]} of {sealed_at}")
    return ListeningSheet.model_validate_json(facts)


Group = Literal["width", "depth", "focus", "dynamics", "noises"]
Judged = Literal["agrees", "contradicts", "no match in the data", "not judged"]
WHOLE_HZ = (20.0, 20_000.0)
NARROW_DEG, WIDE_DEG = 100.0, 140.0
COMPRESSED_DB, UNCOMPRESSED_DB = 1.0, 0.5
DISTORTED_PERCENT, CLEAN_PERCENT = 3.0, 1.0
PEAKS_DB = 10.0
"""Of music over its average level. Common practice, no source."""
K = 2.0


@dataclass(frozen=True, slots=True)
class Attribute:
    """A word; is_much : it says that there is much of what it speaks of; source : the published list of its group."""

    word: str
    group: Group
    is_much: bool
    source: str

    @property
    def direction(self) -> Direction:
        return "too much" if self.is_much else "too little"


_TABLE = table_of("insight", "words")
ATTRIBUTES: Mapping[str, Attribute] = {
    word: Attribute(word, group, is_much, SOURCES[source])
    for word, (group, is_much, source) in _TABLE["beyond"].items()
}
_SILENT: Mapping[str, str] = _TABLE["silent"]


def attribute_words() -> tuple[HeardWord, ...]:
    """The words as a sheet knows them; they speak of no region, so all of it stands for them."""
    return tuple(HeardWord(one.word, *WHOLE_HZ, one.direction) for one in ATTRIBUTES.values())


def is_attribute(remark: Remark) -> bool:
    """Whether a remark is one of these, which belong to no region of frequencies."""
    return remark.word in ATTRIBUTES


def level_at_1m_db(sheet: ListeningSheet) -> float:
    """The level that each loudspeaker made at 1 m: that at the seat, less what two in a room give more (6 dB)."""
    gain = PAIR_IN_ROOM_DB[0] if sheet.pieces > 1 else PAIR_IN_ROOM_DB[0] - 3.0
    return sheet.level_db + 20.0 * math.log10(sheet.distance_m) - gain


def judge(remark: Remark, figures: Mapping[str, Figure], level_db: float) -> tuple[Judged, str]:
    """Verdict and what it rests on, in words. level_db : of each loudspeaker at 1 m while it was heard."""
    one = ATTRIBUTES[remark.word]
    # A sheet may turn its word round.
    is_much = one.is_much if remark.direction == one.direction else not one.is_much
    if one.word in _SILENT:
        return "not judged", _SILENT[one.word]
    if one.group == "width":
        return _width(figures.get("nominal_coverage_horizontal"), is_much)
    if one.group == "dynamics":
        return _of_level(figures, "compression_at_level", level_db, not is_much, (UNCOMPRESSED_DB, COMPRESSED_DB))
    return _of_level(figures, "distortion_at_level", level_db, is_much, (CLEAN_PERCENT, DISTORTED_PERCENT))


def _sided(low: float, high: float, limits: tuple[float, float], is_much: bool) -> Judged:
    """By a 95 % interval against two limits, between which nothing is said."""
    if low >= limits[1]:
        return "agrees" if is_much else "contradicts"
    if high <= limits[0]:
        return "contradicts" if is_much else "agrees"
    return "no match in the data"


def _width(coverage: Figure | None, is_much: bool) -> tuple[Judged, str]:
    if coverage is None or coverage.value is None or coverage.u is None:
        return "not judged", "the horizontal coverage is not known"
    u = K * coverage.u
    verdict = _sided(coverage.value - u, coverage.value + u, (NARROW_DEG, WIDE_DEG), is_much)
    told = f"horizontal coverage is {coverage.value:.0f} ± {max(u, 1.0):.0f}°"
    return verdict, f"{told}; under {NARROW_DEG:.0f}° counts as narrow, over {WIDE_DEG:.0f}° as wide"


def _of_level(
    figures: Mapping[str, Figure], base: str, level_db: float, is_much: bool, limits: tuple[float, float]
) -> tuple[Judged, str]:
    """By a figure at equal level: that of the lowest level at or above the peaks that were played."""
    name = {"compression_at_level": "mean compression", "distortion_at_level": "the largest distortion"}[base]
    known = sorted(
        (float(place_of(key).split()[0]), figure)
        for key, figure in figures.items()
        if key.startswith(f"{base}@") and figure.value is not None and figure.u is not None
    )
    if not known:
        return "not judged", f"{name} at a stated level was not measured"
    peaks = level_db + PEAKS_DB
    at, figure = next(((at, one) for at, one in known if at >= peaks), known[-1])
    value, u = figure.judged_value, K * figure.judged_u
    low, high = (0.0 if figure.bound else value - u), value + u
    verdict = _sided(low, high, limits, is_much)
    # Quieter than the peaks that were heard, a small value says nothing; louder, a large one says nothing.
    too_low, too_high = at < peaks and high <= limits[0], at > peaks + PEAKS_DB and low >= limits[1]
    told = f"{figure.bound} {value:.2g} {figure.unit}".strip()
    text = f"{name} is {told} at {at:g} dB, where peaks of about {peaks:.0f} dB at 1 m were heard"
    return ("no match in the data" if too_low or too_high else verdict), text


_OF_TEXTURE = (HeardWord("smooth", 1000.0, 10_000.0, "even"), HeardWord("coarse", 1000.0, 10_000.0, "uneven"))
"""Words that tell of no rise or fall but of its absence or its many; common practice, no source."""


def heard_words() -> dict[str, HeardWord]:
    """Every word a remark may use, by itself in lower case; in the order of the vocabulary."""
    known = [HeardWord(w.name, w.low_hz, w.high_hz, w.direction) for w in VOCABULARY]
    return {w.word.casefold(): w for w in (*known, *_OF_TEXTURE, *attribute_words())}
