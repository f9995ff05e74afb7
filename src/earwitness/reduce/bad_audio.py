"""All bad recordings of a session told at once: nobody wants to mend a hundred files one error at a time."""

from collections.abc import Callable, Container, Iterable

import numpy as np

from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.session.session import ImpedanceTableTake, Session

_MOST = 40
Read = Callable[[str], Recording]


class BadRecordingsError(AudioError):
    """Several recordings cannot be used: each with its place, its fault and its remedy."""

    def __init__(self, errors: Iterable[AudioError]) -> None:
        self.errors = tuple({str(error): error for error in errors}.values())
        lines = [f"{number}. {_line(error)}" for number, error in enumerate(self.errors[:_MOST], 1)]
        if len(self.errors) > _MOST:
            lines.append(f"and {len(self.errors) - _MOST} more")
        count = len(self.errors)
        super().__init__(
            "\n".join((f"{count} recording{'s' if count > 1 else ''} cannot be used", *lines)),
            remedy="mend what is listed and run the same command again",
        )


def _line(error: AudioError) -> str:
    told = (("expected", error.expected), ("to do", error.remedy))
    tail = "".join(f"; {words}: {text}" for words, text in told if text)
    return f"{error.where}: {error.what}{tail}" if error.where else f"{error.what}{tail}"


def together(errors: Iterable[AudioError]) -> AudioError:
    """One error for all of them; a single one stays as it is."""
    bad = BadRecordingsError(errors)
    return bad.errors[0] if len(bad.errors) == 1 else bad


def naming(read: Read) -> Read:
    """`read`, whose errors name the file as the session does: an archive may hold it under another name."""

    def named(name: str) -> Recording:
        try:
            return read(name)
        except AudioError as error:
            if name in error.where:
                raise
            where = f"file {name} ({error.where})" if error.where else f"file {name}"
            raise AudioError(error.what, where=where, expected=error.expected, remedy=error.remedy) from None

    return named


def others_unreadable(session: Session, read: Read, known: Container[str] = ()) -> list[AudioError]:
    """An error for every take whose file cannot be read or holds values that are no numbers; known : files left out.

    For the way to an error only: every recording is read once more.
    """
    found = []
    names = dict.fromkeys(take.file for take in session.takes if not isinstance(take, ImpedanceTableTake))
    for name in names:
        if name in known:
            continue
        try:
            recording = read(name)
        except AudioError as error:
            found.append(error)
            continue
        if not np.all(np.isfinite(recording.samples)):
            found.append(AudioError("the recording holds values that are not numbers", where=f"file {name}"))
    return found
