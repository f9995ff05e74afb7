"""A session to practice live measuring with: an invented loudspeaker that the simulated wire may record."""

from contextlib import suppress
from importlib.resources import files
from itertools import count
from pathlib import Path

from earwitness.errors import InputError
from earwitness.session.patterns import FILE
from earwitness.session.template import write_new

REHEARSALS = "rehearsals"


def rehearsal_text() -> str:
    """The session.toml of a rehearsal."""
    return (files("earwitness.app") / "rehearsal.toml").read_text(encoding="utf-8")


def new_rehearsal(folder: Path) -> Path:
    """Write the session into `folder`. InputError where one is there, OutputError where it cannot be written."""
    return write_new(folder / FILE, rehearsal_text())


def next_rehearsal(archive_folder: Path) -> Path:
    """A new folder beside the archive's files, with the session in it. OutputError where it cannot be written."""
    for number in count(1):
        folder = archive_folder / REHEARSALS / str(number)
        # Another program may take the number between the look and the writing.
        if not folder.exists():
            with suppress(InputError):
                new_rehearsal(folder)
                break
    return folder
