"""Responses and measurements to and from one netCDF-4 file, bit for bit.

Layout: one group a response, impedance, near field or harmonic set, with dimensions of its own and a unit on every
variable; complex numbers as two float64 variables ..._real and ..._imag; truth values as unsigned bytes; small
records (gate, splice, flags, steps) as JSON in the text variable "record" of the file.
"""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from earwitness.archive import journal
from earwitness.errors import ArchiveError
from earwitness.quantities import (
    Average,
    BudgetLine,
    BurstTakeReading,
    Cause,
    DirectionalResponse,
    Directions,
    FrequencyAxis,
    Gate,
    Harmonics,
    Impedance,
    Measurement,
    MultitoneLines,
    MultitoneReading,
    NearField,
    NoiseRun,
    QualityFlag,
    ScanReading,
    Splice,
    Step,
    TwoToneReading,
    WavePart,
)
from earwitness.quantities.arrays import locked

if TYPE_CHECKING:
    import netCDF4

LAYOUT = 4
MAX_BYTES = 2**30
_BROKEN = (OSError, RuntimeError, KeyError, ValueError, TypeError, IndexError, AttributeError)
_SCAN = ("residual_db", "leave_out_db", "scattered_db", "condition", "u_db", "order_out", "order_in", "valid")
_PART = ("rows", "weight", "order")
_HARMONICS = ("fundamental_db", "harmonic_db", "noise_db", "valid", "level_known")
_RUN = ("start_db", "hot_db", "u_db", "valid")
Arrays = dict[str, np.ndarray[Any, Any]]


class OlderLayoutError(ArchiveError):
    """A stored result of an earlier version: sound, but without what this one keeps; to be computed anew."""


def write_measurement(path: Path, measurement: Measurement) -> None:
    """Keep `measurement` at `path`, atomically. Raises OutputError."""
    journal.write_bytes(path, measurement_bytes(measurement))


def read_measurement(path: Path) -> Measurement:
    """The measurement in the file at `path`. Raises ArchiveError for a missing or damaged file."""
    return measurement_from(_bytes_of(path), where=str(path))


def write_response(path: Path, response: DirectionalResponse) -> None:
    """Keep `response` at `path`, atomically. Raises OutputError."""
    journal.write_bytes(path, response_bytes(response))


def read_response(path: Path) -> DirectionalResponse:
    """The response in the file at `path`. Raises ArchiveError for a missing or damaged file."""
    return response_from(_bytes_of(path), where=str(path))


def response_bytes(response: DirectionalResponse) -> bytes:
    """The netCDF-4 file of `response`."""
    groups = {"response": _response_arrays(response), **_cause_arrays(response)}
    return _pack("response", {"response": _response_record(response)}, groups)


def response_from(data: bytes, *, where: str) -> DirectionalResponse:
    """The response in a netCDF-4 file; `where` names it in errors. Raises ArchiveError."""
    record, groups = _unpack(data, "response", where)
    try:
        return _response(record["response"], groups)
    except _BROKEN as error:
        raise damaged(where, error) from error


def measurement_bytes(measurement: Measurement) -> bytes:
    """The netCDF-4 file of `measurement`."""
    m = measurement
    groups: dict[str, Arrays] = {"response": _response_arrays(m.response), **_cause_arrays(m.response)}
    groups["recording"] = {"snr_db": m.snr_db, "impulse": m.impulse}
    if m.impedance is not None:
        z = m.impedance
        groups["impedance"] = {**_fields(z, "ohm", "u_ohm", "u_deg", "valid"), "frequency_hz": z.axis.hz}
    for index, near in enumerate(m.near_field):
        groups[f"near_field_{index}"] = {**_fields(near, "level_db", "phase_rad"), "frequency_hz": near.axis.hz}
    for index, har in enumerate(m.harmonics):
        names = _HARMONICS[:-1] if har.level_known is None else _HARMONICS
        groups[f"harmonics_{index}"] = {**_fields(har, *names), "frequency_hz": har.axis.hz}
    for index, tones in enumerate(m.multitones):
        kept = ("tone", "residue") if tones.lines.noise is None else ("tone", "residue", "noise")
        groups[f"multitone_{index}"] = _fields(tones.lines, "frequency_hz", *kept)
    groups |= {f"two_tones_{index}": _fields(pair, "lines_pa") for index, pair in enumerate(m.two_tones)}
    groups |= {f"burst_{index}": _fields(one, "relative_db") for index, one in enumerate(m.bursts)}
    for index, run in enumerate(m.noise_runs):
        groups[f"noise_run_{index}"] = {**_fields(run, *_RUN), "frequency_hz": run.axis.hz}
    groups |= {f"average_{index}": _fields(one, "level_db", "u_db", "valid") for index, one in enumerate(m.averages)}
    if m.scan is not None:
        groups["scan"] = _fields(m.scan, *_SCAN)
        for index, part in enumerate(m.scan.parts):
            # Harmonics lie along the first dimension, as directions do elsewhere.
            groups[f"scan_part_{index}"] = {**_fields(part, *_PART), "outgoing": part.outgoing.T}
    for index, line in enumerate(m.budget):
        groups[f"budget_{index}"] = _fields(line, "u_db")
    record = {
        "response": _response_record(m.response),
        "gate": _plain(m.gate),
        "splice": None if m.splice is None else _plain(m.splice),
        "near_field": [_plain(n, "axis", "level_db", "phase_rad") for n in m.near_field],
        "harmonics": [_plain(h, "axis", *_HARMONICS) for h in m.harmonics],
        "impedance": None if m.impedance is None else {"lineage": list(m.impedance.lineage)},
        "multitones": [
            {**_plain(t, "lines"), "lines": _plain(t.lines, "frequency_hz", "tone", "residue", "noise")}
            for t in m.multitones
        ],
        "two_tones": [_plain(t, "lines_pa") for t in m.two_tones],
        "bursts": [_plain(b, "relative_db") for b in m.bursts],
        "noise_runs": [_plain(n, "axis", *_RUN) for n in m.noise_runs],
        "averages": [one.key for one in m.averages],
        "scan": None
        if m.scan is None
        else {**_plain(m.scan, *_SCAN, "parts"), "parts": [_plain(p, *_PART, "outgoing") for p in m.scan.parts]},
        "impulse_rate_hz": m.impulse_rate_hz,
        "impulse_onset_s": m.impulse_onset_s,
        "budget": [_plain(b, "u_db") for b in m.budget],
        "flags": [_plain(f) for f in m.flags],
        "kept_takes": list(m.kept_takes),
        "steps": [_plain(s) for s in m.steps],
    }
    return _pack("measurement", record, groups)


def measurement_from(data: bytes, *, where: str) -> Measurement:
    """The measurement in a netCDF-4 file; `where` names it in errors. Raises ArchiveError."""
    record, groups = _unpack(data, "measurement", where)
    try:
        return _measurement(record, groups)
    except _BROKEN as error:
        raise damaged(where, error) from error


def damaged(where: str, reason: object) -> ArchiveError:
    """The error for an array file that cannot be used."""
    return ArchiveError(
        f"a stored result is damaged: {reason}",
        where=where,
        expected="a netCDF-4 file as this program wrote it",
        remedy="earwitness archive rebuild: it is made anew, its recordings are kept",
    )


def _measurement(record: Any, groups: dict[str, Arrays]) -> Measurement:
    near = [(r, groups[f"near_field_{i}"]) for i, r in enumerate(record["near_field"])]
    harmonics = [(_tupled(r), groups[f"harmonics_{i}"]) for i, r in enumerate(record["harmonics"])]
    impedance = None
    if record["impedance"] is not None:
        impedance = Impedance(**_with_axis(groups["impedance"]), lineage=tuple(record["impedance"]["lineage"]))
    return Measurement(
        response=_response(record["response"], groups),
        snr_db=groups["recording"]["snr_db"],
        gate=Gate(**record["gate"]),
        splice=None if record["splice"] is None else Splice(**record["splice"]),
        near_field=tuple(NearField(**r, **_with_axis(g)) for r, g in near),
        harmonics=tuple(Harmonics(**r, **_with_axis(g)) for r, g in harmonics),
        impedance=impedance,
        impulse_rate_hz=record["impulse_rate_hz"],
        impulse=groups["recording"]["impulse"],
        impulse_onset_s=record["impulse_onset_s"],
        budget=tuple(BudgetLine(**r, u_db=groups[f"budget_{i}"]["u_db"]) for i, r in enumerate(record["budget"])),
        flags=tuple(QualityFlag(**_tupled(r)) for r in record["flags"]),
        kept_takes=tuple(record["kept_takes"]),
        steps=tuple(Step(**_tupled(r)) for r in record["steps"]),
        multitones=tuple(_tones(r, groups[f"multitone_{i}"]) for i, r in enumerate(record["multitones"])),
        two_tones=tuple(
            TwoToneReading(**r, lines_pa=groups[f"two_tones_{i}"]["lines_pa"])
            for i, r in enumerate(record["two_tones"])
        ),
        bursts=tuple(
            BurstTakeReading(**_tupled(r), relative_db=groups[f"burst_{i}"]["relative_db"])
            for i, r in enumerate(record["bursts"])
        ),
        noise_runs=tuple(
            NoiseRun(**r, **_with_axis(groups[f"noise_run_{i}"])) for i, r in enumerate(record["noise_runs"])
        ),
        scan=_scan(record["scan"], groups),
        averages=tuple(Average(key, **groups[f"average_{i}"]) for i, key in enumerate(record.get("averages", ()))),
    )


def _scan(record: dict[str, Any] | None, groups: dict[str, Arrays]) -> ScanReading | None:
    if record is None:
        return None
    parts = []
    for index, one in enumerate(record["parts"]):
        arrays: dict[str, Any] = groups[f"scan_part_{index}"]
        parts.append(WavePart(**_tupled(one), **{**arrays, "outgoing": arrays["outgoing"].T}))
    rest: dict[str, Any] = {name: groups["scan"][name] for name in _SCAN}
    return ScanReading(**{**_tupled(record), "parts": tuple(parts)}, **rest)


def _tones(record: dict[str, Any], arrays: Arrays) -> MultitoneReading:
    rest: dict[str, Any] = {"noise": None, **arrays}
    return MultitoneReading(**{**record, "lines": MultitoneLines(**rest, **record["lines"])})


def _response_record(response: DirectionalResponse) -> dict[str, Any]:
    record = _plain(response, "axis", "directions", "pressure", "u_db", "u_common_db", "valid", "causes")
    return {**record, "causes": [_plain(cause, "pull_db") for cause in response.causes]}


def _response_arrays(response: DirectionalResponse) -> Arrays:
    return {
        "frequency_hz": response.axis.hz,
        **_fields(response.directions, "azimuth_rad", "elevation_rad"),
        **_fields(response, "pressure", "u_db", "u_common_db", "valid"),
    }


def _cause_arrays(response: DirectionalResponse) -> dict[str, Arrays]:
    return {f"cause_{index}": _fields(cause, "pull_db") for index, cause in enumerate(response.causes)}


def _response(record: dict[str, Any], groups: dict[str, Arrays]) -> DirectionalResponse:
    arrays = groups["response"]
    # A response alone, of a layout before causes were kept, has none.
    told = enumerate(record.get("causes", ()))
    causes = tuple(Cause(**one, pull_db=groups[f"cause_{index}"]["pull_db"]) for index, one in told)
    directions = Directions(arrays["azimuth_rad"], arrays["elevation_rad"])
    # Directions wraps its azimuth on the way in, which may move the last bit of an angle that is wrapped already.
    object.__setattr__(directions, "azimuth_rad", locked(arrays["azimuth_rad"], float))
    rest: dict[str, Any] = {name: arrays[name] for name in ("pressure", "u_db", "u_common_db", "valid")}
    return DirectionalResponse(
        axis=FrequencyAxis(arrays["frequency_hz"]),
        directions=directions,
        **rest,
        **{**_tupled(record), "causes": causes},
    )


def _with_axis(arrays: Arrays) -> dict[str, Any]:
    rest: dict[str, Any] = {name: array for name, array in arrays.items() if name != "frequency_hz"}
    return {"axis": FrequencyAxis(arrays["frequency_hz"]), **rest}


def _fields(value: object, *names: str) -> Arrays:
    return {name: getattr(value, name) for name in names}


def _plain(value: Any, *without: str) -> dict[str, Any]:
    """The fields of a small record that JSON can hold."""
    return {f.name: getattr(value, f.name) for f in dataclasses.fields(value) if f.name not in without}


def as_tuples(value: Any) -> Any:
    """`value` with JSON's lists turned back into tuples, at any depth of lists."""
    return tuple(as_tuples(v) for v in value) if isinstance(value, list) else value


def _tupled(record: dict[str, Any]) -> dict[str, Any]:
    return {name: as_tuples(value) for name, value in record.items()}


def _number(value: Any) -> Any:
    """numpy scalars as numbers of Python, for JSON."""
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"{type(value).__name__} has no place in a record")


def _pack(kind: str, record: dict[str, Any], groups: dict[str, Arrays]) -> bytes:
    import netCDF4

    # In memory: a full disk then meets plain file writing, not the inside of HDF5.
    dataset = netCDF4.Dataset("earwitness", "w", format="NETCDF4", memory=1)
    dataset.earwitness_kind = kind
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
        dimensions = _dimensions(group.name, name, array.ndim)
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
            variable.units = _unit(name)
            if values.size:
                found.append((variable, values.astype(kind)))
    return found


def _dimensions(group: str, name: str, count: int) -> tuple[str, ...]:
    if count == 2:
        return ("order" if group.startswith("harmonics") else "direction", "frequency")
    named = {"azimuth_rad": "direction", "elevation_rad": "direction", "impulse": "sample"}
    return ((named | {"lines_pa": "line", "relative_db": "order"}).get(name, "frequency"),)


def _unit(name: str) -> str:
    named = {
        "pressure": "pascal per volt",
        "impulse": "pascal per volt",
        "ohm": "ohm",
        "valid": "1",
        "level_known": "1",
    }
    named |= dict.fromkeys(("rows", "weight", "order", "order_out", "order_in", "condition"), "1")
    named["outgoing"] = "pascal per volt"
    named |= dict.fromkeys(("tone", "residue", "noise"), "pascal^2")
    named["lines_pa"] = "pascal"
    endings = {"hz": "hertz", "rad": "radian", "db": "decibel", "deg": "degree", "ohm": "ohm"}
    return named.get(name) or endings[name.rpartition("_")[2]]


def _unpack(data: bytes, kind: str, where: str) -> tuple[Any, dict[str, Arrays]]:
    import netCDF4

    try:
        dataset = netCDF4.Dataset("earwitness", "r", memory=data)
    except _BROKEN as error:
        raise damaged(where, error) from error
    try:
        found, layout = dataset.earwitness_kind, int(dataset.earwitness_layout)
        if layout > LAYOUT:
            raise ArchiveError(
                f"a stored result was written by a later version of Earwitness (layout {layout})",
                where=where,
                remedy="update the program, or rebuild",
            )
        if found != kind:
            raise damaged(where, f"it holds a {found}, not a {kind}")
        if layout < LAYOUT and kind == "measurement":
            raise OlderLayoutError(
                f"a stored result was written by an earlier version of Earwitness (layout {layout})",
                where=where,
                remedy="earwitness archive rebuild: it is made anew, its recordings are kept",
            )
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


def _bytes_of(path: Path) -> bytes:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise damaged(str(path), f"it is larger than {MAX_BYTES // 2**20} MiB")
        return path.read_bytes()
    except OSError as error:
        raise damaged(str(path), f"it cannot be read: {error.strerror}") from None
