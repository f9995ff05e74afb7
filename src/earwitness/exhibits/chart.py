"""What is shown, as values: no pixels, no colors. Renderers turn one Chart into screen, page, print and still."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from earwitness.files.data import table_of
from earwitness.quantities import Curve, DirectivityMap

Role = Literal[
    "direct",
    "window",
    "reflected",
    "reflected part",
    "all directions",
    "in room",
    "directivity",
    "mended",
    "before",
    "plain",
    "first",
    "second",
    "third",
    "fourth",
    "order 2",
    "order 3",
    "order 4",
    "order 5",
    "level 1",
    "level 2",
    "level 3",
    "level 4",
    "level 5",
]
RegionKind = Literal["window", "splice", "target", "heard"]


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """One curve of a chart. role : its meaning, from which the renderer takes color, width and dash;
    label : direct label at its end; ribbon : show its uncertainty (k = 2)."""

    curve: Curve
    role: Role
    label: str
    ribbon: bool = False


@dataclass(frozen=True, slots=True)
class ChartRegion:
    """A band of frequency and, for windows and targets, of level. label stands beside it."""

    kind: RegionKind
    low_hz: float
    high_hz: float
    low: float | None = None
    high: float | None = None
    label: str = ""


@dataclass(frozen=True, slots=True)
class Mark:
    """A numbered finding at a point of a curve; the same number stands in text, table and talk."""

    number: int
    at_hz: float
    at: float
    text: str


PointKind = Literal["own", "frontier", "near", "other"]


@dataclass(frozen=True, slots=True)
class Point:
    """One thing at a place of two scales: `at` across, `value` up with its standard uncertainty u.

    kind : "own" is what the chart is about; "frontier" are joined by steps; "near" cannot be told from those;
    name : of the thing; words : price and value, as they are written
    """

    kind: PointKind
    at: float
    value: float
    u: float
    name: str
    words: tuple[str, str]


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """One plot area. low, high, step : of the vertical axis in `unit`;
    db_per_decade : length of a decade as dB (IEC 60263), None where the axis is not in dB."""

    label: str
    unit: str
    low: float
    high: float
    step: float
    traces: tuple[Trace, ...] = ()
    regions: tuple[ChartRegion, ...] = ()
    marks: tuple[Mark, ...] = ()
    map: DirectivityMap | None = None
    map_edges: tuple[Curve, ...] = ()
    db_per_decade: float | None = 25.0
    points: tuple[Point, ...] = ()


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of frequency with words over it. holds : False for a refusal: no match, no cure, left alone."""

    low_hz: float
    high_hz: float
    words: str
    holds: bool


@dataclass(frozen=True, slots=True)
class Lane:
    """One line of the score above a chart, on the chart's own frequency axis."""

    kind: Literal["heard", "measured", "mended"]
    spans: tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class Caption:
    """finding : what the chart shows, from numbers; reading : how to read it."""

    finding: str
    reading: str


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """One chart: panels stacked over a shared logarithmic frequency axis; where axis is "time", over a linear one in
    milliseconds, which low_hz, high_hz and the axes of its curves then hold; where axis is "price", over a logarithmic
    one of prices, on which there are points and no curves. lanes : stand above the first panel where there is room."""

    key: str
    title: str
    subtitle: str
    caption: Caption
    panels: tuple[Panel, ...]
    low_hz: float = 20.0
    high_hz: float = 20_000.0
    note: str = ""
    axis: Literal["frequency", "time", "price"] = "frequency"
    lanes: tuple[Lane, ...] = ()


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text under columns; align : "left" or "right" per column."""

    key: str
    title: str
    columns: tuple[str, ...]
    align: tuple[Literal["left", "right"], ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""


def exhibit_texts() -> Mapping[str, dict[str, dict[str, Any]]]:
    """By kind, "charts" or "tables", and key."""
    return table_of("exhibits", "exhibits")


def chart(
    key: str,
    panels: Iterable[Panel],
    /,
    *,
    finding: str = "",
    low_hz: float = 20.0,
    high_hz: float = 20_000.0,
    axis: Any = "frequency",
    lanes: tuple[Lane, ...] = (),
    **words: Any,
) -> Chart:
    """The chart `key`. words : title, subtitle, reading or note where the data decide them, and facts for the braces of
    the usual ones."""
    title, subtitle, reading, note = _told("charts", key, ("title", "subtitle", "reading", "note"), words)
    return Chart(key, title, subtitle, Caption(finding, reading), tuple(panels), low_hz, high_hz, note, axis, lanes)


def table(
    key: str,
    rows: Iterable[tuple[str, ...]],
    /,
    *,
    columns: tuple[str, ...] | None = None,
    align: Any = None,
    **words: Any,
) -> Table:
    """The table `key`. columns, align : where they hang on the data; words : as in `chart`."""
    usual = exhibit_texts()["tables"][key]
    title, note = _told("tables", key, ("title", "note"), words)
    return Table(key, title, columns or tuple(usual["columns"]), align or tuple(usual["align"]), tuple(rows), note=note)


def _told(kind: str, key: str, parts: tuple[str, ...], words: dict[str, Any]) -> list[str]:
    usual = exhibit_texts()[kind][key]
    return [words[part] if part in words else usual.get(part, "").format(**words) for part in parts]
