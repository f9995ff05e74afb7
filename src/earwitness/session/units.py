"""Which specimen was measured, and in which state: a loudspeaker is more than one measurement.

[unit]                      # the specimen
serial = "A 0412"
batch = "2026-03"
hours = 120                 # of use before
side = "left"               # of a pair

[variant]                   # its state, chosen on purpose
preset = "flat"
firmware = "2.1"
grille = "off"              # on, off
port_plugs = "none"
placement = "free"          # free, wall, corner, half space
condition = "after repair"
"""

from typing import Annotated, Literal

from pydantic import Field

from earwitness.session.record import NotNegative, Strict

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
