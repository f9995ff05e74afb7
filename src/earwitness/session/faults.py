"""Faults of a session folder by name; their words stand in faults.toml."""

import re
from collections.abc import Mapping
from typing import Any

from earwitness.errors import Fault, InputError
from earwitness.files.data import table_of


def fault_texts() -> Mapping[str, dict[str, str]]:
    """What, expected and remedy of every fault, by its name."""
    return table_of("session", "faults")


def told(
    name: str,
    file: str,
    line: int | None = None,
    field: str = "",
    /,
    *,
    expected: str | None = None,
    remedy: str | None = None,
    **facts: Any,
) -> Fault:
    """The fault of that name with its facts in place of the braces. expected, remedy : where the case decides them."""
    text = {part: words.format(**facts) for part, words in fault_texts()[name].items()}
    text |= {part: own for part, own in (("expected", expected), ("remedy", remedy)) if own is not None}
    return Fault(text["what"], file, line, field, text.get("expected", ""), text.get("remedy", ""))


def of_file(error: InputError, name: str, field: str) -> Fault:
    """What a reader says of the file `name`, with the line of it where it tells one."""
    line = re.search(r", line (\d+)$", error.where)
    return Fault(error.what, name, int(line[1]) if line else None, field, error.expected, error.remedy)
