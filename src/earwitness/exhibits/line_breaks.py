"""Where a line may not break, and a caption's bold words end. Apart, as pages need it that wait for nothing else."""

import re
from typing import Final

MOST_BOLD_WORDS: Final = 25
MOST_HEADLINE_WORDS: Final = 10
# A sentence ends at a full stop before a space and a capital letter; "No. 3" and "2.83 V" do not.
SENTENCE_END: Final = re.compile(r"(?<=[.?])\s+(?=[A-Z])")

# What a headline leaves to the sentence beneath it, and words before which one may end.
_ASIDE: Final = re.compile(r"\s\([^()]*\)|(?<=\d)\s±\s[\d.,]*\d")
_ON: Final = ("and", "from")
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|dB|Hz|kHz|ms|s|ohm|Ω|V|W|m)(?!\w))")


def units_kept(text: str) -> str:
    """`text` with spaces between numbers and units at which no line breaks."""
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text)


def short_headline(message: str) -> str:
    """A sentence in ten words at most, a value with its unit being one: without its uncertainties, brackets and last
    clauses; "" where no clause is so short."""
    words = units_kept(_ASIDE.sub("", message)).removesuffix(".").split(" ")
    ends = [k for k in range(3, len(words)) if words[k - 1][-1:] in {",", ";", ":"} or words[k] in _ON]
    at = max((k for k in (*ends, len(words)) if k <= MOST_HEADLINE_WORDS), default=0)
    return " ".join(words[:at]).rstrip(",;:")


def headline_of(finding: str) -> tuple[str, str]:
    """The first sentences of a caption's finding, 25 words at most, and what is left of it.

    A value with its unit is one word. Of a first sentence that is longer the headline is its first clauses.
    """
    first, *others = SENTENCE_END.split(finding)
    words = first.split(" ")
    if len(words) > MOST_BOLD_WORDS:
        ends = [k for k, word in enumerate(words[:MOST_BOLD_WORDS], 1) if word.endswith((",", ";", ":"))]
        at = ends[-1] if ends else MOST_BOLD_WORDS
        bold, left = " ".join(words[:at]), " ".join((*words[at:], *others))
        return (f"{bold[:-1]}.", left[:1].upper() + left[1:]) if ends else (bold, left)
    while others and len(re.split(" +", f"{first} {others[0]}")) <= MOST_BOLD_WORDS:
        first = f"{first} {others.pop(0)}"
    return first, " ".join(others)
