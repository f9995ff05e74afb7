"""A whole scan as complex pressures: SOFA (FreeFieldDirectivityTF, receivers where the microphone stood), or CSV.

CSV, one row for each point and frequency, columns and decimals marked in any way that table.py tells apart:

    x m,y m,z m,frequency Hz,real Pa/V,imaginary Pa/V

Points stand in the order of their measurement. A place that was visited again stands there again, with what that visit
measured: it tells how gain and clock drifted.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from earwitness.errors import FormatError
from earwitness.formats.positions_table import FARTHEST_M, LARGEST_NUMBER, MAX_BYTES
from earwitness.formats.sofa import _BROKEN, _check_header, _load, _numbers, receivers_from_source
from earwitness.formats.table import cells_of, parse_table, text_of
from earwitness.quantities import ComplexArray, FloatArray, IntArray, Locked

HEADER = ("x m", "y m", "z m", "frequency Hz", "real Pa/V", "imaginary Pa/V")
MAX_ROWS = 2_000_000
_SAME_PLACE_DIGITS = 6
_EXPECTED = "complex pressures of a scan, SOFA or CSV"
_SIGNATURE = b"\x89HDF\r\n\x1a\n"


@dataclass(frozen=True, slots=True, eq=False)
class ScanPressures(Locked):
    """points_m (P, 3) from the reference point, AES69 axes; hz (F,) rising; pressure (P, F) [Pa/V], exp(+j omega t)."""

    points_m: FloatArray
    hz: FloatArray
    pressure: ComplexArray


def read_scan_pressures(path: Path) -> ScanPressures:
    """The scan in `path`, SOFA or CSV by its content. FormatError names what is wrong and what to do."""
    found = _from_sofa(path) if path.suffix == ".sofa" or _is_binary(path) else _from_csv(path)
    reach = float(np.median(np.linalg.norm(found.points_m - np.median(found.points_m, axis=0), axis=1)))
    if reach > FARTHEST_M:
        raise _wrong(path, f"the points lie {reach:.0f} m around their middle", "write coordinates in meters")
    if not np.isfinite(found.pressure).all(axis=1).any():
        raise _wrong(path, "no point has pressures that are numbers", "export the pressures again")
    return found


def _is_binary(path: Path) -> bool:
    """Whether the file begins as one of HDF5 does, which SOFA files are (its format specification, from memory)."""
    try:
        with path.open("rb") as stream:
            return stream.read(len(_SIGNATURE)) == _SIGNATURE
    except OSError:
        # The reader of tables tells why it cannot be read.
        return False


def _from_sofa(path: Path) -> ScanPressures:
    _check_header(path)
    try:
        sofa = _load(path)
        hz = np.atleast_1d(_numbers(sofa.N))
        points = receivers_from_source(sofa)
        shape = (len(points), hz.size)
        pressure = np.empty(shape, dtype=np.complex128)
        pressure.real, pressure.imag = _numbers(sofa.Data_Real).reshape(shape), _numbers(sofa.Data_Imag).reshape(shape)
    except _BROKEN as error:
        raise _wrong(path, f"the SOFA file cannot be used: {error}", "export it again") from error
    kept = hz > 0
    if not (np.abs(points) <= LARGEST_NUMBER).all():
        raise _wrong(path, "some positions are not numbers", "export it again")
    if not (np.isfinite(hz).all() and (np.diff(hz) > 0).all() and kept.any()):
        raise _wrong(path, "the frequencies do not rise from above 0 Hz", "export it again")
    return ScanPressures(points, hz[kept], np.asarray(pressure[:, kept], dtype=np.complex128))


def _from_csv(path: Path) -> ScanPressures:
    text = text_of(path, what="table of pressures", most=MAX_BYTES, instead="write it as SOFA")
    table = parse_table(text, name=str(path), most_rows=MAX_ROWS)
    for block in table.blocks:
        titles = cells_of(block.titles[-1][1], table.separator) if block.titles else ()
        if titles != HEADER or block.values.shape[1] != len(HEADER):
            if text.splitlines()[0].strip() == ",".join(HEADER):
                raise _wrong(path, "the rows do not hold six numbers each", "export it again, one row a frequency")
            raise _wrong(path, "the first line does not name the columns", f'begin with "{",".join(HEADER)}"')
    values = np.concatenate([block.values for block in table.blocks])
    if not (np.abs(values[:, :4]) <= LARGEST_NUMBER).all():
        raise _wrong(path, "coordinates or frequencies are not numbers", "take those rows out")
    hz, column = np.unique(values[:, 3], return_inverse=True)
    every, row = np.unique(values[:, :3].round(_SAME_PLACE_DIGITS), axis=0, return_inverse=True)
    # The n-th time that a place and a frequency stand in the table belongs to the n-th visit of the place.
    visit = _times_before(row.ravel() * hz.size + column.ravel())
    _, first, point = np.unique(row.ravel() * len(values) + visit, return_index=True, return_inverse=True)
    if first.size * hz.size != len(values) or hz[0] <= 0:
        counts = (len(values), first.size, hz.size)
        raise FormatError.of("formats.rows_and_points", where=str(path), expected=_EXPECTED, counts=counts)
    pressure = np.empty((first.size, hz.size), dtype=np.complex128)
    pressure.real[point.ravel(), column.ravel()] = values[:, 4]
    pressure.imag[point.ravel(), column.ravel()] = values[:, 5]
    order = np.argsort(first, kind="stable")
    found = ScanPressures(every[row.ravel()[first[order]]], hz, pressure[order])
    # A place that was visited again cannot have measured the very same.
    whole = np.concatenate([found.points_m, found.pressure.real, found.pressure.imag], axis=1)
    copied = len(whole) - len(np.unique(whole, axis=0)) if visit.any() else 0
    if copied:
        raise FormatError.of("formats.visits_copied", where=str(path), expected=_EXPECTED, copied=copied)
    return found


def _times_before(keys: IntArray) -> IntArray:
    """(N,) how often each of keys (N,) stands before itself."""
    order = np.argsort(keys, kind="stable")
    run = np.arange(keys.size)
    starts = np.concatenate([[True], np.diff(keys[order]) != 0])
    out = np.empty(keys.size, dtype=np.int64)
    out[order] = run - np.maximum.accumulate(np.where(starts, run, 0))
    return out


def _wrong(path: Path, what: str, remedy: str) -> FormatError:
    return FormatError(what, where=str(path), expected=_EXPECTED, remedy=remedy)
