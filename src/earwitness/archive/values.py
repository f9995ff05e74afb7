"""Frozen values as plain JSON and back, by the types of their fields: what was worked out once is kept so.

Arrays stand once each, however many values share one, as 32-bit numbers where they are floating: enough for what is
drawn and said, and half the size.
"""

import base64
import dataclasses
import types
import zlib
from collections.abc import Callable, Mapping
from functools import cache
from math import inf, isfinite, nan
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np
from pydantic import BaseModel

from earwitness.errors import ArchiveError

_Reader = Callable[[Any, list[np.ndarray]], Any]
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
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {name: _plain(getattr(value, name), arrays, packed) for name in _field_names(type(value))}
    if isinstance(value, Mapping):
        return [[_plain(key, arrays, packed), _plain(part, arrays, packed)] for key, part in value.items()]
    if isinstance(value, tuple | list):
        return [_plain(part, arrays, packed) for part in value]
    raise TypeError(f"a {type(value).__name__} has no plain form")


@cache
def _field_names(kind: Any) -> tuple[str, ...]:
    return tuple(field.name for field in dataclasses.fields(kind))


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


def _value(kind: Any, data: Any, arrays: list[np.ndarray]) -> Any:
    return _reader(kind)(data, arrays)


@cache
def _reader(kind: Any) -> _Reader:
    """What makes a value of type `kind` from its plain form; the type is looked into once."""
    origin, parts = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        return _one_of(parts)
    if kind is type(None):
        return lambda _, __: None
    found = _some(kind, origin, parts)
    return lambda data, arrays: None if data is None else found(data, arrays)


def _some(kind: Any, origin: Any, parts: tuple[Any, ...]) -> _Reader:
    """The same for what is not None."""
    if origin is Literal or kind in (str, bool, int):
        return lambda data, _: data
    if kind is float:
        return lambda data, _: _ODD[data] if isinstance(data, str) else float(data)
    if origin is np.ndarray:
        return lambda data, arrays: arrays[data]
    if origin is tuple and len(parts) == 2 and parts[1] is Ellipsis:
        return lambda data, arrays: tuple(_value(parts[0], part, arrays) for part in data)
    if origin is tuple:
        return lambda data, arrays: tuple(_value(one, part, arrays) for one, part in zip(parts, data, strict=True))
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return lambda data, arrays: {
            _value(parts[0], key, arrays): _value(parts[1], part, arrays) for key, part in data
        }
    if issubclass(kind, BaseModel):
        return lambda data, _: kind.model_validate(data)
    hints = get_type_hints(kind)
    fields = [(f.name, hints[f.name]) for f in dataclasses.fields(kind) if f.init]
    return lambda data, arrays: kind(**{name: _value(hint, data[name], arrays) for name, hint in fields})


def _one_of(kinds: tuple[Any, ...]) -> _Reader:
    """Reads as the alternative that the data have the form of."""
    rest = [kind for kind in kinds if kind is not type(None)]
    by_fields = {
        frozenset(f.name for f in dataclasses.fields(kind)): kind
        for kind in reversed(rest)
        if dataclasses.is_dataclass(kind)
    }
    text = str if str in rest else rest[0]

    def read(data: Any, arrays: list[np.ndarray]) -> Any:
        if data is None and len(rest) < len(kinds):
            return None
        kind = text if isinstance(data, str) else rest[0]
        if isinstance(data, dict):
            kind = by_fields.get(frozenset(data), kind)
        return _value(kind, data, arrays)

    return read
