"""The files that session.toml names: found inside the folder, readable, each with its hash."""

import difflib
import hashlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from earwitness.errors import Fault
from earwitness.session.faults import told
from earwitness.session.patterns import FILE, WrittenTake
from earwitness.session.toml_text import Keys, line_of

_ELSEWHERE: tuple[Keys, ...] = (
    ("stimulus", "file"),
    ("microphone", "correction_file"),
    ("microphone", "calibrator", "file"),
)


@dataclass(frozen=True, slots=True)
class Naming:
    """A place in session.toml that names a file."""

    name: str
    field: str
    line: int | None


def hash_files(
    folder: Path, document: dict[str, Any], takes: list[WrittenTake], lines: dict[Keys, int], faults: list[Fault]
) -> dict[str, str]:
    """sha256 of every file that is named, by its name in the folder; what cannot be read goes to `faults`."""
    hashes: dict[str, str] = {}
    real = folder.resolve()
    for naming in _namings(document, takes, lines):
        if naming.name in hashes:
            continue
        fault = _fault_of(folder, real, naming)
        if fault is None:
            try:
                with (folder / naming.name).open("rb") as stream:
                    hashes[naming.name] = hashlib.file_digest(stream, "sha256").hexdigest()
            except OSError as error:
                fault = told("file_unreadable", FILE, naming.line, naming.field, naming=naming, error=error)
        if fault is not None:
            faults.append(fault)
    return hashes


def _namings(document: dict[str, Any], takes: list[WrittenTake], lines: dict[Keys, int]) -> list[Naming]:
    found = []
    for take in takes:
        for key in ("file", "stimulus_file", "positions"):
            name, place = take.table.get(key), ("take", take.index, key)
            if isinstance(name, str) and name.strip():
                found.append(Naming(name, f"{take.label}, {key}", line_of(lines, place)))
    every: list[Keys] = list(_ELSEWHERE)
    for table in ("other_stimulus", "photo"):
        rows = document.get(table)
        every += ((table, place, "file") for place in range(len(rows) if isinstance(rows, list) else 0))
    for path in every:
        value: Any = document
        for part in path:
            value = value[part] if isinstance(part, int) else value.get(part) if isinstance(value, dict) else None
        if isinstance(value, str) and value.strip():
            found.append(Naming(value, ".".join(map(str, path)), line_of(lines, path)))
    return found


def _fault_of(folder: Path, real: Path, naming: Naming) -> Fault | None:
    """real : the folder without links."""
    name = naming.name
    shown = repr(name) if len(name) <= 120 else repr(name[:117] + "...")
    if name != name.strip():
        return told("file_blanks", FILE, naming.line, naming.field, shown=shown)
    try:
        target = (folder / name).resolve()
        inside, there = target.is_relative_to(real), target.is_file()
    except (OSError, ValueError, RuntimeError):
        return told("file_no_name", FILE, naming.line, naming.field, shown=shown)
    if not inside:
        return told("file_outside", FILE, naming.line, naming.field, shown=shown)
    if there:
        return None
    return told(
        "file_missing", FILE, naming.line, naming.field, shown=shown, folder=folder, remedy=_remedy(folder, name)
    )


def _remedy(folder: Path, name: str) -> str:
    if "\\" in name:
        return "write / between folder and file"
    beside = Path(name).parent
    try:
        names = sorted(os.listdir(folder / beside))
    except OSError:
        return f"there is no folder {beside.as_posix()!r}: check the name"
    near = difflib.get_close_matches(Path(name).name, names, n=1, cutoff=0.75)
    return f"did you mean {(beside / near[0]).as_posix()!r}?" if near else "check the name, or take the entry out"
