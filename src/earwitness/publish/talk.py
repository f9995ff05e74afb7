"""The talk: parts in the order of a story, each with its sentences and its still, as Markdown with stills and times,
ready to be edited and spoken."""

import difflib
import re
import textwrap
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from html import escape
from math import floor, log10
from pathlib import Path
from typing import Any, Final

from earwitness.errors import FormatError, InputError
from earwitness.exhibits.heard import remarks_on
from earwitness.exhibits.line_breaks import SENTENCE_END
from earwitness.exhibits.words import is_beyond, listed
from earwitness.files.data import file_text, table_of
from earwitness.files.durable import write_bytes
from earwitness.insight.findings import Finding
from earwitness.insight.findings.finding import PLACES, margin_db
from earwitness.insight.findings.sentences import hertz, pattern_of, shape_word, shared_db
from earwitness.insight.for_whom import GOAL_DB, LOW_NOTES, PEAK_DB
from earwitness.insight.match.amplifier import PAIR_IN_ROOM_DB, voltage_for_level
from earwitness.insight.mend.aim import aim_words
from earwitness.insight.mend.equalizer import Band
from earwitness.insight.mend.stop import mends
from earwitness.insight.words import region, usual_words
from earwitness.publish.arrangement import OWN
from earwitness.publish.review import Review
from earwitness.publish.stills import still_name
from earwitness.quantities import Figure

PLAN: Final = table_of("publish", "talk")
_SAID: Final = tuple((re.compile(pattern), words) for pattern, words in PLAN["said"].items())
_UNITS: Final = {"ohm": " ohms", "V": " volts", "W": " watts", "A": " amperes", "": ""}


def spoken(text: str) -> str:
    """Written words on one line as they are said; what has no sound is left out."""
    for pattern, words in _SAID:
        text = pattern.sub(words, text)
    return text.strip()


def decibels(size_db: float) -> str:
    """A size in steps that an ear follows: half a decibel up to 4 dB, whole ones above."""
    size = abs(size_db)
    if size < 0.75:
        return "half a decibel" if size >= 0.25 else "less than half a decibel"
    steps = round(2.0 * size) / 2.0 if size < 4.0 else round(size)
    return f"{steps:g} decibel{'' if steps == 1 else 's'}"


def frequency(hz: float) -> str:
    """ "240 hertz", "3.8 kilohertz": two figures that count."""
    return hertz(hz).replace("kHz", "kilohertz").replace("Hz", "hertz")


def figure_said(figure: Figure) -> str:
    """The size of a figure without its sign and bound: levels to whole decibels, angles to 5 degrees, others to two
    digits that count; "" where it is not judged or its unit is not said."""
    if figure.value is None:
        return ""
    value, unit = abs(figure.value), figure.unit
    if unit in ("dB", "dB/octave"):
        return decibels(value) + (" per octave" if unit == "dB/octave" else "")
    if unit == "Hz":
        return frequency(value)
    if unit == "deg":
        return f"{5 * round(value / 5)} degrees"
    if unit == "%":
        return "less than 0.1 percent" if value < 0.095 else f"{value:.{1 if value < 2.95 else 0}f} percent"
    return f"{rounded(value)}{_UNITS[unit]}" if unit in _UNITS else ""


def rounded(value: float) -> str:
    """Two digits that count, never as a power of ten."""
    return f"{round(value, 1 - floor(log10(value))) if value > 0 else 0.0:.10g}"


WORDS_PER_MINUTE: Final[int] = PLAN["words_per_minute"]
LEAST_S: Final[float] = PLAN["least_s"]
MOST_S: Final[float] = PLAN["most_s"]
_KEPT: Final = 3
_MARKED: Final = re.compile(r"\bmark (\d+)\b")


@dataclass(frozen=True, slots=True)
class Part:
    """One part. role : of the story, "why"; chart : key of the exhibit that is shown, "" for none; marks : numbers of
    the findings that it speaks of, all marked there; sentences : what is said, the bridge first."""

    key: str
    role: str
    title: str
    chart: str
    marks: tuple[int, ...]
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Draft:
    """A part that can be told. about : the finding with its place in the list, for parts that stand for one."""

    plan: dict[str, Any]
    chart: str
    rank: int
    about: tuple[int, Finding] | None = None


def parts_of(review: Review) -> tuple[Part, ...]:
    """The parts of a talk of 6 to 9 minutes; shorter where there is little to say, longer where the tester's own words
    alone are."""
    every, text = list(_drafts(review)), _text(review)
    chosen = [one for one in every if not one.plan.get("spare")]
    spare = [one for one in every if one.plan.get("spare")]
    while (parts := tuple(_told(chosen, review, text))) and total_s(parts) > MOST_S:
        highest = max(one.rank for one in chosen)
        if not highest:
            break
        chosen.remove([one for one in chosen if one.rank == highest][-1])
    while spare and total_s(parts) < LEAST_S:
        chosen = [one for one in every if one in chosen or one is spare[0]]
        spare, parts = spare[1:], tuple(_told(chosen, review, text))
    return parts


def said_s(words: int, *, new_picture: bool) -> float:
    """Time to say so many words [s], after a look at a new picture."""
    return (float(PLAN["look_s"]) if new_picture else 0.0) + 60.0 * words / WORDS_PER_MINUTE


def total_s(parts: Sequence[Part]) -> float:
    """Time to say all parts [s]."""
    charts = ["", *(part.chart for part in parts)]
    words = (sum(len(sentence.split()) for sentence in part.sentences) for part in parts)
    return sum(round(said_s(n, new_picture=a != b)) for n, a, b in zip(words, charts, charts[1:], strict=False))


def _drafts(review: Review) -> Iterator[_Draft]:
    """Every part that can be told, in order."""
    findings = () if review.advice is None else review.advice.findings
    for plan in PLAN["part"]:
        # A key that ends in a stroke is that of every chart that begins so.
        keys = [chart.key for chart in review.charts]
        shown = [
            key
            for wanted in plan["charts"]
            for key in keys
            if key == wanted or (wanted[-1] == "-" and key.startswith(wanted))
        ]
        if not shown and plan.get("anywhere"):
            shown = [chart.key for chart in review.charts[:1]] or [""]
        if not plan.get("each"):
            yield from (_Draft(plan, key, plan.get("rank", 0)) for key in shown[:1])
            continue
        for place, one in enumerate(findings):
            kind = one.kind if one.kind in ("tilt", "band_limit") else "finding"
            if kind == plan["name"] and shown:
                marked = [key for key in shown if one.key in _marks(review, key)]
                rank = int(place >= _KEPT) if _matters(one, place, review) else plan["rank"]
                yield _Draft(plan, (marked or shown)[0], rank, (place, one))


def _matters(one: Finding, place: int, review: Review) -> bool:
    """It was heard, may be heard, or is mended."""
    assert review.advice is not None
    return one.is_audible or bool(remarks_on(place, review.advice)) or any(mends(band, one) for band in _bands(review))


def _bands(review: Review) -> tuple[Band, ...]:
    """The bands of the set that is advised."""
    mend = None if review.advice is None else review.advice.mend
    return mend.design.equalizer.bands if mend is not None and mend.recommended and mend.design is not None else ()


def _marks(review: Review, key: str) -> tuple[int, ...]:
    """Numbers marked on the first panel of the chart of that key, which is what its still shows."""
    return tuple(mark.number for chart in review.charts if chart.key == key for mark in chart.panels[0].marks)


def _told(drafts: Sequence[_Draft], review: Review, text: Any) -> Iterator[Part]:
    """The parts as they are said one after the other; one that has nothing to say is left out. The tester's own caption
    is said where its picture is first shown."""
    before, own = "", {c.key: c.caption.finding for c in review.charts if OWN in c.caption.reading}
    for one in drafts:
        name: str = one.plan["name"]
        about: tuple[Any, ...] = ()
        if one.about is not None and review.advice is not None:
            place, finding = one.about
            about = (finding, remarks_on(place, review.advice), finding.key in _marks(review, one.chart))
        said = spoken(getattr(text, f"{name}_part")(one.chart != before, *about))
        if not said:
            continue
        said = spoken(f"{said} {own.get(one.chart, '')}")
        key = f"{name}.{about[0].key}" if about else name
        title = spoken(text.finding_title(*about[:2])) if name == "finding" else text.titles[name]
        marks = tuple(sorted(set(map(int, _MARKED.findall(said)))))
        yield Part(key, one.plan["role"], title, one.chart, marks=marks, sentences=tuple(SENTENCE_END.split(said)))
        before = one.chart
        own.pop(before, "")


@cache
def _template() -> Any:
    """What is said, as macros, with all that they ask."""
    from jinja2 import Environment, StrictUndefined

    made = Environment(undefined=StrictUndefined, autoescape=False)
    made.filters |= {"word_of": lambda m: f"“{m.remark.word}”"}
    made.globals |= {
        "decibels": decibels, "hertz": frequency, "said": figure_said, "listed": lambda words: listed(tuple(words)),
        "places": PLACES, "region": region, "pattern_of": pattern_of, "shared_db": shared_db, "mends": mends,
        "margin_db": margin_db, "usual_words": usual_words, "aim_words": aim_words, "remarks_on": remarks_on,
        "is_beyond": is_beyond, "first_sentence": lambda text: SENTENCE_END.split(text.strip())[0],
        "shape": lambda one: shape_word(one.told.size_db, one.q), "notes": _notes,
        "volts_for": voltage_for_level, "pair_db": PAIR_IN_ROOM_DB, "goal_db": GOAL_DB, "peak_db": PEAK_DB,
        "rounded": rounded,
    }  # fmt: skip
    return made.from_string(file_text("publish", "talk.jinja"))


def _text(review: Review) -> Any:
    """The template's macros over a review."""
    figures: defaultdict[str, Figure | None] = defaultdict(lambda: None, review.reading.figures)
    said = defaultdict(str, {key: figure_said(one) for key, one in review.reading.figures.items() if not one.bound})
    return _template().make_module({
        "review": review, "advice": review.advice, "figures": figures, "f": said, "bands": _bands(review),
        "marks_of": partial(_marks, review),
    })  # fmt: skip


def _notes(limit: Figure, *, within: bool) -> str:
    """The lowest note that the bass reaches beyond doubt, or the highest that it does not; "" for none."""
    value, u = limit.judged_value, 2.0 * limit.judged_u
    fits = (name for name, hz in LOW_NOTES[:: 1 if within else -1] if (hz >= value + u if within else hz <= value - u))
    return next(fits, "").partition(" (")[0]


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
        yield Spoken(key, title, still, marks, sentences=tuple(SENTENCE_END.split(words)), start_s=at_s, last_s=last_s)
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
    made, edited = Merged(fresh, (), (), ()), _read(path) if path.is_file() else None
    if edited is not None and beside.exists():
        made = merge_talk(_read(beside), edited, review)
    elif edited not in (None, fresh):
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
