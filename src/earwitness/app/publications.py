"""What was published where, kept in the archive; a new revision only when a number, a reason or a choice changed."""

import json

from earwitness.archive.catalogue import Archive
from earwitness.archive.entries import PublicationEntry
from earwitness.publish.site.corrections import Correction, corrections_of


def kept_publication(
    archive: Archive, loudspeaker_id: int, target: str, document: dict[str, object]
) -> tuple[int, PublicationEntry]:
    """The publication to `target` and its revision, 1 for the first one there; where nothing but the reason given
    would change since the last one, that one."""
    here = _at(archive, loudspeaker_id, target)
    if here:
        last = json.loads(here[-1].document)
        if {**last, "because": ""} == json.loads(json.dumps({**document, "because": ""})):
            return len(here), here[-1]
    return len(here) + 1, archive.keep_publication(loudspeaker_id, target, document)


def corrections_at(archive: Archive, loudspeaker_id: int, target: str) -> tuple[Correction, ...]:
    """What re-publications to `target` changed, newest first."""
    here = _at(archive, loudspeaker_id, target)
    return corrections_of([(n, p.created_at, json.loads(p.document)) for n, p in enumerate(here, 1)])


def publications_at(archive: Archive, loudspeaker_id: int, target: str) -> tuple[tuple[int, str], ...]:
    """Revision and time of every publication to `target`, newest first."""
    return tuple(reversed([(n, p.created_at) for n, p in enumerate(_at(archive, loudspeaker_id, target), 1)]))


def pending_correction(
    archive: Archive, loudspeaker_id: int, target: str, document: dict[str, object]
) -> Correction | None:
    """What publishing `document` now would change since the last publication; None where it would be the first, or
    the same."""
    here = _at(archive, loudspeaker_id, target)
    if not here:
        return None
    last = json.loads(here[-1].document)
    now = json.loads(json.dumps(document))
    if {**last, "because": ""} == {**now, "because": ""}:
        return None
    return corrections_of([(len(here), here[-1].created_at, last), (len(here) + 1, archive.now(), now)])[0]


def _at(archive: Archive, loudspeaker_id: int, target: str) -> list[PublicationEntry]:
    return [p for p in archive.publications_of(loudspeaker_id) if p.target == target]
