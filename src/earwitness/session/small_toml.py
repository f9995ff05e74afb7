"""A small TOML file that holds one model: read, checked, every fault told at once with its line."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from earwitness.errors import Fault, InputError
from earwitness.session.record import Strict
from earwitness.session.toml_lines import key_lines, line_of, need_modest
from earwitness.session.toml_text import read_toml
from earwitness.session.wording import shown

T = TypeVar("T", bound=Strict)


def read_small_toml(path: Path, model: type[T]) -> T:
    """The model in the file. Raises InputError where it cannot be read or holds faults."""
    text = read_toml(path, "the file", most_kib=256)
    return small_toml(text, model, name=path.name, where=str(path))


def small_toml(text: str, model: type[T], *, name: str, where: str) -> T:
    """The model in a text. name : of the file, as faults call it; where : its whole path. Raises as `read_small_toml`
    does."""
    try:
        need_modest(text)
        document, lines = tomllib.loads(text), key_lines(text)
    except (ValueError, RecursionError) as error:
        told = "brackets are nested too deeply" if isinstance(error, RecursionError) else f"this is not TOML: {error}"
        raise InputError(told, where=where, remedy="text stands in quotes, numbers without unit") from None
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
        return isinstance(one, dict) or (isinstance(one, list) and bool(one) and isinstance(one[0], dict))

    lines = [f"{key} = {toml_value(one)}" for key, one in record.items() if not is_table(one)]
    for key, one in record.items():
        if isinstance(one, dict):
            lines += ["", f"[{prefix}{key}]", *_written(f"{prefix}{key}.", one)]
        elif is_table(one):
            for part in one:
                lines += ["", f"[[{prefix}{key}]]", *_written(f"{prefix}{key}.", part)]
    return lines if prefix else [*lines, ""]


def toml_value(one: Any) -> str:
    """A text, a number or a list of them as TOML writes it."""
    # JSON's strings, numbers and lists of them are TOML's but for DEL, which TOML wants escaped.
    return json.dumps(one, ensure_ascii=False).replace("\x7f", "\\u007f")
