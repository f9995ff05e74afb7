"""Exhibits: a loudspeaker beside others of the archive, on its own page.

What is said holds for the archive at the time of publication; the index of a site compares what stands there now.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, floor, log10
from typing import Final, Literal

from earwitness.exhibits.chart import Caption, Chart, Panel, Point, PointKind, Table, chart, table
from earwitness.exhibits.compare import compare_curves
from earwitness.exhibits.figures_table import SIGNED, figure_name
from earwitness.exhibits.level_facts import joined
from earwitness.exhibits.words import band_words, figure_words, listed, value_words
from earwitness.figures.registry import info_of
from earwitness.insight.compare import (
    BALANCE,
    MATCH_BAND_HZ,
    SHAPE_BAND_HZ,
    Candidate,
    Likeness,
    Offer,
    Standing,
    Verdict,
)

RATING: Final = "preference_rating"
MOST_POINTS: Final = 150
RANKED: Final = (RATING, "sensitivity", "f6", "linearity_half_range", "in_room_slope")


@dataclass(frozen=True, slots=True)
class RankedGroup:
    """A group by its words, "stand-mount loudspeakers", with the own place in it by figure; others : without it."""

    words: str
    others: int
    standings: tuple[Standing, ...]


@dataclass(frozen=True, slots=True)
class Alike:
    """One that is near in shape, and whether the measurements tell the two apart."""

    likeness: Likeness
    verdict: Verdict


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """A loudspeaker among others. groups : those it is ranked in; alike : nearest in shape first, and `candidates`
    the same with their curves; offers : price against rating of the first group with the own one, in `currency`;
    ratings : figures of the offers by key; left_out : loudspeakers whose data were never shown."""

    own: Candidate
    groups: tuple[RankedGroup, ...]
    alike: tuple[Alike, ...]
    candidates: tuple[Candidate, ...]
    offers: tuple[Offer, ...]
    currency: str
    left_out: int = 0


def beside_exhibits(beside: Beside) -> list[Chart | Table | None]:
    """Curves over those nearest in shape, who they are, rank in the groups, price against rating."""
    return [_curves(beside), _alike_table(beside), _standing_table(beside), price_chart(beside)]


def _curves(beside: Beside) -> Chart | None:
    shown = [one for one in beside.candidates if BALANCE in one.curves][:2]
    if BALANCE not in beside.own.curves or not shown:
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


def _alike_table(beside: Beside) -> Table | None:
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
        shape_band=band_words(SHAPE_BAND_HZ),
        match_band=band_words(MATCH_BAND_HZ),
        held=_held(beside),
    )


def _standing_table(beside: Beside) -> Table | None:
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


def _standing_words(standings: Sequence[Standing], key: str) -> str:
    found = next((one for one in standings if one.key == key), None)
    if found is None:
        return "not judged: none has it"
    alike = found.not_told_apart
    told = "told from all others" if alike == 0 else f"{alike} cannot be told from it"
    return f"rank {found.rank} of {found.group}, percentile {found.percentile:.0f}; {told}"


def price_chart(beside: Beside) -> Chart | None:
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


def _price_finding(beside: Beside, own: Offer | None, words: str) -> str:
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


def _point(offer: Offer, beside: Beside) -> Point:
    kind: PointKind = "frontier" if offer.on_frontier else "near" if offer.near_frontier else "other"
    kind = "own" if offer.key == beside.own.key else kind
    words = (f"{offer.price:,.0f} {beside.currency}", value_words(offer.value, offer.u, ""))
    return Point(kind, offer.price, offer.value, offer.u, offer.title, words)


def _shown_offers(beside: Beside) -> list[Offer]:
    """All, or those on the frontier and the nearest in price where they are very many."""
    offers = list(beside.offers)
    own = next((one.price for one in offers if one.key == beside.own.key), None)
    if len(offers) <= MOST_POINTS or own is None:
        return offers[:MOST_POINTS]
    near = sorted(offers, key=lambda o: (max(o.price / own, own / o.price), o.title))[:MOST_POINTS]
    kept = {one.key for one in near} | {one.key for one in offers if one.on_frontier}
    return [one for one in offers if one.key in kept]


def _scale(offers: Sequence[Offer]) -> tuple[float, float, float]:
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


def _held(beside: Beside) -> str:
    """For which archive it holds."""
    left = beside.left_out
    kept = f", without {left} whose data were not opened yet" if left else ""
    return f"As the archive was when this was published{kept}."
