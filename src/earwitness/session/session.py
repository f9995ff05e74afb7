"""One measuring session as facts: what session.toml says, validated. No arrays; recordings by path and hash."""

from __future__ import annotations

import cmath
import math
from typing import Annotated, Any, Literal, TypeVar

from pydantic import Field, model_validator

from earwitness.errors import InputError
from earwitness.session.record import (
    Finite,
    Flag,
    Loudspeaker,
    NotNegative,
    Position,
    Positive,
    Strict,
    Text,
    Unit,
    Variant,
)
from earwitness.session.responses import (
    Channel,
    CurvesTake,
    DirectionsTake,
    Distance,
    ImpulseTake,
    LevelTableTake,
    LimiterTake,
    MultitoneTableTake,
    NoStimulus,
    ResponseFacts,
    ResponseTake,
    ScanPressuresTake,
    ScanSetup,
    ScanTake,
    SelfNoiseTake,
    UncertaintyTake,
    Voltage,
)
from earwitness.session.responses import TakeFacts as _Take

FORMAT = 1
DATE = r"^\d{4}-\d{2}-\d{2}$"
T = TypeVar("T")


class Tester(Strict):
    """Who measured and how the sample was had. level_db : SPL at 1 m at which this tester compares distortion;
    sensitivity_classes_db : limits between low, medium and high sensitivity; burst_mask : of bursts' harmonics."""

    name: Text = "not stated"
    obtained: Text = "not stated"
    disclosure: Text = "not stated"
    level_db: Annotated[float, Field(ge=60, le=130, allow_inf_nan=False, strict=True)] | None = None
    sensitivity_classes_db: tuple[Positive, Positive] | None = None
    burst_mask: Literal["A", "strict"] = "A"

    @model_validator(mode="after")
    def _limits_rise(self) -> Tester:
        limits = self.sensitivity_classes_db
        if limits is not None and not limits[0] < limits[1]:
            raise ValueError("the second limit of the sensitivity classes must be above the first")
        return self


class Calibrator(Strict):
    """A recording of a sound calibrator on the microphone, same gain as the takes. serial : tells it from others, so
    that its error cancels between sessions that it set."""

    file: Text
    serial: str = ""
    level_db: Finite = 94.0
    frequency_hz: Positive = 1000.0
    channel: Channel = 1
    tolerance_db: Positive = 0.25


class Microphone(Strict):
    """sensitivity_fs_per_pa : digital full scale (peak 1.0) per pascal; or a calibrator recording.
    correction_file : the microphone's response, frequency and dB (and degrees)."""

    name: Text = "not stated"
    serial: str = ""
    sensitivity_fs_per_pa: Positive | None = None
    sensitivity_u_db: Positive = 0.2
    calibrator: Calibrator | None = None
    correction_file: Text | None = None
    correction_u_db: Positive | None = None


class Drive(Strict):
    """voltage_v : rms voltage of the sweep's sine at the terminals, of a powered loudspeaker at its input.

    level_dbfs : in place of voltage_v for a digital input; then 1 V stands for full scale in all takes
    full_scale_dbu : what full scale of the converter before an analog input was set to
    """

    voltage_v: Voltage
    level_dbfs: Annotated[Finite, Field(ge=-120, le=0)] | None = None
    full_scale_dbu: Finite | None = None
    u_db: Positive = 0.1

    @model_validator(mode="before")
    @classmethod
    def _with_voltage(cls, given: Any) -> Any:
        level = given.get("level_dbfs") if isinstance(given, dict) and "voltage_v" not in given else None
        if isinstance(level, int | float) and not isinstance(level, bool) and abs(level) <= 120:
            return {**given, "voltage_v": 10.0 ** (level / 20.0)}
        return given


class SweepStimulus(Strict):
    """An exponential sweep by its parameters.

    form : "synchronized" sin(2 pi f1 L exp(t/L)), "classic" sin(2 pi f1 L (exp(t/L) - 1)); L = duration / ln(f2/f1)
    lead_in_s : silence before the sweep in every recording (used as noise sample)
    """

    kind: Literal["sweep"] = "sweep"
    form: Literal["synchronized", "classic"] = "synchronized"
    start_hz: Positive
    stop_hz: Positive
    duration_s: Annotated[Positive, Field(le=600)]
    fade_in_s: NotNegative = 0.0
    fade_out_s: NotNegative = 0.0
    lead_in_s: NotNegative = 0.0


class FileStimulus(Strict):
    """The file that was played; lead_in_s : silence before it in every recording."""

    kind: Literal["file"]
    file: Text
    channel: Channel = 1
    lead_in_s: NotNegative = 0.0


class OtherSweep(SweepStimulus):
    """A sweep that some takes were recorded with, in place of [stimulus]; they name it."""

    name: Text


class OtherFile(FileStimulus):
    """A played file that some takes were recorded with, in place of [stimulus]; they name it."""

    name: Text


class ReferenceChannel(Strict):
    """A loop-back of what was played. volts_per_fs : terminal voltage per full scale, where it was tapped there;
    None : the loop-back is before the amplifier and only carries time and shape."""

    channel: Channel = 2
    volts_per_fs: Positive | None = None


class Turntable(Strict):
    """A turntable that turns about another place than the reference point.

    axis_m : a point of its axis, from the reference point, AES69 axes; vertical_axis_m : the same for the vertical
    orbit, where the loudspeaker stood otherwise on it, None for `axis_m`.
    """

    axis_m: Position
    vertical_axis_m: Position | None = None

    def place(self, orbit: str, angle_deg: float, distance_m: float) -> tuple[float, float]:
        """Angle [degrees] and distance [m] from the reference point of a microphone that stood `distance_m` ahead of it
        at 0 degrees, once the table has turned by `angle_deg` (plane geometry)."""
        is_vertical = orbit == "vertical"
        ahead, left, up = self.vertical_axis_m or self.axis_m if is_vertical else self.axis_m
        pole = complex(ahead, up if is_vertical else left)
        microphone = pole + (distance_m - pole) * cmath.exp(1j * math.radians(angle_deg))
        turned = math.degrees(cmath.phase(microphone))
        # Within the half turn of the stated angle, so that an orbit over the top stays one.
        return turned + 360.0 * round((angle_deg - turned) / 360.0), abs(microphone)


class Room(Strict):
    """Inner size of the room and where things stood [m]. Positions from a floor corner: along length, width, height."""

    length_m: Positive
    width_m: Positive
    height_m: Positive
    loudspeaker_m: tuple[Positive, Positive, Positive]
    microphone_m: tuple[Positive, Positive, Positive]


class Environment(Strict):
    """Air and room. Give one of: anechoic = true, room, first_reflection_ms (after the direct sound).

    ground_plane : loudspeaker and microphone on hard ground outdoors, which doubles the pressure
    half_space : the loudspeaker sat flush in a wall, a floor or a large baffle; baffle_m : width and height of the
    baffle, None for a wall or floor.
    """

    temperature_c: Annotated[Finite, Field(ge=-20, le=50)] = 20.0
    humidity_percent: Annotated[Finite, Field(ge=0, le=100)] = 50.0
    pressure_kpa: Annotated[Finite, Field(ge=50, le=110)] = 101.325
    anechoic: Flag = False
    ground_plane: Flag = False
    room: Room | None = None
    first_reflection_ms: Positive | None = None
    half_space: Flag = False
    baffle_m: tuple[Positive, Positive] | None = None


class _SweepTake(_Take):
    """stimulus : name of the [[other_stimulus]] that this take was recorded with, None for that of [stimulus]."""

    stimulus: Text | None = None


class FarFieldTake(_SweepTake):
    """A far-field position on an orbit. distance_m : from the reference point."""

    kind: Literal["far-field"]
    orbit: Literal["horizontal", "vertical"]
    angle_deg: Annotated[Finite, Field(ge=-180, le=360)]
    distance_m: Distance


class NearFieldTake(_SweepTake):
    """At the center of a cone or port. distance_m : gap between microphone and cone."""

    kind: Literal["near-field"]
    driver: Text
    distance_m: Annotated[Finite, Field(ge=0, le=0.5)] = 0.0


class LevelTake(_SweepTake):
    """One step of a level series: the stimulus at drive_v, on axis at distance_m, or near the named driver.

    pause_s : rest since the take before, in which coils cooled; crossover : words for the filter of its own that was
    switched in for this take alone, "low-pass 80 Hz", then it is no step of the series.
    """

    kind: Literal["level"]
    drive_v: Voltage
    distance_m: Distance
    driver: Text | None = None
    pause_s: NotNegative | None = None
    crossover: Text | None = None


class MultitoneTake(_Take):
    """A multitone; stimulus_file : the file that was played; periods start after run_in_s."""

    kind: Literal["multitone"]
    drive_v: Voltage
    distance_m: Distance
    stimulus_file: Text
    period_s: Positive
    run_in_s: NotNegative = 0.0


class TwoToneTake(_Take):
    """Two tones at once, for intermodulation. drive_v : rms of both together; both at full level after run_in_s;
    length_s is read from there, whole periods of both."""

    kind: Literal["two-tone"]
    drive_v: Voltage
    distance_m: Distance
    low_hz: Positive
    high_hz: Positive
    run_in_s: NotNegative = 0.0
    length_s: Annotated[Positive, Field(le=60)] = 1.0


class BurstTake(_Take):
    """One burst of 6.5 cycles at one level. drive_v : peak voltage; before_s : silence before it, read as noise."""

    kind: Literal["burst"]
    drive_v: Voltage
    distance_m: Distance
    frequency_hz: Positive
    before_s: NotNegative = 0.0


class NoiseRunTake(_Take):
    """Noise that lasts, for long-term compression. drive_v : its rms; at full level from run_in_s on, for duration_s;
    stretches of length_s at the start and at the end are compared."""

    kind: Literal["noise run"]
    drive_v: Voltage
    distance_m: Distance
    duration_s: Positive
    run_in_s: NotNegative = 0.0
    length_s: Annotated[Positive, Field(ge=0.5, le=60)] = 2.0


class SeatTake(_SweepTake):
    """At a seat of a room plan, in the room: how the prediction holds there. path_m : of a microphone that moves about
    the seat while noise plays; loudspeaker : the one of the plan that plays, its first where it is not named."""

    kind: Literal["seat"]
    seat: Text
    path_m: Annotated[Positive, Field(le=20)] | None = None
    loudspeaker: Text | None = None


class ImpedanceTableTake(_Take):
    """An impedance that another device measured, as a text table; a table tells no uncertainty, so it stands here."""

    kind: Literal["impedance table"]
    u_percent: Positive = 2.0
    u_deg: Positive = 2.0


class ImpedanceTake(_Take):
    """Two channels, voltage over the load and over (or before) a sense resistor.

    circuit : "resistor in ground leg" (channel A source, channel B over the resistor), "series resistor" (channel A
    before, channel B behind the resistor, over the load) or "over load and resistor" (channel A over the load, channel
    B over the resistor); role : "load", "open", "short", "reference".
    """

    kind: Literal["impedance"]
    circuit: Literal["series resistor", "resistor in ground leg", "over load and resistor"] = "series resistor"
    resistor_ohm: Positive
    resistor_tolerance_percent: Positive = 1.0
    channel_a: Channel = 1
    channel_b: Channel = 2
    role: Literal["load", "open", "short", "reference"] = "load"
    reference_ohm: Positive | None = None


class NoiseFloorTake(_Take):
    """Silence at the measuring position, same gain as the takes."""

    kind: Literal["noise floor"]


Take = Annotated[
    FarFieldTake
    | NearFieldTake
    | LevelTake
    | MultitoneTake
    | TwoToneTake
    | BurstTake
    | NoiseRunTake
    | SelfNoiseTake
    | LimiterTake
    | SeatTake
    | ImpedanceTake
    | ImpedanceTableTake
    | ScanTake
    | ScanPressuresTake
    | ResponseTake
    | ImpulseTake
    | DirectionsTake
    | CurvesTake
    | UncertaintyTake
    | LevelTableTake
    | MultitoneTableTake
    | NoiseFloorTake,
    Field(discriminator="kind"),
]


class Photo(Strict):
    """A picture of the loudspeaker for the page. alt : what is seen on it, for those who do not see it."""

    file: Text
    alt: Text
    caption: Text | None = None


class Session(Strict):
    """One validated session. `takes` in the order of the file; patterns already spelled out."""

    format: Literal[1]
    date: Annotated[str, Field(pattern=DATE)]
    loudspeaker: Loudspeaker
    tester: Tester = Tester()
    microphone: Microphone
    drive: Drive
    stimulus: Annotated[SweepStimulus | FileStimulus | NoStimulus, Field(discriminator="kind")]
    other_stimulus: tuple[Annotated[OtherSweep | OtherFile, Field(discriminator="kind")], ...] = ()
    reference: ReferenceChannel | None = None
    environment: Environment = Environment()
    turntable: Turntable | None = None
    scan: ScanSetup | None = None
    responses: ResponseFacts | None = None
    unit: Unit = Unit()
    variant: Variant = Variant()
    photos: Annotated[tuple[Photo, ...], Field(alias="photo", max_length=12)] = ()
    takes: Annotated[tuple[Take, ...], Field(min_length=1)]
    file_hashes: dict[str, str] = Field(default_factory=dict)

    def takes_of(self, kind: type[T]) -> tuple[T, ...]:
        """All takes of one kind, in order."""
        return tuple(t for t in self.takes if isinstance(t, kind))

    @property
    def state(self) -> str:
        """Which unit in which variant, in words; "" where the session states neither."""
        return ", ".join(filter(None, (self.unit.label, self.variant.label)))

    @property
    def played(self) -> SweepStimulus | FileStimulus:
        """What the usual take was recorded with. InputError for a session of responses, where nothing was played."""
        if isinstance(self.stimulus, NoStimulus):
            raise InputError.of("session.nothing_played", where="session.toml, [stimulus]")
        return self.stimulus

    def stimulus_of(self, take: object) -> SweepStimulus | FileStimulus:
        """What a take was recorded with: the other stimulus that it names, else that of [stimulus]."""
        return named_stimulus(take, self.played, self.other_stimulus)


S = TypeVar("S", SweepStimulus | FileStimulus, SweepStimulus | FileStimulus | None)


def named_stimulus(take: object, usual: S, others: tuple[OtherSweep | OtherFile, ...]) -> S:
    """The one of `others` that the take names, `usual` where it names none or one that is not there."""
    name = getattr(take, "stimulus", None)
    return next((one for one in others if one.name == name), usual) if name is not None else usual
