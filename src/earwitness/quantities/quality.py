"""What a check of the recordings found."""

from dataclasses import dataclass
from typing import Literal

Severity = Literal["info", "warn", "reject"]


@dataclass(frozen=True, slots=True)
class QualityFlag:
    """One red flag, in numbers and in a sentence.

    id : "clipping", "snr", ...; severity : info, warn or reject
    number, threshold : what was found and the limit it was held against, in `unit`
    takes : ids of the takes concerned; band_hz : frequencies concerned, or None for all
    sentence : plain words for the page
    """

    id: str
    severity: Severity
    number: float
    threshold: float
    unit: str
    takes: tuple[str, ...]
    band_hz: tuple[float, float] | None
    sentence: str
