"""Several listeners on one loudspeaker: how far they agree with each other, beyond what chance gives."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.insight.listening.attributes import is_attribute
from earwitness.insight.listening.reliability import BANDS
from earwitness.insight.listening.remark import Remark
from earwitness.quantities.arrays import FloatArray, IntArray

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
