"""The latest session of every loudspeaker, in a number of questions that does not grow with the archive."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select

from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import uncounted_sessions
from earwitness.archive.schema import DraftRow, DraftStateRow, ListeningSheetRow, LoudspeakerRow, ResultRow, SessionRow
from earwitness.quantities.lineage import step

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
