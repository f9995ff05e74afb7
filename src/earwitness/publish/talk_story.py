"""A talk as parts in the order of the story, each with its sentences and the still that it speaks of."""

import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache, partial
from math import floor, log10
from typing import Any, Final

from earwitness.exhibits.line_breaks import SENTENCE_END
from earwitness.exhibits.story import remarks_on
from earwitness.exhibits.words import is_beyond, listed
from earwitness.files.data import file_text, table_of
from earwitness.insight.findings import Finding
from earwitness.insight.findings.finding import PLACES, margin_db
from earwitness.insight.findings.sentences import hertz, pattern_of, shape_word, shared_db
from earwitness.insight.for_whom import GOAL_DB, LOW_NOTES, PEAK_DB
from earwitness.insight.match.amplifier import PAIR_IN_ROOM_DB, voltage_for_level
from earwitness.insight.mend.aim import aim_words
from earwitness.insight.mend.equalizer import Band
from earwitness.insight.mend.verdict import mends
from earwitness.insight.words import region, usual_words
from earwitness.publish.arrangement import OWN
from earwitness.publish.review import Review
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
        yield Part(key, one.plan["role"], title, one.chart, marks, tuple(SENTENCE_END.split(said)))
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
    value, u = limit.value or 0.0, 2.0 * (limit.u or 0.0)
    fits = (name for name, hz in LOW_NOTES[:: 1 if within else -1] if (hz >= value + u if within else hz <= value - u))
    return next(fits, "").partition(" (")[0]
