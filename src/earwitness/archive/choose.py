"""Which loudspeaker a name means, which of its sessions count, and which is to be read.

A name may pick a session: "Model @ session 3", "Model @ unit A12", "Model @ variant grille on", or two of them,
"Model @ unit A12, variant grille on". Of several sessions that fit the latest one that counts is taken.
"""

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, and_, distinct, false, func, or_, select, true
from sqlalchemy.orm import Session as Work
from sqlalchemy.orm import aliased

from earwitness.archive.entries import SessionEntry
from earwitness.archive.schema import LoudspeakerRow, SessionAsideRow, SessionRow, TakeRow
from earwitness.errors import InputError

MARK = "@"
_MOST_NAMED = 10
_ORDER = (LoudspeakerRow.folded_name, LoudspeakerRow.folded_maker)
_KINDS = ("session", "unit", "variant")
_PART = re.compile(rf"\s*(?P<kind>{'|'.join(_KINDS)})\s+(?P<value>.*\S)\s*", re.IGNORECASE)


def folded(text: str) -> str:
    """`text` as names compare: without regard to case and blanks."""
    return " ".join(text.split()).casefold()


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which session: its number, a unit's serial or side, words of a variant; None where that does not matter."""

    session: int | None = None
    unit: str | None = None
    variant: str | None = None


def picking(name: str, *, session: int | None = None, unit: str | None = None, variant: str | None = None) -> str:
    """`name` with what it is to pick behind it, as `parted` reads it."""
    told = {"session": session, "unit": unit, "variant": variant}
    parts = [f"{kind} {value}" for kind, value in told.items() if value is not None]
    return f"{name} {MARK} {', '.join(parts)}" if parts else name


def parted(name: str) -> tuple[str, Wanted | None]:
    """A name and what it picks. InputError where what stands behind the mark is nothing to pick by."""
    called, mark, behind = name.rpartition(MARK)
    if not mark:
        return name, None
    told: dict[str, str] = {}
    for piece in re.split(r",(?=\s*(?:session|unit|variant)\b)", behind, flags=re.IGNORECASE):
        found = _PART.fullmatch(piece)
        if found is None or found["kind"].lower() in told:
            raise InputError.of("archive.picks_nothing", piece=piece.strip(), called=called.strip(), mark=MARK)
        told[found["kind"].lower()] = found["value"]
    number = told.get("session")
    if number is not None and not number.isdigit():
        raise InputError(f"{number!r} is no number of a session", remedy="earwitness archive sessions lists them")
    return called.strip(), Wanted(None if number is None else int(number), told.get("unit"), told.get("variant"))


def chosen(sessions: Sequence[SessionEntry], wanted: Wanted, *, name: str) -> SessionEntry:
    """The latest of `sessions`, which stand in the order in which they count, that is what was wanted.

    A session named by its number may be one that does not count. InputError lists what there is.
    """
    fit = [one for one in sessions if _fits(one, wanted)]
    if fit and (wanted.session is not None or fit[-1].standing == "counts"):
        return fit[-1]
    listed = [session_words(one) for one in reversed(sessions) if one.standing == "counts"][:_MOST_NAMED]
    what = picking("", session=wanted.session, unit=wanted.unit, variant=wanted.variant).removeprefix(f" {MARK} ")
    raise InputError(
        f"{name} has no session that is {what}" if what else f"{name} has no such session",
        expected="one of: " + "; ".join(listed) if listed else "a session that counts",
    )


def _fits(one: SessionEntry, wanted: Wanted) -> bool:
    if wanted.session is not None and one.id != wanted.session:
        return False
    if wanted.unit is not None and not _named(one.unit, wanted.unit):
        return False
    return wanted.variant is None or _named(one.variant, wanted.variant)


def _named(label: str, wanted: str) -> bool:
    """Whether all words of `wanted` stand in a label, in one of its parts or in several."""
    parts = [folded(part) for part in label.split(",")]
    asked = [folded(part) for part in wanted.split(",")]
    return all(any(one == part or part.endswith(f" {one}") for part in parts) for one in asked)


def session_words(one: SessionEntry) -> str:
    """A session in words, "session 3 of 2026-11-01, unit A12, grille on"."""
    return ", ".join(filter(None, (f"session {one.id} of {one.date}", one.unit, one.variant)))


def state_words(one: SessionEntry) -> str:
    """The same with what tells it from others first, "unit A12, grille on, session 3 of 2026-11-01"."""
    return ", ".join(filter(None, (one.unit, one.variant, f"session {one.id} of {one.date}")))


def _called(wanted: str) -> tuple[ColumnElement[bool], ...]:
    """Called so by maker and name, wherever the one ends and the other begins, so that the index finds it; called so
    by name alone."""
    of, words = LoudspeakerRow, wanted.split(" ")
    parts = ((" ".join(words[:end]), " ".join(words[end:])) for end in range(1, len(words)))
    both = [and_(of.folded_maker == maker, of.folded_name == name) for maker, name in parts]
    return (or_(false(), *both), of.folded_name == wanted)


def exact_loudspeaker(work: Work, name: str) -> LoudspeakerRow | None:
    """The row of the only loudspeaker that is called just so, by its name or by maker and name; None without one."""
    wanted = folded(name)
    for fits in _called(wanted):
        rows = list(work.scalars(select(LoudspeakerRow).where(fits).limit(2)))
        if rows:
            return rows[0] if len(rows) == 1 else None
    return None


def named_loudspeaker(work: Work, name: str, *, where: str) -> LoudspeakerRow:
    """The row of the loudspeaker called `name`, or "maker name", or the only one whose name holds `name`.

    Case and outer blanks do not matter. Raises InputError: an unknown name lists the nearest ones, an ambiguous one
    its candidates; one that picks a session where none can be picked says so.
    """
    wanted = folded(name)
    rows: list[LoudspeakerRow] = []
    title = LoudspeakerRow.folded_maker + " " + LoudspeakerRow.folded_name
    for fits in (*_called(wanted), func.instr(title, wanted) > 0):
        rows = list(work.scalars(select(LoudspeakerRow).where(fits).order_by(*_ORDER))) if wanted and not rows else rows
    if len(rows) == 1:
        return rows[0]
    if rows:
        raise InputError(
            f"{len(rows)} loudspeakers are called {name!r}",
            expected="maker and name: " + ", ".join(f"{one.maker} {one.name}" for one in rows),
        )
    if MARK in name:
        raise InputError.of("archive.picks_where_none_is_picked", name=name, mark=MARK)
    raise _unknown(work, name, wanted, where)


def _unknown(work: Work, name: str, wanted: str, where: str) -> InputError:
    known = list(work.execute(select(LoudspeakerRow.maker, LoudspeakerRow.name).order_by(*_ORDER)))
    labels = {folded(text): title for maker, title in known for text in (f"{maker} {title}", title)}
    near = dict.fromkeys(labels[one] for one in difflib.get_close_matches(wanted, labels, n=5, cutoff=0.5))
    if near:
        remedy = "did you mean " + ", ".join(repr(one) for one in near)
    elif known:
        remedy = "the archive holds " + ", ".join(repr(title) for _, title in known[:_MOST_NAMED])
    else:
        remedy = "the archive is empty: add a session folder first"
    return InputError(f"no loudspeaker is called {name!r}", where=where, remedy=remedy)


def aside_sessions(work: Work, loudspeaker_id: int | None = None) -> dict[int, str]:
    """Why sessions were set aside, by their numbers. loudspeaker_id : None for those of all loudspeakers."""
    query = select(SessionAsideRow.session_id, SessionAsideRow.because)
    if loudspeaker_id is not None:
        query = query.join(SessionRow, SessionRow.id == SessionAsideRow.session_id)
        query = query.where(SessionRow.loudspeaker_id == loudspeaker_id)
    return {int(number): str(because) for number, because in work.execute(query)}


def uncounted_sessions(work: Work, loudspeaker_id: int | None = None) -> frozenset[int]:
    """Numbers of all sessions that are superseded or set aside. loudspeaker_id : None for those of all loudspeakers."""
    return superseded_sessions(work, loudspeaker_id) | aside_sessions(work, loudspeaker_id).keys()


def superseded_sessions(work: Work, loudspeaker_id: int | None = None, *, by: int | None = None) -> frozenset[int]:
    """Numbers of the sessions of which a later one of the same loudspeaker holds half of the recordings or more.

    A tester mends session.toml and adds the folder again: the later one counts, whatever dates they state. Had the slip
    been in the date, the mended session could never become the latest by its date alone.
    A later one that is set aside takes nobody's place. loudspeaker_id : None for those of all loudspeakers; by :
    number of the later session, None for any.
    """
    before, after = aliased(SessionRow), aliased(SessionRow)
    own, theirs = aliased(TakeRow), aliased(TakeRow)
    several = select(SessionRow.loudspeaker_id).group_by(SessionRow.loudspeaker_id).having(func.count() > 1)
    is_later = or_(
        after.created_at > before.created_at, (after.created_at == before.created_at) & (after.id > before.id)
    )
    of_own = select(func.count(distinct(TakeRow.sha256))).where(TakeRow.session_id == own.session_id).scalar_subquery()
    query = (
        select(own.session_id)
        .select_from(before)
        .join(after, (after.loudspeaker_id == before.loudspeaker_id) & is_later)
        .join(own, own.session_id == before.id)
        .join(theirs, (theirs.session_id == after.id) & (theirs.sha256 == own.sha256))
        .where(
            before.loudspeaker_id.in_(several) if loudspeaker_id is None else before.loudspeaker_id == loudspeaker_id
        )
        .where(true() if by is None else after.id == by)
        .where(after.id.not_in(select(SessionAsideRow.session_id)))
        .group_by(own.session_id, after.id)
        .having(2 * func.count(distinct(own.sha256)) >= of_own)
    )
    return frozenset(work.scalars(query))
