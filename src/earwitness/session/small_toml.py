"""A small TOML file that holds one model: read, checked, every fault told at once with its line."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from earwitness.errors import Fault, InputError
from earwitness.session.record import Strict
from earwitness.session.toml_lines import key_lines, line_of

_MAX_BYTES = 2**20
T = TypeVar("T", bound=Strict)


def read_small_toml(path: Path, model: type[T]) -> T:
    """The model in the file. Raises InputError where it cannot be read or holds faults."""
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise InputError("the file is over 1 MiB", where=str(path), remedy="give the right file")
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("the file is not UTF-8 text", where=str(path), remedy="save it as UTF-8") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"the file cannot be read: {reason}", where=str(path), remedy="check path and permissions"
        ) from None
    try:
        document, lines = tomllib.loads(text), key_lines(text)
    except (ValueError, RecursionError) as error:
        told = "brackets are nested too deeply" if isinstance(error, RecursionError) else f"this is not TOML: {error}"
        raise InputError(told, where=str(path), remedy="text stands in quotes, numbers without unit") from None
    try:
        return model.model_validate(document)
    except ValidationError as error:
        faults = [_fault(path.name, detail, lines) for detail in error.errors(include_url=False)]
        listed = "\n".join(f"{i}. {fault}" for i, fault in enumerate(faults, 1))
        raise InputError(
            f"{path.name} has {len(faults)} fault{'s' if len(faults) != 1 else ''}\n{listed}",
            where=str(path),
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
            what = f"{given!r}: {what}"
    return Fault(what, name, line_of(lines, place), field)
