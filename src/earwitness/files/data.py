"""Tables that stand beside the code of a room as TOML."""

import tomllib
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any


@cache
def table_of(room: str, name: str) -> MappingProxyType[str, Any]:
    """The tables of the file NAME.toml in a room of the program."""
    return MappingProxyType(tomllib.loads((files("earwitness") / room / f"{name}.toml").read_text(encoding="utf-8")))


def worded(name: str, /, **facts: Any) -> str:
    """The sentence under `name`, "room.key", in the room's sentences.toml, with facts in place of its braces."""
    room, _, key = name.partition(".")
    return str(table_of(room, "sentences")[key]).format(**facts)


def file_text(room: str, name: str) -> str:
    """The text of the file `name`, "folder/file" perhaps, that stands beside the code of a room."""
    return (files("earwitness") / room / name).read_text(encoding="utf-8")
