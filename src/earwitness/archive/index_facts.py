"""What the search index holds in all: which figures, of how many, between what ends."""

from collections.abc import Collection
from dataclasses import dataclass

from sqlalchemy import Select, distinct, func, select
from sqlalchemy.orm import Session as Work

from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import uncounted_sessions
from earwitness.archive.schema import LoudspeakerRow, SessionRow, SummaryFigureRow, SummaryRow
from earwitness.archive.search import OPENED


@dataclass(frozen=True, slots=True)
class FigureFacts:
    """A figure of the index. count : loudspeakers that have it."""

    key: str
    unit: str
    count: int


@dataclass(frozen=True, slots=True)
class IndexFacts:
    """measured : loudspeakers with a session; indexed : those the index knows; types, currencies : that occur."""

    measured: int
    indexed: int
    types: tuple[str, ...]
    currencies: tuple[str, ...]
    figures: tuple[FigureFacts, ...]


def index_facts(archive: Archive) -> IndexFacts:
    """What can be asked of the index."""
    by_key = select(SummaryFigureRow.key, func.min(SummaryFigureRow.unit), func.count()).group_by(SummaryFigureRow.key)
    types = select(SummaryRow.type).distinct().order_by(SummaryRow.type)
    currencies = select(SummaryRow.currency).distinct().where(SummaryRow.currency.is_not(None))
    with archive.reading() as work:
        return IndexFacts(
            measured=work.scalar(select(func.count(distinct(SessionRow.loudspeaker_id)))) or 0,
            indexed=work.scalar(select(func.count()).select_from(SummaryRow)) or 0,
            types=tuple(work.scalars(types)),
            currencies=tuple(str(one) for one in work.scalars(currencies.order_by(SummaryRow.currency))),
            figures=tuple(FigureFacts(key, unit, count) for key, unit, count in work.execute(by_key)),
        )


def sessions_not_indexed(archive: Archive) -> tuple[int, ...]:
    """The latest session of every loudspeaker that the index does not know, or knows by name only."""
    known = select(SummaryRow.loudspeaker_id).where(SummaryRow.made_from != "")
    query = select(SessionRow.loudspeaker_id, SessionRow.id).where(SessionRow.loudspeaker_id.not_in(known))
    with archive.reading() as work:
        rows = work.execute(query.order_by(SessionRow.date, SessionRow.id)).all()
        former = uncounted_sessions(work)
    last = {row.loudspeaker_id: row.id for row in rows if row.id not in former}
    return tuple(last.values())


def opened_among(archive: Archive, loudspeaker_ids: tuple[int, ...]) -> frozenset[int]:
    """Those of them whose data were shown before."""
    with archive.reading() as work:
        return opened_ids(work, loudspeaker_ids)


def never_opened(archive: Archive) -> frozenset[int]:
    """Loudspeakers without figures in the index, or whose data were never shown."""
    known = select(SummaryRow.loudspeaker_id).where(SummaryRow.made_from != "")
    with archive.reading() as work:
        return frozenset(work.connection().execute(select(LoudspeakerRow.id)).scalars()) - opened_ids(work, known)


def opened_ids(work: Work, loudspeaker_ids: Collection[int] | Select[int] | None) -> frozenset[int]:
    """Loudspeakers whose data were shown before. loudspeaker_ids : among these, None among all."""
    query = OPENED if loudspeaker_ids is None else OPENED.where(LoudspeakerRow.id.in_(loudspeaker_ids))
    return frozenset(work.connection().execute(query).scalars())
