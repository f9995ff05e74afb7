"""Data that somebody has already: a folder of responses becomes a session folder, many folders an archive, and back."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from earwitness.app.add import add_folder
from earwitness.app.jobs import Progress, silent
from earwitness.errors import EarwitnessError, InputError, cannot_write
from earwitness.formats.table import cells_of, text_of
from earwitness.session.from_files import Group, Stated, Survey, session_text, survey
from earwitness.session.patterns import FILE

# A list says "level" for what Stated calls relative, and only what is measured can be invented or not.
_FACTS = {one.name: one.default for one in fields(Stated) if one.name not in ("relative", "invented", "symmetric")}


def telling(found: Survey) -> Iterator[tuple[str, str]]:
    """Each group of files and what it seems to be, in words; then what was set aside and why."""
    for group in found.groups:
        count = len(group.files)
        name = group.pattern if count == 1 else f"{group.pattern} ({count} files)"
        yield name, _seems(group)
    for one in found.set_aside:
        yield one.file, f"set aside: {one.why}"


def _seems(group: Group) -> str:
    first = group.files[0]
    words = [group.kind]
    if group.plane:
        words.append(group.plane)
    if len(group.angles_deg) == 1:
        words.append(f"{group.angles_deg[0]:g} degrees")
    elif group.angles_deg and group.kind != "directions":
        words.append(f"{group.angles_deg[0]:g} to {group.angles_deg[-1]:g} degrees")
    elif group.angles_deg:
        words.append(f"{len(group.angles_deg)} directions")
    words.append(f"{first.points} points from {first.band_hz[0]:.4g} to {first.band_hz[1]:.5g} Hz")
    words.append(first.unit or "unit open")
    words.append("with phase" if all(file.has_phase for file in group.files) else "no phase")
    return ", ".join(words)


def questions(found: Survey) -> list[str]:
    """What a person must settle, each once."""
    lines = []
    for group in found.groups:
        for one in group.questions:
            options = " or ".join(f'"{option}"' for option in one.options)
            lines.append(f"{group.pattern}: {one.why}" + (f" ({options})" if options else ""))
    return list(dict.fromkeys(lines))


def write_session(found: Survey, stated: Stated, *, again: bool = False) -> Path:
    """Write session.toml beside the files. again : over one that is there, which is kept as session.toml.old.

    InputError where one is there, or no file is usable; OutputError where it cannot be written.
    """
    if not found.groups:
        raise InputError.of("app.no_response_in_folder", where=str(found.folder))
    path = found.folder / FILE
    if path.exists() and not again:
        raise InputError.of("app.session_toml_there", where=str(path))
    put_session(path, session_text(found, stated))
    return path


def put_session(path: Path, text: str) -> None:
    """Write a session.toml, with its folder; one that is there is kept as session.toml.old. OutputError where it
    cannot be written."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists():
            path.replace(path.with_name(f"{FILE}.old"))
        path.write_text(text, encoding="utf-8")
    except (OSError, ValueError) as error:
        raise cannot_write(FILE, path, error) from error


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What became of one line of a list of loudspeakers. line : in the list; why : it could not be taken in, or ""."""

    line: int
    folder: str
    name: str
    why: str


def take_in_all(table: Path, archive: Path, *, progress: Progress = silent) -> tuple[TakenIn, ...]:
    """Every loudspeaker of a list into the archive: one line each with its folder and what is known of it.

    The first line names the columns: folder, name, maker and any fact of `Stated`. A folder that has a session.toml
    keeps it. Lines that fail are told and the others go on; a list run again goes on where it stopped, as sessions
    that are in the archive are used again.
    InputError for a list that cannot be read.
    """
    rows = list(_listed(table))
    found = []
    for number, (line, row) in enumerate(rows):
        progress(number / len(rows), row.get("name", row["folder"]))
        found.append(_taken(table.parent, line, row, archive))
    progress(1.0, "done")
    return tuple(found)


def _taken(root: Path, line: int, row: dict[str, str], archive: Path) -> TakenIn:
    name = " ".join(part for part in (row.get("maker", ""), row.get("name", "")) if part) or row["folder"]
    try:
        folder = root / row["folder"]
        if not (folder / FILE).exists():
            write_session(survey(folder), stated_of(row, f"line {line}"))
        add_folder(folder, archive)
    except EarwitnessError as error:
        return TakenIn(line, row["folder"], name, str(error))
    return TakenIn(line, row["folder"], name, "")


def _listed(table: Path) -> Iterator[tuple[int, dict[str, str]]]:
    lines = [(n, text) for n, text in enumerate(text_of(table).splitlines(), 1) if text.strip() and text[0] != "#"]
    if len(lines) < 2:
        raise InputError.of("app.list_empty", where=str(table))
    separator = next(
        (label for label, mark in (("tab", "\t"), ("semicolon", ";"), ("comma", ",")) if mark in lines[0][1]), ""
    )
    if not separator:
        raise InputError("the list's columns cannot be told apart", where=f"{table}, line {lines[0][0]}")
    titles = [cell.strip().lower() for cell in cells_of(lines[0][1], separator)]
    known = {"folder", "level", *_FACTS}
    if unknown := [title for title in titles if title not in known]:
        raise InputError(
            f"the list has columns that are not known: {', '.join(unknown)}",
            where=f"{table}, line {lines[0][0]}",
            expected=", ".join(sorted(known)),
        )
    if "folder" not in titles:
        raise InputError("the list does not name the folders", where=str(table), expected='a column "folder"')
    for number, text in lines[1:]:
        cells = cells_of(text, separator)
        if len(cells) != len(titles):
            raise InputError(
                f"the line has {len(cells)} fields, the first line has {len(titles)}", where=f"{table}, line {number}"
            )
        yield number, {title: cell for title, cell in zip(titles, cells, strict=True) if cell}


def stated_of(row: dict[str, str], where: str) -> Stated:
    """The facts of one line. InputError for a number that is none."""

    told: dict[str, Any] = {key: text for key, text in row.items() if key in _FACTS}
    for key in told:
        if _FACTS[key] is None:
            try:
                number = float(told[key].replace(",", "."))
                told[key] = int(number) if key == "year" else number
            except (ValueError, OverflowError):
                raise InputError(f"{key} is {told[key]!r}, which is no number", where=where) from None
    return Stated(**told, relative=row.get("level") == "relative")


def failed(done: Sequence[TakenIn]) -> list[TakenIn]:
    """The lines that could not be taken in."""
    return [one for one in done if one.why]
