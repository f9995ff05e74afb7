"""Directivities as SOFA files (AES69): FreeFieldDirectivityTF 1.1 out; that and measured receivers in."""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
import tempfile
import warnings
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from earwitness.errors import FormatError, InputError, OutputError
from earwitness.formats.netcdf_probe import probe
from earwitness.quantities import DirectionalResponse, Directions, FrequencyAxis
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray

MAX_BYTES = 512 * 2**20
MAX_VALUES = 2**24
_FARTHEST_M = 1e6
ASSUMED_U_DB = 1.0
NO_DATE = "1970-01-01 00:00:00"
_BROKEN = (OSError, RuntimeError, KeyError, ValueError, TypeError, IndexError, AttributeError)
_SPREAD_OF_DISTANCES = 0.01
# Names of our own beside the convention's: AES69 has no place for trust, and lets a file carry more variables.
TRUST = ("EarwitnessValid", "EarwitnessUncertainty", "EarwitnessCommonUncertainty")
_VALID, _U, _U_COMMON = TRUST


def write_sofa(
    path: Path,
    response: DirectionalResponse,
    *,
    title: str,
    description: str,
    license: str,
    author: str = "not stated",
    date: str = NO_DATE,
    keep_marked: bool = False,
) -> None:
    """Write `response` as FreeFieldDirectivityTF 1.1, verified against the convention by sofar.

    Receivers stand at 1 m (azimuth 0 to 360 degrees, counter-clockwise from the reference axis seen from above).
    Values outside the valid band are written as 0, or with keep_marked as they are; validity (1 or 0) and standard
    uncertainty [dB] stand in variables of our own. date : "YYYY-MM-DD hh:mm:ss", of creation; no clock is asked.
    Raises InputError for a path that does not end in .sofa, OutputError when it cannot be written.
    """
    if path.suffix != ".sofa":
        raise InputError(f"the suffix of a SOFA file is {path.suffix!r}", where=str(path), expected=".sofa")
    import sofar

    temporary = path.with_name(f".{os.getpid()}-{secrets.token_hex(4)}.part.sofa")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sofa = _filled(sofar, response, keep_marked=keep_marked)
            _describe(sofa, response, title=title, description=description, license=license, author=author, date=date)
            sofar.write_sofa(str(temporary), sofa)
        with temporary.open("r+b") as stream:
            os.fsync(stream.fileno())
        temporary.replace(path)
    except (OSError, RuntimeError) as error:
        reason = getattr(error, "strerror", None) or error
        raise OutputError(
            f"the SOFA file cannot be written: {reason}",
            where=str(path),
            remedy="check the space on the disk and the permissions of the folder",
        ) from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def read_sofa(
    path: Path,
    *,
    max_bytes: int = MAX_BYTES,
    receiver: int = 0,
    reference_deg: tuple[float, float] = (0.0, 0.0),
    assumed_u_db: float = ASSUMED_U_DB,
) -> DirectionalResponse:
    """The directivity in a SOFA file, referred to 1 m; not absolute, as SOFA states no drive.

    FreeFieldDirectivityTF: measured around a source. SimpleFreeFieldHRIR and others with data type FIR: measured
    around a receiver, taken as a source by reciprocity; `receiver` (from 0) says which one, and `reference_deg`
    (azimuth, elevation of the file) which direction becomes the reference axis, for a left ear (90, 0). Frequencies
    of an FIR file are the bins of its own length, without 0 Hz; its delays are kept.
    assumed_u_db : standard uncertainty where the file has none (common practice, no source).
    Raises FormatError for any other file, or one larger than `max_bytes` or 2^24 values by its header.
    """
    data = _checked_bytes(path, max_bytes)
    kind = _check_header(path)
    lineage = _lineage(data)
    # The reader of the library takes the path: the bytes are not needed twice in memory.
    del data
    try:
        sofa = _load(path)
        # Absurd numbers run over; what comes of them is judged at the end.
        with np.errstate(all="ignore"):
            if kind == "TF":
                return _from_directivity(path, sofa, reference_deg, assumed_u_db, lineage)
            return _from_receiver(path, sofa, receiver, reference_deg, assumed_u_db, lineage)
    except _BROKEN as error:
        raise _unusable(path, f"the SOFA file cannot be used: {error}") from error


def _filled(sofar: Any, response: DirectionalResponse, *, keep_marked: bool) -> Any:
    sofa = sofar.Sofa("FreeFieldDirectivityTF", version="1.1")
    azimuth = np.mod(np.rad2deg(response.directions.azimuth_rad), 360.0)
    elevation = np.rad2deg(response.directions.elevation_rad)
    sofa.ReceiverPosition = np.stack([azimuth, elevation, np.ones_like(azimuth)], axis=-1)
    sofa.ReceiverPosition_Type, sofa.ReceiverPosition_Units = "spherical", "degree, degree, metre"
    shown = response.valid | (keep_marked & np.isfinite(response.pressure))
    pressure = np.where(shown, response.pressure, 0.0)
    sofa.N, sofa.N_LongName, sofa.N_Units = response.axis.hz.copy(), "frequency", "hertz"
    sofa.Data_Real, sofa.Data_Imag = pressure.real[np.newaxis], pressure.imag[np.newaxis]
    sofa.add_variable(_VALID, response.valid[np.newaxis].astype(float), "double", "MRN")
    sofa.add_variable(_U, np.where(shown, np.nan_to_num(response.u_apart_db()), 0.0)[np.newaxis], "double", "MRN")
    sofa.add_variable(_U_COMMON, response.u_shared_db(), "double", "N")
    for name in ("MIDINote", "SourceTuningFrequency", "Description", "EmitterDescriptions"):
        if hasattr(sofa, name):
            sofa.delete(name)
    return sofa


def write_harmonics(path: Path, hz: FloatArray, coefficients: ComplexArray, *, comment: str) -> None:
    """Write coefficients ((n + 1)^2, F) [Pa/V] of real orthonormal spherical harmonics as FreeFieldDirectivityTF 1.1.

    OutputError when it cannot be written.
    """
    import sofar

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sofa = sofar.Sofa("FreeFieldDirectivityTF", version="1.1")
        sofa.ReceiverPosition = np.zeros((len(coefficients), 3))
        sofa.ReceiverPosition_Type, sofa.ReceiverPosition_Units = "spherical harmonics", "degree, degree, metre"
        sofa.N, sofa.N_LongName, sofa.N_Units = hz.copy(), "frequency", "hertz"
        sofa.Data_Real, sofa.Data_Imag = coefficients.real[np.newaxis], coefficients.imag[np.newaxis]
        for name in ("MIDINote", "SourceTuningFrequency", "Description", "EmitterDescriptions"):
            if hasattr(sofa, name):
                sofa.delete(name)
        sofa.GLOBAL_Title, sofa.GLOBAL_Comment, sofa.GLOBAL_License = "export", comment, "not stated"
        sofa.protected = False
        sofa.GLOBAL_DateCreated = sofa.GLOBAL_DateModified = NO_DATE
        sofa.protected = True
        try:
            sofar.write_sofa(str(path), sofa)
        except (OSError, RuntimeError) as error:
            raise OutputError(f"the SOFA file cannot be written: {error}", where=str(path)) from error


def _describe(
    sofa: Any, response: DirectionalResponse, *, title: str, description: str, license: str, author: str, date: str
) -> None:
    unit = "pascal per volt at 1 m" if response.absolute else "relative to an unknown level"
    texts = {
        "Title": title,
        "Description": description,
        "License": license,
        "AuthorContact": author,
        "Organization": author,
        "RoomType": "free field",
        "SourceType": "loudspeaker",
        "SourceManufacturer": "see Title",
        "DatabaseName": "none",
        "Comment": (
            f"Complex sound pressure, {unit}; positive frequencies of exp(+j omega t). Measured at "
            f"{response.distance_m:g} m. {_VALID}: 1 where the value may be used, 0 where it is none. {_U}: standard "
            f"uncertainty in decibel of each direction alone; {_U_COMMON}: shared by all directions."
        ),
    }
    for name, text in texts.items():
        setattr(sofa, f"GLOBAL_{name}", text)
    sofa.SourcePosition_Reference = "reference point of the loudspeaker"
    sofa.SourceView_Reference = "reference axis of the loudspeaker"
    sofa.SourceUp_Reference = "upward, at a right angle to the reference axis"
    sofa.protected = False
    sofa.GLOBAL_DateCreated = sofa.GLOBAL_DateModified = date
    sofa.GLOBAL_ApplicationName, sofa.GLOBAL_ApplicationVersion = "Earwitness", _program()
    sofa.protected = True


def _program() -> str:
    from earwitness import __version__

    return __version__


def _checked_bytes(path: Path, max_bytes: int) -> bytes:
    try:
        size = path.stat().st_size
        if size > max_bytes:
            raise FormatError(
                f"the SOFA file is {size} bytes large", where=str(path), expected=f"at most {max_bytes} bytes"
            )
        return path.read_bytes()
    except OSError as error:
        raise FormatError(
            f"the SOFA file cannot be read: {error.strerror}", where=str(path), remedy="check name and permissions"
        ) from None


def _check_header(path: Path, *, named: bool = True) -> str:
    """Data type "TF" or "FIR" of a file that can be read to its end and has a size that can be held.

    named : whether its name has to end in .sofa, which names of kept files do not.
    """
    if named and path.suffix != ".sofa":
        raise _unusable(path, f"the suffix of a SOFA file is {path.suffix!r}", expected="a name ending in .sofa")
    try:
        facts = probe(path, most_unpacked_bytes=8 * MAX_VALUES)
    except ValueError as error:
        raise _unusable(path, f"this is not a netCDF-4 file: {error}") from None
    attributes, values, present = facts.attributes, facts.values, set(facts.names)
    if values > MAX_VALUES:
        raise _unusable(path, f"the header promises {values} values", expected=f"at most {MAX_VALUES}")
    convention, kind = attributes.get("SOFAConventions", ""), attributes.get("DataType", "")
    if convention == "FreeFieldDirectivityTF" and kind == "TF":
        needed = {"ReceiverPosition", "N", "Data.Real", "Data.Imag"}
    elif convention.startswith("SimpleFreeField") and kind == "FIR":
        needed = {"SourcePosition", "ReceiverPosition", "Data.IR", "Data.SamplingRate"}
    else:
        raise _unusable(
            path,
            f"the convention is {convention or 'not stated'!r} with data type {kind or 'not stated'!r}",
            expected="FreeFieldDirectivityTF, or SimpleFreeFieldHRIR (data type FIR)",
        )
    if missing := sorted(needed - present):
        raise _unusable(path, f"it has no {', '.join(missing)}")
    return kind


def _load(path: Path) -> Any:
    import sofar

    # sofar warns of outdated versions and of texts it would put otherwise: no matter for reading numbers.
    with warnings.catch_warnings(), tempfile.TemporaryDirectory() as folder:
        warnings.simplefilter("ignore")
        if path.suffix != ".sofa":
            # It puts the suffix in place of what a name ends with.
            path = Path(shutil.copyfile(path, Path(folder) / "scan.sofa"))
        return sofar.read_sofa(str(path), verify=False, verbose=False)


def _from_directivity(
    path: Path, sofa: Any, reference_deg: tuple[float, float], assumed_u_db: float, lineage: tuple[str, ...]
) -> DirectionalResponse:
    hz = np.atleast_1d(_numbers(sofa.N))
    listener, source = _frames(sofa)
    points = _points(np.reshape(_numbers(sofa.ReceiverPosition), (-1, 3)), sofa.ReceiverPosition_Type)
    directions, distance_m = _seen(path, points @ listener @ source.T, reference_deg)
    shape = (len(directions), hz.size)
    real, imag = _numbers(sofa.Data_Real), _numbers(sofa.Data_Imag)
    if real.size != shape[0] * shape[1] or imag.size != real.size:
        raise _unusable(
            path,
            f"the data have shape {real.shape}, for {shape[0]} receivers and {shape[1]} frequencies",
            expected="one measurement: one source in one state",
        )
    pressure = np.empty(shape, complex)
    pressure.real, pressure.imag = real.reshape(shape), imag.reshape(shape)
    valid, u_db, u_common_db = np.isfinite(pressure), np.full(shape, assumed_u_db), np.zeros(shape[1])
    if hasattr(sofa, _VALID):
        valid = valid & (_numbers(getattr(sofa, _VALID)).reshape(shape) == 1)
    if hasattr(sofa, _U) and hasattr(sofa, _U_COMMON):
        u_db = _numbers(getattr(sofa, _U)).reshape(shape)
        u_common_db = _numbers(getattr(sofa, _U_COMMON)).reshape(shape[1:])
    return _response(hz, directions, pressure, u_db, u_common_db, valid, distance_m, lineage)


def _from_receiver(
    path: Path,
    sofa: Any,
    receiver: int,
    reference_deg: tuple[float, float],
    assumed_u_db: float,
    lineage: tuple[str, ...],
) -> DirectionalResponse:
    count = _numbers(sofa.ReceiverPosition).reshape(-1, 3).shape[0]
    if not 0 <= receiver < count:
        raise InputError(f"receiver {receiver} was asked for", where=str(path), expected=f"0 to {count - 1}")
    rate_hz = float(np.ravel(_numbers(sofa.Data_SamplingRate))[0])
    impulse = _numbers(sofa.Data_IR)
    impulse = impulse.reshape(-1, count, impulse.shape[-1])[:, receiver]
    points = _points(_numbers(sofa.SourcePosition).reshape(-1, 3), sofa.SourcePosition_Type)
    if not (np.isfinite(impulse).all() and np.isfinite(rate_hz) and rate_hz > 0):
        raise _unusable(path, "it holds samples or a sample rate that are no numbers")
    if impulse.shape[0] != points.shape[0]:
        raise _unusable(path, f"{impulse.shape[0]} responses stand beside {points.shape[0]} source positions")
    listener = _frame(
        _cartesian(_first(sofa.ListenerView), getattr(sofa, "ListenerView_Type", "cartesian")), _first(sofa.ListenerUp)
    )
    offset = points - _first(getattr(sofa, "ListenerPosition", np.zeros(3)))
    directions, distance_m = _seen(path, offset @ listener.T, reference_deg)
    hz = np.arange(impulse.shape[-1] // 2 + 1) * (rate_hz / impulse.shape[-1])
    delay = _numbers(getattr(sofa, "Data_Delay", np.zeros((1, count)))).reshape(-1, count)[:, receiver]
    spectrum = np.fft.rfft(impulse, axis=-1) * np.exp(-2j * np.pi * hz * delay[:, np.newaxis] / rate_hz)
    if not np.isfinite(spectrum).all():
        raise _unusable(path, "its samples, delays and sample rate give no spectrum")
    u_db = np.full(spectrum.shape, assumed_u_db)
    valid = np.ones(spectrum.shape, bool)
    return _response(hz, directions, spectrum, u_db, np.zeros(hz.size), valid, distance_m, lineage)


def _response(
    hz: FloatArray,
    directions: Directions,
    pressure: ComplexArray,
    u_db: FloatArray,
    u_common_db: FloatArray,
    valid: BoolArray,
    distance_m: float,
    lineage: tuple[str, ...],
) -> DirectionalResponse:
    """Referred to 1 m; without 0 Hz, which no loudspeaker radiates. What is no number is not valid."""
    kept = hz > 0
    at_1_m = np.where(valid, pressure, 0.0) * distance_m
    valid = valid & np.isfinite(at_1_m) & np.isfinite(u_db) & np.isfinite(u_common_db)
    return DirectionalResponse(
        FrequencyAxis(hz[kept]),
        directions,
        np.asarray(np.where(valid, at_1_m, 0.0)[:, kept], dtype=np.complex128),
        np.where(valid, u_db, 0.0)[:, kept],
        np.where(np.isfinite(u_common_db), u_common_db, 0.0)[kept],
        valid[:, kept],
        absolute=False,
        distance_m=distance_m,
        lineage=lineage,
    )


def _seen(path: Path, points: FloatArray, reference_deg: tuple[float, float]) -> tuple[Directions, float]:
    """Directions of `points` (D, 3) from the origin with the reference direction turned onto +x, and their distance.

    The turn keeps the horizon level: first about z by the azimuth, then about the new y by the elevation.
    """
    radius = np.linalg.norm(points, axis=-1)
    distance_m = float(np.median(radius)) if radius.size else 0.0
    if not (radius <= _FARTHEST_M).all() or not distance_m > 0:
        raise _unusable(path, "it holds positions that are no directions")
    if np.ptp(radius) > _SPREAD_OF_DISTANCES * distance_m:
        raise _unusable(
            path,
            f"the positions stand between {radius.min():.3f} and {radius.max():.3f} m away",
            expected="one distance for all, within 1 percent",
        )
    azimuth, elevation = np.deg2rad(reference_deg)
    view = np.array([np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)])
    up = np.array([-np.sin(elevation) * np.cos(azimuth), -np.sin(elevation) * np.sin(azimuth), np.cos(elevation)])
    x, y, z = ((points / radius[:, np.newaxis]) @ _frame(view, up).T).T
    return Directions(np.arctan2(y, x), np.arctan2(z, np.hypot(x, y))), distance_m


def _frames(sofa: Any) -> tuple[FloatArray, FloatArray]:
    """Frames of what carries the receivers and of the source. Raises ValueError where one moved or is no frame."""
    listener = _frame(_first(sofa.ListenerView), _first(sofa.ListenerUp))
    view = _cartesian(_first(sofa.SourceView), getattr(sofa, "SourceView_Type", "cartesian"))
    return listener, _frame(view, _first(sofa.SourceUp))


def receivers_from_source(sofa: Any) -> FloatArray:
    """(R, 3) places of the receivers as the source sees them: x along its view, z up (AES69, section on coordinates).

    Raises ValueError where source or listener moved between measurements, or look nowhere.
    """
    listener, source = _frames(sofa)
    points = _points(np.reshape(_numbers(sofa.ReceiverPosition), (-1, 3)), sofa.ReceiverPosition_Type)
    there = _cartesian(_first(sofa.ListenerPosition), getattr(sofa, "ListenerPosition_Type", "cartesian"))
    here = _cartesian(_first(sofa.SourcePosition), getattr(sofa, "SourcePosition_Type", "cartesian"))
    return np.asarray((points @ listener + there - here) @ source.T, dtype=np.float64)


def _frame(view: FloatArray, up: FloatArray) -> FloatArray:
    """Rows: unit vectors forward, left, up of something that looks along `view`."""
    forward = view / np.linalg.norm(view)
    upward = up - (up @ forward) * forward
    if not np.linalg.norm(upward) > 1e-9:
        raise ValueError("view and up point the same way")
    upward = upward / np.linalg.norm(upward)
    return np.stack([forward, np.cross(upward, forward), upward])


def _points(position: FloatArray, kind: str) -> FloatArray:
    return np.stack([_cartesian(row, kind) for row in np.asarray(position, dtype=float)])


def _cartesian(position: FloatArray, kind: str) -> FloatArray:
    """(3,) in meters from AES69 "cartesian", or "spherical": azimuth, elevation [degrees], radius."""
    if kind == "cartesian":
        return position
    if kind != "spherical":
        raise ValueError(f"positions are of type {kind!r}")
    azimuth, elevation = np.deg2rad(position[:2])
    flat = np.cos(elevation)
    unit = np.array([flat * np.cos(azimuth), flat * np.sin(azimuth), np.sin(elevation)])
    return np.asarray(unit * position[2], dtype=np.float64)


def _numbers(value: Any) -> FloatArray:
    """What stands in the file as numbers; NaN where it says that nothing was ever written."""
    if isinstance(value, np.ma.MaskedArray):
        return np.asarray(np.ma.filled(value.astype(np.float64), np.nan), dtype=np.float64)
    return np.asarray(value, dtype=np.float64)


def _first(value: Any) -> FloatArray:
    """The one row of `value`. Raises ValueError where rows differ: something that turned between measurements."""
    rows = _numbers(value).reshape(-1, 3)
    if not (rows == rows[0]).all():
        raise ValueError("its listener or source moved between measurements, which is not handled")
    return np.asarray(rows[0], dtype=np.float64)


def _lineage(data: bytes) -> tuple[str, ...]:
    return (hashlib.sha256(data).hexdigest(),)


def _unusable(path: Path, what: str, *, expected: str = "a SOFA file (AES69)") -> FormatError:
    return FormatError(what, where=str(path), expected=expected, remedy="export the file again, or leave it out")
