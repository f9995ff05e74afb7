"""An amplifier as its maker rates it, from a TOML file.

name = "Brook 60 (invented)"
minimum_load_ohm = 4.0
damping_factor = 100.0
[[power]]
load_ohm = 8.0
power_w = 60.0
"""

from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, model_validator

from earwitness.session.record import Flag, Positive, Strict, Text
from earwitness.session.small_toml import read_small_toml

Load = Annotated[Positive, Field(ge=0.5, le=100)]


class RatedPower(Strict):
    """Continuous power [W] of a sine into a resistor [ohm], one channel or as `text` says."""

    load_ohm: Load
    power_w: Annotated[Positive, Field(ge=0.001, le=100_000)]
    text: str = ""


class AmplifierSheet(Strict):
    """What an amplifier can do. Give output_impedance_ohm or damping_factor (against damping_load_ohm), or neither.

    minimum_load_ohm : least rated impedance the maker allows; peak_current_a : instantaneous; cable_ohm : both ways.
    """

    name: Text
    maker: str = ""
    invented: Flag = False
    ratings: Annotated[tuple[RatedPower, ...], Field(alias="power", min_length=1, max_length=8)]
    minimum_load_ohm: Load | None = None
    output_impedance_ohm: Annotated[Positive, Field(le=100)] | None = None
    damping_factor: Annotated[Positive, Field(ge=0.01)] | None = None
    damping_load_ohm: Load = 8.0
    peak_current_a: Annotated[Positive, Field(ge=0.001)] | None = None
    cable_ohm: Annotated[float, Field(ge=0, le=10, allow_inf_nan=False, strict=True)] = 0.0

    @model_validator(mode="after")
    def _one_of_each(self) -> Self:
        if self.output_impedance_ohm is not None and self.damping_factor is not None:
            raise ValueError("output_impedance_ohm and damping_factor say the same: give one of them")
        loads = [one.load_ohm for one in self.ratings]
        if len(set(loads)) < len(loads):
            raise ValueError("two powers are rated into the same load")
        return self


def read_amplifier_sheet(path: Path) -> AmplifierSheet:
    """The sheet in a TOML file. Raises InputError that lists every fault, with its line."""
    return read_small_toml(path, AmplifierSheet)
