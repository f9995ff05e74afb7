"""What takes of a powered loudspeaker hold: its own noise, and its limiter at one frequency."""

from dataclasses import dataclass

from earwitness.quantities.arrays import FloatArray, Locked


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
