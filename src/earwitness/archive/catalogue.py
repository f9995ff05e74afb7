"""The archive: one folder with a catalogue, raw recordings and array files.

    catalogue.sqlite   what there is and how it hangs together
    objects/           recordings by their hash, never altered
    arrays/            results, one netCDF-4 file each, named by the key of the step that made them

Files are written and synced before the catalogue names them, and the catalogue names them in one transaction: what
was acknowledged is whole, what was not leaves at most files that nothing names.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from sqlalchemy import Engine, func, select
from sqlalchemy.dialects.sqlite import insert
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session as Work

from earwitness.archive import choose, database
from earwitness.archive.choose import aside_sessions, folded, superseded_sessions
from earwitness.archive.entries import (
    STANDINGS,
    Added,
    LoudspeakerEntry,
    PublicationEntry,
    ResultEntry,
    SessionEntry,
    Standing,
    TakeEntry,
    entry_of,
)
from earwitness.archive.recordings import RecordingStore, has_hash
from earwitness.archive.schema import (
    LoudspeakerRow,
    PublicationRow,
    RecordingRow,
    ResultRow,
    SessionAsideRow,
    SessionFileRow,
    SessionRow,
    TakeRow,
)
from earwitness.errors import ArchiveError, InputError, OutputError
from earwitness.files import durable

# A search needs neither numbers nor the models of a session: they are imported where they are used.
if TYPE_CHECKING:
    from earwitness.quantities import Measurement, Step
    from earwitness.session.session import Session

CATALOGUE = "catalogue.sqlite"
MEASUREMENT = "measurement"
Clock = Callable[[], datetime]
Document = Mapping[str, Any]
_utc_now: Clock = partial(datetime.now, UTC)


class Archive:
    """An open archive. Use it as a context manager, or close it. Several processes may have it open."""

    def __init__(self, folder: Path, engine: Engine, clock: Clock) -> None:
        self.folder = folder
        self.recordings = RecordingStore(folder / "objects")
        self._engine = engine
        self._clock = clock

    @classmethod
    def open(cls, folder: Path, *, create: bool = True, clock: Clock = _utc_now) -> Archive:
        """The archive in `folder`; made when it is not there and `create` is set.

        clock : gives the time stamps of the catalogue, the only place that has any. Raises ArchiveError when there
        is no archive, or it is damaged or of a later program; OutputError when it cannot be written.
        """
        folder = folder.resolve()
        path = folder / CATALOGUE
        if not create and not path.is_file():
            raise ArchiveError.of("archive.no_archive", where=str(folder))
        durable.make_folder(folder)
        engine = database.open_database(path)
        for part in ("objects", "arrays"):
            durable.make_folder(folder / part)
        return cls(folder, engine, clock)

    def close(self) -> None:
        """Let go of the catalogue."""
        self._engine.dispose()

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, *_fault: object) -> None:
        self.close()

    def need_outside(self, path: Path) -> None:
        """Raise OutputError where `path` lies in a folder of this archive that only the archive itself may fill."""
        path = path.resolve()
        for own in (self.folder / "objects", self.folder / "arrays"):
            if path == self.folder or path == own or own in path.parents:
                raise OutputError.of("archive.into_archive", where=str(path))

    def add_session(self, session: Session, folder: Path) -> Added:
        """Take in `session` and every file it names from `folder`.

        A session that is here already, with the same facts and the same files, is reused, and counts again where it
        was superseded or set aside; recordings of it that were lost or damaged are put back, and what killed processes
        left half written is cleared away. Raises ArchiveError when a file is not the one that was validated,
        OutputError when the archive cannot be written.
        """
        key = session_key(session)
        for part in ("objects", "arrays"):
            durable.clean(self.folder / part)
        files = {sha256: folder / name for name, sha256 in sorted(_files_of(session).items())}
        new = self.recordings.put_all(files)
        sizes = {sha256: self.recordings.path(sha256).stat().st_size for sha256 in files}
        with self.writing() as work:
            known = known_session(work, key, session)
            if known is not None:
                aside = work.get(SessionAsideRow, known.id)
                if aside is not None:
                    work.delete(aside)
                    work.flush()
                counts_again = aside is not None
                if known.id in superseded_sessions(work, known.loudspeaker_id):
                    known.created_at, counts_again = self.now(), True
                return Added(known.id, True, new, counts_again)
            return Added(self._insert_session(work, session, key, folder, sizes), False, new)

    def loudspeakers(self) -> tuple[LoudspeakerEntry, ...]:
        """All loudspeakers, by name and maker."""
        with self.reading() as work:
            order = (LoudspeakerRow.folded_name, LoudspeakerRow.folded_maker)
            return tuple(_loudspeaker(row) for row in work.scalars(select(LoudspeakerRow).order_by(*order)))

    def loudspeaker(self, loudspeaker_id: int) -> LoudspeakerEntry:
        """The loudspeaker of that number. Raises ArchiveError for an unknown one."""
        with self.reading() as work:
            return _loudspeaker(self.loudspeaker_row(work, loudspeaker_id))

    def find(self, name: str) -> LoudspeakerEntry:
        """The loudspeaker called `name`, or "maker name", or the only one whose name holds `name`.

        Raises InputError as `choose.named_loudspeaker`.
        """
        with self.reading() as work:
            return _loudspeaker(choose.named_loudspeaker(work, name, where=str(self.folder)))

    def pick(self, name: str) -> tuple[LoudspeakerEntry, SessionEntry]:
        """A loudspeaker and the session of it to read: "name" for the one that counts, "name @ session 3", "name @ unit
        A12", "name @ variant grille on" for another. Raises InputError for what cannot be told, with what there is."""
        with self.reading() as work:
            # A name may hold the mark itself.
            row = choose.exact_loudspeaker(work, name)
            whole = None if row is None else _loudspeaker(row)
        called, wanted = (name, None) if whole is not None else choose.parted(name)
        entry = whole or self.find(called)
        if wanted is None:
            return entry, self.counting_session(entry.id)
        return entry, choose.chosen(self.sessions_of(entry.id), wanted, name=entry.name)

    def sessions_of(self, loudspeaker_id: int) -> tuple[SessionEntry, ...]:
        """Sessions of a loudspeaker, oldest measurement first; before them those that were taken in once more with
        other facts (`superseded_sessions`), before these the ones set aside. The last one is read, unless all are set
        aside: `counting_session`."""
        query = select(SessionRow).where(SessionRow.loudspeaker_id == loudspeaker_id)
        with self.reading() as work:
            rows = list(work.scalars(query.order_by(SessionRow.date, SessionRow.id)))
            former = superseded_sessions(work, loudspeaker_id) if len(rows) > 1 else frozenset()
            aside = aside_sessions(work, loudspeaker_id)
        found = []
        for row in rows:
            standing: Standing = "set aside" if row.id in aside else "superseded" if row.id in former else "counts"
            found.append(_session(row, standing, aside.get(row.id, "")))
        return tuple(sorted(found, key=lambda session: STANDINGS.index(session.standing)))

    def counting_session(self, loudspeaker_id: int) -> SessionEntry:
        """The session of a loudspeaker that is read. Raises InputError where it has none, or all are set aside."""
        found = self.sessions_of(loudspeaker_id)
        if found and found[-1].standing == "counts":
            return found[-1]
        name = self.loudspeaker(loudspeaker_id).name
        if found:
            raise InputError.of("archive.all_set_aside", where=str(self.folder), name=name)
        raise InputError(f"{name} has no session", where=str(self.folder), remedy="add a session folder")

    def set_aside(self, session_id: int, because: str) -> None:
        """Keep a session, and let it count for nothing until it is taken back. Raises ArchiveError for an unknown
        number, OutputError where the archive cannot be written."""
        with self.writing() as work:
            self._session_row(work, session_id)
            row = work.get(SessionAsideRow, session_id)
            if row is None:
                work.add(SessionAsideRow(session_id=session_id, because=because, created_at=self.now()))
            else:
                row.because = because

    def take_back(self, session_id: int) -> None:
        """Let a session count again that was set aside. Raises as `set_aside`."""
        with self.writing() as work:
            self._session_row(work, session_id)
            row = work.get(SessionAsideRow, session_id)
            if row is not None:
                work.delete(row)

    def superseded_by(self, session_id: int) -> tuple[SessionEntry, ...]:
        """The sessions that this one took the place of, see `superseded_sessions`, in the order they were taken in."""
        with self.reading() as work:
            former = superseded_sessions(work, self._session_row(work, session_id).loudspeaker_id, by=session_id)
            rows = work.scalars(select(SessionRow).where(SessionRow.id.in_(former)))
            found = [_session(row, "superseded") for row in rows]
            return tuple(sorted(found, key=lambda one: (one.created_at, one.id)))

    def session(self, session_id: int) -> Session:
        """The facts of a session, as they were taken in. Raises ArchiveError for an unknown number."""
        from earwitness.session.session import Session

        with self.reading() as work:
            return Session.model_validate_json(json.dumps(self._session_row(work, session_id).facts))

    def owner_of(self, session_id: int) -> int:
        """Number of the loudspeaker that a session is of. Raises ArchiveError for an unknown number."""
        with self.reading() as work:
            return self._session_row(work, session_id).loudspeaker_id

    def takes_of(self, session_id: int) -> tuple[TakeEntry, ...]:
        """Takes of a session, in its order."""
        query = select(TakeRow).where(TakeRow.session_id == session_id).order_by(TakeRow.position)
        with self.reading() as work:
            rows = work.scalars(query)
            return tuple(entry_of(TakeEntry, row) for row in rows)

    def files_of(self, session_id: int) -> dict[str, Path]:
        """Where the files of a session lie in the archive, by the names they had. They are read-only."""
        query = select(SessionFileRow).where(SessionFileRow.session_id == session_id).order_by(SessionFileRow.name)
        with self.reading() as work:
            return {row.name: self.recordings.path(row.sha256) for row in work.scalars(query)}

    def keep_measurement(self, session_id: int, measurement: Measurement) -> str:
        """Keep a measurement under the key of its last step, which is returned.

        Keeping it again changes nothing, unless the stored file is missing or damaged: then it is written anew.
        Raises ArchiveError for a measurement without steps or an unknown session, OutputError when it cannot be
        written.
        """
        from earwitness.archive import arrays

        if not measurement.steps:
            raise ArchiveError("this measurement has no steps, so it cannot be kept", remedy="reduce it again")
        last = measurement.steps[-1]
        relative = f"arrays/{last.key[:2]}/{last.key}.nc"
        path = self.folder / relative
        data = arrays.measurement_bytes(measurement)
        # The file is written under the lock: the bytes differ from run to run (HDF5 puts the time into them), so two
        # processes that keep the same result must not mix one's file with the other's hash.
        with self.writing() as work:
            self._session_row(work, session_id)
            row = _result_row(work, last.key, MEASUREMENT)
            if row is not None and row.array_file is not None:
                # A backup may hold it under another name than its key alone.
                relative, path = _inside(row.array_file), self.folder / _inside(row.array_file)
            if row is None or not has_hash(path, str(row.array_sha256)):
                durable.write_bytes(path, data)
                digest = hashlib.sha256(data).hexdigest()
                self._keep(work, session_id, last, MEASUREMENT, array_file=relative, array_sha256=digest)
        return last.key

    def measurement(self, step_key: str) -> Measurement | None:
        """The measurement kept under `step_key`, None if there is none. Raises ArchiveError if it is damaged."""
        from earwitness.archive import arrays

        with self.reading() as work:
            row = _result_row(work, step_key, MEASUREMENT)
            if row is None:
                return None
            path, digest = self.folder / _inside(row.array_file), row.array_sha256
        try:
            data = path.read_bytes()
        except OSError as error:
            raise arrays.damaged(str(path), f"it cannot be read: {error.strerror}") from None
        if hashlib.sha256(data).hexdigest() != digest:
            raise arrays.damaged(str(path), "its content is not what was stored")
        return arrays.measurement_from(data, where=str(path))

    def keep_document(self, session_id: int, step: Step, kind: str, document: Document) -> None:
        """Keep a JSON document as the result of `step`; an equal key and kind is replaced.

        Raises InputError for numbers JSON has no word for, ArchiveError for an unknown session.
        """
        text = _json(document)
        with self.writing() as work:
            self._keep(work, session_id, step, kind, document=text)

    def document(self, step_key: str, kind: str) -> dict[str, Any] | None:
        """The document of that kind kept under `step_key`, None if there is none."""
        with self.reading() as work:
            row = _result_row(work, step_key, kind)
            return None if row is None or row.document is None else json.loads(row.document)

    def beside_arrays(
        self, session_id: int, kind: str, *, step_key: str | None = None
    ) -> Iterator[tuple[str, dict[str, Any] | None]]:
        """Of every measurement kept of a session, the latest first, the hash of its file and the document of that kind
        under its key, or None. step_key : of the only one asked for. One whose file is lost or damaged is left out."""
        query = select(ResultRow).where(ResultRow.session_id == session_id, ResultRow.kind.in_((MEASUREMENT, kind)))
        with self.reading() as work:
            rows = {(row.step_key, row.kind): row for row in work.scalars(query.order_by(ResultRow.id.desc()))}
            for (key, of), row in rows.items():
                if of == MEASUREMENT and step_key in (None, key):
                    beside = rows.get((key, kind))
                    document = None if beside is None else json.loads(beside.document or "null")
                    if has_hash(self.folder / _inside(row.array_file), str(row.array_sha256)):
                        yield str(row.array_sha256), document if isinstance(document, dict) else None

    def results_of(self, session_id: int) -> tuple[ResultEntry, ...]:
        """Results of a session, in the order in which they were kept."""
        query = select(ResultRow).where(ResultRow.session_id == session_id).order_by(ResultRow.id)
        with self.reading() as work:
            return tuple(_result(row) for row in work.scalars(query))

    def keep_publication(self, loudspeaker_id: int, target: str, document: Document) -> PublicationEntry:
        """Record that a review was published to `target`. An unchanged document gives the latest entry back."""
        text = _json(document)
        digest = hashlib.sha256(text.encode()).hexdigest()
        of_this = PublicationRow.loudspeaker_id == loudspeaker_id
        with self.writing() as work:
            self.loudspeaker_row(work, loudspeaker_id)
            latest = work.scalar(select(PublicationRow).where(of_this).order_by(PublicationRow.number.desc()).limit(1))
            if latest is not None and (latest.digest, latest.target) == (digest, target):
                return entry_of(PublicationEntry, latest)
            row = PublicationRow(
                loudspeaker_id=loudspeaker_id,
                number=(work.scalar(select(func.max(PublicationRow.number)).where(of_this)) or 0) + 1,
                digest=digest,
                target=target,
                document=text,
                created_at=self.now(),
            )
            work.add(row)
            work.flush()
            return entry_of(PublicationEntry, row)

    def publications_of(self, loudspeaker_id: int) -> tuple[PublicationEntry, ...]:
        """Publications of a loudspeaker, first one first."""
        query = select(PublicationRow).where(PublicationRow.loudspeaker_id == loudspeaker_id)
        with self.reading() as work:
            return tuple(entry_of(PublicationEntry, row) for row in work.scalars(query.order_by(PublicationRow.number)))

    def _insert_session(self, work: Work, session: Session, key: str, folder: Path, sizes: dict[str, int]) -> int:
        now = self.now()
        spoken = session.loudspeaker
        same = {"folded_name": folded(spoken.name), "folded_maker": folded(spoken.maker)}
        loudspeaker = work.scalar(select(LoudspeakerRow).filter_by(**same))
        if loudspeaker is None:
            loudspeaker = LoudspeakerRow(name=spoken.name, maker=spoken.maker, **same, created_at=now)
            work.add(loudspeaker)
            work.flush()
        rows = [{"sha256": sha256, "size_bytes": size} for sha256, size in sorted(sizes.items())]
        work.execute(insert(RecordingRow).on_conflict_do_nothing(), rows)
        row = SessionRow(
            loudspeaker_id=loudspeaker.id,
            key=key,
            date=session.date,
            folder=str(folder.resolve()),
            facts=_facts(session),
            created_at=now,
        )
        work.add(row)
        work.flush()
        files = sorted(_files_of(session).items())
        work.add_all(SessionFileRow(session_id=row.id, name=name, sha256=sha256) for name, sha256 in files)
        work.add_all(
            TakeRow(session_id=row.id, position=position, name=take.id, kind=take.kind, sha256=take.sha256)
            for position, take in enumerate(session.takes)
        )
        return row.id

    def _keep(
        self,
        work: Work,
        session_id: int,
        step: Step,
        kind: str,
        *,
        array_file: str | None = None,
        array_sha256: str | None = None,
        document: str | None = None,
    ) -> None:
        self._session_row(work, session_id)
        row = _result_row(work, step.key, kind)
        if row is None:
            settings = json.loads(json.dumps(step.settings))
            facts = {"step_name": step.name, "inputs": list(step.inputs), "settings": settings}
            row = ResultRow(session_id=session_id, step_key=step.key, kind=kind, program=step.program, **facts)
            work.add(row)
        elif (row.array_file, row.array_sha256, row.document) == (array_file, array_sha256, document):
            return
        row.array_file, row.array_sha256, row.document = array_file, array_sha256, document
        row.created_at = self.now()

    def loudspeaker_row(self, work: Work, loudspeaker_id: int) -> LoudspeakerRow:
        """The row of that number. Raises ArchiveError for an unknown one."""
        row = work.get(LoudspeakerRow, loudspeaker_id)
        if row is None:
            raise ArchiveError(f"the archive has no loudspeaker number {loudspeaker_id}", where=str(self.folder))
        return row

    def _session_row(self, work: Work, session_id: int) -> SessionRow:
        row = work.get(SessionRow, session_id)
        if row is None:
            raise ArchiveError(f"the archive has no session number {session_id}", where=str(self.folder))
        return row

    def now(self) -> str:
        """The archive's clock: UTC, ISO 8601, whole seconds."""
        return self._clock().astimezone(UTC).isoformat(timespec="seconds")

    @contextmanager
    def reading(self) -> Iterator[Work]:
        """A unit of reading. A value that is not what the program wrote there is damage, not a slip of the program."""
        try:
            with self._work(self._engine) as work:
                yield work
        except (ValueError, TypeError, AttributeError, LookupError, OverflowError, RecursionError) as error:
            raise ArchiveError.of(
                "archive.value_unreadable", where=str(self.folder / CATALOGUE), reason=str(error).splitlines()[0][:120]
            ) from error

    @contextmanager
    def writing(self) -> Iterator[Work]:
        """One transaction that holds the write lock from its start; on any error nothing of it remains."""
        with self._work(database.writing(self._engine)) as work, work.begin():
            yield work

    @contextmanager
    def _work(self, engine: Engine) -> Iterator[Work]:
        try:
            with Work(engine, expire_on_commit=False) as work:
                yield work
        except DatabaseError as error:
            raise database.database_error(error, self.folder / CATALOGUE) from error
        except MemoryError as error:
            raise database.too_large(self.folder / CATALOGUE) from error


def session_key(session: Session) -> str:
    """Hash over the facts of a session and the hashes of all its files: 64 hex digits.

    What is as it is when nothing is said (defaults, nothing, empty lists) is left out, so that a later program that
    knows more facts gives the same session the same key. A default that changes its meaning needs a migration.
    """
    return _hash_of_facts(_said(session.model_dump(mode="json", by_alias=True, exclude_defaults=True)))


def is_key_of(key: str, facts: Mapping[str, object], session: Session) -> bool:
    """Whether `key` stands for `facts` as they are stored, which say what `session` does; keys of earlier programs
    stood for all facts, defaults too."""
    return key in (session_key(session), _hash_of_facts(facts))


def known_session(work: Work, key: str, session: Session) -> SessionRow | None:
    """The row of a session under its key, or under the one that an earlier program gave it."""
    keys = (key, session_key(session), _hash_of_facts(_facts(session)))
    return work.scalar(select(SessionRow).where(SessionRow.key.in_(keys)).order_by(SessionRow.id).limit(1))


def _hash_of_facts(facts: Mapping[str, object]) -> str:
    return hashlib.sha256(_json(facts).encode()).hexdigest()


def _said(value: Any) -> Any:
    """A JSON value without members of objects that hold nothing, at any depth."""
    if isinstance(value, dict):
        parts = {key: _said(part) for key, part in value.items()}
        return {key: part for key, part in parts.items() if part not in (None, {}, [])}
    return [_said(part) for part in value] if isinstance(value, list) else value


def _facts(session: Session) -> dict[str, object]:
    return session.model_dump(mode="json", by_alias=True)


def _files_of(session: Session) -> dict[str, str]:
    return {**{take.file: take.sha256 for take in session.takes}, **session.file_hashes}


def _json(document: Document) -> str:
    try:
        return json.dumps(document, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except (TypeError, ValueError) as error:
        raise InputError(f"this document cannot be kept as JSON: {error}") from None


def _result_row(work: Work, step_key: str, kind: str) -> ResultRow | None:
    return work.scalar(select(ResultRow).where(ResultRow.step_key == step_key, ResultRow.kind == kind))


def _inside(relative: object) -> str:
    """The path of a result, from the archive's folder. ArchiveError for one that leads elsewhere."""
    parts = PurePosixPath(relative).parts if isinstance(relative, str) else ()
    if len(parts) < 2 or parts[0] != "arrays" or ".." in parts or "\0" in str(relative):
        raise ArchiveError.of("archive.file_outside", shown=str(relative)[:80])
    return str(relative)


def _loudspeaker(row: LoudspeakerRow) -> LoudspeakerEntry:
    if not (isinstance(row.name, str) and isinstance(row.maker, str)):
        raise ValueError(f"the name of loudspeaker {row.id} is not text")
    return entry_of(LoudspeakerEntry, row)


def _session(row: SessionRow, standing: Standing, because: str = "") -> SessionEntry:
    states: list[Any] = [row.facts.get(key) or {} for key in ("unit", "variant")]
    unit = variant = ""
    if any(any(state.values()) for state in states):
        from earwitness.session.record import Unit, Variant

        unit, variant = Unit.model_validate(states[0]).label, Variant.model_validate(states[1]).label
    return entry_of(SessionEntry, row, standing=standing, because=because, unit=unit, variant=variant)


def _result(row: ResultRow) -> ResultEntry:
    from earwitness.archive.arrays import as_tuples
    from earwitness.quantities.measurement import Step

    settings: Any = as_tuples(row.settings)
    if row.array_file is not None:
        _inside(row.array_file)
    if not all(isinstance(pair, tuple) and len(pair) == 2 and isinstance(pair[0], str) for pair in settings):
        raise ArchiveError(f"the settings of result {row.id} are not names with values", remedy="restore a backup")
    if not all(isinstance(one, str) for one in row.inputs):
        raise TypeError(f"{row.step_key} is said to be made from what names no result")
    return entry_of(ResultEntry, row, step=Step(row.step_name, settings, tuple(row.inputs), row.program))
