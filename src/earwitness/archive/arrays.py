"""Measurements to and from one netCDF-4 file, bit for bit.

Layout: one group a response, impedance, near field or harmonic set, with dimensions of its own and a unit on every
variable; complex numbers as two float64 variables ..._real and ..._imag; truth values as unsigned bytes; small
records (gate, splice, flags, steps) as JSON in the text variable "record" of the file.
"""

from __future__ import annotations

import dataclasses
import json
from functools import cache
from typing import TYPE_CHECKING, Any, get_args, get_type_hints

import numpy as np

from earwitness.errors import ArchiveError
from earwitness.files.data import table_of
from earwitness.quantities import Directions, FrequencyAxis, Measurement

if TYPE_CHECKING:
    import netCDF4

LAYOUT = 4
_BROKEN = (OSError, RuntimeError, KeyError, ValueError, TypeError, IndexError, AttributeError)
_KIND = "measurement"
_TEXTS = table_of("archive", "arrays")
_GROUPS: dict[str, str] = _TEXTS["groups"]
Arrays = dict[str, np.ndarray[Any, Any]]


class OlderLayoutError(ArchiveError):
    """A stored result of an earlier version: sound, but without what this one keeps; to be computed anew."""


def measurement_bytes(measurement: Measurement) -> bytes:
    """The netCDF-4 file of `measurement`."""
    groups: dict[str, Arrays] = {}
    record = _taken_apart(measurement, "recording", groups)
    return _pack(record, {name: arrays for name, arrays in groups.items() if arrays})


def measurement_from(data: bytes, *, where: str) -> Measurement:
    """The measurement in a netCDF-4 file; `where` names it in errors. Raises ArchiveError."""
    record, groups = _unpack(data, where)
    try:
        measurement: Measurement = _put_together(Measurement, record, "recording", groups)
    except _BROKEN as error:
        raise damaged(where, error) from error
    return measurement


def damaged(where: str, reason: object) -> ArchiveError:
    """The error for an array file that cannot be used."""
    return ArchiveError.of("archive.result_damaged", where=where, reason=reason)


def _taken_apart(value: Any, group: str, groups: dict[str, Arrays]) -> dict[str, Any]:
    """The fields of `value` that JSON can hold, at any depth; its arrays go into `groups`, under `group` or their own.

    Harmonics of waves lie along the first dimension, as directions do elsewhere.
    """
    record: dict[str, Any] = {}
    arrays = groups.setdefault(group, {})
    for field in dataclasses.fields(value):
        name, part = field.name, getattr(value, field.name)
        if isinstance(part, np.ndarray):
            arrays[name] = part.T if name == "outgoing" else part
        elif isinstance(part, FrequencyAxis):
            arrays["frequency_hz"] = part.hz
        elif isinstance(part, Directions):
            arrays |= {"azimuth_rad": part.azimuth_rad, "elevation_rad": part.elevation_rad}
        elif dataclasses.is_dataclass(part):
            record[name] = _taken_apart(part, _GROUPS.get(name, group), groups)
        elif isinstance(part, tuple) and part and dataclasses.is_dataclass(part[0]):
            own = _GROUPS.get(name, name)
            record[name] = [_taken_apart(one, f"{own}_{i}", groups) for i, one in enumerate(part)]
        else:
            record[name] = part
    return record


def _put_together(kind: Any, record: dict[str, Any], group: str, groups: dict[str, Arrays]) -> Any:
    """The value of the dataclass `kind` from what `_taken_apart` made of it; a field that is not there is not given."""
    arrays = groups.get(group, {})
    fields: dict[str, Any] = {}
    for name, (hint, parts) in _kinds(kind).items():
        found = record.get(name)
        if hint is FrequencyAxis:
            fields[name] = FrequencyAxis(arrays["frequency_hz"])
        elif hint is Directions:
            fields[name] = Directions(arrays["azimuth_rad"], arrays["elevation_rad"])
        elif name in arrays:
            fields[name] = arrays[name].T if name == "outgoing" else arrays[name]
        elif parts and isinstance(found, dict):
            fields[name] = _put_together(parts, found, _GROUPS.get(name, group), groups)
        elif parts and found:
            own = _GROUPS.get(name, name)
            # An average was its key alone once.
            told = [one if isinstance(one, dict) else {"key": one} for one in found]
            fields[name] = tuple(_put_together(parts, one, f"{own}_{i}", groups) for i, one in enumerate(told))
        elif name in record or type(None) in get_args(hint):
            fields[name] = as_tuples(found)
    return kind(**fields)


@cache
def _kinds(kind: Any) -> dict[str, tuple[Any, Any]]:
    """The type of each field, and the dataclass that it is, may be or holds several of, or None."""
    hints = get_type_hints(kind)
    found = {field.name: hints[field.name] for field in dataclasses.fields(kind)}
    return {
        name: (hint, next(filter(dataclasses.is_dataclass, (hint, *get_args(hint))), None))
        for name, hint in found.items()
    }


def as_tuples(value: Any) -> Any:
    """`value` with JSON's lists turned back into tuples, at any depth of lists."""
    return tuple(as_tuples(v) for v in value) if isinstance(value, list) else value


def _number(value: Any) -> Any:
    """numpy scalars as numbers of Python, for JSON."""
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"{type(value).__name__} has no place in a record")


def _pack(record: dict[str, Any], groups: dict[str, Arrays]) -> bytes:
    import netCDF4

    # In memory: a full disk then meets plain file writing, not the inside of HDF5.
    dataset = netCDF4.Dataset("earwitness", "w", format="NETCDF4", memory=1)
    dataset.earwitness_kind = _KIND
    dataset.earwitness_layout = np.int32(LAYOUT)
    text = dataset.createVariable("record", str, ())
    written = np.array(json.dumps(record, sort_keys=True, ensure_ascii=False, default=_number), dtype=object)
    # All is defined before anything is written: each change from one to the other writes out the whole file.
    filled = [_defined(dataset.createGroup(name), arrays) for name, arrays in groups.items()]
    text[...] = written
    for variable, values in (pair for group in filled for pair in group):
        variable[...] = values
    return bytes(dataset.close())


# Chunks cost milliseconds each, which no small array repays.
_WORTH_PACKING = 2048


def _defined(group: netCDF4.Group, arrays: Arrays) -> list[tuple[netCDF4.Variable[Any], np.ndarray[Any, Any]]]:
    """The variables of a group, and what is to be written to each."""
    found = []
    for name, array in arrays.items():
        dimensions: tuple[str, ...] = (_TEXTS["dimensions"].get(name, "frequency"),)
        if array.ndim == 2:
            dimensions = ("order" if group.name.startswith("harmonics") else "direction", "frequency")
        for dimension, size in zip(dimensions, array.shape, strict=True):
            if dimension not in group.dimensions:
                # A size of 0 means "unlimited" to netCDF; nothing is written along it, so it reads back as 0.
                group.createDimension(dimension, size)
        parts = {name: array}
        if array.dtype.kind == "c":
            parts = {f"{name}_real": array.real, f"{name}_imag": array.imag}
        for part, values in parts.items():
            kind = "u1" if values.dtype.kind == "b" else "f8"
            variable = group.createVariable(
                part, kind, dimensions, fill_value=False, zlib=values.size > _WORTH_PACKING, complevel=1, shuffle=True
            )
            variable.units = _TEXTS["units"].get(name) or _TEXTS["endings"][name.rpartition("_")[2]]
            if values.size:
                found.append((variable, values.astype(kind)))
    return found


def _unpack(data: bytes, where: str) -> tuple[Any, dict[str, Arrays]]:
    import netCDF4

    try:
        dataset = netCDF4.Dataset("earwitness", "r", memory=data)
    except _BROKEN as error:
        raise damaged(where, error) from error
    try:
        found, layout = dataset.earwitness_kind, int(dataset.earwitness_layout)
        if layout > LAYOUT:
            raise ArchiveError.of("archive.later_layout", where=where, layout=layout)
        if found != _KIND:
            raise damaged(where, f"it holds a {found}, not a {_KIND}")
        if layout < LAYOUT:
            raise OlderLayoutError.of("archive.older_layout", where=where, layout=layout)
        record = json.loads(str(dataset["record"][...]))
        groups = {name: _read_group(group) for name, group in dataset.groups.items()}
    except _BROKEN as error:
        raise damaged(where, error) from error
    finally:
        dataset.close()
    return record, groups


def _read_group(group: netCDF4.Group) -> Arrays:
    raw: Arrays = {}
    for name, variable in group.variables.items():
        variable.set_auto_maskandscale(False)
        values = np.asarray(variable[...])
        raw[name] = values.astype(bool) if values.dtype == np.uint8 else values
    for name in [n.removesuffix("_real") for n in raw if n.endswith("_real")]:
        real, imag = raw.pop(f"{name}_real"), raw.pop(f"{name}_imag")
        # real + 1j * imag would turn an infinite or negative-zero part into another one.
        raw[name] = np.empty(real.shape, complex)
        raw[name].real, raw[name].imag = real, imag
    return raw
