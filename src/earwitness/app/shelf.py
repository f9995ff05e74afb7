"""The whole catalogue as one looks along a shelf: pages of it, ranks and prices, all from the search index.

Figures of a loudspeaker whose data were never shown are kept back until they are asked for, so that listening can come
first; what is asked for counts as shown.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from earwitness.app.jobs import Progress, silent
from earwitness.app.rebuild import rebuild_session
from earwitness.archive.catalogue import Archive
from earwitness.archive.index_facts import IndexFacts, index_facts, opened_among, sessions_not_indexed
from earwitness.archive.neighbors import Neighbor
from earwitness.archive.notes import record_opening
from earwitness.archive.search import MOST_ROWS, ORDERS, FoundFigure, FoundLoudspeaker, SearchQuery, search
from earwitness.errors import InputError
from earwitness.insight.compare import Candidate, Offer, Standing, price_frontier, standing
from earwitness.quantities import Curve, Figure

_FROM_INDEX = "as the search index holds it"


@dataclass(frozen=True, slots=True)
class ShelfPage:
    """A page of the catalogue. total : all that match; closed : loudspeakers of this page whose figures are kept back;
    left_out : how many match but were never opened, where the question is about figures."""

    total: int
    rows: tuple[FoundLoudspeaker, ...]
    closed: frozenset[int]
    left_out: int


def shelf_facts(archive_folder: Path) -> IndexFacts:
    """What the catalogue can be asked for."""
    with Archive.open(archive_folder) as archive:
        return index_facts(archive)


def shelf_page(query: SearchQuery, archive_folder: Path, *, open_all: bool = False) -> ShelfPage:
    """One page of the catalogue. open_all : show the figures of those never opened too, which opens them.

    Raises as `archive.search.search`.
    """
    about_figures = bool(query.figures) or query.sort not in ORDERS
    with Archive.open(archive_folder) as archive:
        asked = replace(query, opened_only=about_figures and not open_all)
        found = search(archive, asked)
        every = search(archive, replace(query, limit=1)).total if asked.opened_only else found.total
        numbers = tuple(row.loudspeaker_id for row in found.rows)
        closed = frozenset(numbers) - opened_among(archive, numbers)
        if open_all:
            for number in sorted(closed):
                owner = archive.loudspeaker(number)
                record_opening(archive, name=owner.name, maker=owner.maker)
            closed = frozenset()
        rows = tuple(replace(row, figures=()) if row.loudspeaker_id in closed else row for row in found.rows)
        return ShelfPage(found.total, rows, closed, every - found.total)


def shelf_standings(
    loudspeaker_ids: Sequence[int], keys: Sequence[str], query: SearchQuery, archive_folder: Path
) -> dict[int, tuple[Standing, ...]]:
    """Rank and percentile of each loudspeaker among those opened that `query` finds, by the index alone.

    A figure that one of them does not have is left out for it. Uncertainties are those of the index, symmetric.
    Raises InputError for a loudspeaker the index does not know, and as `archive.search.search`.
    """
    with Archive.open(archive_folder) as archive:
        group = tuple(indexed(row, row.figures) for row in _opened(archive, query))
        own = {int(one.key): one for one in group}
        missing = [number for number in loudspeaker_ids if number not in own]
        if missing:
            wide = {int(one.key): one for one in (indexed(row, row.figures) for row in _opened(archive, SearchQuery()))}
            own.update({number: wide[number] for number in missing if number in wide})
    unknown = [str(number) for number in loudspeaker_ids if number not in own]
    if unknown:
        raise InputError(f"the index does not know loudspeaker {', '.join(unknown)}", remedy="read it first")
    return {
        number: tuple(standing(key, own[number], group) for key in keys if key in own[number].figures)
        for number in loudspeaker_ids
    }


def shelf_prices(
    query: SearchQuery, archive_folder: Path, *, key: str = "preference_rating"
) -> tuple[tuple[Offer, ...], str]:
    """Price against a figure of all opened loudspeakers that `query` finds, cheapest first, and the currency.

    Raises InputError for prices in several currencies, and as `archive.search.search`.
    """
    with Archive.open(archive_folder) as archive:
        group = [indexed(row, row.figures) for row in _opened(archive, query)]
    offered = price_frontier(group, key=key)
    currency = next((one.currency for one in group if one.currency is not None), None)
    return offered, currency or ""


def index_missing(archive_folder: Path, *, progress: Progress = silent) -> int:
    """Read every loudspeaker that the index does not know; how many could not be read."""
    with Archive.open(archive_folder) as archive:
        numbers = sessions_not_indexed(archive)
    failed = 0
    for place, number in enumerate(numbers):
        made = rebuild_session(str(archive_folder), number)
        failed += made.state == "failed"
        progress((place + 1) / len(numbers), made.title)
    return failed


def _opened(archive: Archive, query: SearchQuery) -> list[FoundLoudspeaker]:
    rows: list[FoundLoudspeaker] = []
    while True:
        asked = replace(query, limit=MOST_ROWS, offset=len(rows), opened_only=True)
        found = search(archive, asked)
        rows += found.rows
        if len(rows) >= found.total or not found.rows:
            return rows


def indexed_figures(found: Iterable[FoundFigure]) -> dict[str, Figure]:
    """Figures as the index holds them, by key; their uncertainties are symmetric."""
    return {f.key: Figure(f.key, f.value, f.u, f.unit, None, _FROM_INDEX, bound=f.bound) for f in found}


def indexed(
    one: FoundLoudspeaker | Neighbor, figures: Iterable[FoundFigure], curves: Mapping[str, Curve] | None = None
) -> Candidate:
    """A loudspeaker as the index holds it, to be compared."""
    name, known = str(one.loudspeaker_id), indexed_figures(figures)
    return Candidate(name, one.title, one.type, one.date, known, curves or {}, price=one.price, currency=one.currency)
