"""Which ink each meaning is drawn with, on paper and on a dark screen."""

from dataclasses import dataclass
from typing import Final, Literal

from earwitness.exhibits.chart import Role
from earwitness.files.data import table_of

Theme = Literal["light", "dark"]


@dataclass(frozen=True, slots=True)
class Ink:
    """How the traces of one role are drawn. width_px : of the line; dash : SVG dash pattern, "" for solid."""

    light: str
    dark: str
    width_px: float
    dash: str = ""

    def color(self, theme: Theme) -> str:
        """Color as "#rrggbb"."""
        return self.light if theme == "light" else self.dark


@dataclass(frozen=True, slots=True)
class Ground:
    """Colors of a theme that belong to no trace. grid and minor are meant to recede and carry no message alone."""

    paper: str
    ink: str
    muted: str
    grid: str
    minor: str
    band: str
    heard: str


_COLORS = table_of("render", "colors")
INKS: Final[dict[Role, Ink]] = {role: Ink(*values) for role, values in _COLORS["inks"].items()}
GROUNDS: Final[dict[Theme, Ground]] = {theme: Ground(**colors) for theme, colors in _COLORS["grounds"].items()}
# Bands of a map, quietest first.
MAP_BANDS: Final[dict[Theme, tuple[str, ...]]] = {theme: tuple(bands) for theme, bands in _COLORS["map_bands"].items()}
