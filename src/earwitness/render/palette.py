"""Which ink each meaning is drawn with, on paper and on a dark screen."""

from dataclasses import dataclass
from typing import Final, Literal

from earwitness.exhibits.chart import Role

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


INKS: Final[dict[Role, Ink]] = {
    "direct": Ink("#003a78", "#9cc4ff", 1.4),
    "window": Ink("#2a70bd", "#4d94f5", 2.4),
    "reflected": Ink("#9a6200", "#e0a23a", 2.0),
    "reflected part": Ink("#8a6a1c", "#c99a4e", 1.4, "1.5 3"),
    "all directions": Ink("#703460", "#ac70a6", 2.0),
    "in room": Ink("#16191d", "#f3f5f7", 2.8),
    "directivity": Ink("#5f6670", "#9aa2ac", 1.8, "9 3"),
    "mended": Ink("#0b7f5a", "#2fc795", 2.2),
    "before": Ink("#6d747d", "#858d97", 1.6, "6 3"),
    "plain": Ink("#3c434c", "#c3c9d0", 1.8),
    # Loudspeakers beside each other: hues of their own that every eye tells apart, and a dash each.
    "first": Ink("#1d2126", "#e8ecf0", 2.4),
    "second": Ink("#00727c", "#3fc1cc", 2.2, "10 4"),
    "third": Ink("#6b5a00", "#d0bc4a", 2.0, "2 3"),
    "fourth": Ink("#4a3fc0", "#a9a4ff", 2.0, "10 3 2 3"),
    # Harmonics are of one warm family, and a dash each.
    "order 2": Ink("#8f2a06", "#ff9a6e", 2.2),
    "order 3": Ink("#c2410c", "#f0704a", 2.0, "9 3"),
    "order 4": Ink("#6b4a3a", "#d8b09c", 1.6, "2 3"),
    "order 5": Ink("#5c5c5c", "#b0b0b0", 1.6, "9 3 2 3"),
    # A series from low to high, of levels or moments, is one hue that grows in strength.
    "level 1": Ink("#8064b8", "#8f78c9", 1.2, "2 3"),
    "level 2": Ink("#7050b0", "#a68fdc", 1.4, "4 3"),
    "level 3": Ink("#5b389d", "#bda9ec", 1.6, "8 3"),
    "level 4": Ink("#442385", "#d3c5f7", 1.8),
    "level 5": Ink("#2a0d5e", "#ece6ff", 2.4),
}

GROUNDS: Final[dict[Theme, Ground]] = {
    "light": Ground("#ffffff", "#16191d", "#59616b", "#c3c8ce", "#e6e9ec", "#eceef1", "#b8305a"),
    "dark": Ground("#12161b", "#f3f5f7", "#a2aab4", "#3d444d", "#252b32", "#222930", "#f0789c"),
}

# Bands of a map, quietest first: quiet recedes into the paper of the theme. Lightness spends itself above -12 dB, in
# even steps along one curve from paper over copper to plum; below it the bands can just be told apart.
MAP_BANDS: Final[dict[Theme, tuple[str, ...]]] = {
    "light": (
        *("#faf6ef", "#f9f3ea", "#f9efe5", "#f8eadd", "#f7e5d5", "#f5decc", "#f2d6c2"),
        *("#e0b298", "#c78e77", "#a86d61", "#874e53", "#64324a", "#431a42"),
    ),
    "dark": (
        *("#191a20", "#1c1c22", "#201d24", "#252028", "#2d232c", "#362632", "#422c39"),
        *("#6b4354", "#915f6c", "#b37f83", "#d3a299", "#eec7ad", "#ffedbe"),
    ),
}
