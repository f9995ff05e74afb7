"""One loudspeaker as a BagIt package (RFC 8493), out of one archive and into another.

    bagit.txt, bag-info.txt, manifest-sha256.txt, tagmanifest-sha256.txt
    data/loudspeaker.json       what the catalogue says: sessions, results, publications, listening sheets, summary
    data/recordings/HASH        recordings by SHA-256; loudspeaker.json has the names they came under
    data/arrays/KEY.nc          results, netCDF-4

A package from elsewhere is distrusted: bag.py reads it, and nothing is taken in before every file has its hash and
every record its relations.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, StringConstraints, ValidationError, model_validator
from sqlalchemy import select
from sqlalchemy.orm import Session as Work

from earwitness import __version__
from earwitness.archive import bag, catalogue
from earwitness.archive.arrays import as_tuples
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import aside_sessions, folded
from earwitness.archive.drafts import add_state
from earwitness.archive.latest import REDUCTION
from earwitness.archive.recordings import has_hash
from earwitness.archive.schema import (
    DataOpeningRow,
    DraftRow,
    DraftStateRow,
    ListeningSheetRow,
    LoudspeakerRow,
    PublicationRow,
    ResultRow,
    SessionAsideRow,
    SessionRow,
)
from earwitness.errors import FormatError, InputError, OutputError, cannot_write
from earwitness.files import durable
from earwitness.files.system import sync_folder
from earwitness.quantities import Step
from earwitness.session.record import Strict
from earwitness.session.session import Session

Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
StepKey = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{32}$")]
Stamp = Annotated[str, StringConstraints(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\+00:00$")]
Word = Annotated[str, StringConstraints(min_length=1, max_length=400)]
MOST_ENTRIES = 100_000


class _Exact(Strict):
    """As Strict, but text is kept to the last blank: hashes stand for it."""

    model_config = ConfigDict(str_strip_whitespace=False)


class SessionRecord(_Exact):
    """A session. key : as in the catalogue; facts : the session as JSON; aside_because : why it was set aside, None
    where it was not."""

    key: Sha256
    created_at: Stamp
    facts: dict[str, Any]
    aside_because: Annotated[str, StringConstraints(max_length=10_000)] | None = None

    @cached_property
    def session(self) -> Session:
        return Session.model_validate_json(json.dumps(self.facts))

    @model_validator(mode="after")
    def _is_a_session(self) -> SessionRecord:
        assert self.session.takes
        return self


class ResultRecord(_Exact):
    """A result of the session with the key `session`: arrays (by the hash of their file) or a document."""

    session: Sha256
    step_key: StepKey
    step_name: Word
    kind: Word
    inputs: Annotated[tuple[Word, ...], Field(max_length=MOST_ENTRIES)]
    settings: tuple[tuple[str, Any], ...]
    program: Word
    array_sha256: Sha256 | None
    document: str | None
    created_at: Stamp

    @classmethod
    def of(cls, session: str, row: ResultRow) -> ResultRecord:
        names = ("step_key", "step_name", "kind", "inputs", "settings", "program", "array_sha256", "document")
        return cls(session=session, created_at=row.created_at, **{name: getattr(row, name) for name in names})

    @property
    def step(self) -> Step:
        settings: Any = as_tuples([list(pair) for pair in self.settings])
        return Step(self.step_name, settings, self.inputs, self.program)

    @model_validator(mode="after")
    def _holds_one_thing(self) -> ResultRecord:
        if (self.array_sha256 is None) == (self.document is None):
            raise ValueError("a result holds either arrays or a document")
        if self.document is not None:
            json.loads(self.document)
        return self


class PublicationRecord(_Exact):
    """A publication, in the order of their numbers."""

    target: Annotated[str, StringConstraints(max_length=4000)]
    document: str
    created_at: Stamp

    @property
    def digest(self) -> str:
        return hashlib.sha256(self.document.encode()).hexdigest()

    @model_validator(mode="after")
    def _is_json(self) -> PublicationRecord:
        json.loads(self.document)
        return self


class SheetRecord(_Exact):
    """A sealed listening sheet."""

    facts: str
    sha256: Sha256
    sealed_at: Stamp
    opened_at: Stamp | None
    is_after_data: Annotated[bool, Field(strict=True)]


class ChoiceRecord(_Exact):
    """What the tester chose for the reduction of the session with the key `session`. value : JSON text."""

    session: Sha256
    value: Annotated[str, StringConstraints(max_length=10_000)]

    @model_validator(mode="after")
    def _is_json(self) -> ChoiceRecord:
        json.loads(self.value)
        return self


class PackageRecord(_Exact):
    """Everything of one loudspeaker but its files. opened_at : when its data were first shown; choices : for
    reductions, at most one a session."""

    format: Literal[1]
    name: Word
    maker: Word
    sessions: Annotated[tuple[SessionRecord, ...], Field(max_length=MOST_ENTRIES)]
    results: Annotated[tuple[ResultRecord, ...], Field(max_length=MOST_ENTRIES)]
    publications: Annotated[tuple[PublicationRecord, ...], Field(max_length=MOST_ENTRIES)]
    sheets: Annotated[tuple[SheetRecord, ...], Field(max_length=MOST_ENTRIES)]
    opened_at: Stamp | None
    choices: Annotated[tuple[ChoiceRecord, ...], Field(max_length=MOST_ENTRIES)] = ()


def read_record(data: bytes, *, where: str) -> PackageRecord:
    """The record in `data`. Raises FormatError that names the first thing wrong with it."""
    try:
        return PackageRecord.model_validate_json(data)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise FormatError.of("archive.record_unusable", where=where, place=place, reason=first["msg"]) from None
    except (ValueError, RecursionError) as error:
        raise FormatError(f"the record of the package cannot be read: {error}", where=where) from None


RECORD = "data/loudspeaker.json"
Seal = Callable[[str, str], str]
NeedChoice = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Exported:
    """A package that was written. files, size_bytes : of its payload."""

    folder: Path
    title: str
    sessions: int
    results: int
    files: int
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Imported:
    """What a package brought. The numbers count what was new here; what was here already was left as it is."""

    loudspeaker_id: int
    title: str
    sessions: int
    recordings: int
    results: int
    publications: int
    sheets: int


def export_package(archive: Archive, loudspeaker_id: int, folder: Path) -> Exported:
    """Write everything the archive has on one loudspeaker as a bag at `folder`, which must not exist.

    The bag appears whole or not at all. Raises ArchiveError for an unknown loudspeaker or a damaged file,
    OutputError when `folder` exists or cannot be written.
    """
    folder = folder.resolve()
    if folder.exists():
        raise OutputError("there is something in the way", where=str(folder), remedy="choose a name that is not used")
    archive.need_outside(folder)
    record, arrays = _record_of(archive, loudspeaker_id)
    durable.make_folder(folder.parent)
    durable.clear_dead(folder.parent)
    made = folder.with_name(durable.temporary_name())
    try:
        payload = _write_payload(archive, made, record, arrays)
        bag.write_tags(made, payload, _information(archive, record, payload))
        made.rename(folder)
        sync_folder(folder.parent)
    except OSError as error:
        raise cannot_write("the file", folder, error) from error
    finally:
        shutil.rmtree(made, ignore_errors=True)
    size = sum(one.size_bytes for one in payload)
    title = f"{record.maker} {record.name}"
    return Exported(folder, title, len(record.sessions), len(record.results), files=len(payload), size_bytes=size)


def import_package(
    folder: Path, archive: Archive, *, seal: Seal | None = None, need_choice: NeedChoice | None = None
) -> Imported:
    """Take the bag at `folder` into `archive`. What is there already is kept as it is; lost files are put back.

    seal : hash of a listening sheet from its facts and time; with it, altered sheets are refused;
    need_choice : raises InputError for a choice of the reduction (JSON text) that cannot be. Raises FormatError for a
    folder that is not a sound bag of this kind (nothing is taken in then), OutputError when the archive
    cannot be written.
    """
    folder = Path(folder)
    hashes = bag.verified(folder)
    if RECORD not in hashes:
        raise bag.refusal(folder, "it is not a package of a loudspeaker", expected=RECORD)
    record = read_record(bag.limited(folder / RECORD, bag.MOST_TAG_BYTES), where=str(folder / RECORD))
    _need_agreement(folder, record, hashes)
    if seal is not None and any(seal(s.facts, s.sealed_at) != s.sha256 for s in record.sheets):
        raise bag.refusal(folder, "a listening sheet does not fit its seal")
    _need_sound_choices(folder, record, need_choice)
    for part in ("objects", "arrays"):
        durable.clean(archive.folder / part)
    new = 0
    for sha256 in sorted(_recordings_of(record)):
        new += archive.recordings.put(folder / f"data/recordings/{sha256}", expected_sha256=sha256)
    with archive.writing() as work:
        return _take_in(archive, work, folder, record, new)


def _record_of(archive: Archive, loudspeaker_id: int) -> tuple[PackageRecord, dict[str, Path]]:
    """What the catalogue says of a loudspeaker at one moment, and where its results lie, by step key."""
    with archive.reading() as work:
        owner = archive.loudspeaker_row(work, loudspeaker_id)
        of_this = SessionRow.loudspeaker_id == loudspeaker_id
        sessions = list(work.scalars(select(SessionRow).where(of_this).order_by(SessionRow.date, SessionRow.key)))
        results = [
            (session.key, row)
            for session in sessions
            for row in work.scalars(select(ResultRow).where(ResultRow.session_id == session.id).order_by(ResultRow.id))
        ]
        published = select(PublicationRow).where(PublicationRow.loudspeaker_id == loudspeaker_id)
        names = {"folded_name": owner.folded_name, "folded_maker": owner.folded_maker}
        sheets = work.scalars(select(ListeningSheetRow).filter_by(**names).order_by(ListeningSheetRow.id))
        opening = work.get(DataOpeningRow, (owner.folded_name, owner.folded_maker))
        aside = aside_sessions(work, loudspeaker_id)
        record = PackageRecord(
            format=1,
            name=owner.name,
            maker=owner.maker,
            sessions=tuple(
                SessionRecord(key=s.key, created_at=s.created_at, facts=s.facts, aside_because=aside.get(s.id))
                for s in sessions
            ),
            results=tuple(ResultRecord.of(key, row) for key, row in results),
            publications=tuple(
                PublicationRecord(target=p.target, document=p.document, created_at=p.created_at)
                for p in work.scalars(published.order_by(PublicationRow.number))
            ),
            sheets=tuple(SheetRecord.model_validate(row, from_attributes=True) for row in sheets),
            opened_at=None if opening is None else opening.opened_at,
            choices=tuple(
                ChoiceRecord(session=s.key, value=state.value)
                for s in sessions
                if (state := _choice_of(work, s.id)) is not None
            ),
        )
        for _, row in results:
            if row.array_sha256 is not None and row.array_file is None:
                raise ValueError(f"the result {row.step_key} has a hash and no file")
        return record, {
            r.step_key: archive.folder / catalogue._inside(r.array_file) for _, r in results if r.array_file is not None
        }


def _write_payload(archive: Archive, made: Path, record: PackageRecord, arrays: dict[str, Path]) -> list[bag.Payload]:
    plain = record.model_dump(mode="json")
    text = json.dumps(plain, sort_keys=True, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
    payload = [bag.put(made, RECORD, text.encode())]
    for sha256 in sorted(_recordings_of(record)):
        payload.append(bag.put(made, f"data/recordings/{sha256}", archive.recordings.path(sha256), sha256=sha256))
    for result in sorted(record.results, key=lambda r: r.step_key):
        if result.array_sha256 is not None:
            name = f"data/arrays/{result.step_key}.nc"
            payload.append(bag.put(made, name, arrays[result.step_key], sha256=result.array_sha256))
    return payload


def _information(archive: Archive, record: PackageRecord, payload: list[bag.Payload]) -> dict[str, str]:
    title = " ".join(f"{record.maker} {record.name}".split())
    size = sum(one.size_bytes for one in payload)
    return {
        "Bag-Software-Agent": f"earwitness {__version__}",
        "Bagging-Date": archive.now()[:10],
        "External-Description": f"Measurements of one loudspeaker: {title}",
        "External-Identifier": title,
        "Payload-Oxum": f"{size}.{len(payload)}",
    }


def _recordings_of(record: PackageRecord) -> set[str]:
    return {sha256 for s in record.sessions for sha256 in catalogue._files_of(s.session).values()}


def _need_agreement(folder: Path, record: PackageRecord, hashes: dict[str, str]) -> None:
    """The record names exactly the files that are there, and every relation in it holds."""
    wanted = {f"data/recordings/{sha256}": sha256 for sha256 in _recordings_of(record)}
    wanted |= {f"data/arrays/{r.step_key}.nc": r.array_sha256 for r in record.results if r.array_sha256 is not None}
    if {name: h for name, h in hashes.items() if name != RECORD} != wanted:
        raise bag.refusal(folder, "its files are not those that its record names")
    keys = [s.key for s in record.sessions]
    if len(set(keys)) != len(keys) or not {r.session for r in record.results} <= set(keys):
        raise bag.refusal(folder, "its record names a session twice, or one that is not in it")
    if len({(r.step_key, r.kind) for r in record.results}) != len(record.results):
        raise bag.refusal(folder, "its record names a result twice")
    own = (folded(record.name), folded(record.maker))
    for entry in record.sessions:
        spoken = entry.session.loudspeaker
        if not catalogue.is_key_of(entry.key, entry.facts, entry.session):
            raise bag.refusal(folder, "the facts of a session are not those its key stands for")
        if (folded(spoken.name), folded(spoken.maker)) != own:
            raise bag.refusal(folder, "a session in it is of another loudspeaker")
    for result in record.results:
        if result.step.key != result.step_key:
            raise bag.refusal(folder, "the step of a result is not the one its key stands for")
        if result.array_sha256 is not None:
            bag.need_modest_arrays(folder / f"data/arrays/{result.step_key}.nc")


def _need_sound_choices(folder: Path, record: PackageRecord, need_choice: NeedChoice | None) -> None:
    keys = {s.key for s in record.sessions}
    of = [one.session for one in record.choices]
    if not set(of) <= keys or len(set(of)) != len(of):
        raise bag.refusal(folder, "its record names a choice of a reduction twice, or of a session that is not in it")
    if need_choice is None:
        return
    for one in record.choices:
        try:
            need_choice(one.value)
        except InputError as error:
            raise bag.refusal(folder, f"a choice of a reduction cannot be used: {error.what}") from None


def _choice_of(work: Work, session_id: int) -> DraftStateRow | None:
    row = work.get(DraftRow, f"{REDUCTION}{session_id}")
    return None if row is None else work.get_one(DraftStateRow, row.state_id)


def _take_in_choice(archive: Archive, work: Work, session_id: int, value: str) -> None:
    """Keep a choice for a session that came with it, with "nothing chosen" before it to undo to."""
    key = f"{REDUCTION}{session_id}"
    if work.get(DraftRow, key) is not None or json.loads(value) is None:
        return
    before = add_state(archive, work, key, None, "null")
    work.add(DraftRow(key=key, state_id=add_state(archive, work, key, before, value), revision=1))
    work.flush()


def _take_in(archive: Archive, work: Work, folder: Path, record: PackageRecord, recordings: int) -> Imported:
    ids: dict[str, int] = {}
    fresh: set[str] = set()
    for entry in record.sessions:
        row = catalogue.known_session(work, entry.key, entry.session)
        if row is None:
            ids[entry.key] = _insert_session(archive, work, entry, folder)
            fresh.add(entry.key)
        else:
            ids[entry.key] = row.id
    names = {"folded_name": folded(record.name), "folded_maker": folded(record.maker)}
    owner = work.scalar(select(LoudspeakerRow).filter_by(**names))
    if owner is None:
        owner = LoudspeakerRow(name=record.name, maker=record.maker, **names, created_at=archive.now())
        work.add(owner)
        work.flush()
    results = sum(_take_in_result(archive, work, folder, ids[r.session], r) for r in record.results)
    for one in record.choices:
        if one.session in fresh:
            _take_in_choice(archive, work, ids[one.session], one.value)
    publications = sum(_take_in_publication(work, owner.id, p) for p in record.publications)
    sheets = sum(_take_in_sheet(work, names, s) for s in record.sheets)
    _take_in_opening(archive, work, names, record.opened_at)
    return Imported(owner.id, f"{owner.maker} {owner.name}", len(fresh), recordings, results, publications, sheets)


def _insert_session(archive: Archive, work: Work, entry: SessionRecord, folder: Path) -> int:
    session: Session = entry.session
    hashes = set(catalogue._files_of(session).values())
    sizes = {sha256: archive.recordings.path(sha256).stat().st_size for sha256 in hashes}
    number = archive._insert_session(work, session, entry.key, folder, sizes)
    row = work.get_one(SessionRow, number)
    # As they came: what this program would add to them is not what their key stands for.
    row.facts, row.created_at = entry.facts, entry.created_at
    if entry.aside_because is not None:
        work.add(SessionAsideRow(session_id=number, because=entry.aside_because, created_at=archive.now()))
        work.flush()
    return number


def _take_in_result(archive: Archive, work: Work, folder: Path, session_id: int, result: ResultRecord) -> bool:
    row = catalogue._result_row(work, result.step_key, result.kind)
    relative = None
    if result.array_sha256 is not None:
        known = None if row is None or row.array_file is None else catalogue._inside(row.array_file)
        relative = known or f"arrays/{result.step_key[:2]}/{result.step_key}.nc"
        if row is not None and has_hash(archive.folder / relative, str(row.array_sha256)):
            return False
        path = folder / f"data/arrays/{result.step_key}.nc"
        data = bag.limited(path, bag.MOST_ARRAY_BYTES)
        if hashlib.sha256(data).hexdigest() != result.array_sha256:
            raise bag.refusal(path, "it changed while it was taken in")
        durable.write_bytes(archive.folder / relative, data)
    elif row is not None:
        return False
    kept: dict[str, Any] = {"array_file": relative, "array_sha256": result.array_sha256, "document": result.document}
    archive._keep(work, session_id, result.step, result.kind, **kept)
    work.flush()
    kept_row = catalogue._result_row(work, result.step_key, result.kind)
    if kept_row is not None:
        kept_row.created_at = result.created_at
    return row is None


def _take_in_publication(work: Work, loudspeaker_id: int, publication: PublicationRecord) -> bool:
    """Add a publication after those that are here, unless it is one of them."""
    of_this = select(PublicationRow).where(PublicationRow.loudspeaker_id == loudspeaker_id)
    here = list(work.scalars(of_this.order_by(PublicationRow.number)))
    facts = {"digest": publication.digest, "target": publication.target, "created_at": publication.created_at}
    if any((p.digest, p.target, p.created_at) == tuple(facts.values()) for p in here):
        return False
    number = here[-1].number + 1 if here else 1
    work.add(PublicationRow(loudspeaker_id=loudspeaker_id, number=number, document=publication.document, **facts))
    work.flush()
    return True


def _take_in_opening(archive: Archive, work: Work, names: dict[str, str], opened_at: str | None) -> None:
    """Keep when the data were first shown, here or where they come from, and stamp the sheets that were sealed before.

    A sheet that was sealed on one side after the other side had shown its data meets them now.
    """
    opening = work.get(DataOpeningRow, tuple(names.values()))
    if opening is None:
        if opened_at is None:
            return
        opening = DataOpeningRow(**names, opened_at=opened_at)
        work.add(opening)
    unaware = select(ListeningSheetRow).filter_by(**names).where(ListeningSheetRow.opened_at.is_(None))
    for sheet in work.scalars(unaware):
        sheet.opened_at = opening.opened_at if sheet.sealed_at <= opening.opened_at else archive.now()
    work.flush()


def _take_in_sheet(work: Work, names: dict[str, str], sheet: SheetRecord) -> bool:
    if work.scalar(select(ListeningSheetRow).where(ListeningSheetRow.sha256 == sheet.sha256)) is not None:
        return False
    work.add(ListeningSheetRow(**names, **sheet.model_dump()))
    work.flush()
    return True
