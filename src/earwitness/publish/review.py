"""One review as a value: all that a page, a report or a still may say about a loudspeaker, and what of it is read in
five minutes."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from earwitness.exhibits.advice import Advice
from earwitness.exhibits.all import absent_words, exhibits_of
from earwitness.exhibits.balance import NOT_REACHED
from earwitness.exhibits.chart import Chart, Lane, Table
from earwitness.exhibits.compare import Family, PeerComparison
from earwitness.exhibits.figures_table import SIGNED, figures_table, method_words
from earwitness.exhibits.heard import StoryLine, score, story
from earwitness.exhibits.trust import quality
from earwitness.exhibits.words import (
    MINUS,
    figure_words,
    frequency_words,
    listed,
    number_words,
    sentence,
    short_reason,
    true_minus,
)
from earwitness.figures.kinds import kinds_of
from earwitness.figures.maps import DIPS
from earwitness.files.data import file_text, table_of
from earwitness.formats.photo import Picture, picture_of
from earwitness.formats.positions_table import REFERENCE
from earwitness.insight.mend.equalizer import Equalizer
from earwitness.publish.own_words import NO_WORDS, OwnWords
from earwitness.publish.site.corrections import Correction
from earwitness.quantities import Measurement, Reading
from earwitness.session.record import Loudspeaker, Price
from earwitness.session.responses import NoStimulus, ResponseFacts, ScanTake
from earwitness.session.session import FarFieldTake, NearFieldTake, Session, SweepStimulus, Tester, Turntable

FOLDER = "photos"


@dataclass(frozen=True, slots=True)
class ShownPhoto:
    """name : in the page's folder; alt : what is seen; caption : beneath it, or ""."""

    name: str
    picture: Picture
    alt: str
    caption: str


def photos_of(session: Session, files: Mapping[str, Path]) -> tuple[ShownPhoto, ...]:
    """The pictures that a session names, in its order, made anew. files : where its files lie, by their names.

    FormatError for a picture that cannot be read.
    """
    return tuple(
        ShownPhoto(f"{FOLDER}/{number}.jpg", picture_of(files[one.file]), one.alt, one.caption or "")
        for number, one in enumerate(session.photos, 1)
    )


_END: Final = "\N{INFORMATION SEPARATOR TWO}"


def how_measured(session: Session, measurement: Measurement) -> tuple[str, ...]:
    """Sentences: microphone and calibration, signal, positions, room and gate, near field, air, program."""
    from jinja2 import Environment, StrictUndefined

    text = file_text("publish", "how_measured.jinja")
    far = session.takes_of(FarFieldTake)
    counts = {orbit: sum(take.orbit == orbit for take in far) for orbit in ("horizontal", "vertical")}
    stimulus = session.stimulus
    said = Environment(undefined=StrictUndefined, autoescape=False).from_string(text).render(
        session=session,
        measurement=measurement,
        facts=(session.responses or ResponseFacts()) if isinstance(stimulus, NoStimulus) else None,
        sweep=stimulus if isinstance(stimulus, SweepStimulus) else None,
        far=far,
        orbits=tuple(f"{count} on the {orbit} orbit" for orbit, count in counts.items() if count),
        places=_places(session.turntable),
        scan=_scan(session.takes_of(ScanTake)),
        near=tuple(dict.fromkeys(take.driver for take in session.takes_of(NearFieldTake))),
        hz=frequency_words,
        number=number_words,
        listed=listed,
        sentence=sentence,
        end=_END,
    )  # fmt: skip
    parts = (re.sub("[ \n]+", " ", part).strip(" ") for part in said.split(_END))
    return tuple(part for part in parts if part)


def _places(turntable: Turntable | None) -> tuple[str, ...]:
    """Where the axis of the turntable lies from the reference point, in whole millimeters."""
    if turntable is None:
        return ()
    ways = (("behind", "ahead of"), ("right of", "left of"), ("below", "above"))
    sides = zip((1000.0 * part for part in turntable.axis_m), ways, strict=True)
    return tuple(f"{abs(mm):.0f} mm {way[mm > 0]}" for mm, way in sides if round(mm))


def _scan(takes: tuple[ScanTake, ...]) -> dict[str, Any] | None:
    """Count of positions and surfaces, visits to the place of reference, nearest and farthest position [m]."""
    if not takes:
        return None
    visits = sum(take.surface == REFERENCE for take in takes)
    away_m = [sum(c * c for c in take.position_m) ** 0.5 for take in takes]
    surfaces = len({take.surface for take in takes} - {"", None, REFERENCE})
    count = len(takes) - visits
    return {"count": count, "visits": visits, "surfaces": surfaces, "close_m": min(away_m), "far_m": max(away_m)}


_TEXTS = table_of("publish", "review")
_MOST_HEADLINES = 6
_FILLED = "filled_"
INVENTED = "This loudspeaker, its maker and its recordings are invented, to show how a review is made."


@dataclass(frozen=True, slots=True)
class Headline:
    """One figure of the summary: plain words, the trade's term, value ± uncertainty (or why not), method."""

    words: str
    term: str
    value: str
    method: str
    is_judged: bool


@dataclass(frozen=True, slots=True, eq=False)
class Review:
    """A review ready to be written.

    state : which unit in which variant, "" where not stated; others : what else was measured of it, in words
    facts : what the loudspeaker is, as (name, value) pairs; disclosure : how the sample was had and what ties there are
    absent : why exhibits are missing; invented : the banner's sentence, or ""
    reading, measurement : what the downloads are written from
    own_words : the tester's; corrections : what earlier publications of it said otherwise, newest first
    story : heard, measured, mended, one line a finding; lanes : the same over frequency; for_whom : sentences;
    equalizer : for the downloads; empty or None without advice; photos : the first one stands on top;
    advice, family : all of it, for the talk
    """

    title: str
    loudspeaker: Loudspeaker
    tester: Tester
    date: str
    state: str
    revision: str
    disclosure: str
    invented: str
    summary: str
    facts: tuple[tuple[str, str], ...]
    headlines: tuple[Headline, ...]
    exhibits: tuple[Chart | Table, ...]
    absent: tuple[str, ...]
    figures: Table
    how_measured: tuple[str, ...]
    choices: tuple[str, ...]
    quality: Table | None
    reading: Reading
    measurement: Measurement
    story: tuple[StoryLine, ...] = ()
    lanes: tuple[Lane, ...] = ()
    for_whom: tuple[str, ...] = ()
    equalizer: Equalizer | None = None
    own_words: OwnWords = NO_WORDS
    corrections: tuple[Correction, ...] = ()
    others: tuple[str, ...] = ()
    photos: tuple[ShownPhoto, ...] = ()
    advice: Advice | None = None
    family: Family | None = None

    @property
    def charts(self) -> tuple[Chart, ...]:
        return tuple(exhibit for exhibit in self.exhibits if isinstance(exhibit, Chart))


def review_of(
    reading: Reading,
    measurement: Measurement,
    session: Session,
    *,
    revision: str = "1",
    advice: Advice | None = None,
    beside: PeerComparison | None = None,
    family: Family | None = None,
    own_words: OwnWords = NO_WORDS,
    corrections: tuple[Correction, ...] = (),
    photos: tuple[ShownPhoto, ...] = (),
) -> Review:
    """The review of one session's loudspeaker. revision : counts the publications of one review; corrections : what
    the later ones changed, and why.

    own_words : the tester's; what they say of ties and of the sample goes before what the session says.
    advice : what it means and what to do; without it the page shows what was measured, and no more;
    beside : its place among others of the archive; family : its other units, states and days.
    """
    loudspeaker, tester = session.loudspeaker, session.tester
    exhibits = exhibits_of(reading, measurement, loudspeaker, advice=advice, beside=beside, family=family)
    measured = (one for one in exhibits if isinstance(one, Chart) and not one.key.startswith("heard"))
    first = next((exhibit.caption.finding for exhibit in measured), "")
    match, mend = (None, None) if advice is None else (advice.match, advice.mend)
    absent = absent_words(reading, measurement, advice=advice, kinds=kinds_of(loudspeaker))
    return Review(
        title=loudspeaker.title,
        loudspeaker=loudspeaker,
        tester=tester,
        date=session.date,
        state=session.state,
        family=family,
        others=() if family is None else tuple(one.words for one in family.relatives),
        revision=revision,
        disclosure=_disclosure(tester, own_words),
        invented=INVENTED if loudspeaker.invented else "",
        summary=first,
        facts=facts_of(loudspeaker),
        headlines=_headlines(reading),
        exhibits=exhibits,
        absent=(*absent, *(family.absent if family is not None else ())),
        figures=figures_table(reading),
        how_measured=how_measured(session, measurement),
        choices=choices_words(reading),
        quality=quality(measurement),
        reading=reading,
        measurement=measurement,
        equalizer=None if mend is None or mend.design is None else mend.design.equalizer,
        story=() if advice is None else story(advice),
        lanes=() if advice is None else score(advice),
        # Single findings are left out, as the story tells them.
        for_whom=()
        if match is None
        else tuple(true_minus(one.text) for one in match.for_whom if one.keys != ("findings",)),
        own_words=own_words,
        corrections=corrections,
        photos=photos,
        advice=advice,
    )


def facts_of(loudspeaker: Loudspeaker) -> tuple[tuple[str, str], ...]:
    """What the loudspeaker is, as (name, value) pairs in words."""
    size = " × ".join(f"{1000 * part:.0f}" for part in (loudspeaker.width_m, loudspeaker.height_m, loudspeaker.depth_m))
    drivers = ", ".join(
        f"{f'{driver.count} × ' if driver.count > 1 else ''}{driver.name} "
        f"({'' if driver.kind == driver.name.lower() else f'{driver.kind}, '}{1000 * driver.diameter_m:.0f} mm)"
        for driver in loudspeaker.drivers
    )
    kind = f"{loudspeaker.type}, {loudspeaker.enclosure}, {'powered' if loudspeaker.powered else 'passive'}"
    facts = [("Type", kind), ("Drivers", drivers), ("Size (w × h × d)", f"{size} mm")]
    if loudspeaker.mass_kg is not None:
        facts.append(("Mass", f"{loudspeaker.mass_kg:g} kg"))
    if loudspeaker.rated_impedance_ohm is not None:
        facts.append(("Rated impedance", f"{loudspeaker.rated_impedance_ohm:g} Ω (the maker's)"))
    if loudspeaker.powered:
        powers = ((loudspeaker.idle_w, "idle"), (loudspeaker.maximum_w, "at most"))
        if told := ", ".join(f"{watts:g} W {words}" for watts, words in powers if watts is not None):
            facts.append(("Power from the mains", f"{told} (as the tester states it)"))
    facts.append(("Reference axis", loudspeaker.reference_axis))
    facts.append(("Price", _price_words(loudspeaker.price)))
    return tuple(facts)


def choices_words(reading: Reading) -> tuple[str, ...]:
    """What was chosen where standards leave a choice, and what was filled in, as sentences."""
    known = [text % reading.choices[key] for key, text in _TEXTS["choices"].items() if key in reading.choices]
    others = [
        sentence(value if key.startswith("angles_") else f"{key.replace('_', ' ')}: {value}")
        for key, value in reading.choices.items()
        if key not in _TEXTS["choices"] and not key.startswith(_FILLED) and not key.endswith((NOT_REACHED, DIPS))
    ]
    return (*known, *others, *_filled_words(reading))


def _filled_words(reading: Reading) -> tuple[str, ...]:
    """What was filled in between measured angles, alike ones in one sentence."""
    alike: dict[str, list[str]] = {}
    for key, value in reading.choices.items():
        if key.startswith(_FILLED):
            name = re.sub(r" (\d+)db$", f" at {MINUS}\\1 dB", key.removeprefix(_FILLED).replace("_", " "))
            alike.setdefault(value, []).append(name)
    return tuple(sentence(f"filled in for {listed(tuple(names))}: {value}") for value, names in alike.items())


def _price_words(price: Price | None) -> str:
    if price is None:
        return "not stated"
    amount = f"{price.amount:,.0f}" if price.amount == round(price.amount) else f"{price.amount:,.2f}"
    return f"{amount} {price.currency} a {price.per}"


def _disclosure(tester: Tester, own_words: OwnWords) -> str:
    said = (
        ("The sample", " ".join(own_words.plain("obtained")) or tester.obtained),
        ("Ties", " ".join(own_words.plain("disclosure")) or tester.disclosure),
    )
    stated = [sentence(f"{name}: {value}") for name, value in said if value != "not stated"]
    return " ".join(stated) or "The tester has not stated how the sample was had, nor any ties to its maker."


def _headlines(reading: Reading) -> tuple[Headline, ...]:
    found: list[Headline] = []
    for key, words, term in _TEXTS["headlines"]:
        if key in reading.figures and len(found) < _MOST_HEADLINES:
            figure = reading.figures[key]
            value = figure_words(figure, sign=key in SIGNED)
            if not figure.is_judged:
                # The whole reason stands in the table of figures.
                value = f"not judged: {short_reason(figure.reason, whole=False)}"
            found.append(Headline(words, term, value, method_words(figure), figure.is_judged))
    return tuple(found)


MOST_CHARTS: Final = 8
# Own choice: the balance, unless the tester put another chart of the whole sound before it.
_FIRST: Final = ("balance", "in_room", "evenness")
_ASKED_FOR: Final = _TEXTS["asked_for"]
_LONG_WORDS, _MOST_SENTENCES = 30, 5
_VALUE: Final = re.compile(r"(at least |at most )?([−+]?\d[\d.,]*)(.*)")


@dataclass(frozen=True, slots=True)
class Read:
    """charts, others : the exhibits shown at once, and those behind "all measurements"; first : the balance with the
    score over it, None where the review has nothing like it; for_whom, more_for_whom : sentences, likewise parted."""

    first: Chart | None
    charts: tuple[Chart, ...]
    others: tuple[Chart | Table, ...]
    for_whom: tuple[str, ...]
    more_for_whom: tuple[str, ...]


def five_minutes(review: Review) -> Read:
    """The review parted into what is read in five minutes and what is looked up."""
    balance = next((one for one in review.charts if one.key in _FIRST), None)
    room = MOST_CHARTS - (balance is not None)
    there = {one.key for one in review.charts}
    chosen = [key for key in ("balance", *_ASKED_FOR) if key in there and (balance is None or key != balance.key)][
        :room
    ]
    charts = tuple(one for one in review.charts if one.key in chosen)
    short = [one for one in review.for_whom if len(one.split()) <= _LONG_WORDS][:_MOST_SENTENCES]
    return Read(
        first=None if balance is None else _scored(balance, review),
        charts=charts,
        others=tuple(one for one in review.exhibits if one is not balance and one not in charts),
        for_whom=tuple(short),
        more_for_whom=tuple(one for one in review.for_whom if one not in short),
    )


def _scored(balance: Chart, review: Review) -> Chart:
    """The balance as the first screen has it: the score above, marks without the words that the score has."""
    panels = tuple(
        replace(panel, marks=tuple(replace(mark, text="") for mark in panel.marks)) if review.lanes else panel
        for panel in balance.panels
    )
    return replace(balance, title="", subtitle="", note="", panels=panels, lanes=review.lanes)


def value_parts(headline: Headline) -> tuple[str, str]:
    """A headline's number, and what stands under it: bound, uncertainty and unit. ("", reason) where not judged."""
    return number_parts(headline.value) if headline.is_judged else ("", headline.value)


def number_parts(words: str) -> tuple[str, str]:
    """As `value_parts`, of a value in words; ("", words) for none."""
    found = _VALUE.fullmatch(words)
    if found is None:
        return "", words
    bound, number, rest = found.groups(default="")
    return number, ", ".join(part for part in (bound.strip(), rest.strip()) if part)
