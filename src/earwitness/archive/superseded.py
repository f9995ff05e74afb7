"""Sessions that do not count: taken in once more with other facts, or set aside by the tester.

A tester mends session.toml and adds the folder again: the later one counts, whatever dates they state. Had the slip
been in the date, the mended session could never become the latest by its date alone.
"""

from sqlalchemy import distinct, func, or_, select, true
from sqlalchemy.orm import Session as Work
from sqlalchemy.orm import aliased

from earwitness.archive.schema import SessionAsideRow, SessionRow, TakeRow


def aside_sessions(work: Work, loudspeaker_id: int | None = None) -> dict[int, str]:
    """Why sessions were set aside, by their numbers. loudspeaker_id : None for those of all loudspeakers."""
    query = select(SessionAsideRow.session_id, SessionAsideRow.because)
    if loudspeaker_id is not None:
        query = query.join(SessionRow, SessionRow.id == SessionAsideRow.session_id)
        query = query.where(SessionRow.loudspeaker_id == loudspeaker_id)
    return {int(number): str(because) for number, because in work.execute(query)}


def uncounted_sessions(work: Work) -> frozenset[int]:
    """Numbers of all sessions, of whichever loudspeaker, that are superseded or set aside."""
    return superseded_sessions(work) | aside_sessions(work).keys()


def superseded_sessions(work: Work, loudspeaker_id: int | None = None, *, by: int | None = None) -> frozenset[int]:
    """Numbers of the sessions of which a later one of the same loudspeaker holds half of the recordings or more.

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
