"""Array types, the read-only copy that every value keeps, and the frequencies that a response stands on."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields
from functools import cache, partial
from types import MappingProxyType, UnionType
from typing import Any, get_args, get_origin, get_type_hints

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]


def locked(array: npt.ArrayLike, dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    """Own read-only copy of `array`."""
    copy = np.array(array, dtype=dtype)
    copy.setflags(write=False)
    return copy


def lock_fields(value: object, **dtypes: npt.DTypeLike) -> None:
    """Replace the named fields of a frozen dataclass by read-only copies."""
    for name, dtype in dtypes.items():
        object.__setattr__(value, name, locked(getattr(value, name), dtype))


class Locked:
    """Base of frozen records: arrays become own read-only copies, mappings own read-only ones, by the fields' types."""

    __slots__ = ()

    def __post_init__(self) -> None:
        kind: Any = type(self)
        for name, freeze in _freezers(kind):
            value = getattr(self, name)
            if value is not None:
                object.__setattr__(self, name, freeze(value))


_DTYPES: dict[Any, npt.DTypeLike] = {FloatArray: float, ComplexArray: complex, BoolArray: bool, IntArray: np.int64}


@cache
def _freezers(kind: Any) -> tuple[tuple[str, Callable[[Any], Any]], ...]:
    """Fields of a record that hold arrays or mappings, with what locks each; looked into once."""
    found: list[tuple[str, Callable[[Any], Any]]] = []
    hints = get_type_hints(kind)
    for name in (field.name for field in fields(kind)):
        types = get_args(hints[name]) if isinstance(hints[name], UnionType) else (hints[name],)
        dtype = next((_DTYPES[one] for one in types if one in _DTYPES), None)
        if dtype is not None:
            found.append((name, partial(locked, dtype=dtype)))
        elif get_origin(types[0]) is Mapping:
            found.append((name, lambda value: MappingProxyType(dict(value))))
    return tuple(found)


def require_shape(owner: str, name: str, array: npt.NDArray[Any], shape: tuple[int, ...]) -> None:
    """ValueError unless `array` has `shape`."""
    if array.shape != shape:
        raise ValueError(f"{owner}: {name} has shape {array.shape}, expected {shape}")


def runs(mask: BoolArray) -> Iterator[slice]:
    """Unbroken stretches of True in a mask (F,)."""
    edges = np.flatnonzero(np.diff(np.r_[0, mask.astype(np.int8), 0]))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        yield slice(int(start), int(stop))


REPORT_POINTS_PER_OCTAVE = 48


@dataclass(frozen=True, slots=True, eq=False)
class FrequencyAxis:
    """Strictly rising frequencies. hz: (F,) float64 [Hz], finite, above 0."""

    hz: FloatArray

    def __post_init__(self) -> None:
        lock_fields(self, hz=float)
        hz = self.hz
        good = hz.ndim == 1 and hz.size > 0 and np.isfinite(hz).all() and hz[0] > 0
        if not good or not (np.diff(hz) > 0).all():
            raise ValueError(f"frequencies must rise strictly from above 0 Hz, got shape {hz.shape}")

    def __len__(self) -> int:
        return int(self.hz.size)

    def same_as(self, other: FrequencyAxis) -> bool:
        """True if both hold exactly the same frequencies."""
        return np.array_equal(self.hz, other.hz)


def log_axis(low_hz: float, high_hz: float, points_per_octave: int, *, through_hz: float = 1000.0) -> FrequencyAxis:
    """Axis f_m = through_hz * 2**(m / points_per_octave), all m with low_hz <= f_m <= high_hz (relative 1e-9)."""
    first = np.ceil(points_per_octave * np.log2(low_hz / through_hz) - 1e-6)
    last = np.floor(points_per_octave * np.log2(high_hz / through_hz) + 1e-6)
    return FrequencyAxis(through_hz * 2.0 ** (np.arange(first, last + 1) / points_per_octave))


def hz_words(frequency_hz: float) -> str:
    """A frequency in the words of methods and reasons: 300 Hz, 1.25 kHz."""
    return f"{frequency_hz:.3g} Hz" if frequency_hz < 1000.0 else f"{frequency_hz / 1000.0:.3g} kHz"


def report_axis() -> FrequencyAxis:
    """The grid every result is stored on: 1/48 octave, 15.6 Hz to 20.2 kHz, through 1 kHz."""
    return log_axis(15.625, 20_200.0, REPORT_POINTS_PER_OCTAVE)
