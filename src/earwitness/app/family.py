"""The other sessions of a loudspeaker, for its own page: another unit, state or day held against the one shown."""

from dataclasses import replace
from pathlib import Path

from earwitness.app.compare import candidate_of, is_pair
from earwitness.app.jobs import Canceled
from earwitness.app.read import ReadResult, read_loudspeaker
from earwitness.app.units import units_told
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import picking, session_words
from earwitness.errors import EarwitnessError
from earwitness.exhibits.family import Family, Kind, Relative
from earwitness.insight.change import change
from earwitness.insight.pair import paired
from earwitness.session.session import Session

MOST_SHOWN = 4


def family_of(result: ReadResult, archive_folder: Path) -> Family | None:
    """The latest other sessions of the loudspeaker that count, against the one that was read; None where none is.

    One that cannot be read is told, and the others are shown. Raises ArchiveError as the archive does.
    """
    with Archive.open(archive_folder, create=False) as archive:
        entry = archive.loudspeaker(result.loudspeaker_id)
        counting = [one for one in archive.sessions_of(entry.id) if one.standing == "counts"]
    others = [one for one in reversed(counting) if one.id != result.session_id]
    if not others:
        return None
    read, absent = [result], []
    for one in others[:MOST_SHOWN]:
        try:
            read.append(read_loudspeaker(picking(f"{entry.maker} {entry.name}", session=one.id), archive_folder))
        except Canceled:
            raise
        except EarwitnessError as error:
            absent.append(f"Not shown, {session_words(one)}: {error}")
    absent += [f"Also measured, not shown: {session_words(one)}." for one in others[MOST_SHOWN:]]
    relatives = []
    for other in read[1:]:
        found = _relative(result, other)
        if found is None:
            absent.append(f"Not shown, session {other.session_id}: it has no response on axis to compare.")
        else:
            relatives.append(found)
    alike = [one for one in reversed(read) if one.session.variant == result.session.variant and one.session.unit.label]
    units = units_told(alike) if len({one.session.unit.label for one in alike}) > 1 else None
    return Family(tuple(relatives), units, tuple(absent))


def _relative(shown: ReadResult, other: ReadResult) -> Relative | None:
    """A repair and a later day are told from the earlier to the later one, units and variants against the one shown."""
    kind = _kind(shown.session, other.session)
    is_later = (shown.session.date, shown.session_id) > (other.session.date, other.session_id)
    first, second = (shown, other) if kind in ("repair", "day") and is_later else (other, shown)
    names = _names(first.session, second.session, dated=kind in ("repair", "day"))
    one, two = (replace(candidate_of(row), title=name) for row, name in zip((first, second), names, strict=True))
    found = change(one, two)
    found = paired(found) if found is not None and kind == "pair" else found
    return (
        None if found is None else Relative(kind, other.session_id, found, one, two, names[0 if first is other else 1])
    )


def _kind(shown: Session, other: Session) -> Kind:
    if is_pair(shown, other):
        return "pair"
    if shown.unit.label and other.unit.label and shown.unit.label != other.unit.label:
        return "sample"
    if shown.variant.condition != other.variant.condition:
        return "repair"
    return "variant" if shown.variant != other.variant else "day"


def _names(first: Session, second: Session, *, dated: bool) -> tuple[str, str]:
    """What each states that the other does not; its day where it states nothing more, or where days matter."""
    parts = [one.state.split(", ") if one.state else [] for one in (first, second)]
    own = [", ".join(part for part in mine if part not in other) for mine, other in (parts, parts[::-1])]
    days = [one.date for one in (first, second)]
    named = [
        (f"{words} ({day})" if dated else words) if words else f"the session of {day}"
        for words, day in zip(own, days, strict=True)
    ]
    return named[0], named[1]
