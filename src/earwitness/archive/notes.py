"""Listening sheets in the archive: sealed once, never altered; and the moment the data were first shown.

Sheets belong to a loudspeaker by name and maker, not by a row of it: they are written before there is a session.
"""

from dataclasses import dataclass

from sqlalchemy import select, update
from sqlalchemy.orm import Session as Work

from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import folded
from earwitness.archive.entries import entry_of
from earwitness.archive.schema import DataOpeningRow, ListeningSheetRow
from earwitness.errors import ArchiveError


@dataclass(frozen=True, slots=True)
class SheetEntry:
    """A sealed sheet in the archive.

    facts : canonical JSON of the sheet; sha256 : its seal, over facts and sealed_at; opened_at : when the data were
    first shown, None while they were not; is_after_data : it was sealed with the data known.
    """

    id: int
    facts: str
    sha256: str
    sealed_at: str
    opened_at: str | None
    is_after_data: bool


def keep_sheet(archive: Archive, *, name: str, maker: str, facts: str, sha256: str, sealed_at: str) -> SheetEntry:
    """Keep a sealed sheet for the loudspeaker `name` of `maker`; an equal sheet gives its first entry back.

    It is marked as made with the data known when they were shown before. Raises ArchiveError when the seal is used
    already by another sheet, OutputError when the archive cannot be written.
    """
    key = {"folded_name": folded(name), "folded_maker": folded(maker)}
    with archive.writing() as work:
        same = work.scalar(select(ListeningSheetRow).filter_by(**key, facts=facts))
        if same is not None:
            return entry_of(SheetEntry, same)
        if work.scalar(select(ListeningSheetRow).where(ListeningSheetRow.sha256 == sha256)) is not None:
            raise ArchiveError.of("archive.seal_taken", where=str(archive.folder))
        opened_at = _opened_at(work, key)
        row = ListeningSheetRow(
            **key,
            facts=facts,
            sha256=sha256,
            sealed_at=sealed_at,
            opened_at=opened_at,
            is_after_data=opened_at is not None,
        )
        work.add(row)
        work.flush()
        return entry_of(SheetEntry, row)


def record_opening(archive: Archive, *, name: str, maker: str) -> str:
    """Note that data of the loudspeaker are being shown, and return when they first were.

    Only the first call counts; it stamps every sheet sealed until then. Cheap enough for every showing: once the
    opening stands, it only reads. Raises OutputError when the archive cannot be written.
    """
    key = {"folded_name": folded(name), "folded_maker": folded(maker)}
    known = opening(archive, name=name, maker=maker)
    if known is not None:
        return known
    with archive.writing() as work:
        known = _opened_at(work, key)
        if known is not None:
            return known
        now = archive.now()
        work.add(DataOpeningRow(**key, opened_at=now))
        work.execute(update(ListeningSheetRow).filter_by(**key).values(opened_at=now))
        return now


def opening(archive: Archive, *, name: str, maker: str) -> str | None:
    """When the data of the loudspeaker were first shown, None while they were not."""
    with archive.reading() as work:
        return _opened_at(work, {"folded_name": folded(name), "folded_maker": folded(maker)})


def sheets_of(archive: Archive, *, name: str, maker: str) -> tuple[SheetEntry, ...]:
    """Sheets of the loudspeaker in the order of their sealing."""
    query = select(ListeningSheetRow).filter_by(folded_name=folded(name), folded_maker=folded(maker))
    with archive.reading() as work:
        return tuple(entry_of(SheetEntry, row) for row in work.scalars(query.order_by(ListeningSheetRow.id)))


def all_sheets(archive: Archive) -> tuple[SheetEntry, ...]:
    """Every sheet of the archive in the order of their sealing."""
    query = select(ListeningSheetRow).order_by(ListeningSheetRow.id)
    with archive.reading() as work:
        return tuple(entry_of(SheetEntry, row) for row in work.scalars(query))


def _opened_at(work: Work, key: dict[str, str]) -> str | None:
    row = work.get(DataOpeningRow, (key["folded_name"], key["folded_maker"]))
    return None if row is None else row.opened_at
