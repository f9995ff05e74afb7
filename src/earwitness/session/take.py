"""What every take of a session has, and takes that only a powered loudspeaker has."""

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
