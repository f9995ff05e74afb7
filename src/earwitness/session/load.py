"""Read a session folder: session.toml and the files it names become a Session, or all faults at once."""

from __future__ import annotations

import difflib
import hashlib
import re
import tomllib
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from earwitness.errors import Fault, InputError, SessionError
from earwitness.session.session import Session
from earwitness.session.toml_lines import key_lines, line_of

FILE = "session.toml"
_ANGLE = "{angle}"
_MAX_TOML_BYTES = 4 * 2**20


def load_session(folder: Path) -> Session:
    """The validated session of `folder`.

    Raises InputError when there is no readable session.toml, SessionError with every fault otherwise.
    """
    text = _read_text(folder)
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"line (\d+)", str(error))
        fault = Fault(
            f"this is not TOML: {error}",
            FILE,
            int(found[1]) if found else None,
            remedy="mend this line; text stands in quotes, numbers without unit, lists in brackets",
        )
        raise SessionError(str(folder), [fault]) from None
    lines = key_lines(text)
    faults: list[Fault] = []
    takes, sources = _spell_out(document.pop("take", None), folder, lines, faults)
    hashes = _hash_files(folder, document, takes, sources, lines, faults)
    for take in takes:
        take["sha256"] = hashes.get(str(take.get("file")), "0" * 64)
    try:
        session = Session.model_validate({**document, "takes": takes, "file_hashes": hashes})
    except ValidationError as error:
        faults += [_fault_of(detail, sources, takes, lines) for detail in error.errors(include_url=False)]
        raise SessionError(str(folder), faults) from None
    if faults:
        raise SessionError(str(folder), faults)
    return session


def _read_text(folder: Path) -> str:
    path = folder / FILE
    try:
        if path.stat().st_size > _MAX_TOML_BYTES:
            raise InputError(
                "session.toml is over 4 MiB", where=str(path), remedy="put recordings in files of their own"
            )
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise InputError(
            "there is no session.toml", where=str(folder), expected="a folder with session.toml and its recordings"
        ) from None
    except UnicodeDecodeError:
        raise InputError("session.toml is not UTF-8 text", where=str(path), remedy="save it as UTF-8") from None
    except OSError as error:
        raise InputError(
            f"session.toml cannot be read: {error.strerror}", where=str(path), remedy="check the permissions"
        ) from None


def _spell_out(
    given: Any, folder: Path, lines: dict[tuple[str | int, ...], int], faults: list[Fault]
) -> tuple[list[dict[str, Any]], list[int]]:
    """Takes with patterns replaced by one take a file, and for each the index of its [[take]] table."""
    takes: list[dict[str, Any]] = []
    sources: list[int] = []
    tables = given if isinstance(given, list) else []
    for index, table in enumerate(t for t in tables if isinstance(t, dict)):
        pattern = table.get("files")
        if pattern is None:
            spelled = [dict(table)]
        elif not isinstance(pattern, str) or pattern.count(_ANGLE) != 1:
            line = line_of(lines, ("take", index, "files"))
            faults.append(Fault("the pattern has no single {angle}", FILE, line, "files", 'such as "h_{angle}.wav"'))
            continue
        else:
            spelled = _matches(table, pattern, folder)
            if not spelled:
                line = line_of(lines, ("take", index, "files"))
                faults.append(Fault(f"no file matches {pattern!r}", FILE, line, "files", remedy="check the names"))
        for take in spelled:
            take.setdefault("id", Path(str(take.get("file", f"take {index + 1}"))).stem)
            takes.append(take)
            sources.append(index)
    return takes, sources


def _matches(table: dict[str, Any], pattern: str, folder: Path) -> list[dict[str, Any]]:
    before, after = pattern.split(_ANGLE)
    name = re.compile(re.escape(before) + r"([+-]?\d+(?:\.\d+)?)" + re.escape(after))
    shared = {key: value for key, value in table.items() if key != "files"}
    found = []
    for path in folder.joinpath(pattern).parent.glob("*"):
        relative = path.relative_to(folder).as_posix()
        if match := name.fullmatch(relative):
            found.append({**shared, "file": relative, "angle_deg": float(match[1])})
    return sorted(found, key=lambda take: float(take["angle_deg"]))


def _hash_files(
    folder: Path,
    document: dict[str, Any],
    takes: list[dict[str, Any]],
    sources: list[int],
    lines: dict[tuple[str | int, ...], int],
    faults: list[Fault],
) -> dict[str, str]:
    """sha256 of every file that is named, by its name in the folder."""
    named: list[tuple[Any, tuple[str | int, ...]]] = []
    for take, source in zip(takes, sources, strict=True):
        named += [(take[key], ("take", source, key)) for key in ("file", "stimulus_file") if key in take]
    elsewhere: tuple[tuple[str, ...], ...] = (
        ("stimulus", "file"),
        ("microphone", "correction_file"),
        ("microphone", "calibrator", "file"),
    )
    for place in elsewhere:
        value: Any = document
        for key in place:
            value = value.get(key) if isinstance(value, dict) else None
        if value is not None:
            named.append((value, place))
    hashes: dict[str, str] = {}
    root = folder.resolve()
    for name, path in named:
        if not isinstance(name, str):
            continue
        line, field = line_of(lines, path), ".".join(str(p) for p in path)
        target = (folder / name).resolve()
        if not target.is_relative_to(root):
            faults.append(
                Fault(f"{name!r} lies outside the session folder", FILE, line, field, remedy="move it inside")
            )
        elif not target.is_file():
            faults.append(Fault(f"{name!r} is not there", FILE, line, field, remedy="check the name, or take it out"))
        elif name not in hashes:
            with target.open("rb") as stream:
                hashes[name] = hashlib.file_digest(stream, "sha256").hexdigest()
    return hashes


def _fault_of(
    detail: Any, sources: list[int], takes: list[dict[str, Any]], lines: dict[tuple[str | int, ...], int]
) -> Fault:
    """A validation error of pydantic in the words and place of the file."""
    path: tuple[str | int, ...] = tuple(detail["loc"])
    field = ".".join(str(p) for p in path)
    if path[:1] == ("takes",) and len(path) > 1 and isinstance(path[1], int):
        take = takes[path[1]]
        tail = tuple(p for p in path[2:] if p != take.get("kind"))
        path = ("take", sources[path[1]], *tail)
        field = f"take {take.get('id')}" + "".join(f".{p}" for p in tail)
    elif path == ("takes",):
        field = "take"
    what, remedy = str(detail["msg"]), ""
    if detail["type"] == "extra_forbidden":
        what = f"the key {path[-1]!r} is not known here"
        near = difflib.get_close_matches(str(path[-1]), _field_names(), n=1)
        remedy = f"did you mean {near[0]!r}" if near else "take it out"
    elif detail["type"] == "missing":
        what, remedy = f"{path[-1]!r} is missing", "add it"
    return Fault(what, FILE, line_of(lines, path), field, remedy=remedy)


def _field_names() -> list[str]:
    """Every key that session.toml may hold."""
    schema = Session.model_json_schema()
    parts = [schema, *schema.get("$defs", {}).values()]
    return sorted({name for part in parts for name in part.get("properties", {})} - {"takes", "sha256", "file_hashes"})
