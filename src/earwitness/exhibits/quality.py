"""Exhibit: what the checks of the recordings found."""

from __future__ import annotations

from earwitness.exhibits.chart import Table
from earwitness.exhibits.words import band_words, sentence, true_minus
from earwitness.quantities import Measurement, QualityFlag

SEVERITY_WORDS = {"reject": "Not used", "warn": "Caution", "info": "Note"}
_MOST_TAKES = 4


def quality(measurement: Measurement) -> Table | None:
    """Remarks of the quality checks, gravest first; None when there are none."""
    order = list(SEVERITY_WORDS)
    flags = sorted(measurement.flags, key=lambda flag: order.index(flag.severity))
    if not flags:
        return None
    return Table(
        key="quality",
        title="Quality of the recordings",
        columns=("Weight", "Remark", "Recordings", "Frequencies"),
        align=("left", "left", "left", "left"),
        rows=tuple(_row(flag) for flag in flags),
        note="Not used: the recording is left out. Caution: mind it with the figures concerned. Note: for the record.",
    )


def _row(flag: QualityFlag) -> tuple[str, str, str, str]:
    return (
        SEVERITY_WORDS[flag.severity],
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
