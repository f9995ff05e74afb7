"""What every take of a session has, and takes that are responses already, with what was done to them.

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

from typing import Annotated, Literal

from pydantic import Field

from earwitness.session.record import Finite, Flag, Positive, Strict, Text, Whole

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
