"""Where a line may not break. Apart, as pages need it that wait for nothing else of the exhibits."""

from __future__ import annotations

import re

_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|dB|Hz|kHz|ms|s|ohm|Ω|V|W|m)(?!\w))")


def units_kept(text: str) -> str:
    """`text` with spaces between numbers and units at which no line breaks."""
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text)
