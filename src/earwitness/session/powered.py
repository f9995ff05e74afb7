"""Takes that only a powered loudspeaker has: its own noise, and a tone that its limiter bends."""

from typing import Literal

from earwitness.session.record import Flag, Positive
from earwitness.session.take import Distance, TakeFacts, Voltage


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
