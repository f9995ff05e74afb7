"""The talk: a story in the order of `talk_story`, as Markdown with stills and times, ready to be edited and spoken."""

import difflib
import re
import textwrap
from collections.abc import Iterator, Mapping, Sequence
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

_MARK: Final = re.compile(r"^<!-- block: ([a-z0-9_.-]+) -->[ \t]*$", re.MULTILINE)
_CHECK: Final = re.compile(r"^> Check: “(.+)” is now “(.+)”\.$", re.MULTILINE)
# Words that stay one: a value and its unit are joined by no-break spaces, which are no separators here.
_WORDS: Final = re.compile(r"[^ \t\n]+")
_DIGIT: Final = re.compile(r"\d")
_GONE: Final = "> Check: this part is no longer in the review; its numbers were not renewed."


@dataclass(frozen=True, slots=True)
class Changed:
    """A number that is another now. block : key of its block; before, now : as printed;
    in_edit : the block was edited by the tester, so the number was pointed out and not replaced."""

    block: str
    before: str
    now: str
    in_edit: bool


@dataclass(frozen=True, slots=True)
class Merged:
    """text : the talk with the tester's edits kept; changed : numbers that changed;
    kept : keys of blocks that are the tester's; left_out : keys of blocks the tester took out."""

    text: str
    changed: tuple[Changed, ...]
    kept: tuple[str, ...]
    left_out: tuple[str, ...]


def joined(blocks: Mapping[str, str]) -> str:
    """The document of blocks, each under its mark; what stands under "" comes first, without a mark."""
    parts = [(f"<!-- block: {key} -->\n" if key else "") + body.strip() for key, body in blocks.items()]
    return "\n\n".join(part for part in parts if part) + "\n"


def parted(text: str, *, where: str = "talk") -> dict[str, str]:
    """The blocks of a document by key, in their order. Raises FormatError where a mark stands twice."""
    text = text.replace("\r\n", "\n").removeprefix("\N{ZERO WIDTH NO-BREAK SPACE}")
    pieces = _MARK.split(text)
    blocks = {"": pieces[0].strip()} if pieces[0].strip() else {}
    for key, body in zip(pieces[1::2], pieces[2::2], strict=True):
        if key in blocks:
            raise FormatError.of("publish.block_twice", where=where, key=key)
        blocks[key] = body.strip()
    return blocks


def merged(base: str, edited: str, fresh: str, *, where: str = "talk") -> Merged:
    """Bring together what was generated last time, what the tester made of it, and what is generated now.

    A block the tester left alone is renewed. An edited one is kept; where the numbers under it changed, lines that
    start with "> Check:" behind it say which. Blocks the tester took out stay out, added words and order stay, new
    exhibits come in behind the one they follow. Raises FormatError where a mark stands twice.
    """
    old, mine, new = (parted(text, where=where) for text in (base, edited, fresh))
    out: dict[str, str] = {}
    changed: list[Changed] = []
    kept: list[str] = []
    for key, body in mine.items():
        edited_here = _same(body) not in (_same(old.get(key, "")), _same(new.get(key, "")))
        if key not in new:
            if edited_here or key not in old:
                out[key] = body if key not in old or _GONE in body else f"{body}\n\n{_GONE}"
                kept.append(key)
            continue
        numbers = changed_numbers(old[key], new[key]) if key in old else ()
        changed += [Changed(key, before, now, edited_here) for before, now in numbers]
        out[key] = _pointed_out(body, numbers) if edited_here else new[key]
        if edited_here:
            kept.append(key)
    left_out = tuple(key for key in new if key in old and key not in mine)
    _add_new(out, new, known={*old, *mine})
    return Merged(joined(out), tuple(changed), tuple(kept), left_out)


def changed_numbers(before: str, now: str) -> tuple[tuple[str, str], ...]:
    """Pairs of words with digits that changed from one generated text to the next, in order, none twice."""
    old, new = _WORDS.findall(before), _WORDS.findall(now)
    pairs: list[tuple[str, str]] = []
    for kind, a, b, c, d in difflib.SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
        if kind != "replace":
            continue
        gone, come = " ".join(old[a:b]), " ".join(new[c:d])
        if b - a == d - c:
            pairs += zip(old[a:b], new[c:d], strict=True)
        else:
            pairs.append((gone, come))
    bare = [(before.strip(".,;:"), now.strip(".,;:")) for before, now in pairs if _DIGIT.search(before + now)]
    return tuple(dict.fromkeys((before, now) for before, now in bare if before and now and before != now))


def _pointed_out(body: str, numbers: Sequence[tuple[str, str]]) -> str:
    """The tester's words with a line for every changed number behind them; an older line is brought up to date."""
    pending = dict(_CHECK.findall(body))
    if not numbers:
        return body
    words = _CHECK.sub("", body).rstrip()
    for before, now in numbers:
        first = next((first for first, last in pending.items() if last == before), before)
        pending[first] = now
    lines = [f"> Check: “{before}” is now “{now}”." for before, now in pending.items() if before != now]
    return "\n\n".join([words, "\n".join(lines)]) if lines else words


def _add_new(out: dict[str, str], new: Mapping[str, str], *, known: set[str]) -> None:
    """Put blocks that are new into `out`, each behind the one before it in `new`."""
    order, before = list(out), ""
    for key in new:
        if key not in known:
            order.insert(order.index(before) + 1 if before in order else len(order), key)
        if key in order:
            before = key
    bodies = {**new, **out}
    out.clear()
    out.update({key: bodies[key] for key in order})


def _same(body: str) -> str:
    """A body without what an editor changes by itself: spaces at line ends, empty lines at the edges."""
    return "\n".join(line.rstrip() for line in body.strip().splitlines())


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
    """Captions and chapters of what is said, at its pace: WebVTT (W3C), SubRip and a plain list.

    Text by file name: captions.vtt, captions.srt, chapters.vtt and chapters.txt ("00:00 Verdict", a line each)."""
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
