"""Takes that are no sweeps, as read: multitones, two tones, bursts, noise, limiters and a loudspeaker's own noise."""

from dataclasses import dataclass

from earwitness.quantities.arrays import BoolArray, FloatArray, FrequencyAxis, Locked, lock_fields, require_shape


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
