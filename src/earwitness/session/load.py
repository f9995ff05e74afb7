"""Read a session folder: session.toml and the files it names, each hashed, become a Session, or all faults at once."""

import difflib
import hashlib
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from earwitness.errors import Fault, InputError, SessionError
from earwitness.session.check import check
from earwitness.session.draft import draft_of
from earwitness.session.headers import check_files
from earwitness.session.patterns import FILE, WrittenTake, spell_out
from earwitness.session.responses import RESPONSE_KINDS
from earwitness.session.session import Session
from earwitness.session.toml_text import Keys, line_of, parsed_toml, read_toml, told
from earwitness.session.wording import date_as_text, fault_of

_ABSENT_HASH = "0" * 64
_TOLD_SINGLY = 3


def load_session(folder: Path) -> Session:
    """The validated session of `folder`.

    Raises InputError when there is no readable session.toml; SessionError with every fault of the file's shape,
    of the files it names, of what its parts say about each other and of the recordings' headers.
    """
    return session_of(folder, *session_document(folder))


def session_of(folder: Path, document: dict[str, Any], lines: dict[Keys, int]) -> Session:
    """The same of a document that may not be written yet, see `parsed_session`."""
    faults: list[Fault] = []
    written = _take_tables(document, lines, faults)
    takes = spell_out(written, folder, lines, faults)
    _without_recordings(document, takes)
    hashes = hash_files(folder, document, takes, lines, faults)
    for take in takes:
        _add_hash(take, hashes, lines, faults)
    session: Session | None = None
    try:
        session = Session.model_validate({**document, "takes": [t.table for t in takes], "file_hashes": hashes})
    except ValidationError as error:
        details = error.errors(include_url=False)
        faults += [fault_of(detail, takes, lines) for detail in details if not _is_echo(detail, written)]
    draft = draft_of(document, takes, lines)
    faults += check(draft)
    faults += check_files(folder, draft, hashes)
    if faults or session is None:
        raise SessionError(str(folder), _in_order(faults))
    return session


def _without_recordings(document: dict[str, Any], takes: list[WrittenTake]) -> None:
    """A session of responses has no stimulus and no microphone of its own; relative levels need no voltage."""
    if not any(take.table.get("kind") in RESPONSE_KINDS for take in takes):
        return
    document.setdefault("stimulus", {"kind": "none"})
    document.setdefault("microphone", {})
    facts = document.setdefault("responses", {})
    if isinstance(facts, dict) and facts.get("level") == "relative":
        document.setdefault("drive", {"voltage_v": 1.0})


def session_document(folder: Path) -> tuple[dict[str, Any], dict[Keys, int]]:
    """session.toml as it is written, its date as text, and the line of each key. InputError, SessionError."""
    missing = InputError.of("session.no_session_toml", where=str(folder))
    text = read_toml(folder / FILE, FILE, larger="put recordings in files of their own", missing=missing)
    return parsed_session(text, folder)


def parsed_session(text: str, folder: Path) -> tuple[dict[str, Any], dict[Keys, int]]:
    """The document of a session.toml and the line of each key. SessionError for a text that is no TOML."""
    parsed = parsed_toml(text, FILE)
    if isinstance(parsed, Fault):
        raise SessionError(str(folder), [parsed])
    document, lines = parsed
    if "date" in document:
        document["date"] = date_as_text(document["date"])
    return document, lines


def _take_tables(document: dict[str, Any], lines: dict[Keys, int], faults: list[Fault]) -> Any:
    """The value of `take`, taken out of the document; keys that only loading may set are refused."""
    for key in ("takes", "file_hashes"):
        if key in document:
            remedy = "write [[take]], without s" if key == "takes" else "take it out"
            faults.append(told("key_unknown", FILE, line_of(lines, (key,)), key, key=key, remedy=remedy))
    misnamed = document.pop("takes", None)
    document.pop("file_hashes", None)
    given = document.pop("take", None)
    if isinstance(given, dict):
        place = line_of(lines, ("take",))
        faults.append(told("take_single_table", FILE, place, "take"))
        return [given]
    if given is not None and not isinstance(given, list):
        faults.append(told("take_no_list", FILE, line_of(lines, ("take",)), "take"))
        return None
    if given is None and isinstance(misnamed, list):
        for path, line in [p for p in lines.items() if p[0][0] == "takes"]:
            lines[("take", *path[1:])] = line
        return misnamed
    return given


def _is_echo(detail: Any, written: Any) -> bool:
    """Whether "too few entries" only repeats that the entries are faulty, each told by itself."""
    return detail["type"] == "too_short" and bool(written if detail["loc"] == ("takes",) else detail["input"])


def _add_hash(take: WrittenTake, hashes: dict[str, str], lines: dict[Keys, int], faults: list[Fault]) -> None:
    if "sha256" in take.table:
        place = line_of(lines, ("take", take.index, "sha256"))
        faults.append(told("sha256_unknown", FILE, place, take.label))
    name = take.table.get("file")
    take.table["sha256"] = hashes.get(name, _ABSENT_HASH) if isinstance(name, str) else _ABSENT_HASH


def _in_order(faults: list[Fault]) -> list[Fault]:
    """session.toml first and from top to bottom, then other files; one fault for an orbit that shares it."""
    groups: dict[object, list[Fault]] = {}
    for number, fault in enumerate(dict.fromkeys(faults)):
        of_take = fault.line is not None and fault.field.startswith("take ")
        groups.setdefault((fault.line, fault.expected, fault.remedy) if of_take else number, []).append(fault)
    kept = [fault for group in groups.values() for fault in _gathered(group)]
    return sorted(kept, key=lambda f: (f.file != FILE, f.file if f.file != FILE else "", f.line or 0))


def _gathered(group: list[Fault]) -> list[Fault]:
    """Faults with one line and one remedy: told once where they read alike or are many."""
    first, others = group[0], group[1:]
    if not others or (len(group) <= _TOLD_SINGLY and len({f.what for f in group}) > 1):
        return group
    names = ", ".join(f.field.removeprefix("take ").split(",")[0] for f in others)
    return [replace(first, what=f"{first.what}; the same for {names}")]


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
