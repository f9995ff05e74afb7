"""Which ink each meaning is drawn with, on paper and on a dark screen."""

from __future__ import annotations

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
    # Loudspeakers beside each other: tones that are told apart by every eye, and a dash each.
    "first": Ink("#1d2126", "#e8ecf0", 2.4),
    "second": Ink("#9a6200", "#e0a23a", 2.2, "10 4"),
    "third": Ink("#703460", "#ac70a6", 2.0, "2 3"),
    "fourth": Ink("#003a78", "#9cc4ff", 2.0, "10 3 2 3"),
}

GROUNDS: Final[dict[Theme, Ground]] = {
    "light": Ground("#ffffff", "#16191d", "#59616b", "#c3c8ce", "#e6e9ec", "#eceef1", "#b8305a"),
    "dark": Ground("#12161b", "#f3f5f7", "#a2aab4", "#3d444d", "#252b32", "#222930", "#f0789c"),
}

# Bands of a map, quietest first: quiet recedes into the paper of the theme. Equal steps of CIE 1976 color difference
# along one curve from paper over copper to plum, so that equal steps of level look equally large.
MAP_BANDS: Final[dict[Theme, tuple[str, ...]]] = {
    "light": (
        *("#faf6ef", "#f7e5d5", "#f1d2bc", "#e7bca3", "#d8a68c", "#c78e77", "#b37868"),
        *("#9f645c", "#8d5354", "#7a434f", "#69364b", "#582948", "#471e46"),
    ),
    "dark": (
        *("#1a1b21", "#2e232d", "#452d3b", "#5d3a4b", "#764a5b", "#8f5d6b", "#a6717a"),
        *("#ba8688", "#cd9b95", "#deb0a1", "#edc5ac", "#fbd9b5", "#ffeebf"),
    ),
}
