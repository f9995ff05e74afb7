"""What the reduction of one session yields: responses, by which steps they were won, and what is wrong with them.

With takes that are no sweeps, as read (multitones, two tones, bursts, noise, limiters, own noise), and what a scan
in the near field yields beside the response: the field as waves, and how far to trust it.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from earwitness import __version__
from earwitness.quantities.arrays import (
    BoolArray,
    ComplexArray,
    FloatArray,
    FrequencyAxis,
    IntArray,
    Locked,
    lock_fields,
    require_shape,
)
from earwitness.quantities.response import DirectionalResponse, Impedance


@dataclass(frozen=True, slots=True, eq=False)
class TwoToneReading:
    """Lines of a two-tone take.

    lines_pa (5,) : rms at f2, f2 - f1, f2 + f1, f2 - 2 f1, f2 + 2 f1 [Pa]; noise_pa : rms of the noise in one line [Pa]
    drive_v : total rms voltage
    """

    take: str
    drive_v: float
    distance_m: float
    low_hz: float
    high_hz: float
    lines_pa: FloatArray
    noise_pa: float

    def __post_init__(self) -> None:
        lock_fields(self, lines_pa=float)
        require_shape("TwoToneReading", "lines_pa", self.lines_pa, (5,))


@dataclass(frozen=True, slots=True, eq=False)
class BurstTakeReading:
    """One recorded burst. drive_v : peak voltage; peak_pa : of the fundamental; relative_db (K,) : highest line near
    each of the orders (K) against the fundamental's; missing : orders beyond the recording
    noise_pa : peak that the noise alone would seem to have; in_room : reflections are in it; clipped : at full scale
    """

    take: str
    drive_v: float
    distance_m: float
    frequency_hz: float
    peak_pa: float
    orders: tuple[int, ...]
    relative_db: FloatArray
    missing: tuple[int, ...]
    noise_pa: float
    in_room: bool
    clipped: bool = False

    def __post_init__(self) -> None:
        lock_fields(self, relative_db=float)
        require_shape("BurstTakeReading", "relative_db", self.relative_db, (len(self.orders),))


@dataclass(frozen=True, slots=True, eq=False)
class NoiseRun:
    """Levels at the start and at the end of lasting noise.

    start_db, hot_db (F,) : third octaves around the axis, for the same voltage at the terminals [dB SPL]; u_db (F,) :
    standard uncertainty of their difference; valid (F,); after_s : between the middles of both
    against_reference : the voltage was recorded with it, so that the noise's own ups and downs cancel
    """

    take: str
    drive_v: float
    distance_m: float
    axis: FrequencyAxis
    start_db: FloatArray
    hot_db: FloatArray
    u_db: FloatArray
    valid: BoolArray
    after_s: float
    against_reference: bool

    def __post_init__(self) -> None:
        lock_fields(self, start_db=float, hot_db=float, u_db=float, valid=bool)
        for name in ("start_db", "hot_db", "u_db", "valid"):
            require_shape("NoiseRun", name, getattr(self, name), self.axis.hz.shape)


@dataclass(frozen=True, slots=True, eq=False)
class MultitoneLines:
    """Powers (mean squares, in the unit of the samples squared) in a recorded multitone.

    frequency_hz, tone (K,) : the tones; residue (K,) : distortion and noise from the geometric middle to the tone
    below to that to the tone above; noise (K,) : what of it changes from period to period (or from a silent
    recording), None where only one period was had
    total_tone, total_residue, total_noise : of all tones, and of all lines from half the lowest tone on (or from_row);
    drift : recorder's clock against the player's minus 1
    """

    frequency_hz: FloatArray
    tone: FloatArray
    residue: FloatArray
    noise: FloatArray | None
    total_tone: float
    total_residue: float
    total_noise: float | None
    periods: int
    drift: float

    def __post_init__(self) -> None:
        lock_fields(self, frequency_hz=float, tone=float, residue=float)
        if self.noise is not None:
            lock_fields(self, noise=float)


@dataclass(frozen=True, slots=True, eq=False)
class MultitoneReading:
    """lines : powers at the microphone [Pa^2]; crest_db : of the signal played; drive_v : its total rms voltage."""

    take: str
    drive_v: float
    distance_m: float
    crest_db: float
    lines: MultitoneLines


@dataclass(frozen=True, slots=True, eq=False)
class SelfNoise(Locked):
    """Noise at the microphone. band_hz (B,) : middles of third octaves; on_db, off_db (B,) : switched on and off [dB
    SPL]; on_dba, off_dba : the same A-weighted, whole; u_on_db, u_off_db : standard uncertainties of these by chance
    """

    takes: tuple[str, ...]
    distance_m: float
    band_hz: FloatArray
    on_db: FloatArray
    off_db: FloatArray
    on_dba: float
    off_dba: float
    u_on_db: float
    u_off_db: float


@dataclass(frozen=True, slots=True)
class TimeConstant:
    """Of the gain after a jump [s], with its standard uncertainty; resolved : False where it is an upper bound.

    law : "dB" where the gain in dB runs on as an exponential, "linear" where the gain itself does
    """

    time_s: float
    u_s: float
    resolved: bool
    law: str


@dataclass(frozen=True, slots=True, eq=False)
class LimiterCurve(Locked):
    """Level out over level in, and times.

    in_db, out_db (N,) : rms of the steps, dB re 1 V and dB SPL where recordings are read; used : so many of them, from
    the quietest, follow one curve; gain_db : below the threshold; threshold_db : of the input; slope : of the output
    over the input above it (1 over the ratio); knee_db : width; u (4,) : standard uncertainties of these, in this
    order; rms_db : what the steps leave over
    """

    in_db: FloatArray
    out_db: FloatArray
    used: int
    gain_db: float
    threshold_db: float
    slope: float
    knee_db: float
    u: tuple[float, ...]
    rms_db: float
    attack: TimeConstant | None
    release: TimeConstant | None


@dataclass(frozen=True, slots=True)
class LimiterReading:
    """A limiter at one frequency. clipped : the recording stood at full scale."""

    take: str
    distance_m: float
    frequency_hz: float
    curve: LimiterCurve
    clipped: bool


@dataclass(frozen=True, slots=True, eq=False)
class WavePart(Locked):
    """Outgoing waves about one center over some frequencies of the measurement's axis.

    rows (R,) of the axis; weight (R,) share in the field, 0 to 1; order (R,) highest order used; outgoing (R, K)
    coefficients of complex harmonics in ACN order, scaled by the size of the outgoing wave on the source's sphere
    center_m (3,) in the scan's coordinates; axes : which of x, y, z are the harmonics' local ones
    source_radius_m, outer_radius_m, room_distance_m : that the scaling counts from; inner_radius_m : nothing is said
    nearer to the center
    """

    rows: IntArray
    weight: FloatArray
    order: IntArray
    outgoing: ComplexArray
    center_m: tuple[float, float, float]
    axes: tuple[int, int, int]
    source_radius_m: float
    outer_radius_m: float
    room_distance_m: float
    inner_radius_m: float


@dataclass(frozen=True, slots=True, eq=False)
class ScanReading:
    """Arrays (F,) on the measurement's axis.

    residual_db : what the waves leave unexplained, against all sound at the microphones; leave_out_db : the same at
    points not used; scattered_db : the room's sound taken off as scattered at the cabinet, against the loudspeaker's
    own; condition : of the equations; u_db : expected error over the CTA directions; order_out, order_in (-1: none);
    valid : frequencies to show
    joint_hz : where sound before the first reflection takes over, or None; points, points_left_out : how many
    body : "box", "sphere" or "none"; reference_m (3,): where distances count from; sentence : plain words
    """

    residual_db: FloatArray
    leave_out_db: FloatArray
    scattered_db: FloatArray
    condition: FloatArray
    u_db: FloatArray
    order_out: IntArray
    order_in: IntArray
    valid: BoolArray
    joint_hz: float | None
    points: int
    points_left_out: int
    body: str
    speed_of_sound_m_s: float
    reference_m: tuple[float, float, float]
    sentence: str
    parts: tuple[WavePart, ...]

    def __post_init__(self) -> None:
        real = dict.fromkeys(("residual_db", "leave_out_db", "scattered_db", "condition", "u_db"), float)
        lock_fields(self, **real, order_out=int, order_in=int, valid=bool)


Severity = Literal["info", "warn", "reject"]


@dataclass(frozen=True, slots=True)
class QualityFlag:
    """One red flag, in numbers and in a sentence.

    id : "clipping", "snr", ...; severity : info, warn or reject
    number, threshold : what was found and the limit it was held against, in `unit`
    takes : ids of the takes concerned; band_hz : frequencies concerned, or None for all
    sentence : plain words for the page
    """

    id: str
    severity: Severity
    number: float
    threshold: float
    unit: str
    takes: tuple[str, ...]
    band_hz: tuple[float, float] | None
    sentence: str


Setting = str | int | float | bool | None | tuple["Setting", ...]


@dataclass(frozen=True, slots=True)
class Step:
    """One step of processing, as data.

    name : such as "reduce"; settings : sorted (name, value) pairs; inputs : hashes of files or keys of earlier
    steps; program : version that ran it.
    """

    name: str
    settings: tuple[tuple[str, Setting], ...]
    inputs: tuple[str, ...]
    program: str

    @property
    def key(self) -> str:
        """Name under which this step's result is stored: 32 hex digits over all fields."""
        text = json.dumps([self.name, self.settings, self.inputs, self.program], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:32]


def step(name: str, settings: Mapping[str, Setting], inputs: tuple[str, ...]) -> Step:
    """A step run by this version of the program."""
    return Step(name, tuple(sorted(settings.items())), tuple(inputs), f"earwitness {__version__}")


@dataclass(frozen=True, slots=True)
class Gate:
    """The time window put on every far-field impulse response.

    start_s, end_s : relative to the arrival of the direct sound [s]; taper_s : length of the closing taper [s]
    reflection_s : first reflection after the direct sound [s], or None in an anechoic room
    source : "anechoic", "room dimensions", "stated by the tester"
    lowest_valid_hz : below it the gated response is not used
    """

    start_s: float
    end_s: float
    taper_s: float
    reflection_s: float | None
    source: str
    lowest_valid_hz: float


@dataclass(frozen=True, slots=True)
class Splice:
    """How near field and gated far field were joined.

    low_hz, high_hz : edges of the blend, chosen by the data
    gain_db : level change put on the near field to meet the far field; expected_gain_db : from geometry
    slope_db_per_octave, spread_db : of their difference inside the blend
    delay_s, inverted : alignment of the near field
    sentence : plain words for the page
    """

    low_hz: float
    high_hz: float
    gain_db: float
    expected_gain_db: float
    slope_db_per_octave: float
    spread_db: float
    delay_s: float
    inverted: bool
    sentence: str


@dataclass(frozen=True, slots=True, eq=False)
class NearField:
    """Near-field response of one cone or port. level_db : (F,) [dB re 1 Pa/V]; phase_rad : (F,)."""

    driver: str
    axis: FrequencyAxis
    level_db: FloatArray
    phase_rad: FloatArray
    lowest_valid_hz: float
    highest_valid_hz: float

    def __post_init__(self) -> None:
        lock_fields(self, level_db=float, phase_rad=float)
        require_shape("NearField", "level_db", self.level_db, self.axis.hz.shape)
        require_shape("NearField", "phase_rad", self.phase_rad, self.axis.hz.shape)


@dataclass(frozen=True, slots=True, eq=False)
class Harmonics:
    """Harmonic responses of one sweep take, split off in time.

    take : id; drive_v : rms voltage of the sweep's sine [V]; distance_m : of the microphone
    place : "far-field" or "near-field"
    orders : harmonic orders, (2, 3, 4, 5); axis : frequency of the fundamental
    fundamental_db : (F,) level of the fundamental at the microphone [dB SPL rms]
    harmonic_db : (K, F) level of harmonic n at n times the axis frequency [dB SPL rms]
    noise_db : (K, F) noise floor of harmonic_db
    valid : (K, F); False where n f lies outside the sweep or the recording
    in_series : a take of a level series, not the take on axis; driver : what the microphone stood near, else ""
    clipped : the recording stood at full scale; temperature_c : of the air, or None where the session's holds
    pause_s : between the take before and this one, or None where it is not stated
    crossover : words for a filter of the loudspeaker's own that was switched in for this take alone, else ""
    level_known : (F,) where the fundamental's level was measured and not told by the voltage; None for everywhere
    Order 0 stands for the total of all harmonics, where the data hold no orders.
    """

    take: str
    drive_v: float
    distance_m: float
    place: Literal["far-field", "near-field"]
    orders: tuple[int, ...]
    axis: FrequencyAxis
    fundamental_db: FloatArray
    harmonic_db: FloatArray
    noise_db: FloatArray
    valid: BoolArray
    in_series: bool = True
    driver: str = ""
    clipped: bool = False
    temperature_c: float | None = None
    pause_s: float | None = None
    level_known: BoolArray | None = None
    crossover: str = ""

    def __post_init__(self) -> None:
        lock_fields(self, fundamental_db=float, harmonic_db=float, noise_db=float, valid=bool)
        if self.level_known is not None:
            lock_fields(self, level_known=bool)
        shape = (len(self.orders), len(self.axis))
        require_shape("Harmonics", "fundamental_db", self.fundamental_db, shape[1:])
        for name in ("harmonic_db", "noise_db", "valid"):
            require_shape("Harmonics", name, getattr(self, name), shape)


@dataclass(frozen=True, slots=True, eq=False)
class BudgetLine(Locked):
    """One contribution to the uncertainty. u_db : (F,) standard uncertainty; common : shared by all directions."""

    name: str
    source: str
    u_db: FloatArray
    common: bool


@dataclass(frozen=True, slots=True, eq=False)
class Average(Locked):
    """An average over directions that the data give without them.

    key : of the curve, such as "sound_power"; level_db, u_db (F,) : as the response's on-axis pressure, dB re 1 Pa/V at
    1 m, or relative; u_db without what the whole session shares; valid (F,)
    """

    key: str
    level_db: FloatArray
    u_db: FloatArray
    valid: BoolArray


@dataclass(frozen=True, slots=True, eq=False)
class SeatReading:
    """What stood at a seat, the room and all: level_db (F,) [dB SPL, 2.83 V], means over the axis's steps; valid (F,).

    path_m : of a moving microphone, 0 for one that stood; loudspeaker : of the plan, "" for its first
    """

    take: str
    seat: str
    path_m: float
    loudspeaker: str
    axis: FrequencyAxis
    level_db: FloatArray
    valid: BoolArray

    def __post_init__(self) -> None:
        lock_fields(self, level_db=float, valid=bool)


@dataclass(frozen=True, slots=True, eq=False)
class Measurement:
    """All that the reduction of one session yields.

    response : over all measured directions; snr_db : (D, F) as recorded with the gate used
    impulse_rate_hz, impulse : on-axis impulse response [Pa/V], gated, for looking at; impulse_onset_s : time of
        its direct sound in the array
    budget : contributions to the on-axis uncertainty
    harmonics : of the take on axis and of level takes, these in the order they were recorded
    multitones, two_tones, bursts, noise_runs, seats : what takes of these kinds hold
    self_noise, limiters : of a powered loudspeaker; late_s : of its sound beside the way through the air, taken out of
        the response, None where no loop-back tells it
    averages : curves alone, on the response's axis; scan : how a near-field scan was separated, and its field
    kept_takes : ids of takes kept in the archive, not used here
    """

    response: DirectionalResponse
    snr_db: FloatArray
    gate: Gate
    splice: Splice | None
    near_field: tuple[NearField, ...]
    harmonics: tuple[Harmonics, ...]
    impedance: Impedance | None
    impulse_rate_hz: float
    impulse: FloatArray
    impulse_onset_s: float
    budget: tuple[BudgetLine, ...]
    flags: tuple[QualityFlag, ...]
    kept_takes: tuple[str, ...]
    steps: tuple[Step, ...]
    multitones: tuple[MultitoneReading, ...] = ()
    two_tones: tuple[TwoToneReading, ...] = ()
    bursts: tuple[BurstTakeReading, ...] = ()
    noise_runs: tuple[NoiseRun, ...] = ()
    scan: ScanReading | None = None
    averages: tuple[Average, ...] = ()
    self_noise: SelfNoise | None = None
    limiters: tuple[LimiterReading, ...] = ()
    late_s: float | None = None
    seats: tuple[SeatReading, ...] = ()

    def __post_init__(self) -> None:
        lock_fields(self, snr_db=float, impulse=float)
        require_shape("Measurement", "snr_db", self.snr_db, self.response.pressure.shape)
