"""What every take of a session has."""

from typing import Annotated

from pydantic import Field

from earwitness.session.record import Finite, Positive, Strict, Text, Whole

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
