"""Charts and tables with the words of exhibits.toml: what stands on them whatever the data say."""

from collections.abc import Iterable, Mapping
from typing import Any

from earwitness.exhibits.chart import Caption, Chart, Lane, Panel, Table
from earwitness.files.data import table_of


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
    return Table(key, title, columns or tuple(usual["columns"]), align or tuple(usual["align"]), tuple(rows), note)


def _told(kind: str, key: str, parts: tuple[str, ...], words: dict[str, Any]) -> list[str]:
    usual = exhibit_texts()[kind][key]
    return [words[part] if part in words else usual.get(part, "").format(**words) for part in parts]
