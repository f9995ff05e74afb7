"""SOFA files (AES69): directivities out as FreeFieldDirectivityTF 1.1, head sets in as SimpleFreeFieldHRIR: what
reaches two ears from many directions. Here too is what all readers of SOFA share."""

import shutil
import tempfile
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from earwitness import __version__
from earwitness.errors import FormatError, InputError, OutputError, cannot_write
from earwitness.files.durable import replacing
from earwitness.formats.netcdf_probe import NetcdfFacts, probe
from earwitness.quantities import ComplexArray, DirectionalResponse, FloatArray, Locked

MAX_BYTES = 512 * 2**20
MAX_VALUES = 2**24
NO_DATE = "1970-01-01 00:00:00"
_BROKEN = (OSError, RuntimeError, KeyError, ValueError, TypeError, IndexError, AttributeError)
# Names of our own beside the convention's: AES69 has no place for trust, and lets a file carry more variables.
TRUST = ("EarwitnessValid", "EarwitnessUncertainty", "EarwitnessCommonUncertainty")
_VALID, _U, _U_COMMON = TRUST
HEAD_CONVENTION = "SimpleFreeFieldHRIR"
FEWEST_DIRECTIONS = 32
_RATES_HZ, _LONGEST_DELAY_S = (8e3, 1e6), 0.1


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
    brief: bool = False,
) -> None:
    """Write `response` as FreeFieldDirectivityTF 1.1, verified against the convention by sofar.

    Receivers stand at 1 m (azimuth 0 to 360 degrees, counter-clockwise from the reference axis seen from above).
    Values outside the valid band are written as 0, or with keep_marked as they are; validity (1 or 0) and standard
    uncertainty [dB] stand in variables of our own. date : "YYYY-MM-DD hh:mm:ss", of creation; no clock is asked.
    brief : pressure to six significant digits, uncertainty to three, which packs into a third.
    Raises InputError for a path that does not end in .sofa, OutputError when it cannot be written.
    """
    if path.suffix != ".sofa":
        raise InputError(f"the suffix of a SOFA file is {path.suffix!r}", where=str(path), expected=".sofa")
    import sofar

    try:
        with replacing(path) as temporary, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sofa = _filled(sofar, response, keep_marked=keep_marked, brief=brief)
            _describe(sofa, response, title=title, description=description, license=license, author=author, date=date)
            sofar.write_sofa(str(temporary), sofa)
    except RuntimeError as error:
        raise cannot_write("the SOFA file", path, error) from error


def _filled(sofar: Any, response: DirectionalResponse, *, keep_marked: bool, brief: bool) -> Any:
    def kept(values: FloatArray, bits: int) -> FloatArray:
        """Values whose last bits are zero, to `bits` of the mantissa: zeros take no room in a packed file."""
        mantissa, exponent = np.frexp(values)
        return np.ldexp(np.round(mantissa * 2.0**bits) * 2.0**-bits, exponent) if brief else values

    sofa = sofar.Sofa("FreeFieldDirectivityTF", version="1.1")
    azimuth = np.mod(np.rad2deg(response.directions.azimuth_rad), 360.0)
    elevation = np.rad2deg(response.directions.elevation_rad)
    sofa.ReceiverPosition = np.stack([azimuth, elevation, np.ones_like(azimuth)], axis=-1)
    sofa.ReceiverPosition_Type, sofa.ReceiverPosition_Units = "spherical", "degree, degree, metre"
    shown = response.valid | (keep_marked & np.isfinite(response.pressure))
    pressure = np.where(shown, response.pressure, 0.0)
    sofa.N, sofa.N_LongName, sofa.N_Units = response.axis.hz.copy(), "frequency", "hertz"
    sofa.Data_Real, sofa.Data_Imag = (kept(part[np.newaxis], 20) for part in (pressure.real, pressure.imag))
    sofa.add_variable(_VALID, response.valid[np.newaxis].astype(float), "double", "MRN")
    u_apart_db = np.where(shown, np.nan_to_num(response.u_apart_db()), 0.0)[np.newaxis]
    sofa.add_variable(_U, kept(u_apart_db, 10), "double", "MRN")
    sofa.add_variable(_U_COMMON, kept(response.u_shared_db(), 10), "double", "N")
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
    sofa.GLOBAL_ApplicationName, sofa.GLOBAL_ApplicationVersion = "Earwitness", __version__
    sofa.protected = True


def _checked_bytes(path: Path, max_bytes: int) -> bytes:
    try:
        size = path.stat().st_size
        if size > max_bytes:
            raise FormatError.of("formats.sofa_too_large", where=str(path), size=size, max_bytes=max_bytes)
        return path.read_bytes()
    except OSError as error:
        raise FormatError.of("formats.sofa_unreadable", where=str(path), error=error) from None


def _header(path: Path, refused: Callable[..., FormatError]) -> tuple[NetcdfFacts, str, str]:
    """Facts, convention and data type of a file that can be read to its end and has a size to be held."""
    _checked_bytes(path, MAX_BYTES)
    try:
        facts = probe(path, most_unpacked_bytes=8 * MAX_VALUES)
    except ValueError as error:
        raise refused(path, f"this is not a netCDF-4 file: {error}") from None
    if facts.values > MAX_VALUES:
        raise refused(path, f"the header promises {facts.values} values", expected=f"at most {MAX_VALUES}")
    return facts, facts.attributes.get("SOFAConventions", ""), facts.attributes.get("DataType", "")


def _check_header(path: Path) -> None:
    """FormatError unless a file is a FreeFieldDirectivityTF that can be read to its end and has a size to be held."""
    facts, convention, kind = _header(path, _unusable)
    if (convention, kind) != ("FreeFieldDirectivityTF", "TF"):
        said = f"{convention or 'not stated'!r} with data type {kind or 'not stated'!r}"
        raise _unusable(path, f"the convention is {said}", expected="FreeFieldDirectivityTF")
    if missing := sorted({"ReceiverPosition", "N", "Data.Real", "Data.Imag"} - set(facts.names)):
        raise _unusable(path, f"it has no {', '.join(missing)}")


def _load(path: Path) -> Any:
    import sofar

    # sofar warns of outdated versions and of texts it would put otherwise: no matter for reading numbers.
    with warnings.catch_warnings(), tempfile.TemporaryDirectory() as folder:
        warnings.simplefilter("ignore")
        if path.suffix != ".sofa":
            # It puts the suffix in place of what a name ends with.
            path = Path(shutil.copyfile(path, Path(folder) / "scan.sofa"))
        return sofar.read_sofa(str(path), verify=False, verbose=False)


def receivers_from_source(sofa: Any) -> FloatArray:
    """(R, 3) places of the receivers as the source sees them: x along its view, z up (AES69, section on coordinates).

    Raises ValueError where source or listener moved between measurements, or look nowhere.
    """
    listener = _frame(_first(sofa.ListenerView), _first(sofa.ListenerUp))
    view = _cartesian(_first(sofa.SourceView), getattr(sofa, "SourceView_Type", "cartesian"))
    source = _frame(view, _first(sofa.SourceUp))
    points = _points(sofa.ReceiverPosition, sofa.ReceiverPosition_Type)
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


def _points(position: Any, kind: str) -> FloatArray:
    """(K, 3) in meters from positions as a file has them, in rows of three."""
    return np.stack([_cartesian(row, kind) for row in _numbers(position).reshape(-1, 3)])


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


def _unusable(path: Path, what: str, *, expected: str = "a SOFA file (AES69)") -> FormatError:
    return FormatError(what, where=str(path), expected=expected, remedy="export the file again, or leave it out")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class HeadImpulses(Locked):
    """name : of the set; directions : (D, 3) unit vectors in the head's axes, ahead, to the left, up; impulse :
    (D, 2, N), left ear first; delay_s : (D, 2) before the first sample; rate_hz; license : as the file states it"""

    name: str
    directions: FloatArray
    impulse: FloatArray
    delay_s: FloatArray
    rate_hz: float
    license: str


def read_head_sofa(path: Path) -> HeadImpulses:
    """The head set in a SOFA file. FormatError for a file that holds none, or cannot be read."""
    _, said, _ = _header(path, _no_head_set)
    if said != HEAD_CONVENTION:
        raise _no_head_set(path, f"the convention is {said or 'not stated'!r}")
    try:
        with np.errstate(all="ignore"):
            return _head_set(path, _load(path))
    except _BROKEN as error:
        raise _no_head_set(path, f"the SOFA file cannot be used: {error}") from error


def _head_set(path: Path, sofa: Any) -> HeadImpulses:
    impulse = _numbers(sofa.Data_IR)
    if impulse.ndim != 3 or impulse.shape[1] != 2 or len(impulse) < FEWEST_DIRECTIONS or not np.isfinite(impulse).all():
        raise _no_head_set(
            path, f"its responses are of shape {impulse.shape}", expected=f"{FEWEST_DIRECTIONS} directions, two ears"
        )
    rate_hz = float(np.ravel(_numbers(sofa.Data_SamplingRate))[0])
    delay_s = np.broadcast_to(np.reshape(_numbers(sofa.Data_Delay), (-1, 2)), impulse.shape[:2]) / rate_hz
    points = _points(sofa.SourcePosition, sofa.SourcePosition_Type)
    radius = np.linalg.norm(points, axis=1, keepdims=True)
    sound = (
        (_RATES_HZ[0] <= rate_hz <= _RATES_HZ[1]) and np.isfinite(delay_s).all() and delay_s.max() < _LONGEST_DELAY_S
    )
    if not sound or len(points) != len(impulse) or not (radius > 0).all():
        raise _no_head_set(path, "rate, delays or positions are none that a head set can have")
    ears = _points(sofa.ReceiverPosition, sofa.ReceiverPosition_Type)[:, 1]
    order = [0, 1] if ears[0] >= ears[1] else [1, 0]
    return HeadImpulses(
        name=str(getattr(sofa, "GLOBAL_Title", "") or path.stem), directions=points / radius,
        impulse=impulse[:, order], delay_s=delay_s[:, order], rate_hz=rate_hz,
        license=str(getattr(sofa, "GLOBAL_License", "")),
    )  # fmt: skip


def _no_head_set(path: Path, what: str, *, expected: str = f"a head set, {HEAD_CONVENTION} of AES69") -> FormatError:
    return FormatError(
        what, where=str(path), expected=expected, remedy="choose another head set, or leave --head-set out"
    )
