"""What of a review stands before a stranger: the first screen, and what can be read in five minutes."""

import re
from dataclasses import dataclass, replace
from typing import Final

from earwitness.exhibits.chart import Chart, Table
from earwitness.publish.review import Headline, Review

MOST_CHARTS: Final = 8
# Own choice: the balance, unless the tester put another chart of the whole sound before it.
_FIRST: Final = ("balance", "in_room", "evenness")
# Of the other charts those that most readers ask for; each is shown where the review has it.
_ASKED_FOR: Final = (
    "kind-over-frequency", "in_room", "across", "mended", "highest_level", "load", "bass_delay", "own_filter",
    "subwoofer", "distortion", "evenness", "aim",
)  # fmt: skip
_LONG_WORDS, _MOST_SENTENCES = 30, 5
_VALUE: Final = re.compile(r"(at least |at most )?([−+]?\d[\d.,]*)(.*)")


@dataclass(frozen=True, slots=True)
class Read:
    """charts, others : the exhibits shown at once, and those behind "all measurements"; first : the balance with the
    score over it, None where the review has nothing like it; for_whom, more_for_whom : sentences, likewise parted."""

    first: Chart | None
    charts: tuple[Chart, ...]
    others: tuple[Chart | Table, ...]
    for_whom: tuple[str, ...]
    more_for_whom: tuple[str, ...]


def five_minutes(review: Review) -> Read:
    """The review parted into what is read in five minutes and what is looked up."""
    balance = next((one for one in review.charts if one.key in _FIRST), None)
    room = MOST_CHARTS - (balance is not None)
    there = {one.key for one in review.charts}
    chosen = [key for key in ("balance", *_ASKED_FOR) if key in there and (balance is None or key != balance.key)][
        :room
    ]
    charts = tuple(one for one in review.charts if one.key in chosen)
    short = [one for one in review.for_whom if len(one.split()) <= _LONG_WORDS][:_MOST_SENTENCES]
    return Read(
        first=None if balance is None else _scored(balance, review),
        charts=charts,
        others=tuple(one for one in review.exhibits if one is not balance and one not in charts),
        for_whom=tuple(short),
        more_for_whom=tuple(one for one in review.for_whom if one not in short),
    )


def _scored(balance: Chart, review: Review) -> Chart:
    """The balance as the first screen has it: the score above, marks without the words that the score has."""
    panels = tuple(
        replace(panel, marks=tuple(replace(mark, text="") for mark in panel.marks)) if review.lanes else panel
        for panel in balance.panels
    )
    return replace(balance, title="", subtitle="", note="", panels=panels, lanes=review.lanes)


def value_parts(headline: Headline) -> tuple[str, str]:
    """A headline's number, and what stands under it: bound, uncertainty and unit. ("", reason) where not judged."""
    return number_parts(headline.value) if headline.is_judged else ("", headline.value)


def number_parts(words: str) -> tuple[str, str]:
    """As `value_parts`, of a value in words; ("", words) for none."""
    found = _VALUE.fullmatch(words)
    if found is None:
        return "", words
    bound, number, rest = found.groups(default="")
    return number, ", ".join(part for part in (bound.strip(), rest.strip()) if part)
