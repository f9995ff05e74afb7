"""Progress of long work, told as a share of the whole and in words."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[float, str], None]


def silent(_share: float, _words: str) -> None:
    """Progress that nobody watches."""


def part(progress: Progress, begin: float, end: float) -> Progress:
    """Progress of one part of a job that spans `begin` to `end` of the whole."""

    def tell(share: float, words: str) -> None:
        progress(begin + (end - begin) * min(max(share, 0.0), 1.0), words)

    return tell
