"""Results over a population, held against change: what a function gives for many inputs stands in tests/golden.

    stands("mend/bands", f"loudspeaker {seed}", report)

The values are the program's own. They say that something moved, not that it is right: what they are true to is tested
beside formulas, standards and closed cases. `EARWITNESS_GOLDEN=write pytest FILE` writes those of a file anew, after
the change was explained in CHANGELOG.md.

Everything in a result counts: fields of records, keys, items, texts, numbers. Of an array longer than eight values
stand its shape, how many are finite, mean, root mean square, least, largest, and two weighted sums that a change of
any one value moves. Numbers may differ by 1e-5 of themselves, as another processor rounds otherwise.
"""

from __future__ import annotations

import dataclasses
import enum
import fcntl
import json
import math
import os
from collections.abc import Mapping, Set
from functools import cache
from pathlib import Path, PurePath
from typing import Any

import numpy as np

FOLDER = Path(__file__).parent / "golden"
WRITE = os.environ.get("EARWITNESS_GOLDEN") == "write"
RELATIVE, NEAR_ZERO, WRITTEN_OUT = 1e-5, 1e-9, 8
MEANT = "If the change is meant, explain it in CHANGELOG.md and write the values anew: EARWITNESS_GOLDEN=write pytest"


def stands(name: str, case: str, result: object, *, relative: float = RELATIVE, near_zero: float = NEAR_ZERO) -> None:
    """Hold a result against the values of `case` in tests/golden/`name`.json.

    `relative` and `near_zero` are what a number may differ by: of itself, and at all. AssertionError names up to ten
    places where old and new differ.
    """
    now = json.loads(json.dumps(plain(result)))
    if WRITE:
        _write(name, case, now)
        return
    kept = _kept(name)
    assert case in kept, f"{name}: nothing is kept of {case!r}. {_meant()}"
    told = list(_differences(kept[case], now, relative, near_zero, ""))
    more = f"\n... and {len(told) - 10} more" if len(told) > 10 else ""
    assert not told, f"{name}, {case}:\n" + "\n".join(told[:10]) + f"{more}\n{_meant()}"


def _meant() -> str:
    return f"{MEANT} {os.environ.get('PYTEST_CURRENT_TEST', '').partition('::')[0]}"


def plain(one: object) -> Any:
    """A result as JSON has it: see the head of this file."""
    if one is None or isinstance(one, bool | str):
        return one
    if isinstance(one, np.ndarray | np.generic) and getattr(one, "shape", ()) != ():
        return _array(np.asarray(one))
    if isinstance(one, enum.Enum):
        return one.name
    if isinstance(one, int | np.integer | np.bool_):
        return int(one)
    if isinstance(one, float | np.floating):
        return _rounded(float(one))
    if isinstance(one, complex | np.complexfloating):
        return [_rounded(one.real), _rounded(one.imag)]
    return _grouped(one)


def _grouped(one: object) -> Any:
    if dataclasses.is_dataclass(one) and not isinstance(one, type):
        return {field.name: plain(getattr(one, field.name)) for field in dataclasses.fields(one)}
    if hasattr(one, "model_dump"):
        return plain(one.model_dump())
    if isinstance(one, Mapping):
        return {str(plain(key)): plain(value) for key, value in one.items()}
    if isinstance(one, Set):
        return sorted((plain(each) for each in one), key=str)
    if isinstance(one, list | tuple):
        numbers = len(one) > WRITTEN_OUT and all(isinstance(each, float | int) for each in one)
        return _array(np.asarray(one)) if numbers else [plain(each) for each in one]
    if isinstance(one, PurePath):
        return one.name
    if isinstance(one, np.ndarray):
        return plain(one.item())
    return f"a {type(one).__name__}"


def _array(array: np.ndarray) -> Any:
    if not np.issubdtype(array.dtype, np.number) and array.dtype != bool:
        return [plain(each) for each in array.tolist()]
    if array.size <= WRITTEN_OUT:
        return [plain(each) for each in array.tolist()]
    if np.iscomplexobj(array):
        return {"real": _array(array.real), "imag": _array(array.imag)}
    values = array.astype(float).ravel()
    finite = np.isfinite(values)
    inside = np.where(finite, values, 0.0)
    weights = _weights(values.size) / math.sqrt(values.size)
    sums = [inside.mean(), math.sqrt(np.mean(inside**2)), inside.min(), inside.max(), *(weights @ inside)]
    places = [float(sum_) for sum_ in weights @ finite] if not finite.all() else []
    return {"shape": list(array.shape), "finite": int(finite.sum()), "sums": [_rounded(one) for one in sums + places]}


@cache
def _weights(count: int) -> np.ndarray:
    """Two rows of numbers between -1.4 and 1.4 that no result is likely to be blind to."""
    number = np.arange(count)
    return math.sqrt(2.0) * np.cos(np.outer([0.7, 1.9], (number % 9973 + 1.0) ** 2) + number * 0.37)


def _rounded(value: float) -> float | str:
    return float(f"{value:.8g}") if math.isfinite(value) else str(value)


def _differences(old: Any, new: Any, relative: float, near_zero: float, place: str) -> Any:
    if isinstance(old, dict) and isinstance(new, dict):
        if "sums" in old and "sums" in new and old["shape"] == new["shape"]:
            near_zero = max(near_zero, relative * abs(old["sums"][1]))
        for key in sorted(old.keys() | new.keys()):
            if key in old and key in new:
                yield from _differences(old[key], new[key], relative, near_zero, f"{place}.{key}")
            else:
                yield f"{place}.{key}: {'gone' if key in old else 'new'}"
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for row, (was, now) in enumerate(zip(old, new, strict=True)):
            yield from _differences(was, now, relative, near_zero, f"{place}[{row}]")
    elif _number(old) and _number(new):
        if abs(new - old) > max(near_zero, relative * abs(old)):
            yield f"{place}: was {old!r}, is {new!r}"
    elif old != new:
        yield f"{place}: was {str(old)[:200]!r}, is {str(new)[:200]!r}"


def _number(one: Any) -> bool:
    return isinstance(one, float | int) and not isinstance(one, bool)


@cache
def _kept(name: str) -> dict[str, Any]:
    kept: dict[str, Any] = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    return kept


def _write(name: str, case: str, now: Any) -> None:
    file = FOLDER / f"{name}.json"
    file.parent.mkdir(parents=True, exist_ok=True)
    folder = os.open(file.parent, os.O_RDONLY)
    try:
        fcntl.flock(folder, fcntl.LOCK_EX)
        kept = json.loads(file.read_text(encoding="utf-8")) if file.is_file() else {}
        rows = sorted((kept | {case: now}).items())
        # A line for each case: what moved is seen in a comparison of two versions.
        text = ",\n".join(f"{json.dumps(key)}: {json.dumps(value, ensure_ascii=False)}" for key, value in rows)
        file.write_text("{\n" + text + "\n}\n", encoding="utf-8")
    finally:
        os.close(folder)
