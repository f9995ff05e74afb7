"""Seals: a hash over canonical JSON and the time. Whoever holds the hash can tell an altered sheet.

The hash proves content, not time: the clock is the tester's own. It proves the time too once it has been given to
somebody else, or published, before the data were shown.
"""

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from earwitness.errors import ArchiveError
from earwitness.session.notes import ListeningSheet

Clock = Callable[[], datetime]
SCHEME = "earwitness listening 1"


@dataclass(frozen=True, slots=True)
class Sealed:
    """facts : canonical JSON of the sheet; sealed_at : UTC, ISO 8601; sha256 : over both, 64 hex digits."""

    facts: str
    sealed_at: str
    sha256: str


def canonical(facts: Mapping[str, object]) -> str:
    """JSON in the one form that is hashed: keys sorted, no blanks, UTF-8 as it is, numbers as Python writes them.

    Raises ValueError for numbers that JSON has no word for.
    """
    return json.dumps(facts, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def seal(sheet: ListeningSheet, clock: Clock) -> Sealed:
    """Seal `sheet` at the time that `clock` gives (with its time zone)."""
    facts = canonical(sheet.model_dump(mode="json", by_alias=True))
    sealed_at = clock().astimezone(UTC).isoformat(timespec="seconds")
    return Sealed(facts, sealed_at, seal_hash(facts, sealed_at))


def seal_hash(facts: str, sealed_at: str) -> str:
    """SHA-256, in hex, over scheme, time and facts, each followed by one line feed, as UTF-8."""
    return hashlib.sha256(f"{SCHEME}\n{sealed_at}\n{facts}\n".encode()).hexdigest()


def unsealed(facts: str, sealed_at: str, sha256: str) -> ListeningSheet:
    """The sheet behind a seal. Raises ArchiveError when the seal does not fit: one of the three was altered."""
    if seal_hash(facts, sealed_at) != sha256:
        raise ArchiveError.of("insight.seal_broken", where=f"seal {sha256[:12]} of {sealed_at}")
    return ListeningSheet.model_validate_json(facts)
