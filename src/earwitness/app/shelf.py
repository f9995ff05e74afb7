"""The whole catalogue as one looks along a shelf: questions to it, and pages of it with ranks and prices."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from earwitness.app.jobs import Progress, silent
from earwitness.archive.catalogue import Archive
from earwitness.archive.index_facts import IndexFacts, index_facts, opened_among, sessions_not_indexed
from earwitness.archive.notes import record_opening
from earwitness.archive.search import (
    MOST_ROWS,
    ORDERS,
    FigureRange,
    Found,
    FoundFigure,
    FoundLoudspeaker,
    SearchQuery,
    is_unindexed,
    search,
)
from earwitness.errors import InputError

# A search from the command line needs no numbers; what ranks and compares is imported where it is used.
if TYPE_CHECKING:
    from earwitness.archive.neighbors import Neighbor
    from earwitness.insight.compare import Candidate, Offer, Standing
    from earwitness.quantities import Curve, Figure

_FROM_INDEX = "as the search index holds it"


def search_archive(query: SearchQuery, archive_folder: Path) -> Found:
    """Answer a question to the catalogue. Raises as `search`, and InputError where the index is empty."""
    with Archive.open(archive_folder, create=False) as archive:
        if is_unindexed(archive):
            raise InputError.of("app.index_empty", where=str(archive_folder))
        found = search(archive, query)
        if query.figures or query.sort not in ORDERS:
            # An answer by figures tells the data: listening sheets sealed from now on were made with them known.
            for row in found.rows:
                owner = archive.loudspeaker(row.loudspeaker_id)
                record_opening(archive, name=owner.name, maker=owner.maker)
        return found


def figure_range(text: str) -> FigureRange:
    """ "f6=30:45", "sensitivity=88:", "f6=:40" as a range. Raises InputError for other text."""
    key, sign, span = text.partition("=")
    low, colon, high = span.partition(":")
    try:
        if not (key.strip() and sign and colon):
            raise ValueError
        return FigureRange(key.strip(), float(low) if low.strip() else None, float(high) if high.strip() else None)
    except ValueError:
        raise InputError.of("app.no_range", text=text) from None


def found_lines(found: Found, shown: tuple[str, ...]) -> list[str]:
    """An answer as lines of text; shown : keys of the figures to print."""
    lines = []
    for row in found.rows:
        price = "no price" if row.price is None else f"{row.price:,.0f} {row.currency} a pair"
        lines.append(f"{row.title}: {row.type}, {price}, measured {row.date}")
        for figure in row.figures:
            if figure.key in shown:
                from earwitness.exhibits.words import value_words

                bound = f"{figure.bound} " if figure.bound else ""
                lines.append(f"    {figure.key} {bound}{value_words(figure.value, figure.u, figure.unit)}")
    more = found.total - len(found.rows)
    tail = f"{found.total} found" + (f", {len(found.rows)} shown" if more > 0 else "")
    return [*lines, tail]


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


def browse_catalogue(query: SearchQuery, archive_folder: Path, *, open_all: bool = False) -> ShelfPage:
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
    from earwitness.insight.compare import standing

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


def shelf_prices(query: SearchQuery, archive_folder: Path) -> tuple[tuple[Offer, ...], str]:
    """Price against preference rating of all opened loudspeakers that `query` finds, cheapest first, and the currency.

    Raises InputError for prices in several currencies, and as `archive.search.search`.
    """
    from earwitness.insight.compare import price_frontier

    with Archive.open(archive_folder) as archive:
        group = [indexed(row, row.figures) for row in _opened(archive, query)]
    currency = next((one.currency for one in group if one.currency is not None), None)
    return price_frontier(group), currency or ""


def index_missing(archive_folder: Path, *, progress: Progress = silent) -> int:
    """Read every loudspeaker that the index does not know; how many could not be read."""
    # The desk needs no reduction; it opens at once without.
    from earwitness.app.archive import rebuild_session

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
    from earwitness.quantities import Figure

    return {f.key: Figure(f.key, f.value, f.u, f.unit, band_hz=None, method=_FROM_INDEX, bound=f.bound) for f in found}


def indexed(
    one: FoundLoudspeaker | Neighbor, figures: Iterable[FoundFigure], curves: Mapping[str, Curve] | None = None
) -> Candidate:
    """A loudspeaker as the index holds it, to be compared."""
    from earwitness.insight.compare import Candidate

    name, known = str(one.loudspeaker_id), indexed_figures(figures)
    return Candidate(name, one.title, one.type, one.date, known, curves or {}, price=one.price, currency=one.currency)
