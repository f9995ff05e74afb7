"""Forms that a newcomer fills in, session.toml first, and the writing of files that must not replace any."""

from importlib.resources import files
from pathlib import Path

from earwitness.errors import InputError, OutputError, cannot_write
from earwitness.session.patterns import FILE


def form(name: str) -> str:
    """The text of an empty form with a word on every key, session.toml or listening.toml."""
    return (files("earwitness.session") / "forms" / name).read_text(encoding="utf-8")


def write_template(folder: Path) -> Path:
    """Write a commented session.toml into `folder`, made where it does not exist, and return the file's path.

    Raises InputError where a session.toml is there already (it stays as it is), OutputError where it cannot
    be written.
    """
    return write_new(folder / FILE, form(FILE))


def write_new(path: Path, text: str) -> Path:
    """Write a file that is not there yet, with its folder, and return its path.

    Raises InputError where one of that name is there (it stays as it is), OutputError where it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        stream = path.open("x", encoding="utf-8", newline="\n")
    except FileExistsError:
        if not path.parent.is_dir():
            raise OutputError.of("session.folder_is_file", where=str(path.parent)) from None
        raise InputError.of("session.file_there", where=str(path), path=path) from None
    except (OSError, ValueError) as error:
        raise cannot_write(path.name, path, error) from None
    try:
        with stream:
            stream.write(text)
    except OSError as error:
        path.unlink(missing_ok=True)
        raise cannot_write(path.name, path, error) from None
    return path
