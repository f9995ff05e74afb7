"""The talk: a story in the order of `talk_story`, as Markdown with stills and times, ready to be edited and spoken."""

import re
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Final

from earwitness.errors import FormatError, InputError
from earwitness.exhibits.line_breaks import SENTENCE_END
from earwitness.files.durable import write_bytes
from earwitness.publish.review import Review
from earwitness.publish.stills import still_name
from earwitness.publish.talk_story import LEAST_S, WORDS_PER_MINUTE, Part, parts_of, said_s, spoken
from earwitness.publish.talk_text import Merged, joined, merged, parted

_PLAN: Final = "plan"
_UNSAID: Final = re.compile(r"^(#|>|<!--|\*?Still: |\|).*$", re.MULTILINE)
_STILL: Final = re.compile(r"^\*?Still: (\S+?)(?:-wide)?\.png(?:, marks? ([0-9, and]+))?", re.MULTILINE)
_MARKUP: Final = re.compile(r"([\\`*_\[\]<>|])")


@dataclass(frozen=True, slots=True)
class Spoken:
    """A part of the talk as it stands in the document. still : name of the picture without shape, "" for none;
    marks : numbers on it; start_s, last_s : when it begins and how long it lasts at the stated pace."""

    key: str
    title: str
    still: str
    marks: tuple[int, ...]
    sentences: tuple[str, ...]
    start_s: float
    last_s: float


def talk_of(review: Review) -> str:
    """The talk as Markdown, as generated. Every part stands under a comment with its key, by which `merge_talk` finds
    it again."""
    blocks = {_PLAN: ""} | {part.key: _block(part) for part in parts_of(review)}
    blocks["numbers"] = _numbers(review)
    return _with_plan(joined(blocks), title=review.title)


def spoken_parts(text: str) -> tuple[Spoken, ...]:
    """What is said of a talk, part by part, whoever wrote it; parts without a sentence are left out."""
    return tuple(_spoken(parted(text)))


def _spoken(blocks: dict[str, str]) -> Iterator[Spoken]:
    at_s, before = 0.0, ""
    for key, body in blocks.items():
        words = " ".join(_UNSAID.sub("", body).split())
        if key in ("", _PLAN) or not words:
            continue
        title = next((line.lstrip("# ") for line in body.splitlines() if line.startswith("#")), key)
        shown = _STILL.search(body)
        still = shown[1] if shown else before
        marks = tuple(map(int, re.findall(r"\d+", shown[2] or ""))) if shown else ()
        last_s = round(said_s(len(words.split()), new_picture=still != before))
        yield Spoken(key, title, still, marks, tuple(SENTENCE_END.split(words)), at_s, last_s)
        at_s, before = at_s + last_s, still


def merge_talk(base: str, edited: str, review: Review) -> Merged:
    """The talk with the tester's edits kept and changed numbers pointed out, with a new plan of times.

    base : what was generated last time; edited : what the tester made of it.
    Raises FormatError where a mark of a block stands twice.
    """
    made = merged(_without_plan(base), _without_plan(edited), _without_plan(talk_of(review)))
    text = _with_plan(f"<!-- block: {_PLAN} -->\n\n{made.text}", title=review.title)
    return Merged(text, made.changed, made.kept, made.left_out)


def write_talk(review: Review, path: Path) -> Merged:
    """Write the talk to `path` and, hidden beside it, what was generated, so that the next time edits are kept.

    Raises FormatError for a talk whose blocks cannot be told apart or that has lost the file beside it, InputError
    where `path` cannot be read, OutputError where it cannot be written; what was there is then untouched.
    """
    path, fresh = Path(path), talk_of(review)
    beside = path.with_name(f".{path.stem}-as-generated.md")
    if not path.is_file():
        made = Merged(fresh, (), (), ())
    else:
        edited = _read(path)
        if beside.exists():
            made = merge_talk(_read(beside), edited, review)
        elif edited == fresh:
            made = Merged(fresh, (), (), ())
        else:
            raise FormatError.of("publish.talk_not_ours", where=str(path), beside=beside)
    # The talk first: a kill in between leaves the older record, from which the same merge comes out again.
    write_bytes(path, made.text.encode())
    write_bytes(beside, fresh.encode())
    return made


def _block(part: Part) -> str:
    marks = f", mark{'s' if len(part.marks) > 1 else ''} {' and '.join(map(str, part.marks))}" if part.marks else ""
    still = [f"Still: {still_name(part.chart)}-wide.png{marks}", ""] if part.chart else []
    return "\n".join([f"## {part.title}", "", *still, " ".join(part.sentences)])


def _numbers(review: Review) -> str:
    """What the speaker may be asked: not said, so it costs no time."""
    name, value = (review.figures.columns.index(column) for column in review.figures.columns[:2])
    rows = [f"> - {_plain(row[name])}: {_plain(row[value])}" for row in review.figures.rows]
    return "\n".join(["## Numbers at hand", "", *rows])


def _without_plan(text: str) -> str:
    """The document without its plan of times, which is made anew from what will be said."""
    blocks = parted(text)
    blocks.pop(_PLAN, None)
    return joined(blocks)


def _with_plan(text: str, *, title: str) -> str:
    blocks = parted(text)
    parts = list(_spoken(blocks))
    lasts_s = sum(part.last_s for part in parts)
    short = " There is little to say of this loudspeaker, so it is shorter than usual." if lasts_s < LEAST_S else ""
    plan = [
        f"# Talk: {spoken(title)}",
        "",
        f"About {clock(lasts_s)} min at {WORDS_PER_MINUTE} words a minute.{short} This plan is made anew each time; "
        "all other parts are yours to edit. Leave the lines that start with \\<!-- block where they are.",
        "",
        "| at | takes | part |",
        "| ---: | ---: | --- |",
        *(f"| {clock(part.start_s)} | {part.last_s:.0f} s | {part.title} |" for part in parts),
    ]
    blocks[_PLAN] = "\n".join(plan)
    return joined(blocks)


def clock(seconds: float) -> str:
    """ "1:02"."""
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


def _plain(words: str) -> str:
    """Words as Markdown text: on one line, with nothing in them that is markup."""
    return _MARKUP.sub(r"\\\1", re.sub("[ \t\r\n]+", " ", words))


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError.of("publish.talk_unreadable", where=str(path)) from error


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
