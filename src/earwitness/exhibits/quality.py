"""Exhibit: what the checks of the recordings found."""

from earwitness.exhibits.chart import Table
from earwitness.exhibits.texts import table
from earwitness.exhibits.words import band_words, sentence, true_minus
from earwitness.quantities import Measurement, QualityFlag

_ORDER = ("reject", "warn", "info")
_MOST_TAKES = 4


def quality(measurement: Measurement) -> Table | None:
    """Remarks of the quality checks, gravest first; None when there are none."""
    flags = sorted(measurement.flags, key=lambda flag: _ORDER.index(flag.severity))
    if not flags:
        return None
    return table("quality", tuple(_row(flag, frozenset(measurement.kept_takes)) for flag in flags))


def weight_words(flag: QualityFlag, left_out: frozenset[str]) -> str:
    """How much a remark weighs. left_out : ids of takes that the result does not use."""
    if flag.severity == "reject":
        return "Not used" if flag.takes and left_out.issuperset(flag.takes) else "Not shown"
    return "Caution" if flag.severity == "warn" else "Note"


def _row(flag: QualityFlag, left_out: frozenset[str]) -> tuple[str, str, str, str]:
    return (
        weight_words(flag, left_out),
        true_minus(sentence(flag.sentence)),
        takes_words(flag.takes),
        band_words(flag.band_hz) or "all",
    )


def takes_words(takes: tuple[str, ...]) -> str:
    """Ids of takes; a long list is cut and counted."""
    if not takes:
        return "all"
    shown = ", ".join(takes[:_MOST_TAKES])
    rest = len(takes) - _MOST_TAKES
    return f"{shown} and {rest} more" if rest > 0 else shown
