"""What a multitone take holds: the powers of its tones and of what lies between them."""

from dataclasses import dataclass

from earwitness.quantities.arrays import FloatArray, lock_fields


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
