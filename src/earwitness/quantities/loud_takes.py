"""What takes of two tones, of bursts and of lasting noise hold, in pascals at the microphone."""

from dataclasses import dataclass

from earwitness.quantities.arrays import BoolArray, FloatArray, lock_fields, require_shape
from earwitness.quantities.axis import FrequencyAxis


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
