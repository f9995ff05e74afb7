"""A small TOML file that holds one model: read, checked, every fault told at once with its line."""

import json
import re
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from earwitness.errors import Fault, InputError
from earwitness.session.record import Strict
from earwitness.session.toml_text import COMMENT, key_lines, line_of, parsed_toml, read_toml
from earwitness.session.wording import shown

# Key under which a table holds the comments of its keys; no key of a TOML file that anybody writes.
NOTES = "#"
_BARE = re.compile(r"[A-Za-z0-9_-]+")
T = TypeVar("T", bound=Strict)


def read_small_toml(path: Path, model: type[T]) -> T:
    """The model in the file. Raises InputError where it cannot be read or holds faults."""
    text = read_toml(path, "the file", most_kib=256)
    return small_toml(text, model, name=path.name, where=str(path))


def small_toml(text: str, model: type[T], *, name: str, where: str) -> T:
    """The model in a text. name : of the file, as faults call it; where : its whole path. Raises as `read_small_toml`
    does."""
    parsed = parsed_toml(text, name)
    if isinstance(parsed, Fault):
        raise InputError(parsed.what, where=where, remedy="text stands in quotes, numbers without unit")
    document, lines = parsed
    try:
        return model.model_validate(document)
    except ValidationError as error:
        faults = [_fault(name, detail, lines) for detail in error.errors(include_url=False)]
        listed = "\n".join(f"{i}. {fault}" for i, fault in enumerate(faults, 1))
        raise InputError(
            f"{name} has {len(faults)} fault{'s' if len(faults) != 1 else ''}\n{listed}",
            where=where,
            remedy="mend what is listed and run the same command again",
        ) from None


def _fault(name: str, detail: Any, lines: dict[tuple[str | int, ...], int]) -> Fault:
    place = tuple(detail["loc"])
    field = "".join(f" {p + 1}" if isinstance(p, int) else f".{p}" for p in place).lstrip(".")
    kind = detail["type"]
    if kind == "extra_forbidden":
        what = "this key is not known"
    elif kind == "missing":
        what = "this is missing"
    else:
        what = str(detail["msg"]).removeprefix("Value error, ")
        given = detail.get("input")
        if isinstance(given, str | int | float):
            what = f"{shown(given)}: {what}"
    return Fault(what, name, line_of(lines, place), field)


def small_toml_text(value: Strict) -> str:
    """A model as TOML text that `small_toml` reads back: what is not set is left out, tables behind plain values."""
    return "\n".join(
        _written("", value.model_dump(mode="json", by_alias=True, exclude_none=True, exclude_defaults=True))
    )


def _written(prefix: str, record: dict[str, Any]) -> list[str]:
    def is_table(one: Any) -> bool:
        return isinstance(one, dict) or (isinstance(one, list) and bool(one) and all(isinstance(r, dict) for r in one))

    notes = _notes(record)
    notes.pop("", None)
    record = {key: one for key, one in record.items() if key != NOTES}
    lines = []
    for key, one in record.items():
        if not is_table(one):
            lines += _noted(notes.pop(key, None), f"{_key(key)} = {toml_value(one)}")
    # Of a key that is gone its comment stays.
    lines += [line for note in notes.values() for line in _noted(note, "")]
    for key, one in record.items():
        name = f"{prefix}{_key(key)}"
        for part in [one] if isinstance(one, dict) else one if is_table(one) else ():
            header = f"[{name}]" if isinstance(one, dict) else f"[[{name}]]"
            lines += ["", *_noted(_notes(part).get(""), header), *_written(f"{name}.", part)]
    return lines if prefix else [*lines, ""]


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else toml_value(key)


def _notes(record: dict[str, Any]) -> dict[str, Any]:
    found = record.get(NOTES)
    return {**found} if isinstance(found, dict) else {}


def _noted(note: Any, line: str) -> list[str]:
    """A line with the comments above it and, last, the one behind it."""
    *above, behind = [str(one) for one in note] if isinstance(note, list) and note else [""]
    return [*above, *filter(None, [f"{line}  {behind}".strip() if behind else line])]


def toml_text(document: dict[str, Any]) -> str:
    """A document as TOML text, with the comments that `with_comments` gave it."""
    return "\n".join(_written("", document)).lstrip("\n")


def with_comments(document: dict[str, Any], text: str) -> dict[str, Any]:
    """The document of `text` whose tables hold the comments beside their keys: under NOTES, by key ("" for the table's
    header), the lines above and last the one behind."""
    places = key_lines(text)
    at: dict[int, tuple[str | int, ...]] = {}
    rows = text.split("\n")
    for path, line in places.items():
        is_header = rows[line - 1].lstrip().startswith("[")
        if line not in at or (len(path) > len(at[line])) == is_header:
            at[line] = path
    above: list[str] = []
    last: tuple[str | int, ...] = ()
    found = {text.count("\n", 0, one.start()) + 1: one for one in COMMENT.finditer(text) if one[0][0] == "#"}
    for number in range(1, len(rows) + 1):
        comment = found.get(number)
        is_alone = comment is not None and rows[number - 1].lstrip().startswith("#")
        if comment is not None and is_alone:
            above.append(comment[0].rstrip())
        if number in at or (comment is not None and not is_alone and last):
            last = at.get(number, last)
            behind = "" if comment is None or is_alone else comment[0].rstrip()
            if above or behind:
                _keep_note(document, last, [*above, behind])
                above = []
    if above:
        _keep_note(document, (*last[:-1], "end"), [*above, ""])
    return document


def _keep_note(document: dict[str, Any], path: tuple[str | int, ...], note: list[str]) -> None:
    table, key = document, ""
    for part in path:
        inner = table.get(part) if isinstance(part, str) and not key else None
        if key and isinstance(part, int) and isinstance(table[key], list) and isinstance(table[key][part], dict):
            table, key = table[key][part], ""
        elif isinstance(inner, dict):
            table = inner
        elif isinstance(part, str) and not key:
            key = part
        else:
            break
    notes = table.setdefault(NOTES, {})
    notes[key] = [*filter(None, notes.get(key, ())), *note]


def toml_value(one: Any) -> str:
    """A text, a number or a list of them as TOML writes it."""
    # JSON's strings, numbers and lists of them are TOML's but for DEL, which TOML wants escaped.
    return json.dumps(one, ensure_ascii=False).replace("\x7f", "\\u007f")
