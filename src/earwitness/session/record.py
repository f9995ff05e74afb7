"""The loudspeaker as it stands on paper: what it is, what it costs, what its maker claims."""

import math
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from earwitness.session.kind import Type

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False, strict=True)]
Finite = Annotated[float, Field(allow_inf_nan=False, strict=True)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False, strict=True)]
Flag = Annotated[bool, Field(strict=True)]
Whole = Annotated[int, Field(strict=True)]
CabinetLength = Annotated[float, Field(gt=0, le=10, allow_inf_nan=False, strict=True)]
Text = Annotated[str, Field(min_length=1, max_length=400)]
MOST_AREA_M2 = 3.0
Position = tuple[Finite, Finite, Finite]


class Strict(BaseModel):
    """Frozen, unknown keys refused, nothing coerced silently but whole numbers to floats."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class Price(Strict):
    """Price when tested. currency : ISO 4217 code; per : what one buys for it."""

    amount: Positive
    currency: Annotated[str, Field(pattern="^[A-Z]{3}$")]
    per: Literal["piece", "pair"] = "pair"


class Driver(Strict):
    """One radiating part.

    diameter_m : effective diameter (middle of surround to middle of surround; for a port its mouth); area_m2 :
    effective area, from which the diameter of a circle follows where none is given; position_m : center, from the
    reference point, AES69 axes (x forward, y left, z up); position_u_m : its standard uncertainty in each direction,
    None for what a tape measure gives; count : how many alike work together in a row about that place, of which one is
    recorded in the near field.
    """

    name: Text
    kind: Literal["cone", "dome", "horn", "ribbon", "port", "passive radiator", "other"]
    diameter_m: Annotated[Positive, Field(le=2)]
    area_m2: Annotated[Positive, Field(le=MOST_AREA_M2)] | None = None
    position_m: Position = (0.0, 0.0, 0.0)
    position_u_m: Annotated[Positive, Field(le=1)] | None = None
    count: Annotated[Whole, Field(ge=1, le=64)] = 1

    @model_validator(mode="before")
    @classmethod
    def _with_diameter(cls, given: Any) -> Any:
        area = given.get("area_m2") if isinstance(given, dict) and "diameter_m" not in given else None
        if isinstance(area, int | float) and not isinstance(area, bool) and 0 < area <= MOST_AREA_M2:
            return {**given, "diameter_m": 2.0 * math.sqrt(area / math.pi)}
        return given


ClaimQuantity = Literal[
    "sensitivity",
    "sensitivity 1 W",
    "lowest frequency",
    "highest frequency",
    "frequency range",
    "rated impedance",
    "minimum impedance",
    "amplifier power",
    "highest level",
]


class Claim(Strict):
    """One of the maker's claims.

    value : number in `unit`; value_to : second number of a range; tolerance_db : "+-3 dB" of a frequency range;
    drop_db : "-6 dB" of a band limit; text : the words as printed.
    """

    quantity: ClaimQuantity
    value: Positive
    value_to: Positive | None = None
    unit: Text
    tolerance_db: Positive | None = None
    drop_db: Positive | None = None
    text: str = ""


Use = Literal["desk", "bedroom", "living room", "large room", "background"]


class Loudspeaker(Strict):
    """A loudspeaker type under test. Lengths in metres, mass in kilograms.

    shape : of the cabinet; a sphere has the volume of the stated lengths and its front pole at the reference point
    reference_below_top_m, reference_left_m : of the reference point from the cabinet's top and to the left of the
        front's middle; the first follows from the drivers' places where it is not stated
    use : what it is meant for, by maker or tester; the verdict is held against it
    idle_w, maximum_w : power that a powered one takes from the mains, as stated or read off a meter
    """

    name: Text
    maker: Text
    type: Type
    enclosure: Literal["closed", "vented", "passive radiator", "open", "other"]
    powered: Flag = False
    invented: Flag = False
    year: Annotated[Whole, Field(ge=1900, le=2200)] | None = None
    price: Price | None = None
    width_m: CabinetLength
    height_m: CabinetLength
    depth_m: CabinetLength
    shape: Literal["box", "sphere", "other"] = "box"
    mass_kg: Positive | None = None
    reference_axis: Text
    reference_below_top_m: NotNegative | None = None
    reference_left_m: Finite = 0.0
    symmetric: Flag = True
    use: Use | None = None
    idle_w: Positive | None = None
    maximum_w: Positive | None = None
    rated_impedance_ohm: Positive | None = None
    drivers: Annotated[tuple[Driver, ...], Field(alias="driver")] = ()
    claims: Annotated[tuple[Claim, ...], Field(alias="claim")] = ()

    @property
    def title(self) -> str:
        """Maker and name; what is invented says so."""
        named = f"{self.maker} {self.name}"
        return f"{named} (invented)" if self.invented and "invented" not in named.casefold() else named


# Which specimen was measured, and in which state: a loudspeaker is more than one measurement.
#
# [unit]                      # the specimen serial = "A 0412" batch = "2026-03" hours = 120                 # of use
# before side = "left"               # of a pair
#
# [variant]                   # its state, chosen on purpose preset = "flat" firmware = "2.1" grille = "off"
# # on, off port_plugs = "none" placement = "free"          # free, wall, corner, half space condition = "after repair"

Said = Annotated[str, Field(max_length=80, pattern=r"^[^@,;\x00-\x1f\x7f]*$")]


class Unit(Strict):
    """One specimen of a loudspeaker; how it was had stands under [tester]. hours : of use before the session."""

    serial: Said = ""
    batch: Said = ""
    hours: NotNegative | None = None
    side: Literal["left", "right"] | None = None

    @property
    def label(self) -> str:
        """What tells it from other units, "unit A 0412, left"; "" where nothing does."""
        words = [f"unit {self.serial}"] if self.serial else []
        words += [self.side] if self.side else []
        return ", ".join(words)


class Variant(Strict):
    """A state of a unit that was chosen on purpose: it is a fixed effect, never part of a spread over units."""

    preset: Said = ""
    firmware: Said = ""
    grille: Literal["on", "off"] | None = None
    port_plugs: Said = ""
    placement: Literal["free", "wall", "corner", "half space"] | None = None
    condition: Said = ""

    @property
    def label(self) -> str:
        """What tells it from other variants, "preset flat, grille off"; "" where nothing does."""
        told = {
            "preset": self.preset,
            "firmware": self.firmware,
            "grille": self.grille or "",
            "port plugs": self.port_plugs,
            "placed": self.placement or "",
            "": self.condition,
        }
        return ", ".join(f"{key} {value}".strip() for key, value in told.items() if value)
