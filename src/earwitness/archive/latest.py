"""The latest session of every loudspeaker, in a number of questions that does not grow with the archive."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select

from earwitness.archive.catalogue import Archive
from earwitness.archive.schema import ListeningSheetRow, LoudspeakerRow, ResultRow, SessionRow

WORDS = "own words"


@dataclass(frozen=True, slots=True)
class Latest:
    """A loudspeaker with its latest session. session_key : hash over the session's facts and files; folded : maker and
    name as they compare; sheets : hashes of its listening sheets, oldest first; words : keys of all states of the
    tester's own words."""

    loudspeaker_id: int
    name: str
    maker: str
    folded: tuple[str, str]
    session_id: int
    session_key: str
    sheets: tuple[str, ...]
    words: tuple[str, ...]


def latest_sessions(archive: Archive) -> tuple[Latest, ...]:
    """Loudspeakers that have a session, by name and maker, with the latest measured one of each."""
    sessions = select(SessionRow.loudspeaker_id, SessionRow.id, SessionRow.key).order_by(SessionRow.date, SessionRow.id)
    order = (LoudspeakerRow.folded_name, LoudspeakerRow.folded_maker)
    sheets = select(ListeningSheetRow.folded_maker, ListeningSheetRow.folded_name, ListeningSheetRow.sha256)
    texts = select(SessionRow.loudspeaker_id, ResultRow.step_key).join(ResultRow, ResultRow.session_id == SessionRow.id)
    with archive.reading() as work:
        last = {owner: (number, key) for owner, number, key in work.execute(sessions)}
        heard: dict[tuple[str, str], list[str]] = {}
        for maker, name, sha256 in work.execute(sheets.order_by(ListeningSheetRow.id)):
            heard.setdefault((maker, name), []).append(sha256)
        said: dict[int, list[str]] = {}
        for owner, key in work.execute(texts.where(ResultRow.kind == WORDS).order_by(ResultRow.id)):
            said.setdefault(owner, []).append(key)
        found = []
        for row in work.scalars(select(LoudspeakerRow).order_by(*order)):
            if row.id in last:
                folded = (row.folded_maker, row.folded_name)
                own = (tuple(heard.get(folded, ())), tuple(said.get(row.id, ())))
                found.append(Latest(row.id, row.name, row.maker, folded, *last[row.id], *own))
    return tuple(found)
