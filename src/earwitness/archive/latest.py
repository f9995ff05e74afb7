"""The latest session of every loudspeaker and how far the work on it is, in a number of questions that does not grow
with the archive."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session as Work

from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import uncounted_sessions
from earwitness.archive.schema import (
    DataOpeningRow,
    DraftRow,
    DraftStateRow,
    ListeningSheetRow,
    LoudspeakerRow,
    PublicationRow,
    ResultRow,
    SessionRow,
)
from earwitness.quantities import step

WORDS = "own words"
ARRANGEMENT = "arrangement"
# Drafts of that prefix and the number of a session hold what the tester chose for its reduction.
REDUCTION = "reduction:"
# The draft of the tester's listening distance; with a blank, so that no address of the bench's drafts reaches it.
DISTANCE = "listening distance"


@dataclass(frozen=True, slots=True)
class Latest:
    """A loudspeaker with its latest session. session_key : hash over the session's facts and files; folded : maker and
    name as they compare; sheets : hashes of its listening sheets, oldest first; words : keys of all states of the
    tester's own words and choices of exhibits; choice : for the reduction of the session, JSON text, "" for none;
    others : keys of its other sessions that count, oldest first."""

    loudspeaker_id: int
    name: str
    maker: str
    folded: tuple[str, str]
    session_id: int
    session_key: str
    sheets: tuple[str, ...]
    words: tuple[str, ...]
    choice: str = ""
    others: tuple[str, ...] = ()

    @property
    def name_key(self) -> str:
        """Maker and name as they compare, as one text."""
        return "\n".join(self.folded)


def kept_last(archive: Archive, loudspeaker_id: int, kind: str) -> dict[str, Any] | None:
    """The document of that kind that was kept last, whichever session it was kept with; None where there is none."""
    for session in reversed(archive.sessions_of(loudspeaker_id)):
        kept = [result for result in archive.results_of(session.id) if result.kind == kind]
        if kept:
            return archive.document(kept[-1].step_key, kind) or {}
    return None


def keep_next(archive: Archive, loudspeaker_id: int, kind: str, document: Mapping[str, Any]) -> None:
    """Keep a document with the latest session, beside those of its kind that are kept; every state of it stays."""
    session = archive.sessions_of(loudspeaker_id)[-1]
    number = 1 + sum(result.kind == kind for result in archive.results_of(session.id))
    archive.keep_document(session.id, step(kind, {"number": number}, (session.key,)), kind, document)


def latest_of(archive: Archive, loudspeaker_id: int) -> Latest | None:
    """One loudspeaker with its latest session; None where none counts."""
    return next(iter(latest_sessions(archive, only=loudspeaker_id)), None)


def latest_sessions(archive: Archive, *, only: int | None = None) -> tuple[Latest, ...]:
    """Loudspeakers that have a session that counts, by name and maker, with the latest measured one of each.
    only : the number of one whose sessions alone are asked for."""
    sessions = select(SessionRow.loudspeaker_id, SessionRow.id, SessionRow.key).order_by(SessionRow.date, SessionRow.id)
    order = (LoudspeakerRow.folded_name, LoudspeakerRow.folded_maker)
    sheets = select(ListeningSheetRow.folded_maker, ListeningSheetRow.folded_name, ListeningSheetRow.sha256)
    texts = select(SessionRow.loudspeaker_id, ResultRow.step_key).join(ResultRow, ResultRow.session_id == SessionRow.id)
    texts = texts.where(ResultRow.kind.in_((WORDS, ARRANGEMENT)))
    choices = select(DraftRow.key, DraftStateRow.value).join(DraftStateRow, DraftStateRow.id == DraftRow.state_id)
    with archive.reading() as work:
        of, ask = LoudspeakerRow, work.connection().execute
        owners = select(of.id, of.name, of.maker, of.folded_maker, of.folded_name).order_by(*order)
        if only is not None:
            asked = work.get_one(LoudspeakerRow, only)
            owners = owners.where(of.id == only)
            sessions = sessions.where(SessionRow.loudspeaker_id == only)
            texts = texts.where(SessionRow.loudspeaker_id == only)
            sheets = sheets.filter_by(folded_name=asked.folded_name, folded_maker=asked.folded_maker)
        former = uncounted_sessions(work, only)
        every: dict[int, list[tuple[int, str]]] = {}
        for owner, number, key in ask(sessions):
            if number not in former:
                every.setdefault(owner, []).append((number, key))
        heard: dict[tuple[str, str], list[str]] = {}
        for maker, name, sha256 in ask(sheets.order_by(ListeningSheetRow.id)):
            heard.setdefault((maker, name), []).append(sha256)
        said: dict[int, list[str]] = {}
        for owner, key in ask(texts.order_by(ResultRow.id)):
            said.setdefault(owner, []).append(key)
        rows = ask(choices.where(DraftRow.key.startswith(REDUCTION)))
        chosen = {str(row.key): str(row.value) for row in rows}
        found = []
        for owner, name, maker, *folded in ask(owners):
            if owner in every:
                *earlier, (number, key) = every[owner]
                own = (
                    tuple(heard.get((folded[0], folded[1]), ())),
                    tuple(said.get(owner, ())),
                    chosen.get(f"{REDUCTION}{number}", ""),
                    tuple(one for _, one in earlier),
                )
                found.append(Latest(owner, name, maker, (folded[0], folded[1]), number, key, *own))
    return tuple(found)


WARNINGS = "warnings"
SESSION_FORM, SEEN = "session", "seen"
_DRAFTS = ("mend", "publish", "listen", SEEN, SESSION_FORM)
Folded = tuple[str, str]


@dataclass(frozen=True, slots=True)
class OnDesk:
    """A loudspeaker of the archive and how far the work on it is.

    session_id : of its latest session that counts, None without one; date : of that session; touched : when it was
    taken in, ISO 8601; is_opened : its data were shown; has_words : own words were written; published : number of its
    latest review, 0 for none; is_outdated : the latest session was taken in after that; warnings : of the checks on
    that session; drafts : values of its drafts by place
    """

    id: int
    name: str
    maker: str
    folded: Folded
    session_id: int | None = None
    date: str = ""
    touched: str = ""
    sheets: int = 0
    is_opened: bool = False
    has_words: bool = False
    published: int = 0
    is_outdated: bool = False
    warnings: tuple[str, ...] = ()
    drafts: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Desk:
    """rows : every loudspeaker, by name; drafts : those of no loudspeaker of the archive, by key; folders : where
    sessions were taken in from; heard : when notes on a loudspeaker were last sealed, by folded maker and name."""

    rows: tuple[OnDesk, ...]
    drafts: dict[str, Any]
    folders: frozenset[str]
    heard: dict[Folded, tuple[str, str, str]]


def desk(archive: Archive) -> Desk:
    """The work on every loudspeaker."""
    latest = {one.loudspeaker_id: one for one in latest_sessions(archive)}
    with archive.reading() as work:
        # Values of all drafts that belong to a loudspeaker's work, by key.
        kept = select(DraftRow.key, DraftStateRow.value).join(DraftStateRow, DraftStateRow.id == DraftRow.state_id)
        kept = kept.where(or_(*(DraftRow.key.startswith(f"{one}:") for one in _DRAFTS)))
        drafts = {str(key): json.loads(value) for key, value in work.execute(kept)}
        sessions = {row[0]: row[1:] for row in work.execute(
            select(SessionRow.id, SessionRow.date, SessionRow.created_at, SessionRow.folder)
        )}  # fmt: skip
        counted = func.max(PublicationRow.number), func.max(PublicationRow.created_at)
        published = {row[0]: row[1:] for row in work.execute(
            select(PublicationRow.loudspeaker_id, *counted).group_by(PublicationRow.loudspeaker_id)
        )}  # fmt: skip
        opened = {(maker, name) for maker, name in work.execute(
            select(DataOpeningRow.folded_maker, DataOpeningRow.folded_name)
        )}  # fmt: skip
        # What the checks had to say of sessions, by the latest reduction of each.
        told = select(ResultRow.session_id, ResultRow.document).where(ResultRow.kind == WARNINGS).order_by(ResultRow.id)
        wanted = {one.session_id for one in latest.values()}
        said = ((number, text) for number, text in work.execute(told) if number in wanted and text)
        warned = {number: tuple(json.loads(text)["sentences"]) for number, text in said}
        sealed = _sealed(work)
        rows = []
        for row in work.scalars(select(LoudspeakerRow).order_by(LoudspeakerRow.folded_name)):
            key, last = (row.folded_maker, row.folded_name), latest.get(row.id)
            date, taken_in, _ = ("", row.created_at, "") if last is None else sessions[last.session_id]
            number, at = published.get(row.id, (0, ""))
            rows.append(
                OnDesk(
                    id=row.id,
                    name=row.name,
                    maker=row.maker,
                    folded=key,
                    session_id=None if last is None else last.session_id,
                    date=date,
                    touched=taken_in,
                    sheets=sum(1 for one in sealed if one[0] == key) if last is None else len(last.sheets),
                    is_opened=key in opened,
                    has_words=last is not None and bool(last.words),
                    published=number,
                    is_outdated=bool(number and taken_in > at),
                    warnings=warned.get(-1 if last is None else last.session_id, ()),
                    drafts={
                        place: drafts.pop(f"{place}:{row.id}") for place in _DRAFTS[:4] if f"{place}:{row.id}" in drafts
                    },
                )
            )
    return Desk(tuple(rows), drafts, frozenset(one[2] for one in sessions.values()), dict(sealed))


def _sealed(work: Work) -> list[tuple[Folded, tuple[str, str, str]]]:
    """Maker, name as written and time of every sealed sheet, oldest first, with maker and name as they compare."""
    of = ListeningSheetRow
    query = select(of.folded_maker, of.folded_name, of.facts, of.sealed_at).order_by(of.id)
    found = []
    for maker, name, facts, at in work.execute(query):
        told = json.loads(facts)
        found.append(((maker, name), (str(told.get("maker", maker)), str(told.get("loudspeaker", name)), at)))
    return found
