"""Where a line may not break, and a caption's bold words end. Apart, as pages need it that wait for nothing else."""

import re
from typing import Final

MOST_BOLD_WORDS: Final = 25
# A sentence ends at a full stop before a space and a capital letter; "No. 3" and "2.83 V" do not.
SENTENCE_END: Final = re.compile(r"(?<=[.?])\s+(?=[A-Z])")

_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|dB|Hz|kHz|ms|s|ohm|Ω|V|W|m)(?!\w))")


def units_kept(text: str) -> str:
    """`text` with spaces between numbers and units at which no line breaks."""
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text)


def headline_of(finding: str) -> tuple[str, str]:
    """The first sentences of a caption's finding, 25 words at most, and what is left of it.

    A value with its unit is one word. Of a first sentence that is longer the headline is its first clauses.
    """
    first, *others = SENTENCE_END.split(finding)
    words = first.split(" ")
    if len(words) > MOST_BOLD_WORDS:
        ends = [k for k, word in enumerate(words[:MOST_BOLD_WORDS], 1) if word.endswith((",", ";", ":"))]
        at = ends[-1] if ends else MOST_BOLD_WORDS
        return " ".join(words[:at]), " ".join((*words[at:], *others))
    while others and len(re.split(" +", f"{first} {others[0]}")) <= MOST_BOLD_WORDS:
        first = f"{first} {others.pop(0)}"
    return first, " ".join(others)
