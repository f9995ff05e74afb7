"""Which exhibits a review shows, in which order, under whose captions: the tester's choice, told to the reader."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Final

from earwitness.errors import FormatError, InputError
from earwitness.exhibits.chart import Caption, Chart, Table
from earwitness.publish.review import Review
from earwitness.quantities import Locked

MOST_CAPTION: Final = 1000
OWN: Final = "The caption is the tester’s."


@dataclass(frozen=True, slots=True)
class OwnCaption:
    """A caption in the tester's words. instead_of : the generated one at the time, from the numbers of then."""

    text: str
    instead_of: str


@dataclass(frozen=True, slots=True)
class Arrangement(Locked):
    """order : keys of exhibits, first to last; those not named follow as generated; left_out : keys not shown;
    captions : by key of a chart."""

    order: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    captions: Mapping[str, OwnCaption] = field(default_factory=dict)


AS_GENERATED: Final = Arrangement()


def arrangement_for(
    review: Review, *, order: Sequence[str], left_out: Sequence[str] = (), captions: Mapping[str, str]
) -> Arrangement:
    """The tester's choice for `review`, as generated. captions : texts by key; an empty one brings the generated back.

    Raises InputError for a key that is no exhibit of it, one that stands twice, a caption that is too long or of a
    table.
    """
    known = {one.key: one for one in review.exhibits}
    named = [*order, *left_out]
    unknown = next((key for key in (*named, *captions) if key not in known), None)
    if unknown is not None:
        raise InputError.of("publish.no_such_exhibit", expected=", ".join(known), unknown=unknown[:60])
    if len(set(named)) != len(named):
        twice = next(key for key in named if named.count(key) > 1)
        raise InputError(f"the exhibit {twice!r} stands twice", expected="each once")
    kept = {}
    for key, text in captions.items():
        words, exhibit = " ".join(text.split()), known[key]
        if not words:
            continue
        if len(words) > MOST_CAPTION or not isinstance(exhibit, Chart):
            what = "is a table, which has no caption" if isinstance(exhibit, Table) else "has a caption too long"
            raise InputError(f"the exhibit {key!r} {what}", expected=f"a chart, at most {MOST_CAPTION} characters")
        if words != exhibit.caption.finding:
            kept[key] = OwnCaption(words, exhibit.caption.finding)
    return Arrangement(tuple(order), tuple(left_out), kept)


def arranged(review: Review, arrangement: Arrangement) -> Review:
    """`review` in the tester's order and captions; what is left out is told among what is absent."""
    place = {key: number for number, key in enumerate(arrangement.order)}
    shown = [one for one in review.exhibits if one.key not in arrangement.left_out]
    ordered = sorted(shown, key=lambda one: place.get(one.key, len(place)))
    left = [one.title for one in review.exhibits if one.key in arrangement.left_out]
    absent = (*review.absent, *(f"{title}: left out by the tester." for title in left))
    return replace(review, exhibits=tuple(_captioned(one, arrangement) for one in ordered), absent=absent)


def outdated(review: Review, arrangement: Arrangement) -> tuple[str, ...]:
    """Keys of own captions whose numbers changed: the generated caption of `review`, as generated, is another now."""
    now = {one.key: one.caption.finding for one in review.exhibits if isinstance(one, Chart)}
    return tuple(key for key, own in arrangement.captions.items() if key in now and now[key] != own.instead_of)


def to_document(arrangement: Arrangement) -> dict[str, Any]:
    """Plain values, as they are kept."""
    return {
        "order": list(arrangement.order),
        "left_out": list(arrangement.left_out),
        "captions": {key: asdict(own) for key, own in arrangement.captions.items()},
    }


def from_document(document: Mapping[str, Any], *, where: str = "") -> Arrangement:
    """The arrangement from plain values; FormatError where they are none."""
    try:
        captions = {
            str(key): OwnCaption(str(own["text"]), str(own["instead_of"])) for key, own in document["captions"].items()
        }
        return Arrangement(tuple(map(str, document["order"])), tuple(map(str, document["left_out"])), captions)
    except (KeyError, TypeError, AttributeError) as error:
        raise FormatError.of("publish.choice_unreadable", where=where) from error


def _captioned(exhibit: Chart | Table, arrangement: Arrangement) -> Chart | Table:
    own = arrangement.captions.get(exhibit.key)
    if own is None or isinstance(exhibit, Table):
        return exhibit
    return replace(exhibit, caption=Caption(own.text, f"{exhibit.caption.reading} {OWN}".strip()))
