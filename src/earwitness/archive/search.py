"""Questions to the whole catalogue, answered from an index: text, type, price, any figure within a range.

The index holds one summary a loudspeaker, put here by whoever has read its figures. Full text is SQLite's FTS5; an
archive made where SQLite lacks it is searched word by word instead, slower, with the same kind of answer.
"""

from __future__ import annotations

import difflib
import hashlib
import json
import math
import re
import unicodedata
from collections.abc import Collection, Iterable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import ColumnElement, Select, and_, bindparam, delete, func, literal_column, select, table
from sqlalchemy.dialects.sqlite import insert
from sqlalchemy.orm import Session as Work
from sqlalchemy.orm import aliased

from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import folded
from earwitness.archive.schema import (
    FULL_TEXT,
    DataOpeningRow,
    LoudspeakerRow,
    SummaryFigureRow,
    SummaryRow,
    SummaryShapeRow,
)
from earwitness.errors import InputError, choice
from earwitness.session.kind import TYPES

if TYPE_CHECKING:
    from earwitness.quantities import Figure
    from earwitness.session.session import Session

ORDERS = ("relevance", "title", "price", "date")
MOST_ROWS = 1000
MOST_WORDS = 32
_WORD = re.compile(r"\w+")
# Prices are compared by the pair, whatever they were given for.
_PIECES = {"piece": 2.0, "pair": 1.0}
# Loudspeakers whose data were shown before.
OPENED = select(LoudspeakerRow.id).join(
    DataOpeningRow,
    and_(
        LoudspeakerRow.folded_name == DataOpeningRow.folded_name,
        LoudspeakerRow.folded_maker == DataOpeningRow.folded_maker,
    ),
)


@dataclass(frozen=True, slots=True)
class SummaryFacts:
    """What a search knows of a loudspeaker beside its figures.

    price : of a pair, in `currency` (ISO 4217), or None; date : of the measurement; notes : all words written on
    it; made_from : key of the result that the figures were read from
    """

    type: str
    price: float | None
    currency: str | None
    date: str
    notes: str = ""
    made_from: str = ""

    def __post_init__(self) -> None:
        choice("type", self.type, TYPES)
        if (self.price is None) != (self.currency is None):
            raise InputError("a price needs its currency, and a currency its price")
        if self.price is not None and not (math.isfinite(self.price) and self.price > 0):
            raise InputError(f"the price is {self.price}", expected="a positive number")


@dataclass(frozen=True, slots=True)
class FigureRange:
    """Figures of that key with low <= value <= high; None leaves a side open."""

    key: str
    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        _need_range(self.key, self.low, self.high)


@dataclass(frozen=True, slots=True)
class SearchQuery:
    """What is looked for; all conditions must hold.

    text : words that must all occur in maker, name, type or notes, in any order; the last may be the start of a word
    figures : ranges of figures; type : one type of loudspeaker; currency, price_low, price_high : price of a pair
    sort : "relevance", "title", "price", "date" or the key of a figure; who lacks it comes last
    limit, offset : which rows of the answer; opened_only : leave out those whose data were never shown
    """

    text: str = ""
    figures: tuple[FigureRange, ...] = ()
    type: str | None = None
    currency: str | None = None
    price_low: float | None = None
    price_high: float | None = None
    sort: str = "title"
    descending: bool = False
    limit: int = 50
    offset: int = 0
    opened_only: bool = False

    def __post_init__(self) -> None:
        if self.type is not None:
            choice("type", self.type, TYPES)
        _need_range("price", self.price_low, self.price_high)
        if not 0 < self.limit <= MOST_ROWS or self.offset < 0:
            raise InputError.of("archive.rows_out_of_range", limit=self.limit, offset=self.offset, most_rows=MOST_ROWS)
        if len(_words(self.text)) > MOST_WORDS:
            raise InputError("the search has too many words", expected=f"at most {MOST_WORDS}")


@dataclass(frozen=True, slots=True)
class FoundFigure:
    """A figure as the index holds it. u : standard uncertainty in `unit`; bound : as in Figure."""

    key: str
    value: float
    u: float
    unit: str
    bound: str


@dataclass(frozen=True, slots=True)
class FoundLoudspeaker:
    """One row of an answer. price : of a pair; figures : all judged ones, by key."""

    loudspeaker_id: int
    title: str
    type: str
    price: float | None
    currency: str | None
    date: str
    figures: tuple[FoundFigure, ...]


@dataclass(frozen=True, slots=True)
class Found:
    """An answer. total : how many loudspeakers match in all; rows : those asked for."""

    total: int
    rows: tuple[FoundLoudspeaker, ...]


def facts_of(session: Session, *, notes: str = "", made_from: str = "") -> SummaryFacts:
    """The facts of a session's loudspeaker; the notes of its takes are added to `notes`."""
    spoken = session.loudspeaker
    price = None if spoken.price is None else spoken.price.amount * _PIECES[spoken.price.per]
    currency = None if spoken.price is None else spoken.price.currency
    words = [notes, *(take.note for take in session.takes)]
    text = "\n".join(dict.fromkeys(word for word in words if word))
    return SummaryFacts(spoken.type, price=price, currency=currency, date=session.date, notes=text, made_from=made_from)


def put_summary(archive: Archive, loudspeaker_id: int, figures: Iterable[Figure], facts: SummaryFacts) -> None:
    """Make the index say this of a loudspeaker, in place of what it said. Figures that were not judged are left out.

    Raises ArchiveError for an unknown loudspeaker, InputError for two figures of one key.
    """
    judged = [f for f in figures if f.value is not None]
    keys = [f.key for f in judged]
    if len(set(keys)) != len(keys):
        raise InputError("two figures of one loudspeaker have the same key", where=", ".join(sorted(keys)))
    with archive.writing() as work:
        owner = archive.loudspeaker_row(work, loudspeaker_id)
        title = f"{owner.maker} {owner.name}"
        values = {"title": title, "folded_title": folded(title), **asdict(facts), "created_at": archive.now()}
        put = insert(SummaryRow).values(loudspeaker_id=loudspeaker_id, **values)
        work.execute(put.on_conflict_do_update(index_elements=["loudspeaker_id"], set_=values))
        work.execute(delete(SummaryFigureRow).where(SummaryFigureRow.loudspeaker_id == loudspeaker_id))
        work.add_all(
            SummaryFigureRow(loudspeaker_id=loudspeaker_id, key=f.key, value=f.value, u=f.u, unit=f.unit, bound=f.bound)
            for f in judged
        )
        work.flush()
        row = work.get_one(SummaryRow, loudspeaker_id, populate_existing=True)
        row.digest = index_digest(work, row)


def drop_summary(archive: Archive, loudspeaker_id: int) -> None:
    """Let the index know nothing of a loudspeaker; what it was made from stays in the archive."""
    with archive.writing() as work:
        for row in (SummaryShapeRow, SummaryFigureRow, SummaryRow):
            work.execute(delete(row).where(row.loudspeaker_id == loudspeaker_id))


def index_digest(work: Work, row: SummaryRow) -> str:
    """SHA-256 over what the index says of a loudspeaker, figures included, but not when it was put."""
    of = SummaryFigureRow
    figures = select(of.key, of.value, of.u, of.unit, of.bound).where(of.loudspeaker_id == row.loudspeaker_id)
    said = [row.title, row.folded_title, row.type, row.price, row.currency, row.date, row.notes, row.made_from]
    parts = [*said, [list(one) for one in work.execute(figures.order_by(of.key))]]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()


def shape_digest(row: SummaryShapeRow) -> str:
    """SHA-256 over the curves that the index has of a loudspeaker, and what they were made from."""
    return hashlib.sha256(row.made_from.encode() + b"\n" + row.curves).hexdigest()


def index_faults(work: Work, loudspeaker_id: int) -> tuple[str, ...]:
    """What of the index is not what was put there for a loudspeaker, as sentences without its name.

    What an earlier program put there without a hash passes.
    """
    found = []
    row = work.get(SummaryRow, loudspeaker_id)
    if row is not None and row.digest not in ("", index_digest(work, row)):
        found.append("its figures and words in the search index are not those that were put there")
    shape = work.get(SummaryShapeRow, loudspeaker_id)
    if shape is not None and shape.digest not in ("", shape_digest(shape)):
        found.append("its curves in the search index are not those that were put there")
    return tuple(found)


def summary_sources(archive: Archive) -> dict[int, str]:
    """For every loudspeaker the index knows, the key of the result its summary was made from."""
    query = select(SummaryRow.loudspeaker_id, SummaryRow.made_from).order_by(SummaryRow.loudspeaker_id)
    with archive.reading() as work:
        return {row.loudspeaker_id: row.made_from for row in work.execute(query)}


def is_unindexed(archive: Archive) -> bool:
    """Whether there are loudspeakers, and the index knows none."""
    with archive.reading() as work:
        known, there = (work.scalar(select(row).limit(1)) for row in (SummaryRow.loudspeaker_id, LoudspeakerRow.id))
        return known is None and there is not None


def shape_source(archive: Archive, loudspeaker_id: int) -> str:
    """What the kept curves of a loudspeaker were made from; "" where there are none."""
    query = select(SummaryShapeRow.made_from).where(SummaryShapeRow.loudspeaker_id == loudspeaker_id)
    with archive.reading() as work:
        return work.scalar(query) or ""


def summary_source(archive: Archive, loudspeaker_id: int) -> str | None:
    """What the summary of a loudspeaker was made from; None where the index does not know it, or has it damaged or
    without a hash."""
    with archive.reading() as work:
        row = work.get(SummaryRow, loudspeaker_id)
        shape = work.get(SummaryShapeRow, loudspeaker_id)
        if row is None or row.digest != index_digest(work, row):
            return None
        return None if shape is not None and shape.digest != shape_digest(shape) else row.made_from


def search(archive: Archive, query: SearchQuery) -> Found:
    """The loudspeakers that `query` asks for.

    Raises InputError for a figure or a currency that no loudspeaker has (with those that there are), and for a price
    range over several currencies.
    """
    with archive.reading() as work:
        _need_known_figures(work, query)
        _need_currency(work, query)
        asked = _matching(work, query)
        counted = asked.add_columns(func.count().over())
        page = work.connection().execute(counted.limit(query.limit).offset(query.offset)).all()
        if not page and query.offset:
            return Found(len(list(work.scalars(asked))), ())
        return Found(page[0][1] if page else 0, _rows(work, [number for number, _ in page]))


def _words(text: str) -> list[str]:
    """The words of a question. Composed, as the index takes an accent that stands apart for a part of its letter."""
    return _WORD.findall(unicodedata.normalize("NFC", text))


def _matching(work: Work, query: SearchQuery) -> Select[Any]:
    """Numbers of all loudspeakers that match, in order."""
    chosen = select(SummaryRow.loudspeaker_id)
    words = _words(query.text)
    there = work.connection().exec_driver_sql("SELECT count(*) FROM sqlite_master WHERE name = ?", (FULL_TEXT,))
    has_index = bool(words) and bool(there.scalar_one())
    if query.text.strip() and not words:
        chosen = chosen.where(literal_column("0"))
    elif has_index:
        index = table(FULL_TEXT)
        # The plus keeps SQLite from asking the index anew for each loudspeaker, which takes seconds.
        chosen = chosen.join(index, literal_column(f"+{FULL_TEXT}.rowid") == SummaryRow.loudspeaker_id)
        # Each word in quotes is a string to FTS5, so that nothing in it is an operator; no word holds a quote.
        asked = " ".join(f'"{word}"' for word in words) + "*"
        chosen = chosen.where(literal_column(FULL_TEXT).op("MATCH")(bindparam("asked", asked)))
    elif words:
        whole = func.lower(SummaryRow.title + " " + SummaryRow.type + " " + SummaryRow.notes)
        chosen = chosen.where(*(whole.contains(word.lower(), autoescape=True) for word in words))
    if query.type is not None:
        chosen = chosen.where(SummaryRow.type == query.type)
    if query.opened_only:
        chosen = chosen.where(SummaryRow.loudspeaker_id.in_(OPENED))
    if query.currency is not None:
        chosen = chosen.where(SummaryRow.currency == query.currency.upper())
    chosen = chosen.where(*_between(SummaryRow.price, query.price_low, query.price_high))
    for wanted in query.figures:
        inside = select(SummaryFigureRow.loudspeaker_id).where(
            SummaryFigureRow.key == wanted.key, *_between(SummaryFigureRow.value, wanted.low, wanted.high)
        )
        chosen = chosen.where(SummaryRow.loudspeaker_id.in_(inside))
    return _in_order(chosen, query, has_index=has_index)


def _in_order(chosen: Select[Any], query: SearchQuery, *, has_index: bool) -> Select[Any]:
    last = (SummaryRow.folded_title, SummaryRow.loudspeaker_id)
    if query.sort == "relevance":
        # Equal ranks are rare, and to fetch the titles of all that match costs a fifth of the answer's time.
        by_rank = chosen.order_by(literal_column(f"{FULL_TEXT}.rank"), SummaryRow.loudspeaker_id)
        return by_rank if has_index else chosen.order_by(*last)
    if query.sort == "title":
        return chosen.order_by(*(column.desc() if query.descending else column for column in last))
    columns: dict[str, Any] = {"price": SummaryRow.price, "date": SummaryRow.date}
    column = columns.get(query.sort)
    if column is None:
        sorted_by = aliased(SummaryFigureRow)
        on = and_(sorted_by.loudspeaker_id == SummaryRow.loudspeaker_id, sorted_by.key == query.sort)
        chosen = chosen.outerjoin(sorted_by, on)
        column = sorted_by.value
    return chosen.order_by((column.desc() if query.descending else column.asc()).nulls_last(), *last)


def _rows(work: Work, ids: list[int]) -> tuple[FoundLoudspeaker, ...]:
    query = select(SummaryRow).where(SummaryRow.loudspeaker_id.in_(ids))
    summaries = {row.loudspeaker_id: row for row in work.scalars(query)}
    figures = figures_in(work, None, ids)
    found = []
    for number in ids:
        s, own = summaries[number], tuple(figures.get(number, {}).values())
        found.append(FoundLoudspeaker(number, s.title, s.type, s.price, currency=s.currency, date=s.date, figures=own))
    return tuple(found)


def figures_in(
    work: Work, keys: Collection[str] | None, numbers: Collection[int] | Select[int] | None
) -> dict[int, dict[str, FoundFigure]]:
    """Figures of the index by loudspeaker and key, in the order of their keys. keys : None for all; numbers : of
    loudspeakers, None for all."""
    of = SummaryFigureRow
    query = select(of.loudspeaker_id, of.key, of.value, of.u, of.unit, of.bound)
    query = query if keys is None else query.where(of.key.in_(keys))
    query = query if numbers is None else query.where(of.loudspeaker_id.in_(numbers))
    found: dict[int, dict[str, FoundFigure]] = {}
    for number, key, value, u, unit, bound in work.connection().execute(query.order_by(of.loudspeaker_id, of.key)):
        found.setdefault(number, {})[key] = FoundFigure(key, value, u, unit, bound)
    return found


def _between(column: Any, low: float | None, high: float | None) -> list[ColumnElement[bool]]:
    sides = []
    if low is not None:
        sides.append(column >= low)
    if high is not None:
        sides.append(column <= high)
    return sides


def _need_known_figures(work: Work, query: SearchQuery) -> None:
    if work.scalar(select(SummaryRow.loudspeaker_id).limit(1)) is None:
        return
    asked = [(f.key, ()) for f in query.figures] + ([] if query.sort in ORDERS else [(query.sort, ORDERS)])
    for key, others in asked:
        if work.scalar(select(SummaryFigureRow.key).where(SummaryFigureRow.key == key).limit(1)) is None:
            known = list(work.scalars(select(SummaryFigureRow.key).distinct().order_by(SummaryFigureRow.key)))
            near = difflib.get_close_matches(key, known, n=5, cutoff=0.4) or known[:10]
            raise InputError(
                f"no loudspeaker in the archive has a figure {key!r}",
                expected=("one of " + ", ".join((*others, *near))) if near else "figures in the search index",
            )


def _need_currency(work: Work, query: SearchQuery) -> None:
    asks = query.price_low is not None or query.price_high is not None or query.sort == "price"
    if not asks and query.currency is None:
        return
    priced = select(SummaryRow.currency).where(SummaryRow.currency.is_not(None)).distinct()
    found = list(work.scalars(priced.order_by(SummaryRow.currency)))
    if query.currency is not None:
        if found and query.currency.upper() not in found:
            raise InputError(
                f"no loudspeaker in the archive has a price in {query.currency!r}",
                expected="a currency: " + ", ".join(str(c) for c in found),
            )
        return
    if len(found) > 1:
        raise InputError.of("archive.several_currencies", listed=", ".join(str(c) for c in found))


def _need_range(name: str, low: float | None, high: float | None) -> None:
    given = [side for side in (low, high) if side is not None]
    if not all(math.isfinite(side) for side in given) or (len(given) == 2 and given[0] > given[1]):
        raise InputError(f"the range of {name} is {low} to {high}", expected="two finite numbers, the lower one first")
