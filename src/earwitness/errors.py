"""Every way Earwitness says no, and the exit code the command line ends with.

    EarwitnessError            1   something failed that is not the input's fault
    |-- InputError             2   what was given cannot be used
    |   |-- SessionError       3   the session folder has faults (all of them are listed)
    |   |-- AudioError         4   a recording cannot be used
    |   `-- FormatError        5   another file (correction, table, SOFA) cannot be used
    |-- ArchiveError           6   the archive refuses or is damaged
    |-- OutputError            7   a result cannot be written (permission, full disk)
    |-- MissingExtraError      8   an optional part of the program is not installed
    `-- ProgramFaultError      9   the program itself failed while it worked on one thing, which it names

A message has four parts, in this order: what is wrong, where, what was expected, what to do. Words that take more than
a line or two stand in the errors.toml of the room that says them.
"""

import errno
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Self


class EarwitnessError(Exception):
    """An error made for the person at the keyboard: what, where, expected, remedy."""

    exit_code = 1

    def __init__(self, what: str, *, where: str = "", expected: str = "", remedy: str = "") -> None:
        self.what = what
        self.where = where
        self.expected = expected
        self.remedy = remedy
        super().__init__(what)

    @classmethod
    def of(
        cls, name: str, /, *, where: str = "", expected: str | None = None, remedy: str | None = None, **facts: Any
    ) -> Self:
        """The error whose words stand under `name`, "room.key", in the room's errors.toml, with facts in place of their
        braces. expected, remedy : where the case decides them."""
        room, _, key = name.partition(".")
        words = {part: text.format(**facts) for part, text in error_texts(room)[key].items()}
        words |= {part: own for part, own in (("expected", expected), ("remedy", remedy)) if own is not None}
        return cls(words.pop("what"), where=where, **words)

    def add_remedy(self, remedy: str) -> None:
        """Say what else to do, after what is said already."""
        self.remedy = f"{self.remedy}; {remedy}" if self.remedy else remedy

    def __str__(self) -> str:
        parts = (("", self.what), ("where: ", self.where), ("expected: ", self.expected), ("to do: ", self.remedy))
        return "\n".join(label + text for label, text in parts if text)

    def __reduce__(self) -> tuple[object, ...]:
        # As it is, whatever a subclass is made from: errors travel between processes.
        return _restored, (type(self), self.args, self.__dict__)


@cache
def error_texts(room: str) -> dict[str, dict[str, str]]:
    """What, expected and remedy of the errors of a room, by name."""
    return tomllib.loads((files("earwitness") / room / "errors.toml").read_text(encoding="utf-8"))


def _restored(kind: type[EarwitnessError], args: tuple[object, ...], facts: dict[str, object]) -> EarwitnessError:
    error: EarwitnessError = kind.__new__(kind, *args)
    error.__dict__.update(facts)
    return error


class InputError(EarwitnessError):
    """What was given cannot be used."""

    exit_code = 2


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of a session folder.

    file : path inside the folder; line : 1-based line in that file or None;
    field : dotted name such as "microphone.sensitivity_fs_per_pa" or "take 12 (h030.wav)", may be "".
    """

    what: str
    file: str
    line: int | None = None
    field: str = ""
    expected: str = ""
    remedy: str = ""

    def __str__(self) -> str:
        place = self.file + (f", line {self.line}" if self.line else "")
        place += f", {self.field}" if self.field else ""
        tail = "".join(f"\n    {k}: {v}" for k, v in (("expected", self.expected), ("to do", self.remedy)) if v)
        return f"{place}\n    {self.what}{tail}"


class SessionError(InputError):
    """A session folder with faults; all of them at once in `faults`."""

    exit_code = 3

    def __init__(self, folder: str, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        count = len(self.faults)
        super().__init__(
            f"the session folder has {count} fault{'s' if count != 1 else ''}, nothing was taken in",
            where=folder,
            remedy="mend what is listed and run the same command again",
        )

    def __str__(self) -> str:
        return "\n".join([super().__str__(), *(f"{i}. {fault}" for i, fault in enumerate(self.faults, 1))])


class AudioError(InputError):
    """A recording cannot be used."""

    exit_code = 4


class FormatError(InputError):
    """A file in an outside format cannot be used."""

    exit_code = 5


class ArchiveError(EarwitnessError):
    """The archive refuses, or is damaged."""

    exit_code = 6


class OutputError(EarwitnessError):
    """A result cannot be written."""

    exit_code = 7


def cannot_write(what: str, path: object, error: Exception, *, remedy: str = "") -> OutputError:
    """`error` of a disk, in the program's own words. what : it is that cannot be written; remedy : beside the usual."""
    number = getattr(error, "errno", None)
    reason = getattr(error, "strerror", None) or str(error)
    usual = "check permission and free space, or give another place"
    if number in (errno.ENOSPC, errno.EDQUOT):
        reason, usual = "the disk is full", "free some space, or choose a folder on another disk, and run it again"
    elif number in (errno.EACCES, errno.EPERM, errno.EROFS):
        reason, usual = "there is no permission to write here", "change the permissions, or choose another folder"
    elif number in (errno.ENOTDIR, errno.EEXIST, errno.EISDIR):
        reason = "a file stands where a folder should be, or a folder where a file should be"
        usual = "move it away, or choose another folder"
    return OutputError(
        f"{what} cannot be written: {reason}",
        where=str(path),
        expected="a folder that may be written to, on a disk with room",
        remedy=f"{usual}; {remedy}" if remedy else usual,
    )


class MissingExtraError(EarwitnessError):
    """An optional part of the program is not installed."""

    exit_code = 8


class ProgramFaultError(EarwitnessError):
    """The program itself failed while it worked on one thing, which is named; the cause hangs on it."""

    exit_code = 9


def choice(name: str, value: str, allowed: Iterable[str]) -> str:
    """`value`, if it is one of `allowed`; otherwise InputError that lists them."""
    allowed = tuple(allowed)
    if value in allowed:
        return value
    raise InputError(f"{name} is {value!r}", expected="one of " + ", ".join(allowed))


@contextmanager
def named(subject: str, *, remedy: str = "") -> Iterator[None]:
    """While one thing of many is worked on: whatever fails unexpectedly ends as a ProgramFaultError that names it.

    subject : what is worked on, such as "Ostrevant Lantern 2, session of 2026-11-01"; remedy : what to do besides
    keeping the report. Errors of the program's own tree pass as they are.
    """
    try:
        yield
    except EarwitnessError:
        raise
    except MemoryError as error:
        raise ProgramFaultError(
            "there was not enough memory for this", where=subject, remedy="close other programs and run it again"
        ) from error
    except Exception as error:
        told = str(error).splitlines()
        raise ProgramFaultError(
            f"a fault of the program: {type(error).__name__}{': ' + told[0][:200] if told else ''}",
            where=subject,
            remedy=remedy or "run it once more with earwitness --debug and tell the makers what it says",
        ) from error
