"""What the catalogue hands out: frozen values, no rows."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Literal, TypeVar

if TYPE_CHECKING:
    from earwitness.quantities import Step

Standing = Literal["set aside", "superseded", "counts"]
STANDINGS: tuple[Standing, ...] = ("set aside", "superseded", "counts")


@dataclass(frozen=True, slots=True)
class LoudspeakerEntry:
    """A loudspeaker type in the catalogue."""

    id: int
    name: str
    maker: str
    created_at: str

    @property
    def title(self) -> str:
        return f"{self.maker} {self.name}"


@dataclass(frozen=True, slots=True)
class SessionEntry:
    """A session in the catalogue. key : hash over its facts and files; folder : where it was taken in from;
    standing : whether it is read, by its date, or another in its place; because : why it was set aside, else "";
    unit, variant : which specimen in which state, in words, "" where the session does not say."""

    id: int
    loudspeaker_id: int
    key: str
    date: str
    folder: str
    created_at: str
    standing: Standing = "counts"
    because: str = ""
    unit: str = ""
    variant: str = ""


@dataclass(frozen=True, slots=True)
class TakeEntry:
    """A take of a session, with the hash of its recording."""

    id: int
    session_id: int
    position: int
    name: str
    kind: str
    sha256: str


@dataclass(frozen=True, slots=True)
class ResultEntry:
    """A stored result. id : rises in the order in which results were kept; array_file : path inside the archive,
    or None for a document."""

    id: int
    session_id: int
    step_key: str
    kind: str
    step: Step
    array_file: str | None
    array_sha256: str | None
    created_at: str


@dataclass(frozen=True, slots=True)
class PublicationEntry:
    """A published review. number : 1 for the first of its loudspeaker; document : JSON text as published."""

    id: int
    loudspeaker_id: int
    number: int
    digest: str
    target: str
    document: str
    created_at: str


@dataclass(frozen=True, slots=True)
class Added:
    """What taking a session in did. reused : it was here already; new_recordings : contents that were not;
    counts_again : it had been superseded by another session with its recordings, or set aside."""

    session_id: int
    reused: bool
    new_recordings: int
    counts_again: bool = False


Entry = TypeVar("Entry")


def entry_of(kind: type[Entry], row: Any, **others: Any) -> Entry:
    """The entry of a row: fields of the same name, and `others`, which the row holds in another form."""
    names = [field.name for field in fields(kind) if field.name not in others]  # type: ignore[arg-type]
    return kind(**{name: getattr(row, name) for name in names}, **others)
