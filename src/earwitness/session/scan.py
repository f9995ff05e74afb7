"""Takes of a near-field scan: microphone positions around the loudspeaker, each with its recording.

    [scan]
    body = "box"                         # what the loudspeaker is to the room's sound: box, sphere or none
    body_center_m = [-0.15, 0.0, -0.05]  # middle of the cabinet, seen from the reference point

    [[take]]
    kind = "scan"
    positions = "scan/positions.csv"     # where the points are
    files = "scan/p_{point}.flac"        # {point} is the row in that table, from 1; or a column `file` in it

A single point is written with file and position_m. A scan whose pressures are known already is one take of kind
"scan pressures" with a SOFA or CSV file.
"""

import os
import re
from collections.abc import Mapping
from pathlib import Path, PurePosixPath
from typing import Annotated, Any, Literal

from pydantic import Field

from earwitness.errors import FormatError
from earwitness.formats.positions_table import PositionsTable, read_positions
from earwitness.session.record import Finite, Position, Positive, Strict, Text, Whole

POINT = "{point}"
FARTHEST_M = 20.0
Coordinate = Annotated[Finite, Field(ge=-FARTHEST_M, le=FARTHEST_M)]
Channel = Annotated[Whole, Field(ge=1, le=64)]
Voltage = Annotated[Positive, Field(le=1000)]


class ScanSetup(Strict):
    """What the room's sound meets. body_center_m : from the reference point; None: half the depth behind it.

    sphere_radius_m : of a body that is a sphere, None: that of equal volume.

    Standard uncertainties, None for what is usual: gain_u_db of one surface against another, drift_u_db and
    clock_drift_us at the end of the scan, radius_u_m of a surface, place_u_m of single points, temperature_u_c.
    """

    body: Literal["box", "sphere", "none"] = "box"
    body_center_m: Position | None = None
    sphere_radius_m: Annotated[Positive, Field(le=5)] | None = None
    gain_u_db: Annotated[Positive, Field(le=6)] | None = None
    drift_u_db: Annotated[Positive, Field(le=6)] | None = None
    clock_drift_us: Annotated[Positive, Field(le=1000)] | None = None
    radius_u_m: Annotated[Positive, Field(le=0.1)] | None = None
    place_u_m: Annotated[Positive, Field(le=0.1)] | None = None
    temperature_u_c: Annotated[Positive, Field(le=20)] | None = None


class ScanTake(Strict):
    """One point of a scan. position_m : of the microphone, from the reference point, AES69 axes; positions : the table
    that it stands in; monitor_channel : of a second microphone that stays in its place while the other moves."""

    kind: Literal["scan"]
    id: Text
    file: Text
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    position_m: tuple[Coordinate, Coordinate, Coordinate]
    surface: str = ""
    positions: str = ""
    microphone_channel: Channel = 1
    reference_channel: Channel | None = None
    monitor_channel: Channel | None = None
    drive_v: Voltage | None = None
    temperature_c: Annotated[Finite, Field(ge=-20, le=50)] | None = None
    note: str = ""


class ScanPressuresTake(Strict):
    """A whole scan as complex pressures in Pa/V: a SOFA file (receivers, transfer functions) or a CSV table.

    sound : what the pressures hold; lowest_valid_hz : of gated ones, 1.2 over the gate's length.
    """

    kind: Literal["scan pressures"]
    id: Text
    file: Text
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    sound: Literal["with the room", "gated", "free field"] = "with the room"
    lowest_valid_hz: Annotated[Positive, Field(le=20_000)] | None = None
    microphone_channel: Channel = 1
    reference_channel: Channel | None = None
    drive_v: Voltage | None = None
    temperature_c: Annotated[Finite, Field(ge=-20, le=50)] | None = None
    note: str = ""


def is_scan_table(table: Mapping[str, Any]) -> bool:
    """Whether a [[take]] table declares a scan by a table of positions."""
    return table.get("kind") == "scan" and "positions" in table


def spell_out_scan(table: Mapping[str, Any], folder: Path) -> list[dict[str, Any]]:
    """One take table (with `file`, `position_m`, `surface`, `id`) for each point that `table` declares.

    FormatError for a positions table that cannot be used, and where files and points do not match.
    """
    name = table["positions"]
    if not isinstance(name, str) or not _is_inside(folder, name):
        raise FormatError.of(
            "session.no_positions_file", where="session.toml", shown=repr(name[:80]) if isinstance(name, str) else "..."
        )
    places = read_positions(folder / name)
    files = _files(table.get("files"), places, folder, name)
    shared = {key: value for key, value in table.items() if key not in ("files", "id")}
    surfaces = places.surfaces or ("",) * len(files)
    wide, called = len(str(len(files))), table.get("id", "point")
    if not isinstance(called, str):
        raise FormatError("id is not text", where="session.toml", remedy='write a name in quotes, such as id = "point"')
    return [
        {
            "surface": surface,
            **shared,
            "id": f"{called} {row:0{wide}d}",
            "file": file,
            "position_m": tuple(float(c) for c in point),
        }
        for row, (file, point, surface) in enumerate(zip(files, places.points_m, surfaces, strict=True), 1)
    ]


def _is_inside(folder: Path, name: str) -> bool:
    try:
        return (folder / name).resolve().is_relative_to(folder.resolve())
    except (OSError, ValueError, RuntimeError):
        # A null character, a name that is too long, a ring of links.
        return False


def _files(pattern: object, places: PositionsTable, folder: Path, name: str) -> tuple[str, ...]:
    count = len(places.points_m)
    if pattern is None:
        if not places.files:
            raise FormatError.of("session.points_without_recordings", where=f"session.toml and {name}", point=POINT)
        beside = PurePosixPath(name).parent
        return tuple((beside / file).as_posix() for file in places.files)
    if not isinstance(pattern, str) or pattern.count(POINT) != 1 or POINT not in PurePosixPath(pattern).name:
        raise FormatError.of("session.pattern_without_point", where="session.toml, files", point=POINT)
    found = _numbered(pattern, folder)
    missing = [n for n in range(1, count + 1) if n not in found]
    beyond = [n for n in found if n > count or n < 1]
    if missing or beyond:
        what = f"{len(missing)} of {count} points have no recording, the first is point {missing[0]}" if missing else ""
        more = f"{len(beyond)} recordings have no point, the first is {found[min(beyond)]}" if beyond else ""
        told = "; ".join(part for part in (what, more) if part)
        raise FormatError.of("session.points_and_recordings", where=f"{pattern} and {name}", told=told)
    return tuple(found[n] for n in range(1, count + 1))


def _numbered(pattern: str, folder: Path) -> dict[int, str]:
    path = PurePosixPath(pattern)
    before, after = path.name.split(POINT)
    wanted = re.compile(re.escape(before) + r"(\d{1,6})" + re.escape(after), re.ASCII)
    try:
        names = sorted(os.listdir(folder / path.parent))
    except (OSError, ValueError):
        return {}
    return {int(hit[1]): (path.parent / n).as_posix() for n in names if (hit := wanted.fullmatch(n))}
