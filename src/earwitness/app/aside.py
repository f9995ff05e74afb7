"""Sessions that count and those that do not: set one aside that cannot be used, and take it back."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from earwitness.app.rebuild import Rebuilt, rebuild_session
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import session_words
from earwitness.archive.entries import LoudspeakerEntry, SessionEntry, Standing
from earwitness.archive.search import drop_summary
from earwitness.errors import InputError

MOST_WORDS = 2000


@dataclass(frozen=True, slots=True)
class Moved:
    """A session that was set aside or taken back. counts : what became of the one that is read now, None without."""

    title: str
    session: SessionEntry
    counts: Rebuilt | None


def set_session_aside(name: str, archive_folder: Path, *, session_id: int | None = None, because: str = "") -> Moved:
    """Let a session of the loudspeaker called `name` count for nothing; everything of it stays in the archive.

    session_id : which one, None for the one that is read. The next one by date is read from then on, and the search
    index holds that. Raises as `Archive.find`; InputError for a number that is no session of it, or a reason too long.
    """
    if len(because) > MOST_WORDS:
        raise InputError("the reason is too long", expected=f"at most {MOST_WORDS} characters")
    with Archive.open(archive_folder, create=False) as archive:
        owner = archive.find(name)
        if session_id is None:
            chosen = archive.counting_session(owner.id)
        else:
            chosen = _one_of(owner, archive.sessions_of(owner.id), session_id)
        archive.set_aside(chosen.id, because)
    return _moved(archive_folder, owner, chosen)


def take_session_back(name: str, archive_folder: Path, *, session_id: int | None = None) -> Moved:
    """Let a session count again that was set aside. session_id : which one, None for the latest that is set aside.

    Raises as `set_session_aside`, and InputError where none is set aside.
    """
    with Archive.open(archive_folder, create=False) as archive:
        owner = archive.find(name)
        aside = [one for one in archive.sessions_of(owner.id) if one.standing == "set aside"]
        if not aside:
            raise InputError(f"no session of {owner.name} is set aside", where=str(archive_folder))
        chosen = aside[-1] if session_id is None else _one_of(owner, aside, session_id)
        archive.take_back(chosen.id)
    return _moved(archive_folder, owner, chosen)


def session_lines(name: str, archive_folder: Path) -> list[str]:
    """The sessions of a loudspeaker as lines of text, the one that is read last. Raises as `Archive.find`."""
    with Archive.open(archive_folder, create=False) as archive:
        owner = archive.find(name)
        sessions = archive.sessions_of(owner.id)
        takes = {one.id: len(archive.takes_of(one.id)) for one in sessions}
    lines = [f"{owner.maker} {owner.name}"]
    for place, one in enumerate(sessions):
        is_read = place == len(sessions) - 1 and one.standing == "counts"
        told = "read" if is_read else _STANDINGS[one.standing]
        reason = f": {one.because}" if one.because else ""
        added = f"added {one.created_at[:10]} from {one.folder}"
        lines.append(f"    {session_words(one)}, {takes[one.id]} takes, {added}: {told}{reason}")
    return lines


_STANDINGS: dict[Standing, str] = {
    "counts": "earlier",
    "superseded": "superseded by one with the same recordings",
    "set aside": "set aside",
}


def _one_of(owner: LoudspeakerEntry, sessions: Sequence[SessionEntry], session_id: int) -> SessionEntry:
    for one in sessions:
        if one.id == session_id:
            return one
    raise InputError(
        f"{owner.name} has no session {session_id} to choose",
        expected="one of " + ", ".join(f"{one.id} (of {one.date})" for one in sessions),
        remedy=f'see earwitness archive sessions "{owner.name}"',
    )


def _moved(archive_folder: Path, owner: LoudspeakerEntry, chosen: SessionEntry) -> Moved:
    """Bring the search index to what is read now."""
    with Archive.open(archive_folder, create=False) as archive:
        counting = [one for one in archive.sessions_of(owner.id) if one.standing == "counts"]
        if not counting:
            drop_summary(archive, owner.id)
    counts = rebuild_session(str(archive_folder.resolve()), counting[-1].id) if counting else None
    return Moved(f"{owner.maker} {owner.name}", chosen, counts)
