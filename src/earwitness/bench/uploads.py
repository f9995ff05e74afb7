"""Folders brought to the bench: one that arrives file by file is kept beside the archive until it is taken in; of one
with responses, what its files seem to be, corrected by hand, and a first look at levels."""

import re
import secrets
import shutil
from collections.abc import AsyncIterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Annotated, Literal, get_args

import numpy as np
from pydantic import ConfigDict, Field

from earwitness.app.add import telling
from earwitness.errors import AudioError, FormatError, InputError, OutputError
from earwitness.exhibits.record import record
from earwitness.files.durable import make_folder, replacing
from earwitness.files.system import is_name_everywhere
from earwitness.formats.audio import read_audio
from earwitness.formats.directivity_sofa import read_directivity_sofa
from earwitness.formats.response_table import read_response_table
from earwitness.quantities import Curve, FloatArray, FrequencyAxis, report_axis
from earwitness.session.from_files import Group, NamedAngle, SeenFile, Survey
from earwitness.session.record import Loudspeaker
from earwitness.session.responses import Orbit, PhaseFact, ResponseFacts, Unit

INCOMING = "incoming"
MOST_FILES = 5000
MOST_DEPTH = 4
_PART = re.compile(r"[^\x00-\x1f\x7f/\\:*?\"<>|]{1,120}")
_KEY = re.compile(r"[A-Za-z0-9_-]{12,40}")


@dataclass(frozen=True, slots=True)
class Arrived:
    """A file of a folder that is arriving. name : path inside the folder, with forward slashes."""

    name: str
    size_bytes: int


def begin_upload(archive_folder: Path) -> str:
    """A new place for a folder to arrive in; its key. Raises OutputError where it cannot be made."""
    key = secrets.token_urlsafe(12)
    make_folder(archive_folder / INCOMING / key, failed=_unwritable)
    return key


def upload_folder(archive_folder: Path, key: str) -> Path:
    """Where an arriving folder lies. Raises InputError for a key that was never given out."""
    folder = archive_folder / INCOMING / key
    if not _KEY.fullmatch(key) or not folder.is_dir():
        raise InputError("this upload is not known", remedy="drop the folder again")
    return folder


async def receive_file(archive_folder: Path, key: str, name: str, body: AsyncIterable[bytes]) -> Arrived:
    """Take one file in as it comes; a name that is there already is replaced once the new one is whole.

    Raises InputError for a name that leads elsewhere or too many files, OutputError where it cannot be written.
    """
    folder = upload_folder(archive_folder, key)
    path = folder.joinpath(*_parts(name))
    if sum(1 for one in folder.rglob("*") if one.is_file()) >= MOST_FILES:
        raise InputError("the folder holds too many files", expected=f"at most {MOST_FILES}", where=name[:200])
    size = 0
    with replacing(path, failed=_unwritable) as beside, beside.open("xb") as stream:
        async for piece in body:
            stream.write(piece)
            size += len(piece)
    return Arrived("/".join(_parts(name)), size)


def arrived_files(archive_folder: Path, key: str) -> tuple[Arrived, ...]:
    """What has arrived so far, by name."""
    folder = upload_folder(archive_folder, key)
    files = sorted(p for p in folder.rglob("*") if p.is_file() and not p.name.startswith("."))
    return tuple(Arrived(p.relative_to(folder).as_posix(), p.stat().st_size) for p in files)


def session_root(folder: Path) -> Path:
    """The folder with session.toml: the one given, or the only one inside it that has it."""
    if (folder / "session.toml").is_file():
        return folder
    inside = sorted(p.parent for p in folder.glob("*/session.toml"))
    return inside[0] if len(inside) == 1 else folder


def discard_upload(archive_folder: Path, key: str) -> None:
    """Take an arriving folder away."""
    shutil.rmtree(upload_folder(archive_folder, key), ignore_errors=True)


def _parts(name: str) -> tuple[str, ...]:
    parts = PurePosixPath(name).parts
    bad = not is_name_everywhere(name) or len(parts) > MOST_DEPTH
    if bad or any(part in {".", "..", "/"} or not _PART.fullmatch(part) or part.startswith(".") for part in parts):
        raise InputError.of("bench.file_name_unusable", where=name[:200], most_depth=MOST_DEPTH)
    return parts


def _unwritable(path: Path, error: OSError) -> OutputError:
    return OutputError.of("bench.arrived_not_kept", where=str(path), reason=error.strerror or error)


MOST_CURVES = 8
Number = Annotated[str, Field(pattern=r"^(\d{1,4}(\.\d{1,4})?)?$")]
_FLOOR = 1e-12
_SETTLED = ("unit", "columns", "data", "samples", "positions", "drive_v", "level_unit", "crest_db", "from_v")


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """What a person says of one group of files, by its pattern; "" and None where what it seems stands.

    plane : of its angles; angle_deg : of a single file whose name tells none; mirrored : the names' angles count the
    other way; left_out : not used; the others answer its questions
    """

    __pydantic_config__ = ConfigDict(extra="forbid")
    pattern: Annotated[str, Field(min_length=1, max_length=1000)]
    plane: Orbit | None = None
    angle_deg: Annotated[float, Field(ge=-180.0, le=360.0)] | None = None
    mirrored: bool = False
    left_out: bool = False
    unit: Literal["", "dB SPL", "dB re 1 Pa", "dB re 1 Pa/V", "dB relative", "%", "ratio"] = ""
    columns: Annotated[str, Field(max_length=200)] = ""
    data: Literal["", "Pa/V", "Pa", "relative"] = ""
    samples: Literal["", "Pa/V", "Pa/V per second", "relative"] = ""
    positions: Literal["", "radiated directions", "places of the source"] = ""
    drive_v: Number = ""
    level_unit: Literal["", "dB SPL", "dB re 1 Pa"] = ""
    crest_db: Number = ""
    from_v: Number = ""


def corrected(found: Survey, corrections: Sequence[Correction]) -> Survey:
    """The folder as the person says. InputError for a pattern that the folder does not hold."""
    by = {one.pattern: one for one in corrections}
    known = {group.pattern for group in found.groups} | {one.file for one in found.set_aside}
    if unknown := sorted(set(by) - known):
        raise InputError("the folder holds no such files", where=unknown[0][:200], remedy="look at the folder again")
    groups = [_settled(group, by.get(group.pattern)) for group in found.groups]
    taken = [_taken(one, by[one.file]) for one in found.set_aside if one.file in by]
    kept = tuple(group for group in (*groups, *taken) if group is not None)
    used = {group.pattern for group in taken if group is not None}
    return replace(found, groups=kept, set_aside=tuple(one for one in found.set_aside if one.file not in used))


def _settled(group: Group, said: Correction | None) -> Group | None:
    if said is None:
        return group
    if said.left_out:
        return None
    answers = tuple((key, value) for key in _SETTLED if (value := getattr(said, key)))
    if said.plane is not None:
        answers += (("plane", said.plane),)
    return replace(group, plane=said.plane or group.plane, settled=answers, mirrored=said.mirrored)


def _taken(one: SeenFile, said: Correction) -> Group | None:
    """A table that was set aside for want of a direction, with the one that a person states."""
    if said.left_out or (said.angle_deg is None and said.plane is None):
        return None
    if not one.points:
        raise InputError(f"this file cannot be used: {one.why}", where=one.file)
    if said.angle_deg is None or said.plane is None:
        raise InputError.of("bench.direction_half_stated", where=one.file)
    angle = float(said.angle_deg)
    named = NamedAngle("", "", said.plane, number=abs(angle), sign=-1 if angle < 0 else 1, dash=False, plain=False)
    file = replace(one, kind="response", why="", named=named, plane=said.plane)
    return _settled(Group("response", one.file, (file,), said.plane, (angle,)), said)


def first_curves(found: Survey) -> tuple[Curve, ...]:
    """Levels of a few directions as the files have them, nearest the axis first, for looking at; not reduced.

    Of a folder with both planes the horizontal one is shown. Files that cannot be read any more are left out.
    """
    curves: dict[float, Curve] = {}
    groups = sorted(found.groups, key=lambda group: group.plane == "vertical")
    for group in groups:
        if not group.angles_deg or (curves and group.plane == "vertical"):
            continue
        for angle, read in _picked(group):
            if angle not in curves and (levels := _levels(found.folder, *read)) is not None:
                curves[angle] = _curve(angle, *levels)
    wanted = sorted(curves, key=lambda angle: (abs(angle), -angle))
    return tuple(curves[angle] for angle in _spread(wanted))


def _picked(group: Group) -> list[tuple[float, tuple[SeenFile, float]]]:
    """Which directions of a group to read: (angle, (file, the angle as the file counts it))."""
    turn = -1.0 if group.mirrored else 1.0
    named = {one.named.angle_deg: one for one in group.files if one.named is not None}
    if group.kind == "directions":
        named = dict.fromkeys(group.files[0].angles_deg, group.files[0])
    angles = sorted(named, key=lambda angle: (abs(angle), -angle))
    return [(turn * angle, (named[angle], angle)) for angle in _spread(angles)]


def _spread(angles: Sequence[float]) -> list[float]:
    """At most MOST_CURVES of them, the first and the last among them."""
    if len(angles) <= MOST_CURVES:
        return list(angles)
    return [angles[round(k)] for k in np.linspace(0, len(angles) - 1, MOST_CURVES)]


def _levels(folder: Path, file: SeenFile, angle: float) -> tuple[FloatArray, FloatArray] | None:
    """(F,) frequencies and levels in dB of one direction of a file."""
    path = folder / file.file
    try:
        if path.suffix.lower() == ".sofa":
            sofa = read_directivity_sofa(path)
            row = int(np.argmin(np.abs(np.degrees(sofa.directions.azimuth_rad) - angle)))
            if sofa.impulse.size:
                return _spectrum(sofa.impulse[row], sofa.rate_hz)
            return sofa.hz, _db(np.abs(sofa.pressure[row]))
        if file.kind == "impulse response":
            sound = read_audio(path)
            return _spectrum(np.asarray(sound.samples[0], dtype=float), float(sound.rate_hz))
        table = read_response_table(path)
    except (FormatError, AudioError):
        return None
    row = int(np.argmin(np.abs(table.angles_deg - angle))) if table.angles_deg.size > 1 else 0
    return table.hz, table.values[row]


def _spectrum(samples: FloatArray, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    spectrum = np.fft.rfft(samples)[1:]
    hz: FloatArray = np.asarray(np.arange(1, spectrum.size + 1) * (rate_hz / samples.size), dtype=float)
    return hz, _db(np.abs(spectrum))


def _db(size: FloatArray) -> FloatArray:
    return np.asarray(20 * np.log10(np.maximum(size, _FLOOR)), dtype=float)


def _curve(angle: float, hz: FloatArray, level: FloatArray) -> Curve:
    axis: FrequencyAxis = report_axis()
    good = np.isfinite(level) & (hz > 0)
    drawn = np.interp(np.log(axis.hz), np.log(hz[good]), level[good]) if good.sum() > 1 else np.zeros(len(axis))
    inside = (axis.hz >= hz[good].min()) & (axis.hz <= hz[good].max()) if good.sum() > 1 else np.zeros(len(axis), bool)
    name = f"{angle:g}°".replace("-", "\u2212")
    return Curve.of(f"at_{angle:g}", name, axis, drawn, inside, reference="dB, as the files have it")


def groups_shown(found: Survey) -> list[dict[str, object]]:
    """Each group for a table on the screen."""
    return [
        {
            **record(group, "pattern kind mirrored"),
            "files": len(group.files),
            "words": words,
            "plane": group.plane or "",
            "can_mirror": group.kind in ("response", "impulse response") and any(group.angles_deg),
            "unit": dict(group.settled).get("unit", group.files[0].unit if group.files else ""),
            "questions": [record(one, "key why options") for one in group.questions],
        }
        for group, (_, words) in zip(found.groups, telling(found), strict=False)
    ]


def aside_shown(found: Survey) -> list[dict[str, object]]:
    """Each file that is not used, why, and whether a direction that a person states would make it of use."""
    return [{"file": one.file, "why": one.why, "can_take": bool(one.points)} for one in found.set_aside]


def form_choices() -> dict[str, tuple[str, ...]]:
    """What the fields of a form of a session of responses can say, as the session's own record lists it."""
    kinds = {key: get_args(Loudspeaker.model_fields[key].annotation) for key in ("type", "enclosure")}
    spaces = get_args(ResponseFacts.model_fields["space"].annotation)
    return {**kinds, "space": spaces, "phase": get_args(PhaseFact), "unit": get_args(Unit)}
