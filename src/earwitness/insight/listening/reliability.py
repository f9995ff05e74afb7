"""How reliable ears are: one tester's over many reviews, and several listeners' on one loudspeaker."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.insight.listening.attributes import is_attribute
from earwitness.insight.listening.matching import MatchedRemark
from earwitness.insight.listening.remark import Region, Remark
from earwitness.insight.words import REGIONS
from earwitness.quantities.arrays import FloatArray, IntArray

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


DRAWS = 9_999
_SEED = 17
_CODES = {"excess": 1, "lack": 2, "uneven": 3, "even": 4}
_MIXED = 5
_WORDS = ("", "too much", "too little", "uneven", "even", "both")


@dataclass(frozen=True, slots=True)
class Agreement:
    """listeners : by name; kappa : of Fleiss, 1 for full agreement and 0 for that of chance; p_value : how often chance
    gives as much; bands : regions that anybody spoke of; said : of each region by each listener, "" for nothing."""

    listeners: tuple[str, ...]
    kappa: float
    p_value: float
    bands: int
    said: tuple[tuple[str, ...], ...]


def agreement(said: Mapping[str, Sequence[Remark]]) -> Agreement | str:
    """Agreement of listeners, each with all remarks on one loudspeaker; the reason where it cannot be told.

    Each region of the spectrum is coded by what a listener said of it: too much, too little, uneven, even, both, or
    nothing. Fleiss' kappa (Psychological Bulletin 76, 1971, from memory). Its probability: what each listener said is
    dealt anew over the regions, 9,999 times with a fixed seed, (1 + hits) / (1 + draws).
    """
    if len(said) < 2:
        return "one listener alone cannot agree with another"
    codes = np.array([_coded(remarks) for remarks in said.values()])
    spoken = int((codes > 0).any(axis=0).sum())
    if min(int((row > 0).sum()) for row in codes) == 0:
        return "one of the listeners said nothing of any region"
    kappa = float(fleiss_kappa(codes[None])[0])
    random = np.random.default_rng(_SEED)
    dealt = random.permuted(np.broadcast_to(codes, (DRAWS, *codes.shape)), axis=2)
    hits = int((fleiss_kappa(dealt) >= kappa - 1e-12).sum())
    told = tuple(tuple(_WORDS[code] for code in row) for row in codes.tolist())
    return Agreement(tuple(said), kappa, (1 + hits) / (1 + DRAWS), spoken, told)


def fleiss_kappa(codes: IntArray) -> FloatArray:
    """(N,) Fleiss' kappa of codes (N, L, R): L raters on R subjects; 1 where all gave one code throughout."""
    raters = codes.shape[1]
    counts = np.stack([(codes == code).sum(axis=1) for code in range(_MIXED + 1)], axis=-1).astype(float)
    observed = ((counts**2).sum(axis=-1) - raters).mean(axis=-1) / (raters * (raters - 1))
    share = counts.sum(axis=1) / counts.sum(axis=(1, 2))[:, None]
    expected = (share**2).sum(axis=-1)
    room = 1.0 - expected
    return np.asarray(np.where(room > 1e-12, (observed - expected) / np.where(room > 1e-12, room, 1.0), 1.0))


def _coded(remarks: Sequence[Remark]) -> list[int]:
    """What was said of each band, 0 for nothing."""
    row = [0] * len(BANDS)
    for one in remarks:
        if is_attribute(one):
            continue
        for place, (_, band) in enumerate(BANDS):
            if band.low_hz <= one.region.center_hz < band.high_hz:
                code = _CODES[one.sense]
                row[place] = code if row[place] in (0, code) else _MIXED
    return row


def agreement_in_words(found: Agreement | str) -> str:
    """One sentence."""
    if isinstance(found, str):
        return f"Whether listeners agree cannot be told: {found}."
    names = ", ".join(found.listeners[:-1]) + f" and {found.listeners[-1]}"
    p = "below 0.001" if found.p_value < 0.001 else f"{found.p_value:.3f}"
    word = "agree beyond chance" if found.p_value < 0.05 and found.kappa > 0 else "do not agree beyond chance"
    return (
        f"{names} {word}: kappa {found.kappa:.2f} over {len(BANDS)} regions, chance gives as much with probability {p}."
    ).replace("-", "\N{MINUS SIGN}")
