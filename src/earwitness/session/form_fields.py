"""The form of session.toml as values: which fields there are, of which kind, with which words.

Kinds, choices and bounds are the models' own; order, help and examples are those of forms/session.toml, the form that
is filled in with a text editor; labels stand in forms/labels.toml where a key's own words do not do.
"""

import re
import tomllib
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from earwitness.errors import InputError, OutputError, cannot_write
from earwitness.session.patterns import FILE
from earwitness.session.record import Strict
from earwitness.session.wording import LISTS, TABLES, keys_of, unit_of


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


_HEADER = re.compile(r"#?\[\[?([a-z_.]+)\]\]?")
_KEY = re.compile(r'#?([a-z_0-9]+) = ("[^"]*"|\[[^\]]*\]|[^#\s]+)\s*(?:# ?(.*))?')


@cache
def form_tables() -> list[dict[str, Any]]:
    """Every table that the page knows: name, whether it is a list, and the fields of each of its kinds ("" for one
    kind): key, label, unit, help, example, required, usual, and the schema of its value (JSON Schema)."""
    words = tomllib.loads(form("labels.toml"))
    told = _told(form("session.toml"))
    return [
        {
            "name": name, "is_list": name in LISTS, "title": words["titles"].get(name, name.rpartition(".")[2]),
            "kinds": {
                kind: [_field(name, model, key, words, told.get((name, kind), {}) or told.get((name, ""), {}))
                       for key in _keys(name, model) if key != "kind" or not kind]
                for kind, model in _kinds(models).items()
            },
        }
        for name, models in TABLES.items()
    ]  # fmt: skip


def _kinds(models: tuple[type[Strict], ...]) -> dict[str, type[Strict]]:
    if len(models) == 1:
        return {"": models[0]}
    return {str(one.model_fields["kind"].annotation.__args__[0]): one for one in models}  # type: ignore[union-attr]


def _keys(name: str, model: type[Strict]) -> tuple[str, ...]:
    keys = tuple(key for key in keys_of(model) if f"{name}.{key}".lstrip(".") not in TABLES)
    return (*keys, "files") if name == "take" and {"angle_deg", "positions"} & {*keys} else keys


def _field(name: str, model: type[Strict], key: str, words: dict[str, Any], told: dict[str, Any]) -> dict[str, Any]:
    # A pattern stands for many takes: no take has it.
    schema = model.model_json_schema()["properties"].get(key, {"type": "string"})
    schema = {**schema, **next((one for one in schema.get("anyOf", ()) if one.get("type") != "null"), {})}
    full, unit = f"{name}.{key}", unit_of(key)
    bare = key.rpartition("_")[0] if unit and unit_of(key) else key
    example, comment = told.get(key, ("", ""))
    return {
        "key": key,
        "label": words["labels"].get(full) or words["labels"].get(key) or bare.replace("_", " ").capitalize(),
        "unit": unit,
        "help": comment,
        "example": example,
        "required": key in model.model_json_schema().get("required", ()),
        "usual": full in words["usual"],
        "schema": {part: schema[part] for part in _PARTS if part in schema},
    }


_MORE = re.compile(r"#? {8,}# (.*)")
_PARTS = ("type", "enum", "minimum", "maximum", "exclusiveMinimum", "default", "minItems", "maxLength")


def _told(text: str) -> dict[tuple[str, str], dict[str, tuple[str, str]]]:
    """(example, comment) of each key of the form, by table and kind; the first that says something counts."""
    found: dict[tuple[str, str], dict[str, tuple[str, str]]] = {}
    table, kind, key = "", "", ""
    for line in text.splitlines():
        if header := _HEADER.match(line):
            table, kind, key = header[1], "", ""
        elif pair := _KEY.match(line):
            key, value, comment = pair[1], pair[2].strip('"'), (pair[3] or "").strip()
            if key == "kind" and value:
                kind = value
            known = found.setdefault((table, kind), {})
            known.setdefault(key, ("" if value == "0" else value, comment))
            found.setdefault((table, ""), {}).setdefault(key, known[key])
        elif (more := _MORE.match(line)) and key:
            known[key] = found[table, ""][key] = (known[key][0], f"{known[key][1]} {more[1]}")
    return found
