"""How reliable a tester's ear is, region by region, over many reviews."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from earwitness.insight.listening.attributes import is_attribute
from earwitness.insight.listening.matching import MatchedRemark
from earwitness.insight.listening.remark import Region
from earwitness.insight.words import REGIONS

Z_95 = 1.959963984540054
BANDS: tuple[tuple[str, Region], ...] = tuple((name, Region(low, high)) for name, low, high in REGIONS)


@dataclass(frozen=True, slots=True)
class Reliability:
    """A tester's record in one band.

    share : part of the judged remarks that agree, with its 95 % interval, None where there were none; expected :
    share that would agree by chance, mean over the remarks that have one, None without any
    """

    band: str
    region: Region
    agrees: int
    contradicts: int
    no_match: int
    share: float | None
    interval: tuple[float, float] | None
    expected: float | None

    @property
    def judged(self) -> int:
        return self.agrees + self.contradicts + self.no_match


def reliability(remarks: Iterable[MatchedRemark]) -> tuple[Reliability, ...]:
    """Records of all bands, low to high, and of "all" at the end.

    remarks : of sheets sealed before the data were shown; others prove nothing and must be left out. A remark belongs
    to the band of its region's middle; repeats within a sheet, remarks that could not be judged and words beyond
    timbre do not count.
    """
    counted = [m for m in remarks if m.verdict != "not judged" and m.repeats is None and not is_attribute(m.remark)]
    rows = [_row(name, band, [m for m in counted if _is_in(m, band)]) for name, band in BANDS]
    return (*rows, _row("all", Region(BANDS[0][1].low_hz, BANDS[-1][1].high_hz), counted))


@dataclass(frozen=True, slots=True)
class Noticed:
    """How many findings of a band a tester wrote of. audible, small : above what may be heard and not, with how many
    of them an agreeing remark rests on."""

    band: str
    audible: int
    audible_noted: int
    small: int
    small_noted: int


def noticed(found: Iterable[tuple[float, float, bool]]) -> tuple[Noticed, ...]:
    """Counts of all bands, low to high, and of "all". found : center [Hz], margin over what may be heard [dB] and
    whether a remark agrees, of every finding of every sheet sealed before the data."""
    kept = list(found)
    bands = [*((name, band.low_hz, band.high_hz) for name, band in BANDS), ("all", 0.0, math.inf)]
    rows = []
    for name, low_hz, high_hz in bands:
        own = [(margin >= 0.0, noted) for center, margin, noted in kept if low_hz <= center < high_hz]
        audible, small = ([noted for above, noted in own if above is wanted] for wanted in (True, False))
        rows.append(Noticed(name, len(audible), sum(audible), len(small), sum(small)))
    return tuple(rows)


def wilson_interval(successes: int, trials: int) -> tuple[float, float]:
    """95 % interval of a share. Raises ValueError for no trials.

    Source: Wilson, "Probable inference, the law of succession, and statistical inference", JASA 22, 1927, from memory:
    the shares whose normal approximation does not exclude what was counted.
    """
    if not 0 <= successes <= trials or not trials:
        raise ValueError(f"{successes} of {trials}")
    share, z2 = successes / trials, Z_95**2
    middle = (share + z2 / (2 * trials)) / (1 + z2 / trials)
    half = Z_95 / (1 + z2 / trials) * math.sqrt(share * (1 - share) / trials + z2 / (4 * trials**2))
    low = 0.0 if successes == 0 else middle - half
    return low, 1.0 if successes == trials else middle + half


def _is_in(found: MatchedRemark, band: Region) -> bool:
    return band.low_hz <= found.remark.region.center_hz < band.high_hz


def _row(name: str, band: Region, found: list[MatchedRemark]) -> Reliability:
    agrees = sum(m.verdict == "agrees" for m in found)
    by_chance = [m.chance for m in found if m.chance is not None]
    return Reliability(
        name,
        band,
        agrees=agrees,
        contradicts=sum(m.verdict == "contradicts" for m in found),
        no_match=sum(m.verdict == "no match in the data" for m in found),
        share=agrees / len(found) if found else None,
        interval=wilson_interval(agrees, len(found)) if found else None,
        expected=sum(by_chance) / len(by_chance) if by_chance else None,
    )
