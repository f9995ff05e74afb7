"""Fields of values as they stand in JSON documents."""

from typing import Any

import numpy as np

_DIGITS = 7


def record(value: object, names: str = "", **others: str) -> dict[str, Any]:
    """Fields of a value by name, tuples and arrays as lists.

    names : parted by blanks, where the document has the same word; others : the field behind another word of the
    document
    """
    fields = {name: name for name in names.split()} | others
    return {word: _listed(getattr(value, field)) for word, field in fields.items()}


def rounded(value: Any) -> Any:
    """Every number to seven digits, all the way down; None for one that is not finite."""
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(f"{float(value):.{_DIGITS}g}") if np.isfinite(value) else None
    if isinstance(value, dict):
        return {str(key): rounded(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(part) for part in value]
    return rounded(value.tolist()) if isinstance(value, np.ndarray) else value


def _listed(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return value.tolist()
    return [_listed(part) for part in value] if isinstance(value, list | tuple) else value
