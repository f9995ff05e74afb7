"""The talk: an outline in the order of the exhibits, with sentences to say, numbers and timings, ready to be edited."""

from __future__ import annotations

import re
from math import ceil
from pathlib import Path
from typing import Final

from earwitness.errors import FormatError, InputError
from earwitness.exhibits.chart import Chart, Mark
from earwitness.files.durable import write_bytes
from earwitness.publish.own_words import PARTS
from earwitness.publish.review import Review
from earwitness.publish.talk_text import Merged, joined, merged, parted

WORDS_PER_MINUTE: Final = 130.0  # common practice, no source: unhurried speech
LOOK_S: Final = 4.0  # common practice, no source: time to let a new picture be read
_PLAN: Final = "plan"
_UNSAID: Final = re.compile(r"^(#|>|<!--|\*?Still: |\|).*$", re.MULTILINE)
_MARKUP: Final = re.compile(r"([\\`*_\[\]<>|])")


def talk_of(review: Review) -> str:
    """The outline as Markdown, as generated: opening, one block an exhibit, trust, closing.

    Every block stands under a comment with its key, by which `merge_talk` finds it again.
    """
    blocks = {_PLAN: "", "opening": _opening(review)}
    for number, chart in enumerate(review.charts, 1):
        blocks[_key(chart)] = _exhibit(number, chart)
    blocks["numbers"] = _numbers(review)
    blocks["closing"] = _closing(review)
    return _with_plan(joined(blocks), title=review.title)


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
            raise FormatError(
                "this talk was not written here, or the record of what was generated is gone",
                where=str(path),
                expected=f"the file {beside.name} beside it",
                remedy="move the talk away, publish again, and put your words into the new one",
            )
    # The talk first: a kill in between leaves the older record, from which the same merge comes out again.
    write_bytes(path, made.text.encode())
    write_bytes(beside, fresh.encode())
    return made


def spoken_s(text: str) -> float:
    """Time to say the words of a block [s]: headings, remarks and notes for the speaker are not said."""
    words = len(_UNSAID.sub("", text).replace("\N{NO-BREAK SPACE}", " ").split())
    return LOOK_S + 60.0 * words / WORDS_PER_MINUTE


def _opening(review: Review) -> str:
    lines = [f"## {_plain(review.title)}", ""]
    if review.invented:
        lines += [_plain(review.invented), ""]
    what = review.loudspeaker
    lines += [
        f"This is the {_plain(what.name)} by {_plain(what.maker)}, a {'powered' if what.powered else 'passive'} "
        f"{what.type}. {_plain(review.disclosure)}",
        "",
        *(f"- {h.words}: {_plain(h.value)}" for h in review.headlines if h.is_judged),
    ]
    return "\n".join(lines)


def _exhibit(number: int, chart: Chart) -> str:
    marks = [mark for panel in chart.panels for mark in panel.marks]
    lines = [
        f"## {number}. {_plain(chart.title)}",
        "",
        f"Still: {chart.key.replace('_', '-')}-wide.png",
        "",
        _plain(chart.caption.finding),
        *_mark_lines(marks),
        "",
        f"> To read the chart: {_plain(chart.caption.reading)}",
    ]
    return "\n".join(lines)


def _mark_lines(marks: list[Mark]) -> list[str]:
    return ["", *(f"- At mark {mark.number}: {_plain(mark.text)}." for mark in marks)] if marks else []


def _numbers(review: Review) -> str:
    """What the speaker may be asked: not said, so it costs no time."""
    name, value = (review.figures.columns.index(column) for column in review.figures.columns[:2])
    rows = [f"> - {_plain(row[name])}: {_plain(row[value])}" for row in review.figures.rows]
    return "\n".join(["## Numbers at hand", "", *rows])


def _closing(review: Review) -> str:
    missing = [f"- {_plain(words)}" for words in review.absent]
    said = [words for key in ("verdict", "likes", "dislikes") for words in _said(review, key)]
    lines = ["## Closing", "", *said, *(["Not shown:", "", *missing, ""] if missing else [])]
    lines.append("The number behind ± is where about 95 % of all cases lie. Curves and data are with the review.")
    return "\n".join(lines)


def _said(review: Review, key: str) -> list[str]:
    paragraphs = review.own_words.plain(key)
    if not paragraphs:
        return []
    points = [f"- {_plain(words)}" for words in paragraphs] if key != "verdict" else []
    told = [line for words in paragraphs for line in (_plain(words), "")] if key == "verdict" else [*points, ""]
    return [f"{PARTS[key]}:", "", *told]


def _without_plan(text: str) -> str:
    """The document without its plan of times, which is made anew from what will be said."""
    blocks = parted(text)
    blocks.pop(_PLAN, None)
    return joined(blocks)


def _with_plan(text: str, *, title: str) -> str:
    blocks = parted(text)
    rows, at_s = [], 0.0
    for key, body in blocks.items():
        if key in ("", _PLAN, "numbers"):
            continue
        lasts_s = spoken_s(body)
        heading = next((line.lstrip("# ") for line in body.splitlines() if line.startswith("#")), key)
        rows.append(f"| {_clock(at_s)} | {ceil(lasts_s)} s | {heading} |")
        at_s += ceil(lasts_s)
    plan = [
        f"# Talk: {_plain(title)}",
        "",
        f"About {_clock(at_s)} min at {WORDS_PER_MINUTE:.0f} words a minute. This plan is made anew each time; all "
        "other parts are yours to edit. Leave the lines that start with \\<!-- block where they are.",
        "",
        "| at | takes | part |",
        "| ---: | ---: | --- |",
        *rows,
    ]
    blocks[_PLAN] = "\n".join(plan)
    return joined(blocks)


def _key(chart: Chart) -> str:
    return "exhibit." + re.sub("[^a-z0-9_.-]", "-", chart.key.lower())


def _clock(seconds: float) -> str:
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


def _plain(words: str) -> str:
    """Words as Markdown text: on one line, with nothing in them that is markup."""
    return _MARKUP.sub(r"\\\1", re.sub("[ \t\r\n]+", " ", words))


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            "the talk cannot be read", where=str(path), expected="a text file in UTF-8", remedy="save it as UTF-8"
        ) from error
