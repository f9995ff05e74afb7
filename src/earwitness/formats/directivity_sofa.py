"""Directivities in SOFA files of any convention that can hold one (AES69), seen from the source, or what to ask.

Direction of a receiver: its place in the world is the listener's place plus its own in the listener's frame; from
there the source's place is taken off and the rest is seen in the source's frame, x along its view, z along its up.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from earwitness.dsp.spherical import acn, real_harmonics
from earwitness.errors import FormatError
from earwitness.formats.response_table import Question
from earwitness.formats.sofa import _BROKEN as BROKEN
from earwitness.formats.sofa import TRUST, _frame, _header, _load, _numbers, _points
from earwitness.quantities import BoolArray, ComplexArray, Directions, FloatArray, IntArray, Locked, cta_orbits

NORMALIZATIONS = ("orthonormal", "N3D", "SN3D")
_SIGNED = ", Condon-Shortley sign"
HARMONICS = (*NORMALIZATIONS, *(f"{name}{_SIGNED}" for name in NORMALIZATIONS))
MOST_ORDER = 60


def order_of(coefficients: int) -> int:
    """Order of a set of coefficients. ValueError where their number is no square, or too large."""
    order = round(float(np.sqrt(coefficients))) - 1
    if (order + 1) ** 2 != coefficients or not 0 <= order <= MOST_ORDER:
        raise ValueError(f"{coefficients} coefficients are no complete set of spherical harmonics")
    return order


def harmonic_basis(order: int, directions: FloatArray, kind: str) -> FloatArray:
    """(D, (order + 1)^2) real harmonics at unit vectors (D, 3), of one of HARMONICS.

    AES69 lets receivers or emitters be coefficients; files name neither normalization nor sign, so that a person says
    which (real harmonics in the order n^2 + n + m; definitions of N3D and SN3D from memory, held against a
    general-purpose library in tests/formats/test_harmonic_sofa.py).
    """
    x, y, z = directions.T
    basis = real_harmonics(order, np.clip(z, -1.0, 1.0), np.arctan2(y, x))
    degree, m = acn(order)
    factor = np.ones(degree.size)
    if not kind.startswith("orthonormal"):
        factor = factor * np.sqrt(4 * np.pi)
    if kind.startswith("SN3D"):
        factor = factor / np.sqrt(2.0 * degree + 1.0)
    if not kind.endswith(_SIGNED):
        factor = factor * np.where(m % 2 == 0, 1.0, -1.0)
    return np.asarray(basis * factor, dtype=float)


def smoothest(directions: FloatArray, pressure: ComplexArray, order: int) -> ComplexArray:
    """((order + 1)^2, F) orthonormal coefficients of the smoothest series through pressure (D, F) at unit vectors.

    Least sum of (1 + n (n + 1))^2 |c|^2, the square of the surface Laplacian (splines on the sphere, from memory).
    ValueError where the order can't pass through all directions.
    """
    basis = harmonic_basis(order, directions, "orthonormal")
    degree, _ = acn(order)
    weight = 1.0 / (1.0 + degree * (degree + 1.0)) ** 2
    kernel = (basis * weight) @ basis.T
    if np.linalg.cond(kernel) > 1e12:
        raise ValueError(f"order {order} does not pass through {len(directions)} directions")
    return np.asarray(weight[:, None] * (basis.T @ np.linalg.solve(kernel, pressure)), dtype=np.complex128)


TRANSFER = ("FreeFieldDirectivityTF", "GeneralTF", "GeneralTF-E")
IMPULSE = ("GeneralFIR", "GeneralFIR-E", "GeneralFIRE")
DATA = ("Pa/V", "Pa", "relative")
POSITIONS = ("radiated directions", "places of the source")
_FARTHEST_M = 1e4
_RATES_HZ, _LONGEST_DELAY_S = (1e3, 1e7), 100.0
_HEAD = "it tells how an ear or a microphone hears, not how a source radiates"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SofaDirectivity(Locked):
    """A directivity as its file tells it.

    directions : (D,) as the source sees them; distance_m : (D,), NaN where the radius says nothing (0 or 1 m)
    hz, pressure : (F,), (D, F) of a file of transfer functions; impulse, rate_hz, delay_s : (D, N), (D,) of one of
    impulse responses; data : what the values are, "" while it is asked; told, questions : as in ResponseTable
    valid, u_db : (D, F), u_common_db : (F,) where the file carries the variables that `write_sofa` adds, else None
    """

    name: str
    directions: Directions
    distance_m: FloatArray
    hz: FloatArray
    pressure: ComplexArray
    impulse: FloatArray
    rate_hz: float
    delay_s: FloatArray
    data: str
    told: tuple[str, ...]
    questions: tuple[Question, ...]
    valid: BoolArray | None = None
    u_db: FloatArray | None = None
    u_common_db: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class _Reading:
    """A file that is being read, with what a person answered, and what is asked and told of it."""

    path: Path
    sofa: Any
    convention: str
    answers: dict[str, str]
    told: list[str] = field(default_factory=list)
    asked: list[Question] = field(default_factory=list)


def read_directivity_sofa(path: Path, *, answers: Mapping[str, str] | None = None) -> SofaDirectivity:
    """The directivity in a SOFA file.

    answers : by key of a question: "axis" ("azimuth, elevation" of the file's reference axis in degrees), "data" and
    "positions" as above. FormatError for a file that holds none, or cannot be read.
    """
    convention = _convention(path)
    try:
        with np.errstate(all="ignore"):
            return _read(path, _load(path), convention, dict(answers or {}))
    except BROKEN as error:
        raise _refused(path, f"the SOFA file cannot be used: {error}") from error


def _convention(path: Path) -> str:
    _, convention, kind = _header(path, _refused)
    if convention.startswith(("SimpleFreeField", "FreeFieldHR")):
        raise _refused(path, f"the convention is {convention!r}: {_HEAD}")
    if convention not in (*TRANSFER, *IMPULSE):
        said = f"{convention or 'not stated'!r} with data type {kind or 'not stated'!r}"
        raise _refused(path, f"the convention is {said}", expected=", ".join((*TRANSFER, *IMPULSE)))
    return convention


def _read(path: Path, sofa: Any, convention: str, answers: dict[str, str]) -> SofaDirectivity:
    on = _Reading(path, sofa, convention, answers)
    told, asked = on.told, on.asked
    impulse = convention in IMPULSE
    values = _values(sofa, impulse=impulse)
    if harmonic := _is_harmonic(sofa):
        values, points = _of_harmonics(on, values, harmonic)
    else:
        values = _one_state(path, values, told)
        places = _places(on, values.shape)
        values, points = values.reshape(places.shape[0], -1), _turned(on, places)
    radius = np.linalg.norm(points, axis=1)
    if not ((radius > 0) & (radius <= _FARTHEST_M)).all():
        raise _refused(path, "it holds positions that are no directions")
    x, y, z = (points / radius[:, None]).T
    data = answers.get("data", "")
    if data not in DATA:
        asked.append(Question("data", 0, "SOFA names no unit of its data", DATA))
        data = ""
    nothing = np.zeros((points.shape[0], 0))
    delay = np.zeros(points.shape[0])
    hz, rate = np.zeros(0), 0.0
    valid = u_db = common = None
    pressure: ComplexArray = nothing.astype(complex)
    if impulse:
        rate = float(np.ravel(_numbers(sofa.Data_SamplingRate))[0])
        late = np.ravel(_numbers(getattr(sofa, "Data_Delay", np.zeros(1)))).real
        delay = np.broadcast_to(late if late.size in (1, points.shape[0]) else late[:1], delay.shape) / rate
        sound = np.isfinite(values).all() and _RATES_HZ[0] <= rate <= _RATES_HZ[1]
        if not (sound and (np.abs(delay) <= _LONGEST_DELAY_S).all()):
            raise _refused(path, "it holds samples, delays or a sample rate that are no numbers")
    else:
        trust = _trust(sofa, values.shape)
        hz, order = _sorted(path, _numbers(sofa.N), values, told)
        pressure = values[:, order]
        valid, u_db, common = (None if one is None else one[..., order] for one in trust)
    return SofaDirectivity(
        name=str(path),
        directions=Directions(np.arctan2(y, x), np.arcsin(np.clip(z, -1.0, 1.0))),
        distance_m=np.where(np.isclose(radius, 1.0), np.nan, radius),
        hz=hz,
        pressure=pressure,
        impulse=values.real if impulse else nothing,
        rate_hz=rate,
        delay_s=np.array(delay),
        data=data,
        told=tuple(told),
        questions=tuple(asked),
        valid=None if valid is None else np.asarray(valid == 1.0, dtype=np.bool_),
        u_db=u_db,
        u_common_db=common,
    )


def _is_harmonic(sofa: Any) -> str:
    """Which positions are coefficients of spherical harmonics, or ""."""
    for name in ("Receiver", "Emitter"):
        if str(getattr(sofa, f"{name}Position_Type", "")).startswith("spherical harmonics"):
            return name
    return ""


def _of_harmonics(on: _Reading, values: ComplexArray, which: str) -> tuple[ComplexArray, FloatArray]:
    """(70, N) responses at the directions of ANSI/CTA-2034-A and these, as the source sees them.

    The series stands in the frame of what its coefficients belong to, about the source.
    """
    sofa, answers, asked = on.sofa, on.answers, on.asked
    values = values[:1].reshape(-1, values.shape[-1])
    order = order_of(len(values))
    for name in ("SourcePosition", "ListenerPosition"):
        if np.abs(_points(getattr(sofa, name, np.zeros(3)), _kind(sofa, name))).max() > 1e-6:
            raise _refused(on.path, f"its harmonics are not about the source: {name} is not the origin")
    wanted = cta_orbits().unit_vectors()
    inward = np.eye(3)
    if hasattr(sofa, "SourceView"):
        inward = _frame_of(sofa, "Source", (1.0, 0.0, 0.0))[0].T
    else:
        turned = _turned(on, np.eye(3))
        inward = turned if "axis" in answers else inward
    outward = _frame_of(sofa, "Listener", (1.0, 0.0, 0.0))[0] if which == "Receiver" else np.eye(3)
    kind = answers.get("harmonics", "")
    if kind not in HARMONICS:
        asked.append(Question("harmonics", 0, "SOFA names no normalization and sign of spherical harmonics", HARMONICS))
        kind = HARMONICS[0]
    on.told.append(f"{len(values)} coefficients of spherical harmonics, order {order}, evaluated at the 70 directions")
    return np.asarray(harmonic_basis(order, wanted @ (outward @ inward).T, kind) @ values), wanted


def _trust(sofa: Any, shape: tuple[int, ...]) -> tuple[FloatArray | None, FloatArray | None, FloatArray | None]:
    """(D, F) validity, (D, F) and (F,) standard uncertainty [dB] of a file that `write_sofa` made."""
    if not all(hasattr(sofa, name) for name in TRUST):
        return None, None, None
    valid, own, common = (_numbers(getattr(sofa, name)).real for name in TRUST)
    if valid.size != own.size or valid.size != shape[0] * shape[1] or common.size != shape[1]:
        raise ValueError("its validity and uncertainty do not belong to its data")
    return valid.reshape(shape), own.reshape(shape), common.reshape(shape[1:])


def _values(sofa: Any, *, impulse: bool) -> ComplexArray:
    """(M, R, N) responses; the emitters' dimension, where there is one, must hold one."""
    if impulse:
        found = _numbers(sofa.Data_IR).astype(complex)
    else:
        real, imaginary = _numbers(sofa.Data_Real), _numbers(sofa.Data_Imag)
        found = np.empty(real.shape, complex)
        found.real, found.imag = real, imaginary
    if found.ndim == 4 and found.shape[1] == 1 and _is_harmonic(sofa) == "Emitter":
        found = np.moveaxis(found[:, 0], -1, 1)
    if found.ndim == 4:
        if found.shape[-1] != 1:
            raise ValueError(f"it holds {found.shape[-1]} emitters, which may be drivers or directions")
        found = found[..., 0]
    if found.ndim != 3:
        raise ValueError(f"its data have {found.ndim} dimensions")
    return found


def _one_state(path: Path, values: ComplexArray, told: list[str]) -> ComplexArray:
    measurements, receivers = values.shape[:2]
    if measurements > 1 and receivers > 1:
        told.append(f"{Path(path).name} holds {measurements} states of the source; the first was taken")
        return values[:1]
    return values


def _places(on: _Reading, shape: tuple[int, ...]) -> FloatArray:
    """(D, 3) where each response was taken, from the source, in the world's axes."""
    sofa = on.sofa
    receivers = _points(sofa.ReceiverPosition, sofa.ReceiverPosition_Type)
    sources = _points(sofa.SourcePosition, _kind(sofa, "SourcePosition"))
    listener = _points(getattr(sofa, "ListenerPosition", np.zeros(3)), _kind(sofa, "ListenerPosition"))
    seen = _frame_of(sofa, "Listener", (1.0, 0.0, 0.0))
    if shape[1] > 1 or shape[0] == 1:
        if len(receivers) != shape[1]:
            raise _refused(on.path, f"{shape[1]} responses stand beside {len(receivers)} receiver positions")
        return np.asarray(listener[0] + receivers @ seen[0] - sources[0], dtype=float)
    if len(sources) == shape[0] and len(sources) > 1:
        answer = on.answers.get("positions", "")
        if answer == "radiated directions":
            return sources
        if answer == "places of the source":
            return np.asarray(listener[0] + receivers[0] @ seen[0] - sources, dtype=float)
        why = "directions stand in the source's positions: directions radiated into, or places of a source that turned?"
        on.asked.append(Question("positions", 0, why, POSITIONS))
        on.told.append("read as directions that the source radiates into")
        return sources
    # A turntable: one receiver, and a source whose view turns from measurement to measurement.
    return np.broadcast_to(listener[0] + receivers[0] @ seen[0] - sources[0], (shape[0], 3)).astype(float)


def _turned(on: _Reading, points: FloatArray) -> FloatArray:
    """Points in the source's frame; where the file names no view, the reference axis is asked for."""
    if hasattr(on.sofa, "SourceView"):
        frames = _frame_of(on.sofa, "Source", (1.0, 0.0, 0.0))
        if len(frames) not in (1, len(points)):
            raise ValueError("the source's view does not belong to its measurements")
        frames = np.broadcast_to(frames, (len(points), 3, 3))
        return np.asarray(np.einsum("dij,dj->di", frames, points), dtype=float)
    if "axis" not in on.answers:
        why = f"a file of {on.convention} names no view of the source: is azimuth 0, elevation 0 the reference axis?"
        on.asked.append(Question("axis", 0, why, ("0, 0",)))
        return points
    azimuth, elevation = (np.radians(float(part)) for part in on.answers["axis"].split(","))
    view = np.array([np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)])
    up = np.array([-np.sin(elevation) * np.cos(azimuth), -np.sin(elevation) * np.sin(azimuth), np.cos(elevation)])
    return np.asarray(points @ _frame(view, up).T, dtype=float)


def _frame_of(sofa: Any, who: str, view: tuple[float, float, float]) -> FloatArray:
    """(M or 1, 3, 3) rows x, y, z of the frame of "Source" or "Listener"."""
    views = _points(getattr(sofa, f"{who}View", np.array(view)), _kind(sofa, f"{who}View"))
    ups = np.reshape(_numbers(getattr(sofa, f"{who}Up", np.array([0.0, 0.0, 1.0]))), (-1, 3))
    count = max(len(views), len(ups))
    views, ups = np.broadcast_to(views, (count, 3)), np.broadcast_to(ups, (count, 3))
    return np.stack([_frame(one, up) for one, up in zip(views, ups, strict=True)])


def _kind(sofa: Any, name: str) -> str:
    return str(getattr(sofa, f"{name}_Type", "cartesian"))


def _sorted(path: Path, hz: FloatArray, values: ComplexArray, told: list[str]) -> tuple[FloatArray, IntArray]:
    """Frequencies above 0 Hz, rising, and where each stands in the file."""
    hz = np.atleast_1d(hz)
    if hz.size != values.shape[1] or not np.isfinite(hz).all() or (hz < 0).any():
        raise _refused(path, "its frequencies are not those of its data")
    order = np.argsort(hz, kind="stable")
    if (np.diff(hz) <= 0).any():
        told.append("frequencies do not rise in the file: sorted")
    order = order[hz[order] > 0]
    hz = hz[order]
    if hz.size < 2 or (np.diff(hz) == 0).any():
        raise _refused(path, "it holds one frequency twice, or fewer than two above 0 Hz")
    return hz, order.astype(np.int64)


def _refused(path: Path, what: str, *, expected: str = "a directivity in SOFA (AES69)") -> FormatError:
    return FormatError(what, where=str(path), expected=expected, remedy="export it as responses by direction")
