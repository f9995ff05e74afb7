"""Captions and chapters of a talk, from what is said in it, at its pace: WebVTT (W3C), SubRip and a plain list."""

import textwrap
from collections.abc import Iterator, Sequence
from html import escape
from typing import Final

from earwitness.publish.talk import Spoken
from earwitness.publish.talk_story import WORDS_PER_MINUTE

_LINE: Final = 42  # letters of a line, two lines at once: common practice, no source
Cue = tuple[float, float, str]


def caption_files(parts: Sequence[Spoken]) -> dict[str, str]:
    """Text by file name: captions.vtt, captions.srt, chapters.vtt and chapters.txt ("00:00 Verdict", a line each)."""
    cues = list(cues_of(parts))
    chapters = [(part.start_s, part.start_s + part.last_s, " ".join(part.title.split())) for part in parts]
    srt = (f"{n}\n{_time(a, ',')} --> {_time(b, ',')}\n{words}\n" for n, (a, b, words) in enumerate(cues, 1))
    return {
        "captions.vtt": _vtt(cues),
        "captions.srt": "\n".join(srt),
        "chapters.vtt": _vtt(chapters),
        "chapters.txt": "".join(f"{_time(start, '.')[3:8]} {title}\n" for start, _, title in chapters),
    }


def cues_of(parts: Sequence[Spoken]) -> Iterator[Cue]:
    """Start and end [s] of what is shown at once, two lines at most; a new picture is looked at before words begin."""
    for part in parts:
        words = sum(len(sentence.split()) for sentence in part.sentences)
        at_s = part.start_s + part.last_s - 60.0 * words / WORDS_PER_MINUTE
        for sentence in part.sentences:
            lines = textwrap.wrap(sentence, _LINE, break_on_hyphens=False)
            for shown in (lines[k : k + 2] for k in range(0, len(lines), 2)):
                end_s = at_s + 60.0 * sum(len(line.split()) for line in shown) / WORDS_PER_MINUTE
                yield at_s, end_s, "\n".join(shown)
                at_s = end_s


def _vtt(cues: Sequence[Cue]) -> str:
    rows = (f"{_time(a, '.')} --> {_time(b, '.')}\n{escape(words, quote=False)}\n" for a, b, words in cues)
    return "\n".join(("WEBVTT\n", *rows))


def _time(seconds: float, point: str) -> str:
    """ "00:01:02.500"."""
    whole, milli = divmod(round(1000.0 * seconds), 1000)
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}{point}{milli:03d}"
