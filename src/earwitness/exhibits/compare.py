"""Exhibits: loudspeakers beside each other, and other sessions of one: curves, differences, figures, and price.

Beside others of the archive, on a loudspeaker's own page: what is said holds for the archive at the time of
publication; the index of a site compares what stands there now.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil, floor, log10
from typing import Final, Literal

from earwitness.errors import InputError, choice
from earwitness.exhibits.chart import Caption, Chart, Panel, Point, PointKind, Role, Table, Trace, chart, table
from earwitness.exhibits.figures_table import SIGNED, figure_name
from earwitness.exhibits.level_facts import joined, level_span, step_span, valid_values
from earwitness.exhibits.words import band_words, exact_words, figure_words, listed, value_words
from earwitness.figures.registry import info_of
from earwitness.files.data import worded
from earwitness.insight import compare
from earwitness.insight.variation import Change, Variation
from earwitness.quantities import Curve, Figure

MOST: Final = 4
_ROLES: Final[tuple[Role, ...]] = ("first", "second", "third", "fourth")
_MARK: Final = "≠"
_USUAL_DB: Final = {"low": -20.0, "high": 10.0}
_USUAL_INDEX: Final = {"low": 0.0, "high": 15.0}
_BETTER, _WORSE = "● better", "◆ worse"
CURVES: Final = {
    "listening_window": "Direct sound (listening window)",
    "on_axis": "On axis",
    "early_reflections": "Early reflections",
    "sound_power": "Sound power",
    "in_room": "Predicted in-room response",
    "sound_power_di": "Directivity index of the sound power",
    "early_reflections_di": "Directivity index of the early reflections",
}
"""What can be laid over each other, the usual one first."""


def compare_curves(
    candidates: Sequence[compare.Candidate],
    verdicts: Sequence[compare.Distinction] = (),
    *,
    match_hz: tuple[float, float] = compare.MATCH_BAND_HZ,
    curve: str = compare.BALANCE,
) -> Chart:
    """One of CURVES of each over each other with its ribbon, levels matched unless it is an index; directivity indices
    beneath.

    Raises InputError for fewer than two or more than four loudspeakers, or where one has no such curve to match.
    """
    if not 2 <= len(candidates) <= MOST:
        raise InputError(f"{len(candidates)} loudspeakers cannot be overlaid", expected=f"2 to {MOST} of them")
    is_index = choice("the curve", curve, CURVES).endswith("_di")
    found = tuple(_own(one, curve) if is_index else compare.matched(_own(one, curve), match_hz) for one in candidates)
    traces = _named(candidates, found, ribbon=True)
    span = step_span(valid_values(found, 40.0), 5.0, **(_USUAL_INDEX if is_index else _USUAL_DB))
    panels = [Panel("Level", found[0].reference, *span, 5.0, traces=traces)]
    if is_index:
        panels = [Panel("Directivity index", "dB", *span, 5.0, traces=traces)]
    with_index = [one for one in candidates if compare.DIRECTIVITY in one.curves and not is_index]
    if with_index:
        indices = tuple(_own(one, compare.DIRECTIVITY) for one in with_index)
        span = step_span(valid_values(indices), 5.0, **_USUAL_INDEX)
        panels.append(Panel("Directivity index", "dB", *span, 5.0, traces=_named(with_index, indices)))
    how = "Levels are matched by the mean over the stated band, so that only shape is compared; sensitivity stands in "
    return chart(
        "compare",
        panels,
        finding=joined(*(v.sentence for v in verdicts)) or "The curves are laid over each other.",
        name=CURVES[curve],
        matched=_matched_words(curve, match_hz),
        how="" if is_index else f"{how}the table. ",
        lower=" The lower panel shows how much louder the direct sound is than what goes elsewhere."
        if with_index
        else "",
    )


def compare_difference(
    first: compare.Candidate,
    *others: compare.Candidate,
    match_hz: tuple[float, float] = compare.MATCH_BAND_HZ,
    curve: str = compare.BALANCE,
) -> Chart:
    """First less each other, with the uncertainty of both combined. Raises as `compare_curves`."""
    match = None if curve.endswith("_di") else match_hz
    found = tuple(compare.difference(_own(first, curve), _own(one, curve), match_hz=match) for one in others)
    low, high = step_span(valid_values(found, 40.0), 5.0, low=-10.0, high=10.0)
    if len(others) == 1:
        traces: tuple[Trace, ...] = (Trace(replace(found[0], name="difference"), "first", "difference", ribbon=True),)
    else:
        named = [replace(one, title=f"less {one.title}") for one in others]
        traces = _named(named, found, roles=_ROLES[1:], ribbon=True)
    return chart(
        "compare_difference",
        (Panel("Difference", "dB", low, high, 5.0, traces=traces),),
        finding=joined(*(_difference_words(first, one, each, match) for one, each in zip(others, found, strict=True))),
        name=CURVES[curve],
        first=first,
        others=others[0].title if len(others) == 1 else "each of the others",
        matched=_matched_words(curve, match_hz),
    )


def _difference_words(
    first: compare.Candidate, other: compare.Candidate, curve: Curve, match: tuple[float, float] | None
) -> str:
    level = "as measured" if match is None else "level-matched"
    found = sorted(compare.band_differences(curve), key=lambda b: -abs(b.level_db))[:3]
    if not found:
        return worded("exhibits.level_matched_differ_nowhere", first=first, other=other, level=level)
    parts = tuple(
        f"{value_words(b.level_db, b.u_db, 'dB', sign=True)} from {band_words((b.low_hz, b.high_hz))}" for b in found
    )
    return f"Against {other.title}, {level}, {first.title} differs most by {listed(parts)}."


def _own(one: compare.Candidate, key: str) -> Curve:
    """The curve of a loudspeaker under a key of its own, so that each can be hidden by itself."""
    if key not in one.curves:
        raise InputError(
            f"{one.title} has no curve of this kind: {CURVES[key].lower()}",
            remedy="choose another curve, or loudspeakers that have it",
        )
    return replace(one.curves[key], key=f"{key}_{one.key}".replace(" ", "_"))


def _named(
    candidates: Sequence[compare.Candidate],
    curves: Sequence[Curve],
    *,
    roles: Sequence[Role] = _ROLES,
    ribbon: bool = False,
) -> tuple[Trace, ...]:
    rows = zip(candidates, curves, roles, strict=False)
    return tuple(Trace(curve, role, one.title, ribbon=ribbon) for one, curve, role in rows)


def _matched_words(key: str, match_hz: tuple[float, float]) -> str:
    return "" if key.endswith("_di") else f", level-matched from {band_words(match_hz)}"


def compare_change(
    found: Change, first: compare.Candidate, second: compare.Candidate, *, key: str = "", title: str = "What changed"
) -> Chart:
    """Two sessions of one loudspeaker over each other as they are, and first less second with the uncertainty that
    they do not share. key : of the chart and of the difference; made from both where none is given."""
    key = key or f"change_{first.key}_{second.key}".replace(" ", "_")
    curve = replace(found.curve, key=key, name=f"{first.title} less {second.title}")
    both = tuple(one.curves[found.key] for one in (first, second))
    top, bottom = level_span(both, span_db=30.0)[::-1]
    low, high = step_span(valid_values((curve,), found.band_hz[0], found.band_hz[1]), 1.0, low=-3.0, high=3.0)
    levels = tuple(
        Trace(one, role, candidate.title) for one, role, candidate in zip(both, _ROLES, (first, second), strict=False)
    )
    return Chart(
        key=key,
        title=title,
        subtitle=f"{curve.name}, as measured",
        caption=Caption(found.sentence, worded("exhibits.what_device_moves_both", found=found)),
        panels=(
            Panel("Level", both[0].reference, bottom, top, 5.0, traces=levels),
            # A decade as long as 10 dB (IEC 60263): what is to be seen is small.
            Panel(
                "Difference",
                "dB",
                low,
                high,
                1.0,
                traces=(Trace(curve, "plain", "difference", ribbon=True),),
                db_per_decade=10.0,
            ),
        ),
    )


def compare_table(candidates: Sequence[compare.Candidate]) -> Table:
    """Figures beside each other: first what is better or worse than the first one's beyond both uncertainties, then
    what is higher or lower without being either, then what cannot be told apart."""
    first, *others = candidates
    keys = [key for key in first.figures if any(key in one.figures for one in others)]
    rows = []
    for key in keys:
        cells = [figure_words(first.figures[key], sign=key in SIGNED)]
        for one in others:
            figure = one.figures.get(key)
            words = "not judged: not measured" if figure is None else figure_words(figure, sign=key in SIGNED)
            mark = "" if figure is None else _told_apart(first.figures[key], figure)
            cells.append(f"{words} {mark}".rstrip())
        if any(not cell.startswith("not judged") for cell in cells):
            rows.append((figure_name(key), *cells))
    rows.sort(key=lambda row: (not differs(row), not any(_BETTER in cell or _WORSE in cell for cell in row)))
    right: list[Literal["left", "right"]] = ["right"] * len(candidates)
    return table(
        "compare_figures",
        rows,
        columns=("Figure", *(one.title for one in candidates)),
        align=("left", *right),
        mark=_MARK,
        by_chance=ceil(len(rows) / 20),
        count=len(rows),
    )


def differs(row: tuple[str, ...]) -> bool:
    """Whether a row of `compare_table` marks a difference."""
    return any(mark in cell for cell in row[2:] for mark in (_BETTER, _WORSE, _MARK))


def _told_apart(own: Figure, other: Figure) -> str:
    """How another one's figure differs from the own one, "" where it does not beyond the uncertainty of both."""
    pair = compare.compare_figure(own, other)
    if pair is None or not pair.is_beyond:
        return ""
    info, way = info_of(own.key), "lower" if pair.difference > 0 else "higher"
    if info is None or not info.better:
        return f"{_MARK} {way}"
    return _BETTER if info.better == way else _WORSE


def price_table(candidates: Sequence[compare.Candidate], *, key: str = "preference_rating") -> Table:
    """Price against a figure, cheapest first, with those on the frontier. Raises as `price_frontier`."""
    figures = {one.key: one.figures[key] for one in candidates if key in one.figures}
    currency = {one.key: one.currency or "" for one in candidates}
    rows = []
    for offer in compare.price_frontier(candidates, key=key):
        place = "on the frontier" if offer.on_frontier else "not told from it" if offer.near_frontier else ""
        price = f"{offer.price:,.0f} {currency[offer.key]}"
        rows.append((offer.title, price, figure_words(figures[offer.key]), place or "behind it"))
    return table(
        "compare_price",
        rows,
        columns=("Loudspeaker", "Price of a pair", figure_name(key), "Frontier"),
        figure=figure_name(key).lower(),
    )


RATING: Final = "preference_rating"
MOST_POINTS: Final = 150
RANKED: Final = (RATING, "sensitivity", "f6", "linearity_half_range", "in_room_slope")


@dataclass(frozen=True, slots=True)
class RankedGroup:
    """A group by its words, "stand-mount loudspeakers", with the own place in it by figure; others : without it."""

    words: str
    others: int
    standings: tuple[compare.Standing, ...]


@dataclass(frozen=True, slots=True)
class Alike:
    """One that is near in shape, and whether the measurements tell the two apart."""

    likeness: compare.Likeness
    verdict: compare.Distinction


@dataclass(frozen=True, slots=True, eq=False)
class PeerComparison:
    """A loudspeaker among others. groups : those it is ranked in; alike : nearest in shape first, and `candidates`
    the same with their curves; offers : price against rating of the first group with the own one, in `currency`;
    ratings : figures of the offers by key; left_out : loudspeakers whose data were never shown."""

    own: compare.Candidate
    groups: tuple[RankedGroup, ...]
    alike: tuple[Alike, ...]
    candidates: tuple[compare.Candidate, ...]
    offers: tuple[compare.Offer, ...]
    currency: str
    left_out: int = 0


def beside_exhibits(beside: PeerComparison) -> list[Chart | Table | None]:
    """Curves over those nearest in shape, who they are, rank in the groups, price against rating."""
    return [_curves(beside), _alike_table(beside), _standing_table(beside), price_chart(beside)]


def _curves(beside: PeerComparison) -> Chart | None:
    shown = [one for one in beside.candidates if compare.BALANCE in one.curves][:2]
    if compare.BALANCE not in beside.own.curves or not shown:
        return None
    chart = compare_curves((beside.own, *shown))
    keys = {one.key for one in shown}
    told = [f"Nearest in shape: {listed(tuple(one.title for one in shown))}."]
    told += [one.verdict.sentence for one in beside.alike if one.likeness.key in keys]
    return replace(
        chart,
        key="beside-curves",
        title="Beside those most like it",
        caption=Caption(joined(*told), chart.caption.reading),
    )


def _alike_table(beside: PeerComparison) -> Table | None:
    if not beside.alike:
        return None
    rows = []
    for one in beside.alike:
        likeness = one.likeness
        directivity = "not known" if likeness.directivity_db is None else f"{likeness.directivity_db:.1f} dB"
        told = "told apart" if one.verdict.told_apart else "cannot be told apart"
        distance = value_words(likeness.distance_db, likeness.u_db, "dB")
        rows.append((likeness.title, distance, f"{likeness.balance_db:.1f} dB", directivity, told))
    return table(
        "beside-alike",
        rows,
        shape_band=band_words(compare.SHAPE_BAND_HZ),
        match_band=band_words(compare.MATCH_BAND_HZ),
        held=_held(beside),
    )


def _standing_table(beside: PeerComparison) -> Table | None:
    groups = [group for group in beside.groups if group.standings]
    if not groups:
        return None
    keys = [key for key in RANKED if any(s.key == key for group in groups for s in group.standings)]
    rows = []
    for key in keys:
        cells = [_standing_words(group.standings, key) for group in groups]
        rows.append((figure_name(key), figure_words(beside.own.figures[key], sign=key in SIGNED), *cells))
    left: list[Literal["left", "right"]] = ["left"] * len(groups)
    sizes = listed(tuple(f"{group.others} other {group.words}" for group in groups))
    return table(
        "beside-rank",
        rows,
        columns=("Figure", "Value", *(f"Among {group.words}" for group in groups)),
        align=("left", "right", *left),
        sizes=sizes,
        held=_held(beside),
    )


def _standing_words(standings: Sequence[compare.Standing], key: str) -> str:
    found = next((one for one in standings if one.key == key), None)
    if found is None:
        return "not judged: none has it"
    alike = found.not_told_apart
    told = "told from all others" if alike == 0 else f"{alike} cannot be told from it"
    return f"rank {found.rank} of {found.group}, percentile {found.percentile:.0f}; {told}"


def price_chart(beside: PeerComparison) -> Chart | None:
    """Price against rating with the frontier; None where fewer than two have both."""
    offers = _shown_offers(beside)
    if len(offers) < 2:
        return None
    own = next((one for one in offers if one.key == beside.own.key), None)
    points = tuple(_point(one, beside) for one in offers)
    low, high, step = _scale(offers)
    prices = [one.price for one in offers]
    words = beside.groups[0].words if beside.groups else "loudspeakers"
    left = len(beside.offers) - len(offers)
    more = f" The {len(offers)} nearest in price of {len(beside.offers)} are shown." if left else ""
    panel = Panel(_rating_name(), "", low, high, step, db_per_decade=None, points=points)
    return chart(
        "beside-price",
        (panel,),
        finding=_price_finding(beside, own, words),
        low_hz=_round_down(min(prices) / 1.15),
        high_hz=_round_up(max(prices) * 1.15),
        axis="price",
        beside=beside,
        rating=_rating_name().lower(),
        more=more,
        held=_held(beside),
    )


def _price_finding(beside: PeerComparison, own: compare.Offer | None, words: str) -> str:
    count = len(beside.offers)
    if own is None:
        return f"Price against rating of {count} {words}; this one has no price or no rating."
    price = f"{own.price:,.0f} {beside.currency} a pair"
    if own.on_frontier:
        return f"Nothing up to {price} is rated higher, of {count} {words}."
    better = sum(o.price <= own.price and o.value > own.value for o in beside.offers)
    some = "one other that costs" if better == 1 else f"{better} others that cost"
    have = f"At {price}, {some} the same or less {'has' if better == 1 else 'have'} a higher rating"
    if own.near_frontier:
        return f"{have}, but {'not' if better == 1 else 'none'} by more than the uncertainty."
    return f"{have}, {'and' if better == 1 else 'at least one'} by more than the uncertainty."


def _point(offer: compare.Offer, beside: PeerComparison) -> Point:
    kind: PointKind = "frontier" if offer.on_frontier else "near" if offer.near_frontier else "other"
    kind = "own" if offer.key == beside.own.key else kind
    words = (f"{offer.price:,.0f} {beside.currency}", value_words(offer.value, offer.u, ""))
    return Point(kind=kind, at=offer.price, value=offer.value, u=offer.u, name=offer.title, words=words)


def _shown_offers(beside: PeerComparison) -> list[compare.Offer]:
    """All, or those on the frontier and the nearest in price where they are very many."""
    offers = list(beside.offers)
    own = next((one.price for one in offers if one.key == beside.own.key), None)
    if len(offers) <= MOST_POINTS or own is None:
        return offers[:MOST_POINTS]
    near = sorted(offers, key=lambda o: (max(o.price / own, own / o.price), o.title))[:MOST_POINTS]
    kept = {one.key for one in near} | {one.key for one in offers if one.on_frontier}
    return [one for one in offers if one.key in kept]


def _scale(offers: Sequence[compare.Offer]) -> tuple[float, float, float]:
    """Ends and step of the vertical axis, whole steps around every value."""
    low, high = min(o.value - 2 * o.u for o in offers), max(o.value + 2 * o.u for o in offers)
    low, high = max(low, min(o.value for o in offers) - 3.0), min(high, max(o.value for o in offers) + 3.0)
    step = next(size for size in (0.5, 1.0, 2.0, 5.0, 10.0, 50.0) if (high - low) / size <= 10 or size == 50.0)
    return step * floor(low / step), step * max(ceil(high / step), floor(low / step) + 1), step


def _round_down(price: float) -> float:
    size = 10.0 ** floor(log10(price))
    return max(floor(price / size), 1) * size


def _round_up(price: float) -> float:
    size = 10.0 ** floor(log10(price))
    return ceil(price / size) * size


def _rating_name() -> str:
    info = info_of(RATING)
    name = info.name if info is not None else "preference rating"
    return name[:1].upper() + name[1:]


def _held(beside: PeerComparison) -> str:
    """For which archive it holds."""
    left = beside.left_out
    kept = f", without {left} whose data were not opened yet" if left else ""
    return f"As the archive was when this was published{kept}."


Kind = Literal["sample", "pair", "repair", "variant", "day"]
PREFIX: Final = "again"
TOGETHER: Final = "No unit was measured twice: the spread holds set-up and placement too."
_NOT_BELOW_ZERO: Final = ("f3", "f6", "f10", "linearity_half", "linearity_share", "linearity_band")
_TITLES: Final[Mapping[Kind, str]] = {
    "sample": "Second sample",
    "pair": "Left and right",
    "repair": "Before and after",
    "variant": "Another variant",
    "day": "Measured again",
}


@dataclass(frozen=True, slots=True)
class UnitsTold:
    """Figures over the units of a loudspeaker in one state.

    variant : the state, "" where none is stated; sessions : by unit, their numbers; figures : by key
    u_mean : standard uncertainty of the mean by key: what the sessions scatter, at least what each one's own
    uncertainty leaves of a mean, and what their devices move alike, which shows in no scatter
    """

    title: str
    variant: str
    sessions: Mapping[str, tuple[int, ...]]
    figures: Mapping[str, Variation]
    u_mean: Mapping[str, float]
    units: Mapping[str, str]


@dataclass(frozen=True, slots=True, eq=False)
class Relative:
    """Another session of the loudspeaker. number : of it; change : of `first` against `second`, one of which it is;
    words : what tells it from the session shown."""

    kind: Kind
    number: int
    change: Change
    first: compare.Candidate
    second: compare.Candidate
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class Family:
    """What else was measured of a loudspeaker. units : over units in the state of the session shown, None for one unit;
    absent : sentences about sessions that are not shown."""

    relatives: tuple[Relative, ...]
    units: UnitsTold | None = None
    absent: tuple[str, ...] = ()


def family_exhibits(family: Family) -> list[Chart | Table | None]:
    """A chart for each other session, and what the units spread."""
    made: list[Chart | Table | None] = [
        compare_change(
            one.change,
            one.first,
            one.second,
            key=f"{PREFIX}-{one.kind}-{one.number}",
            title=_TITLES[one.kind] + ("" if one.kind == "repair" else f": {one.words}"),
        )
        for one in family.relatives
    ]
    return [*made, None if family.units is None else units_table(family.units)]


def units_table(found: UnitsTold) -> Table | None:
    """Mean, spread over units and the next unit, for the figures that loudspeakers are ranked by."""
    rows = tuple((figure_name(key), *units_row(found, key)) for key in RANKED if key in found.figures)
    if not rows:
        return None
    count, total = len(found.sessions), sum(len(numbers) for numbers in found.sessions.values())
    together = f" {TOGETHER}" if all(one.repeat_sd is None for one in found.figures.values()) else ""
    return Table(
        key=f"{PREFIX}-units",
        title="Spread over units",
        columns=("Figure", "Mean", "Standard deviation over units", "Next unit"),
        align=("left", "right", "left", "right"),
        rows=rows,
        note=f"{count} units ({', '.join(found.sessions)}), {total} sessions"
        + (f", {found.variant}" if found.variant else "")
        + f". ± and all limits are 95 %; from few units they are wide.{together}",
    )


def units_row(found: UnitsTold, key: str) -> tuple[str, str, str]:
    """Mean, spread with its limits, and the range of the next unit, in words."""
    one, info = found.figures[key], info_of(key)
    most = None if info is None else info.decimals
    mean = value_words(one.mean, found.u_mean[key], found.units[key], most=most)
    # With one digit more than the figure is printed with: a spread is smaller than what it spreads.
    finest = None if most is None else most + 1
    coming = max(one.next_low, 0.0) if key.startswith(_NOT_BELOW_ZERO) else one.next_low
    sd, low, high, coming_low, coming_high = (
        exact_words(value, found.units[key], most=finest)
        for value in (one.unit_sd, one.low_sd, one.high_sd, coming, one.next_high)
    )
    is_told = one.repeat_sd is None or one.is_told
    spread = f"{sd} ({low} to {high})" if is_told else f"not told from repeats, at most {high}"
    return mean, spread, f"{coming_low} to {coming_high}"
