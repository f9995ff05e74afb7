"""Array types and the read-only copy that every value keeps."""

from collections.abc import Iterator
from typing import Any

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


def require_shape(owner: str, name: str, array: npt.NDArray[Any], shape: tuple[int, ...]) -> None:
    """ValueError unless `array` has `shape`."""
    if array.shape != shape:
        raise ValueError(f"{owner}: {name} has shape {array.shape}, expected {shape}")


def runs(mask: BoolArray) -> Iterator[slice]:
    """Unbroken stretches of True in a mask (F,)."""
    edges = np.flatnonzero(np.diff(np.r_[0, mask.astype(np.int8), 0]))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        yield slice(int(start), int(stop))
