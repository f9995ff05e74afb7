"""The record inside a package: what the catalogue says of one loudspeaker, checked as it comes in."""

from __future__ import annotations

import hashlib
import json
from functools import cached_property
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, StringConstraints, ValidationError, model_validator

from earwitness.archive.arrays import as_tuples
from earwitness.archive.schema import ListeningSheetRow, ResultRow
from earwitness.errors import FormatError
from earwitness.quantities import Step
from earwitness.session.record import Strict
from earwitness.session.session import Session

Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
StepKey = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{32}$")]
Stamp = Annotated[str, StringConstraints(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\+00:00$")]
Word = Annotated[str, StringConstraints(min_length=1, max_length=400)]
MOST_ENTRIES = 100_000


class _Exact(Strict):
    """As Strict, but text is kept to the last blank: hashes stand for it."""

    model_config = ConfigDict(str_strip_whitespace=False)


class SessionRecord(_Exact):
    """A session. key : as in the catalogue; facts : the session as JSON; aside_because : why it was set aside, None
    where it was not."""

    key: Sha256
    created_at: Stamp
    facts: dict[str, Any]
    aside_because: Annotated[str, StringConstraints(max_length=10_000)] | None = None

    @cached_property
    def session(self) -> Session:
        return Session.model_validate_json(json.dumps(self.facts))

    @model_validator(mode="after")
    def _is_a_session(self) -> SessionRecord:
        assert self.session.takes
        return self


class ResultRecord(_Exact):
    """A result of the session with the key `session`: arrays (by the hash of their file) or a document."""

    session: Sha256
    step_key: StepKey
    step_name: Word
    kind: Word
    inputs: Annotated[tuple[Word, ...], Field(max_length=MOST_ENTRIES)]
    settings: tuple[tuple[str, Any], ...]
    program: Word
    array_sha256: Sha256 | None
    document: str | None
    created_at: Stamp

    @classmethod
    def of(cls, session: str, row: ResultRow) -> ResultRecord:
        names = ("step_key", "step_name", "kind", "inputs", "settings", "program", "array_sha256", "document")
        return cls(session=session, created_at=row.created_at, **{name: getattr(row, name) for name in names})

    @property
    def step(self) -> Step:
        settings: Any = as_tuples([list(pair) for pair in self.settings])
        return Step(self.step_name, settings, self.inputs, self.program)

    @model_validator(mode="after")
    def _holds_one_thing(self) -> ResultRecord:
        if (self.array_sha256 is None) == (self.document is None):
            raise ValueError("a result holds either arrays or a document")
        if self.document is not None:
            json.loads(self.document)
        return self


class PublicationRecord(_Exact):
    """A publication, in the order of their numbers."""

    target: Annotated[str, StringConstraints(max_length=4000)]
    document: str
    created_at: Stamp

    @property
    def digest(self) -> str:
        return hashlib.sha256(self.document.encode()).hexdigest()

    @model_validator(mode="after")
    def _is_json(self) -> PublicationRecord:
        json.loads(self.document)
        return self


class SheetRecord(_Exact):
    """A sealed listening sheet."""

    facts: str
    sha256: Sha256
    sealed_at: Stamp
    opened_at: Stamp | None
    is_after_data: Annotated[bool, Field(strict=True)]

    @classmethod
    def of(cls, row: ListeningSheetRow) -> SheetRecord:
        return cls(**{name: getattr(row, name) for name in cls.model_fields})


class ChoiceRecord(_Exact):
    """What the tester chose for the reduction of the session with the key `session`. value : JSON text."""

    session: Sha256
    value: Annotated[str, StringConstraints(max_length=10_000)]

    @model_validator(mode="after")
    def _is_json(self) -> ChoiceRecord:
        json.loads(self.value)
        return self


class PackageRecord(_Exact):
    """Everything of one loudspeaker but its files. opened_at : when its data were first shown; choices : for
    reductions, at most one a session."""

    format: Literal[1]
    name: Word
    maker: Word
    sessions: Annotated[tuple[SessionRecord, ...], Field(max_length=MOST_ENTRIES)]
    results: Annotated[tuple[ResultRecord, ...], Field(max_length=MOST_ENTRIES)]
    publications: Annotated[tuple[PublicationRecord, ...], Field(max_length=MOST_ENTRIES)]
    sheets: Annotated[tuple[SheetRecord, ...], Field(max_length=MOST_ENTRIES)]
    opened_at: Stamp | None
    choices: Annotated[tuple[ChoiceRecord, ...], Field(max_length=MOST_ENTRIES)] = ()

    def json_text(self) -> str:
        """The record as it stands in the package: sorted keys, one line feed at the end."""
        plain = self.model_dump(mode="json")
        return json.dumps(plain, sort_keys=True, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def read_record(data: bytes, *, where: str) -> PackageRecord:
    """The record in `data`. Raises FormatError that names the first thing wrong with it."""
    try:
        return PackageRecord.model_validate_json(data)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise FormatError.of("archive.record_unusable", where=where, place=place, reason=first["msg"]) from None
    except (ValueError, RecursionError) as error:
        raise FormatError(f"the record of the package cannot be read: {error}", where=where) from None
