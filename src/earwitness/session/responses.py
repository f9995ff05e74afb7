"""What every take of a session has; takes that are responses already, with what was done to them; takes of a scan.

[responses]
level = "absolute"            # sound pressure levels for [drive] voltage_v, or "relative"
reference_distance_m = 1.0    # the distance that the levels are stated for
measured_distance_m = 2.0
gate_ms = 5.0                 # none where the space was anechoic
smoothing = "none"

[[take]]
kind = "response"
files = "h_{angle}.txt"       # one file a direction
orbit = "horizontal"

[[take]]
kind = "directions"           # several directions in one file: a wide or long table, or SOFA
file = "balloon.sofa"

[[take]]
kind = "impulse response"
files = "ir_{angle}.wav"
orbit = "vertical"
samples = "Pa/V"

[[take]]
kind = "level table"          # harmonics, levels or losses of level, by frequency and voltage
file = "distortion.txt"
"""

import os
import re
from collections.abc import Mapping
from pathlib import Path, PurePosixPath
from typing import Annotated, Any, Literal

from pydantic import Field

from earwitness.errors import FormatError
from earwitness.formats.positions_table import PositionsTable, read_positions
from earwitness.session.record import Finite, Flag, Position, Positive, Strict, Text, Whole

Distance = Annotated[Positive, Field(le=100)]
Voltage = Annotated[Positive, Field(le=1000)]
Channel = Annotated[Whole, Field(ge=1, le=64)]


class TakeFacts(Strict):
    """What every take has. id : made from the file name when not given; microphone_channel : 1-based."""

    id: Text
    file: Text
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    microphone_channel: Channel = 1
    reference_channel: Channel | None = None
    drive_v: Voltage | None = None
    temperature_c: Annotated[Finite, Field(ge=-20, le=50)] | None = None
    note: str = ""


class SelfNoiseTake(TakeFacts):
    """Nothing is played, its input terminated. switched_on : False for the same with the loudspeaker switched off."""

    kind: Literal["self-noise"]
    distance_m: Distance
    switched_on: Flag = True


class LimiterTake(TakeFacts):
    """The limiter tone, with the loop-back. drive_v : rms at the input at its loudest step."""

    kind: Literal["limiter"]
    drive_v: Voltage
    distance_m: Distance
    frequency_hz: Positive


Angle = Annotated[Finite, Field(ge=-180, le=360)]
Orbit = Literal["horizontal", "vertical"]
Unit = Literal["dB SPL", "dB re 1 Pa", "dB re 1 Pa/V", "dB relative"]
Harmonics = Literal[
    "orthonormal",
    "N3D",
    "SN3D",
    "orthonormal, Condon-Shortley sign",
    "N3D, Condon-Shortley sign",
    "SN3D, Condon-Shortley sign",
]
CurveName = Literal[
    "on axis",
    "listening window",
    "early reflections",
    "sound power",
    "predicted in-room response",
    "floor reflections",
    "ceiling reflections",
    "front wall reflections",
    "side wall reflections",
    "rear wall reflections",
    "total horizontal reflections",
    "total vertical reflections",
]
PhaseFact = Literal["none", "one time reference", "each direction its own", "unknown"]


class NoStimulus(Strict):
    """Nothing was played here: the session holds responses, not recordings."""

    kind: Literal["none"] = "none"


class ResponseFacts(Strict):
    """What was done to the responses before they came here.

    level : "relative" where no drive and distance belong to the levels; reference_distance_m : levels are stated for;
    measured_distance_m : where the microphone stood, None where it is not known; space : where it was measured
    gate_ms : length of the window after the direct sound; smoothing : "none", "unknown" or a width such as "1/24"
    octave; phase : whether the directions share one time; u_db : standard uncertainty of the level, as stated
    lowest_hz, highest_hz : the band that the responses are good for
    """

    level: Literal["absolute", "relative"] = "absolute"
    reference_distance_m: Distance = 1.0
    measured_distance_m: Distance | None = None
    space: Literal["gated", "anechoic", "ground plane", "half space", "scan", "room", "unknown"] = "unknown"
    gate_ms: Annotated[Positive, Field(le=2000)] | None = None
    smoothing: Annotated[str, Field(pattern=r"^(none|unknown|1/[1-9]\d{0,2})$")] = "unknown"
    phase: PhaseFact = "unknown"
    measured_by: Text = "not stated"
    u_db: Annotated[Positive, Field(le=20)] | None = None
    lowest_hz: Positive | None = None
    highest_hz: Positive | None = None


class ResponseTake(TakeFacts):
    """The response of one direction as a text table. columns : titles of its columns where the table has none,
    parted by commas; unit : of its level where the table does not say."""

    kind: Literal["response"]
    orbit: Orbit
    angle_deg: Angle
    columns: str = ""
    unit: Unit | None = None


class ImpulseTake(TakeFacts):
    """The impulse response of one direction as a sound file.

    samples : what one sample means: "Pa/V" (H = sum of h exp(-j omega n / fs)), "Pa/V per second" (that over fs), or
    "relative"
    """

    kind: Literal["impulse response"]
    orbit: Orbit
    angle_deg: Angle
    samples: Literal["Pa/V", "Pa/V per second", "relative"]
    channel: Channel = 1


class DirectionsTake(TakeFacts):
    """Responses of several directions in one file: a table with a column, row or block a direction, or SOFA.

    plane, columns, unit : where the table does not say; axis_deg : azimuth and elevation of the file that are the
    reference axis; data : what the values of a SOFA file are, for SOFA names no unit; source_positions : what
    directions in its source positions mean; harmonics : normalization and sign of its spherical harmonics
    """

    kind: Literal["directions"]
    plane: Orbit | None = None
    columns: str = ""
    unit: Unit | None = None
    axis_deg: tuple[Angle, Annotated[Finite, Field(ge=-90, le=90)]] | None = None
    data: Literal["Pa/V", "Pa", "relative"] | None = None
    source_positions: Literal["radiated directions", "places of the source"] | None = None
    harmonics: Harmonics | None = None


class UncertaintyTake(TakeFacts):
    """Validity and standard uncertainty of responses that stand in other files, a table with columns a direction.

    plane : where the table does not say
    """

    kind: Literal["uncertainty"]
    plane: Orbit | None = None


class CurvesTake(TakeFacts):
    """On axis and averages over directions as somebody published them, a column each, or one alone.

    curve : of a table that does not name it; columns, unit : where the table does not say
    """

    kind: Literal["curves"]
    curve: CurveName | None = None
    columns: str = ""
    unit: Unit | None = None


class LevelTableTake(TakeFacts):
    """Harmonics, their total, levels or losses of level by frequency, at one drive level or several, as a text table.

    drive_v : where its titles do not say; distance_m : that its levels are stated for; unit, level_unit : of harmonics
    and of levels where the titles do not say; from_v : voltage that losses of level count from
    """

    kind: Literal["level table"]
    distance_m: Distance = 1.0
    columns: str = ""
    unit: Literal["%", "dB relative", "dB SPL", "ratio"] | None = None
    level_unit: Literal["dB SPL", "dB re 1 Pa"] | None = None
    from_v: Voltage | None = None


class MultitoneTableTake(TakeFacts):
    """A multitone as a text table: the level of each tone and of what lies between the tones, or the whole spectrum.

    drive_v : rms of all tones; crest_db : of the signal played; window : that the spectrum was taken with, by which
    lines overlap; tones : how many were played
    """

    kind: Literal["multitone table"]
    drive_v: Voltage
    distance_m: Distance = 1.0
    crest_db: Positive
    columns: str = ""
    unit: Literal["%", "dB relative", "dB SPL", "ratio"] | None = None
    level_unit: Literal["dB SPL", "dB re 1 Pa"] | None = None
    window: Literal["none", "Hann", "Blackman-Harris"] | None = None
    tones: Annotated[int, Field(ge=2, le=1000)] | None = None


LEVEL_TABLES = (LevelTableTake, MultitoneTableTake)
RESPONSE_TAKES = (ResponseTake, ImpulseTake, DirectionsTake, CurvesTake)
RESPONSE_FILES = (*RESPONSE_TAKES, UncertaintyTake, *LEVEL_TABLES)
RESPONSE_KINDS = ("response", "impulse response", "directions", "curves")


# Takes of a near-field scan: microphone positions around the loudspeaker, each with its recording.
#
#     [scan]
#     body = "box"                         # what the loudspeaker is to the room's sound: box, sphere or none
#     body_center_m = [-0.15, 0.0, -0.05]  # middle of the cabinet, seen from the reference point
#
#     [[take]]
#     kind = "scan"
#     positions = "scan/positions.csv"     # where the points are
#     files = "scan/p_{point}.flac"        # {point} is the row in that table, from 1; or a column `file` in it
#
# A single point is written with file and position_m. A scan whose pressures are known already is one take of kind
# "scan pressures" with a SOFA or CSV file.

POINT = "{point}"
FARTHEST_M = 20.0
Coordinate = Annotated[Finite, Field(ge=-FARTHEST_M, le=FARTHEST_M)]


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
