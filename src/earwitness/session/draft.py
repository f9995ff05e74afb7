"""The parts of a session that are sound by themselves, so that checks across parts need not wait for the rest."""

from dataclasses import dataclass
from typing import Annotated, Any, TypeVar

from pydantic import Field, TypeAdapter, ValidationError

from earwitness.errors import Fault
from earwitness.session.patterns import FILE, WrittenTake, take_line
from earwitness.session.record import Loudspeaker
from earwitness.session.responses import ResponseFacts
from earwitness.session.session import (
    Drive,
    Environment,
    FileStimulus,
    Microphone,
    OtherFile,
    OtherSweep,
    ReferenceChannel,
    SweepStimulus,
    Take,
    Turntable,
    named_stimulus,
)
from earwitness.session.toml_text import Keys, line_of, told

T = TypeVar("T")

_STIMULUS: TypeAdapter[SweepStimulus | FileStimulus] = TypeAdapter(
    Annotated[SweepStimulus | FileStimulus, Field(discriminator="kind")]
)
_OTHER: TypeAdapter[OtherSweep | OtherFile] = TypeAdapter(
    Annotated[OtherSweep | OtherFile, Field(discriminator="kind")]
)
_TAKE: TypeAdapter[Take] = TypeAdapter(Take)


@dataclass(frozen=True, slots=True)
class PlacedTake:
    """A sound take, and what leads back to its place in the file."""

    take: Take
    written: WrittenTake


@dataclass(frozen=True, slots=True)
class SessionDraft:
    """Every part is None where the file holds none or a faulty one; `takes` are the sound ones.

    `drivers` : names of the drivers as far as they can be read; `other_stimulus` : each with its place in the list;
    `photos` : their files;
    `lines` : where keys stand in the file;
    `all_sound` : no take is faulty by itself.
    """

    date: str | None
    loudspeaker: Loudspeaker | None
    drivers: tuple[str, ...]
    microphone: Microphone | None
    drive: Drive | None
    stimulus: SweepStimulus | FileStimulus | None
    other_stimulus: tuple[tuple[int, OtherSweep | OtherFile], ...]
    photos: tuple[str, ...]
    reference: ReferenceChannel | None
    environment: Environment | None
    turntable: Turntable | None
    responses: ResponseFacts | None
    takes: tuple[PlacedTake, ...]
    lines: dict[Keys, int]
    all_sound: bool

    def stimuli(self) -> tuple[tuple[Keys, SweepStimulus | FileStimulus], ...]:
        """Every sound stimulus with the path of its table."""
        usual = () if self.stimulus is None else ((("stimulus",), self.stimulus),)
        return (*usual, *((("other_stimulus", place), one) for place, one in self.other_stimulus))

    def stimulus_of(self, take: Take) -> SweepStimulus | FileStimulus | None:
        """What a take was recorded with, as far as that is sound."""
        return named_stimulus(take, self.stimulus, tuple(one for _, one in self.other_stimulus))

    def fault(self, name: str, path: Keys, /, **facts: Any) -> Fault:
        """The fault of that name, see `told`, of the key at `path`, such as ("stimulus", "stop_hz")."""
        return told(name, FILE, line_of(self.lines, path), ".".join(str(p) for p in path), **facts)

    def take_fault(self, name: str, placed: PlacedTake, key: str, /, **facts: Any) -> Fault:
        """The fault of that name of one key of a take, which is the fact `take`."""
        line = take_line(self.lines, placed.written.index, key)
        return told(name, FILE, line, f"take {placed.take.id}, {key}", take=placed.take, **facts)

    def of(self, kind: type[T]) -> list[tuple[PlacedTake, T]]:
        """The sound takes of one kind, each beside its place."""
        return [(placed, placed.take) for placed in self.takes if isinstance(placed.take, kind)]

    def line_of_take(self, placed: PlacedTake) -> str:
        """Name and line of a take for the message of another one."""
        line = line_of(self.lines, ("take", placed.written.index))
        return f"{placed.take.id!r}" + (f" (line {line})" if line else "")


def draft_of(document: dict[str, Any], takes: list[WrittenTake], lines: dict[Keys, int]) -> SessionDraft:
    """The sound parts of a TOML document whose takes are spelled out."""
    written = document.get("loudspeaker")
    drivers = written.get("driver") if isinstance(written, dict) else None
    names = [d.get("name") for d in drivers if isinstance(d, dict)] if isinstance(drivers, list) else []
    date = document.get("date")
    sound = [(take, _sound(_TAKE, take.table)) for take in takes]
    return SessionDraft(
        date=date if isinstance(date, str) else None,
        loudspeaker=_sound(TypeAdapter(Loudspeaker), written),
        drivers=tuple(n.strip() for n in names if isinstance(n, str)),
        microphone=_sound(TypeAdapter(Microphone), document.get("microphone")),
        drive=_sound(TypeAdapter(Drive), document.get("drive")),
        stimulus=_sound(_STIMULUS, document.get("stimulus")),
        other_stimulus=_sound_others(document.get("other_stimulus")),
        photos=_photos(document.get("photo")),
        reference=_sound(TypeAdapter(ReferenceChannel), document.get("reference")),
        environment=_sound(TypeAdapter(Environment), document.get("environment", {})),
        turntable=_sound(TypeAdapter(Turntable), document.get("turntable")),
        responses=_sound(TypeAdapter(ResponseFacts), document.get("responses")),
        takes=tuple(PlacedTake(take, w) for w, take in sound if take is not None),
        lines=lines,
        all_sound=all(take is not None for _, take in sound),
    )


def _photos(given: Any) -> tuple[str, ...]:
    rows = [one.get("file") for one in given if isinstance(one, dict)] if isinstance(given, list) else []
    return tuple(dict.fromkeys(name for name in rows if isinstance(name, str)))


def _sound_others(given: Any) -> tuple[tuple[int, OtherSweep | OtherFile], ...]:
    every = enumerate(given if isinstance(given, list) else ())
    found = ((place, _sound(_OTHER, one)) for place, one in every)
    return tuple((place, one) for place, one in found if one is not None)


def _sound(adapter: TypeAdapter[T], given: Any) -> T | None:
    if given is None:
        return None
    try:
        return adapter.validate_python(given)
    except ValidationError:
        return None
