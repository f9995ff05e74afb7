"""Frozen values as plain JSON and back, by the types of their fields: what was worked out once is kept so.

Arrays stand once each, however many values share one, as 32-bit numbers where they are floating: enough for what is
drawn and said, and half the size.
"""

from __future__ import annotations

import base64
import dataclasses
import types
import zlib
from collections.abc import Mapping
from functools import cache
from math import inf, isfinite, nan
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np
from pydantic import BaseModel

from earwitness.errors import ArchiveError

_ODD = {"inf": inf, "-inf": -inf, "nan": nan}


def plain(value: Any) -> dict[str, Any]:
    """`value` and all it holds as a JSON document. Raises TypeError for a type that has no plain form."""
    arrays: dict[bytes, int] = {}
    packed: list[str] = []
    return {"value": _plain(value, arrays, packed), "arrays": packed}


def restored(kind: Any, document: Mapping[str, Any]) -> Any:
    """The value of type `kind` from its document. Raises ArchiveError for one that does not fit the type."""
    try:
        arrays = [_array(text) for text in document["arrays"]]
        return _value(kind, document["value"], arrays)
    except (KeyError, TypeError, ValueError, IndexError, AttributeError, zlib.error) as error:
        raise ArchiveError(f"a kept value cannot be read: {error}", remedy="earwitness archive rebuild") from error


def _plain(value: Any, arrays: dict[bytes, int], packed: list[str]) -> Any:
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if isfinite(value) else str(value)
    if isinstance(value, np.ndarray):
        return _kept(value, arrays, packed)
    if isinstance(value, BaseModel):
        return value.model_dump(mode="json", by_alias=True)
    if dataclasses.is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name), arrays, packed) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return [[_plain(key, arrays, packed), _plain(part, arrays, packed)] for key, part in value.items()]
    if isinstance(value, tuple | list):
        return [_plain(part, arrays, packed) for part in value]
    raise TypeError(f"a {type(value).__name__} has no plain form")


def _kept(array: np.ndarray, arrays: dict[bytes, int], packed: list[str]) -> int:
    small = array.astype("<f4") if array.dtype.kind == "f" and not _is_axis(array) else array
    head = f"{small.dtype.str} {' '.join(map(str, small.shape))}\n".encode()
    data = head + small.tobytes()
    if data not in arrays:
        arrays[data] = len(packed)
        packed.append(base64.b64encode(zlib.compress(data, 3)).decode())
    return arrays[data]


def _is_axis(array: np.ndarray) -> bool:
    """Frequencies, which must stay what they are to the last bit, so that curves on one axis still share it."""
    return array.ndim == 1 and array.size > 1 and bool((np.diff(array) > 0).all())


def _array(text: str) -> np.ndarray:
    head, _, data = zlib.decompress(base64.b64decode(text)).partition(b"\n")
    kind, *shape = head.decode().split()
    array = np.frombuffer(data, kind).reshape([int(size) for size in shape])
    return array.astype(float) if array.dtype.kind == "f" else array


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _value(kind: Any, data: Any, arrays: list[np.ndarray]) -> Any:
    origin, parts = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        return _one_of(parts, data, arrays)
    if kind is type(None) or data is None:
        return None
    if origin is Literal or kind in (str, bool, int):
        return data
    if kind is float:
        return _ODD[data] if isinstance(data, str) else float(data)
    if origin is np.ndarray:
        return arrays[data]
    if origin is tuple:
        kinds = [parts[0]] * len(data) if len(parts) == 2 and parts[1] is Ellipsis else parts
        return tuple(_value(one, part, arrays) for one, part in zip(kinds, data, strict=True))
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return {_value(parts[0], key, arrays): _value(parts[1], part, arrays) for key, part in data}
    if issubclass(kind, BaseModel):
        return kind.model_validate(data)
    hints = _hints(kind)
    fields = [f.name for f in dataclasses.fields(kind) if f.init]
    return kind(**{name: _value(hints[name], data[name], arrays) for name in fields})


def _one_of(kinds: tuple[Any, ...], data: Any, arrays: list[np.ndarray]) -> Any:
    """The alternative that the data have the form of."""
    if data is None and type(None) in kinds:
        return None
    rest = [kind for kind in kinds if kind is not type(None)]
    if isinstance(data, dict):
        fitting = [
            k for k in rest if dataclasses.is_dataclass(k) and {f.name for f in dataclasses.fields(k)} == set(data)
        ]
        rest = fitting or rest
    elif isinstance(data, str):
        rest = [kind for kind in rest if kind is str] or rest
    return _value(rest[0], data, arrays)
