"""What the files of a folder seem to be, by their names and contents, and the session.toml that says so.

Names are read as a whole set: a dash is a sign where the same number stands with and without it, else it only parts
the words. What cannot be told is asked for; nothing is written that a person would have to take back.
"""

import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, get_args

import numpy as np
from pydantic import ConfigDict, Field

from earwitness.errors import AudioError, FormatError, InputError
from earwitness.formats.directivity_sofa import SofaDirectivity
from earwitness.formats.level_table import LevelTable
from earwitness.formats.response_table import Question, ResponseTable
from earwitness.formats.table_columns import title_of
from earwitness.session.headers import read_header
from earwitness.session.patterns import ANGLE, FILE
from earwitness.session.response_files import read_seen
from earwitness.session.responses import CurveName, Orbit
from earwitness.session.small_toml import toml_value

MOST_FILES = 20_000
TABLES = (".txt", ".csv", ".tsv", ".dat", ".asc", ".tab")
SOUNDS = (".wav", ".flac")
_PLANES: dict[str, Orbit] = {
    "h": "horizontal", "hor": "horizontal", "horiz": "horizontal", "horizontal": "horizontal",
    "v": "vertical", "ver": "vertical", "vert": "vertical", "vertical": "vertical",
}  # fmt: skip
_SIDES: dict[str, tuple[Orbit, int]] = {
    "left": ("horizontal", 1), "l": ("horizontal", 1), "right": ("horizontal", -1), "r": ("horizontal", -1),
    "up": ("vertical", 1), "u": ("vertical", 1), "down": ("vertical", -1), "d": ("vertical", -1),
}  # fmt: skip
_END = re.compile(
    r"(?P<before>.*?)(?P<word>(?<![a-z])[a-z]+)?(?P<gap>[\s_.]*)(?P<mark>[+-]|minus|plus|(?<=[_\s])[mp](?=\d))?"
    r"(?P<number>\d{1,3}(?:[.,]\d{1,3})?)(?P<unit>\s*(?:deg\w*|°))?",
    re.IGNORECASE,
)
_TWO = re.compile(
    r"az(?:i|imuth)?[\s_]*(?P<azimuth>[+-]?\d{1,3}(?:\.\d+)?)\D*?el(?:ev|evation)?[\s_]*(?P<elevation>[+-]?\d{1,2}(?:\.\d+)?)",
    re.IGNORECASE,
)
_VOLTS = re.compile(r"(?<![\d.,])(\d+(?:[.,]\d+)?)\s*v(?:rms)?(?![a-z])", re.IGNORECASE)
_NO_ANGLE = re.compile(r"(?<![\d.,])\d+(?:[.,]\d+)?\s*(?:v(?:rms)?|db|k?hz)(?![a-z])", re.IGNORECASE)
_MULTITONE = re.compile(r"multi[\s_-]?tone|residue|intermodulation", re.IGNORECASE)
# What a person's answers to a group's questions say in place of what is stated for all.
_OF_A_GROUP = ("unit", "plane", "data", "samples", "positions")
_ALONE = ("curves", "directions", "impedance table", "uncertainty", "level table", "multitone table")
_Words = Annotated[str, Field(max_length=200)]
_Meters = Annotated[float, Field(ge=0.001, le=100.0)]


@dataclass(frozen=True, slots=True)
class NamedAngle:
    """What a file's name says. before, after : the name around the number, for a pattern; dash : a "-" before it."""

    before: str
    after: str
    plane: Orbit | None
    number: float
    sign: int
    dash: bool
    plain: bool

    @property
    def angle_deg(self) -> float:
        return self.sign * self.number


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SeenFile:
    """One file of the folder.

    kind : of the take that it seems to make, or "set aside" with the reason in `why`; named : by its name, or None
    curve : of a file whose name tells an average; drives_v : voltages of a table of levels, by its titles or its name;
    states_drive : by its titles
    """

    file: str
    kind: str
    why: str = ""
    named: NamedAngle | None = None
    unit: str = ""
    has_phase: bool = False
    angles_deg: tuple[float, ...] = ()
    plane: Orbit | None = None
    points: int = 0
    band_hz: tuple[float, float] = (0.0, 0.0)
    questions: tuple[Question, ...] = ()
    drives_v: tuple[float, ...] = ()
    states_drive: bool = False
    curve: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Group:
    """Files that one [[take]] describes: pattern with {angle}, or the one file.

    settled : a person's answers to its questions, by key; mirrored : the angles in the names count the other way
    """

    kind: str
    pattern: str
    files: tuple[SeenFile, ...]
    plane: Orbit | None
    angles_deg: tuple[float, ...]
    settled: tuple[tuple[str, str], ...] = ()
    mirrored: bool = False

    @property
    def questions(self) -> tuple[Question, ...]:
        """What its files leave open, each once; a plane that a name tells is no question."""
        found = {(one.key, one.options): one for file in self.files for one in file.questions}
        if self.kind == "response" and self.plane is None and self.angles_deg:
            listed = " ".join(f"{angle:g}" for angle in self.angles_deg[:6])
            why = f"neither name nor content says in which plane {listed} degrees lie"
            found[("orbit", ())] = Question("orbit", 0, why, ("horizontal", "vertical"))
        return tuple(one for (key, _), one in found.items() if not (key == "plane" and self.kind == "response"))


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """A folder as it seems to be."""

    folder: Path
    groups: tuple[Group, ...]
    set_aside: tuple[SeenFile, ...]
    told: tuple[str, ...]

    @property
    def has_phase(self) -> bool:
        """Whether every response carries a phase."""
        files = [file for group in self.groups if group.kind == "response" for file in group.files]
        return bool(files) and all(file.has_phase for file in files)


def survey(folder: Path) -> Survey:
    """What the files of `folder` seem to be. InputError where it cannot be listed or holds too much."""
    names = _names(folder)
    seen = [_look(folder, name) for name in names]
    told: list[str] = []
    kept = _signed([one for one in seen if one.kind != "set aside"], told)
    groups = tuple(_grouped(kept))
    return Survey(folder, groups, tuple(one for one in seen if one.kind == "set aside"), tuple(told))


def _names(folder: Path) -> list[str]:
    found: list[str] = []
    try:
        for place, folders, files in os.walk(folder):
            folders[:] = sorted(name for name in folders if not name.startswith("."))
            here = Path(place).relative_to(folder)
            found += [(here / name).as_posix() for name in sorted(files) if not name.startswith(".") and name != FILE]
            if len(found) > MOST_FILES:
                raise InputError(f"the folder holds more than {MOST_FILES} files", where=str(folder))
    except OSError as error:
        raise InputError(f"the folder cannot be listed: {error.strerror}", where=str(folder)) from None
    if not found:
        raise InputError("the folder holds no files", where=str(folder), remedy="check the path")
    return found


def _look(folder: Path, name: str) -> SeenFile:
    path = folder / name
    suffix = path.suffix.lower()
    try:
        if suffix == ".sofa":
            sofa = read_seen(path)
            if not isinstance(sofa, SofaDirectivity):
                return SeenFile(file=name, kind="set aside", why="no SOFA file")
            points = sofa.hz.size or sofa.impulse.shape[1]
            band = (float(sofa.hz[0]), float(sofa.hz[-1])) if sofa.hz.size else (0.0, sofa.rate_hz / 2)
            return SeenFile(
                file=name, kind="directions", unit=sofa.data, has_phase=True, points=points, band_hz=band,
                angles_deg=tuple(np.degrees(sofa.directions.azimuth_rad)), questions=sofa.questions,
            )  # fmt: skip
        if suffix in SOUNDS:
            header = read_header(path)
            named = named_angle(Path(name).stem)
            if named is None:
                return SeenFile(file=name, kind="set aside", why="a sound file whose name tells no angle")
            question = Question(
                "samples", 0, "what one sample means is not told", ("Pa/V", "Pa/V per second", "relative")
            )
            return SeenFile(
                file=name, kind="impulse response", named=named, has_phase=True, plane=named.plane,
                points=round(header.length_s * header.rate_hz), band_hz=(0.0, header.rate_hz / 2),
                questions=(question,),
            )  # fmt: skip
        if suffix in TABLES:
            table = read_seen(path, named=named_angle(Path(name).stem) is not None)
            if isinstance(table, ResponseTable):
                return _of_table(name, table)
            if isinstance(table, LevelTable):
                return _of_levels(name, table)
    except (FormatError, AudioError) as error:
        return SeenFile(file=name, kind="set aside", why=f"{error.what} ({error.where.rpartition('/')[2]})")
    return SeenFile(file=name, kind="set aside", why="no table, no sound file, no SOFA file")


def _of_table(name: str, table: ResponseTable) -> SeenFile:
    band = (float(table.hz[0]), float(table.hz[-1]))
    seen = SeenFile(
        file=name, kind="response", unit=table.unit, has_phase=table.phase is not None, points=table.hz.size,
        band_hz=band, plane=table.plane, questions=table.questions, angles_deg=tuple(table.angles_deg),
    )  # fmt: skip
    if table.kind == "impedance":
        return replace(seen, kind="impedance table")
    if table.kind == "uncertainty":
        return replace(seen, kind="uncertainty")
    if table.kind == "curves":
        return replace(seen, kind="curves")
    if table.angles_deg.size > 1:
        return replace(seen, kind="directions")
    stem = Path(name).stem
    named, curve = named_angle(stem), title_of(stem).curve
    if curve == "on_axis" and named is None:
        return replace(
            seen, named=NamedAngle("", "", "horizontal", 0.0, sign=1, dash=False, plain=False), plane="horizontal"
        )
    if curve:
        return replace(
            seen, kind="curves", curve=next(one for one in get_args(CurveName) if title_of(one).curve == curve)
        )
    if named is None and table.angles_deg.size == 1:
        named = NamedAngle("", "", table.plane, number=abs(float(table.angles_deg[0])), sign=1, dash=False, plain=False)
        named = replace(named, sign=-1 if table.angles_deg[0] < 0 else 1)
    if named is None:
        return replace(seen, kind="set aside", why="its name tells no direction, and its titles name none")
    folders = (_PLANES[part.lower()] for part in Path(name).parent.parts if part.lower() in _PLANES)
    return replace(seen, named=named, plane=table.plane or named.plane or next(folders, None))


def _of_levels(name: str, table: LevelTable) -> SeenFile:
    hz, roles = table.columns[0].hz, {one.role for one in table.columns}
    is_tones = bool(_MULTITONE.search(Path(name).stem))
    named = _VOLTS.search(Path(name).stem)
    drives = sorted({one.drive_v for one in table.columns if one.drive_v is not None})
    open_facts = (
        ("drive_v", "2.83", "at which voltage its values were taken", not (drives or named or table.has_drives)),
        ("crest_db", "11", "the crest factor of the multitone", is_tones),
        ("from_v", "2.83", "from which voltage its losses of level count", "compression" in roles),
    )
    asked = [Question(key, 0, f"{what} is not told", (usual,)) for key, usual, what, is_open in open_facts if is_open]
    return SeenFile(
        file=name, kind="multitone table" if is_tones else "level table",
        unit="" if any(one.key == "unit" for one in table.questions) else table.columns[-1].unit,
        points=hz.size, band_hz=(float(hz[0]), float(hz[-1])), questions=(*table.questions, *asked),
        drives_v=tuple(drives) or ((float(named[1].replace(",", ".")),) if named else ()),
        states_drive=bool(drives) or table.has_drives,
    )  # fmt: skip


def named_angle(stem: str) -> NamedAngle | None:
    """What a name says of the direction: its last number, or an azimuth and an elevation; None without one."""
    masked = _NO_ANGLE.sub(lambda found: "~" * len(found[0]), stem)
    both = _TWO.search(masked)
    if both is not None:
        return _of_two(float(both["azimuth"]), float(both["elevation"]))
    found = [match for match in _END.finditer(masked) if match["number"]]
    if not found:
        return None
    last = found[-1]
    number = float(last["number"].replace(",", "."))
    if number > 360:
        return None
    words = re.findall(r"[a-z]+", masked[: last.end("number")].lower())
    plane: Orbit | None = None
    sign = 1
    for word in words:
        if word in _PLANES:
            plane = _PLANES[word]
        if word in _SIDES and (word not in ("l", "r", "u", "d") or word == words[-1]):
            plane, sign = (plane or _SIDES[word][0]), _SIDES[word][1]
    mark = (last["mark"] or "").lower()
    dash = mark == "-"
    if mark in ("m", "minus"):
        sign = -sign
    plain = sign == 1 and mark not in ("p", "plus", "m", "minus") and "," not in last["number"]
    start = last.start("mark") if mark and mark in "+-" else last.start("number")
    return NamedAngle(stem[:start], stem[last.end("number") :], plane, number=number, sign=sign, dash=dash, plain=plain)


def _of_two(azimuth: float, elevation: float) -> NamedAngle | None:
    """The orbit angle of an azimuth and an elevation; None for a direction on neither orbit."""
    azimuth = 180.0 - (180.0 - azimuth) % 360.0
    if elevation == 0.0:
        return NamedAngle("", "", "horizontal", abs(azimuth), sign=-1 if azimuth < 0 else 1, dash=False, plain=False)
    if azimuth not in (0.0, 180.0):
        return None
    angle = elevation if azimuth == 0.0 else (180.0 - elevation if elevation > 0 else -180.0 - elevation)
    return NamedAngle("", "", plane="vertical", number=abs(angle), sign=-1 if angle < 0 else 1, dash=False, plain=False)


def _signed(seen: Sequence[SeenFile], told: list[str]) -> list[SeenFile]:
    """Dashes before numbers as signs or as parts of the name, by the whole set that shares what stands before."""
    sets: dict[tuple[str, str], list[SeenFile]] = {}
    for one in seen:
        if one.named is not None:
            sets.setdefault((Path(one.file).parent.as_posix(), one.named.before), []).append(one)
    changed: dict[str, SeenFile] = {}
    for (_, before), files in sets.items():
        named = [one.named for one in files if one.named is not None]
        dashed = [one for one in named if one.dash]
        if not dashed:
            continue
        plain = [one for one in named if not one.dash]
        # Zero has no sign: a dash before it is part of the name, and so are the others.
        parting = not plain or any(one.number == 0 for one in dashed)
        if parting:
            told.append(f"the dash after {before!r} is read as part of the names, not as a minus")
        for one in files:
            if one.named is None or not one.named.dash:
                continue
            name = replace(one.named, before=before + "-", dash=False) if parting else replace(one.named, sign=-1)
            changed[one.file] = replace(one, named=name)
    return [changed.get(one.file, one) for one in seen]


def _grouped(seen: Sequence[SeenFile]) -> Iterator[Group]:
    sets: dict[tuple[str, str, str, str, str, str], list[SeenFile]] = {}
    for one in seen:
        if one.named is None or one.kind in _ALONE:
            yield Group(one.kind, one.file, (one,), one.plane, one.angles_deg)
            continue
        path = Path(one.file)
        own = "" if one.named.plain else one.file
        ending = one.named.after + path.suffix
        key = (one.kind, path.parent.as_posix(), one.named.before, ending, str(one.plane or ""), own)
        sets.setdefault(key, []).append(one)
    for (kind, parent, before, after, *_), files in sets.items():
        angles = tuple(sorted(one.named.angle_deg for one in files if one.named is not None))
        pattern = (Path(parent) / f"{before}{ANGLE}{after}").as_posix()
        if len(files) == 1:
            pattern = files[0].file
        yield Group(kind, pattern, tuple(files), files[0].plane, angles)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What the tester states about the loudspeaker and the data; None or "" where it is still open.

    The bounds are what the bench takes; loading the session checks all of it.
    """

    __pydantic_config__ = ConfigDict(extra="forbid")
    name: _Words = ""
    maker: _Words = ""
    type: _Words = ""
    enclosure: _Words = ""
    width_m: _Meters | None = None
    height_m: _Meters | None = None
    depth_m: _Meters | None = None
    reference_axis: _Words = ""
    rated_impedance_ohm: Annotated[float, Field(ge=0.1, le=1000.0)] | None = None
    price: Annotated[float, Field(gt=0.0, le=1e9)] | None = None
    currency: Annotated[str, Field(max_length=3)] = ""
    year: Annotated[int, Field(ge=1900, le=2200)] | None = None
    date: _Words = ""
    relative: bool = False
    voltage_v: Annotated[float, Field(gt=0.0, le=1000.0)] | None = None
    reference_distance_m: _Meters | None = None
    measured_distance_m: _Meters | None = None
    space: _Words = ""
    gate_ms: Annotated[float, Field(gt=0.0, le=2000.0)] | None = None
    lowest_hz: Annotated[float, Field(gt=0.0, le=200_000.0)] | None = None
    highest_hz: Annotated[float, Field(gt=0.0, le=200_000.0)] | None = None
    smoothing: _Words = ""
    phase: _Words = ""
    measured_by: _Words = ""
    u_db: Annotated[float, Field(gt=0.0, le=20.0)] | None = None
    unit: _Words = ""
    plane: _Words = ""
    data: _Words = ""
    samples: _Words = ""
    axis_azimuth_deg: Annotated[float, Field(ge=-180.0, le=360.0)] | None = None
    axis_elevation_deg: Annotated[float, Field(ge=-90.0, le=90.0)] | None = None
    positions: _Words = ""
    harmonics: _Words = ""
    invented: bool = False
    symmetric: bool = True


def session_text(found: Survey, stated: Stated) -> str:
    """session.toml of a folder of responses; what is still open stands there as "" or 0, for the tester to fill in."""
    lines = [
        '# Responses that were measured before. Fill in every "" and every 0; loading the folder says what is missing.',
        "format = 1",
        f"date = {toml_value(stated.date)}",
        "",
        "[loudspeaker]",
        *(f"{key} = {toml_value(getattr(stated, key))}" for key in ("name", "maker", "type", "enclosure")),
        *(f"{key} = {getattr(stated, key) or 0.0:g}" for key in ("width_m", "height_m", "depth_m")),
        f"reference_axis = {toml_value(stated.reference_axis)}",
    ]
    lines += ["invented = true"] if stated.invented else []
    lines += [] if stated.symmetric else ["symmetric = false"]
    lines += [f"year = {stated.year}"] if stated.year is not None else []
    lines += [f"rated_impedance_ohm = {stated.rated_impedance_ohm:g}"] if stated.rated_impedance_ohm else []
    if stated.price is not None:
        lines += ["", "[loudspeaker.price]", f"amount = {stated.price:g}", f"currency = {toml_value(stated.currency)}"]
    lines += ["", *_facts(found, stated)]
    for group in found.groups:
        for one in _each(group):
            lines += ["", "[[take]]", *_take(one, stated)]
    return "\n".join(lines) + "\n"


def _facts(found: Survey, stated: Stated) -> list[str]:
    lines = []
    if not stated.relative:
        lines += ["[drive]", f"voltage_v = {stated.voltage_v or 0:g}   # that the levels belong to", ""]
    lines.append("[responses]")
    if stated.relative:
        lines.append('level = "relative"')
    lines.append(f"reference_distance_m = {stated.reference_distance_m or 1.0:g}   # that the levels are stated for")
    optional = {
        "measured_distance_m": stated.measured_distance_m,
        "space": stated.space,
        "gate_ms": stated.gate_ms,
        "lowest_hz": stated.lowest_hz,
        "highest_hz": stated.highest_hz,
        "smoothing": stated.smoothing,
        "phase": stated.phase or ("" if found.has_phase else "none"),
        "measured_by": stated.measured_by,
        "u_db": stated.u_db,
    }
    for key, value in optional.items():
        if value not in (None, ""):
            lines.append(f"{key} = {toml_value(value) if isinstance(value, str) else f'{value:.10g}'}")
        else:
            lines.append(f"#{key} = ")
    return lines


def _each(group: Group) -> Iterator[Group]:
    """One take, or one a file where the names' angles count the other way: a pattern reads them as they stand."""
    if not group.mirrored:
        yield group
        return
    for file in group.files:
        if file.named is not None:
            yield replace(group, pattern=file.file, files=(file,), angles_deg=(-file.named.angle_deg,), mirrored=False)


def _take(group: Group, stated: Stated) -> list[str]:
    settled = dict(group.settled)
    own: dict[str, Any] = {key: settled[key] for key in _OF_A_GROUP if key in settled}
    stated = replace(stated, **own)
    lines = [f"kind = {toml_value(group.kind)}"]
    if group.kind == "curves" and group.files and group.files[0].curve:
        lines.append(f"curve = {toml_value(group.files[0].curve)}")
    several = ANGLE in group.pattern
    lines.append(f"{'files' if several else 'file'} = {toml_value(group.pattern)}")
    if group.kind in ("response", "impulse response"):
        lines.append(f"orbit = {toml_value(group.plane or stated.plane)}")
        lines += [] if several else [f"angle_deg = {group.angles_deg[0]:g}"]
    asked = {question.key: question for question in group.questions}
    lines += _driven(group, asked, settled) if group.kind in ("level table", "multitone table") else []
    if "columns" in asked:
        columns = settled.get("columns")
        confirm = "" if columns else "   # please confirm"
        lines.append(f"columns = {toml_value(columns or asked['columns'].options[0])}{confirm}")
    if "unit" in asked:
        is_relative = stated.relative and group.kind not in ("level table", "multitone table")
        lines.append(f"unit = {toml_value('dB relative' if is_relative else stated.unit)}")
    if group.kind == "directions" and group.pattern.endswith(".sofa") and not group.files:
        lines.append(f"data = {toml_value('relative' if stated.relative else stated.data)}")
        lines += [f"harmonics = {toml_value(stated.harmonics)}"] if stated.harmonics else []
    elif group.kind in ("directions", "uncertainty"):
        lines += [f"plane = {toml_value(stated.plane)}"] if "plane" in asked else []
        lines += [f"data = {toml_value('relative' if stated.relative else stated.data)}"] if "data" in asked else []
        lines += [f"source_positions = {toml_value(stated.positions)}"] if "positions" in asked else []
        lines += [f"harmonics = {toml_value(stated.harmonics)}"] if "harmonics" in asked else []
        if "axis" in asked and stated.axis_azimuth_deg is not None:
            lines.append(f"axis_deg = [{stated.axis_azimuth_deg:g}, {stated.axis_elevation_deg or 0.0:g}]")
    if group.kind == "impulse response":
        lines.append(f"samples = {toml_value('relative' if stated.relative else stated.samples)}")
    return lines


def _driven(group: Group, asked: dict[str, Question], settled: dict[str, str]) -> list[str]:
    """What a table of levels needs beside its columns."""
    lines = []
    if group.kind == "multitone table" or not all(file.states_drive for file in group.files):
        drives = {volts for file in group.files for volts in file.drives_v}
        lines.append(f"drive_v = {settled.get('drive_v') or (f'{drives.pop():g}' if len(drives) == 1 else '0')}")
    if group.kind == "multitone table":
        lines += [
            f"crest_db = {settled.get('crest_db') or '0'}   # of the signal played",
            '#window = "Hann"   # of a spectrum',
            "#tones = 31   # in it",
        ]
    lines += [f"from_v = {settled.get('from_v') or '0'}"] if "from_v" in asked else []
    if "level_unit" in asked:
        lines.append(f"level_unit = {toml_value(settled.get('level_unit', ''))}")
    return lines
