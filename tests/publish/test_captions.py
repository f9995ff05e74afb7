"""Captions and chapters by their grammars: WebVTT by the W3C Candidate Recommendation of 4 April 2019 (sections 4.1
and 4.5, from memory), SubRip by common practice, no source."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.publish.review import review_of
from earwitness.publish.talk import Spoken, caption_files, spoken_parts, talk_of
from earwitness.quantities import Measurement, Reading
from earwitness.session.session import Session

TIME = r"(?:\d{2,}:)?[0-5]\d:[0-5]\d\.\d{3}"
# Cue text: no newline twice, no "-->", "&" only as a reference, "<" only as a tag, of which we write none.
TEXT = r"(?:(?!-->)(?:[^&<\n\r]|&(?:amp|lt|gt|nbsp|lrm|rlm);))+"
CUE = rf"{TIME} --> {TIME}\n{TEXT}(?:\n{TEXT})*\n"
WEBVTT = re.compile(rf"WEBVTT\n\n(?:{CUE}\n)*(?:{CUE})?")
SRT_CUE = r"[1-9]\d*\n\d\d:\d\d:\d\d,\d{3} --> \d\d:\d\d:\d\d,\d{3}\n(?:[^\n]+\n)+"
SRT = re.compile(rf"(?:{SRT_CUE}\n)*(?:{SRT_CUE})?")


def seconds(time: str) -> float:
    hours, minutes, rest = time.replace(",", ".").split(":")
    return 3600 * int(hours) + 60 * int(minutes) + float(rest)


def times(text: str) -> list[tuple[float, float]]:
    return [(seconds(a), seconds(b)) for a, b in re.findall(r"^(\S+) --> (\S+)$", text, re.MULTILINE)]


@pytest.fixture(scope="module")
def parts(reading: Reading, measurement: Measurement, session: Session) -> tuple[Spoken, ...]:
    return spoken_parts(talk_of(review_of(reading, measurement, session)))


def test_files_follow_their_grammars(parts: tuple[Spoken, ...]) -> None:
    files = caption_files(parts)
    assert WEBVTT.fullmatch(files["captions.vtt"])
    assert WEBVTT.fullmatch(files["chapters.vtt"])
    assert SRT.fullmatch(files["captions.srt"])
    assert [int(n) for n in re.findall(r"^(\d+)\n\d\d:", files["captions.srt"], re.MULTILINE)] == list(
        range(1, len(times(files["captions.srt"])) + 1)
    )


def test_every_word_is_shown_once_at_the_pace_of_the_talk(parts: tuple[Spoken, ...]) -> None:
    files = caption_files(parts)
    shown = " ".join(re.findall(r"-->.*\n((?:.+\n)+)", files["captions.srt"])).split()
    assert shown == " ".join(sentence for part in parts for sentence in part.sentences).split()
    assert times(files["captions.vtt"]) == times(files["captions.srt"])
    for line in files["captions.srt"].splitlines():
        assert len(line) <= 42
    cues = times(files["captions.vtt"])
    assert all(a < b for a, b in cues)
    assert all(first[1] <= second[0] + 1e-9 for first, second in pairwise(cues))
    # 130 words a minute: no cue runs faster or slower, and what is left is the time to look at pictures.
    assert sum(b - a for a, b in cues) == pytest.approx(60 * len(shown) / 130, abs=0.001 * len(cues))


def test_chapters_meet_without_a_gap_and_begin_at_zero(parts: tuple[Spoken, ...]) -> None:
    files = caption_files(parts)
    chapters = times(files["chapters.vtt"])
    assert chapters[0][0] == 0
    assert all(a[1] == b[0] for a, b in pairwise(chapters))
    rows = files["chapters.txt"].splitlines()
    assert rows[0] == f"00:00 {parts[0].title}"
    assert [row.partition(" ")[2] for row in rows] == [part.title for part in parts]
    assert all(re.fullmatch(r"\d\d+:[0-5]\d \S.*", row) for row in rows)


@settings(deadline=None, derandomize=True, max_examples=60)
@given(
    st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1).filter(str.strip), st.text("a <>&-", min_size=1)
)
def test_whatever_the_tester_writes_the_grammar_holds(sentence: str, title: str) -> None:
    part = Spoken("own", title, "", (), (f"A --> b <i>{sentence}</i> &",), 0.0, 30.0)
    files = caption_files((part,))
    assert WEBVTT.fullmatch(files["captions.vtt"])
    assert SRT.fullmatch(files["captions.srt"])
