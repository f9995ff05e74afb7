"""What each sweep recording says of itself, read once while it is in memory anyway."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from earwitness.reduce.doubt.damage import DamageReading, Samples, Spectrum, damage_of
from earwitness.reduce.doubt.hiss import Hiss, hiss_of
from earwitness.reduce.doubt.stimulus import SweepReading, Track, loop_reading, microphone_reading, track_of
from earwitness.reduce.stimulus import Stimulus

# "closely" reads the track of a loop-back too, or without one when each band arrives at the microphone.
Look = Literal["plainly", "closely"]
Channel = tuple[Spectrum, Samples]


@dataclass(frozen=True, slots=True)
class Witness:
    """sweep : the loop-back, or without one the microphone, held against the stated stimulus; track : of the
    loop-back's own frequency, where asked for; microphone, loop : damage in these channels; hiss : of the microphone.
    None : could not be read.
    """

    take: str
    sweep: SweepReading | None
    track: Track | None
    microphone: DamageReading | None
    loop: DamageReading | None
    hiss: Hiss | None


def witness_of(
    take: str,
    stimulus: Stimulus,
    played: Spectrum,
    microphone: Channel,
    loop: Channel | None,
    *,
    length: int,
    look: Look,
) -> Witness:
    """The witness of a take: transforms (length // 2 + 1,) and samples (N,) of its channels and of the stimulus."""
    heard, hiss = damage_of(*microphone, length, stimulus, played), None
    if heard is not None and stimulus.law is not None:
        hiss = hiss_of(microphone[1], stimulus.rate_hz, stimulus.law, heard.begins_s)
    if loop is None:
        sweep = microphone_reading(microphone[0], length, stimulus, played) if look == "closely" else None
        return Witness(take, sweep, None, heard, None, hiss)
    sweep = loop_reading(loop[0], length, stimulus, played)
    wanted = look == "closely" and stimulus.law is not None
    track = track_of(np.asarray(loop[1], dtype=np.float64), stimulus.rate_hz) if wanted else None
    return Witness(take, sweep, track, heard, damage_of(*loop, length, stimulus, played, loop=True), hiss)
