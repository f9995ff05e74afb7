"""What a reader can take home: curves and directivity as CSV, charts as JSON, the balloon as SOFA."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from math import isfinite
from pathlib import Path

import numpy as np

from earwitness.exhibits.chart import Chart, Panel
from earwitness.exhibits.family import PREFIX
from earwitness.exhibits.record import record
from earwitness.insight.mend.export import coefficients_json, table_text
from earwitness.publish.dataset_tables import number_text, table_csv
from earwitness.publish.review import Review
from earwitness.quantities import Curve, DirectionalResponse, DirectivityMap, Figure

CHARTS_FORMAT = 1
LICENSE = "no license stated; ask the tester"


@dataclass(frozen=True, slots=True)
class Download:
    """One file beside the page. path : relative to it; words : what it holds; size_bytes."""

    path: str
    words: str
    size_bytes: int


def write_downloads(review: Review, folder: Path) -> tuple[Download, ...]:
    """Write all downloads into `folder`/downloads and list them. OSError where the disk refuses."""
    from earwitness.formats.sofa import write_sofa

    place = folder / "downloads"
    place.mkdir()
    response = review.measurement.response
    texts = {
        "curves.csv": ("All curves, each with its uncertainty and where it can be trusted (CSV)", curves_csv(review)),
        "directivity.csv": ("Level in every direction measured, with uncertainty (CSV)", directivity_csv(response)),
        "figures.csv": ("All figures with uncertainty, band and method (CSV)", figures_csv(review)),
        "charts.json": ("The definitions of all charts (JSON)", charts_json(review.charts)),
    }
    if differences := differences_csv(review):
        texts["differences.csv"] = (
            "Differences from other samples, states and days, with uncertainty (CSV)",
            differences,
        )
    if review.corrections:
        words = "What changed since it was first published, and why (CSV)"
        texts["corrections.csv"] = (words, corrections_csv(review))
    if review.equalizer is not None:
        texts |= {
            "equalizer.txt": ("The equalizer as a table, to set a device by (text)", table_text(review.equalizer)),
            "equalizer.json": (
                "The equalizer as biquad coefficients for five sample rates (JSON)",
                coefficients_json(review.equalizer),
            ),
        }
    found = []
    for name, (words, text) in texts.items():
        (place / name).write_bytes(text.encode())
        found.append(Download(f"downloads/{name}", words, len(text.encode())))
    sofa = place / "directivity.sofa"
    description = f"Measured {review.date}, revision {review.revision}. {review.invented}".strip()
    write_sofa(sofa, response, title=review.title, description=description, license=LICENSE)
    words = "The complex response in every direction measured (SOFA, FreeFieldDirectivityTF, AES69)"
    found.append(Download(f"downloads/{sofa.name}", words, sofa.stat().st_size))
    return tuple(found)


def curves_csv(review: Review) -> str:
    """Curves in groups of four columns: value, u, u_common (standard uncertainties), valid; one row a frequency.

    Curves on another frequency axis than the first get rows of their own; cells where a curve has no value are empty.
    """
    return _curve_table(review, [*review.reading.curves.values()])


def differences_csv(review: Review) -> str:
    """What other samples, states and days differ by, as `curves_csv`; "" where the review shows none."""
    charts = [chart for chart in review.charts if chart.key.startswith(PREFIX)]
    curves = [trace.curve for chart in charts for trace in chart.panels[-1].traces]
    return _curve_table(review, curves) if curves else ""


def _curve_table(review: Review, curves: Sequence[Curve]) -> str:
    every = np.unique(np.concatenate([curve.axis.hz for curve in curves])).tolist() if curves else []
    notes = [[f"# {curve.key}: {curve.name}, {curve.reference}"] for curve in curves]
    heads = ["frequency_hz", *(head for curve in curves for head in _heads(curve))]
    columns = [_columns(curve) for curve in curves]
    lines = [",".join([number_text(hz), *(cells.get(hz, ",,,") for cells in columns)]) for hz in every]
    title = f"# {review.title}, measured {review.date}, revision {review.revision}"
    return table_csv([title], [*notes, heads]) + "".join(f"{line}\n" for line in lines)


def directivity_csv(response: DirectionalResponse) -> str:
    """One row a direction and frequency: azimuth, elevation, frequency, level, phase, uncertainties, valid."""
    level = response.level_db()
    angles = (response.directions.azimuth_rad, response.directions.elevation_rad)
    azimuth, elevation = (np.rad2deg(angle).tolist() for angle in angles)
    phase = np.rad2deg(np.angle(response.pressure))
    name = "level_db_spl_1m_2v83" if response.absolute else "level_db_relative"
    lines = [f"azimuth_deg,elevation_deg,frequency_hz,{name},phase_deg,u_db,u_common_db,valid"]
    common = [number_text(u) for u in response.u_shared_db().tolist()]
    hz = [number_text(f) for f in response.axis.hz.tolist()]
    apart = response.u_apart_db()
    # Only numbers stand here, and very many: no cell needs to be looked at for what a spreadsheet might run.
    for d in range(len(response.directions)):
        where = f"{number_text(azimuth[d])},{number_text(elevation[d])}"
        columns = (level[d].tolist(), phase[d].tolist(), apart[d].tolist(), response.valid[d].tolist())
        lines += [
            f"{where},{f},{number_text(value)},{number_text(angle)},{number_text(u)},{c},{int(ok)}"
            for f, value, angle, u, c, ok in zip(hz, *columns[:3], common, columns[3], strict=True)
        ]
    return "\n".join(lines) + "\n"


def figures_csv(review: Review) -> str:
    """One row a figure: key, value, standard uncertainty, unit, band, bound, method, reason, caveats."""
    head = ("key", "value", "u", "unit", "low_hz", "high_hz", "bound", "method", "reason", "caveats")
    return table_csv(head, (_figure_row(figure) for figure in review.reading.figures.values()))


def corrections_csv(review: Review) -> str:
    """One row a figure that a later publication changed, or one for its reasons where no figure did; newest first."""
    rows: list[list[str]] = []
    for one in review.corrections:
        head = [str(one.revision), one.published, " ".join(one.reasons)]
        rows += [[*head, change.key, change.before, change.after] for change in one.changes] or [[*head, "", "", ""]]
    return table_csv(("revision", "published", "reasons", "figure", "before", "after"), rows)


def charts_json(charts: Sequence[Chart]) -> str:
    """All charts as one JSON document, format 1: numbers, words and meanings, no pixels and no colors."""
    document = {"format": CHARTS_FORMAT, "charts": [_chart_data(chart) for chart in charts]}
    return json.dumps(document, ensure_ascii=False, separators=(",", ":"), allow_nan=False) + "\n"


def _heads(curve: Curve) -> list[str]:
    unit = curve.unit.replace("%", "percent") or "1"
    return [f"{curve.key}_{unit}", f"{curve.key}_u", f"{curve.key}_u_common", f"{curve.key}_valid"]


def _columns(curve: Curve) -> dict[float, str]:
    """Cells of a row by frequency. Only numbers, and very many, as in `directivity_csv`."""
    columns = (curve.axis.hz, curve.values, curve.u, curve.u_common, curve.valid)
    cells = zip(*(column.tolist() for column in columns), strict=True)
    return {hz: f"{number_text(value)},{number_text(u)},{number_text(c)},{int(ok)}" for hz, value, u, c, ok in cells}


def _figure_row(figure: Figure) -> tuple[object, ...]:
    size = (figure.key, figure.value, figure.u, figure.unit, *(figure.band_hz or (None, None)))
    return (*size, figure.bound, figure.method, figure.reason, "; ".join(figure.caveats))


def _chart_data(chart: Chart) -> dict[str, object]:
    return {
        **record(chart, "key", "title", "subtitle", "note", "low_hz", "high_hz", "axis"),
        **record(chart.caption, "finding", "reading"),
        "panels": [_panel_data(panel) for panel in chart.panels],
    }


def _panel_data(panel: Panel) -> dict[str, object]:
    return {
        **record(panel, "label", "unit", "low", "high", "step", "db_per_decade"),
        "traces": [{**record(one, "role", "label", "ribbon"), "curve": _curve_data(one.curve)} for one in panel.traces],
        "regions": [asdict(region) for region in panel.regions],
        "marks": [asdict(mark) for mark in panel.marks],
        "map": None if panel.map is None else _map_data(panel.map),
        "map_edges": [_curve_data(edge) for edge in panel.map_edges],
        "points": [record(point, "kind", "at", "value", "u", "name") for point in panel.points],
    }


def _curve_data(curve: Curve) -> dict[str, object]:
    return {
        **record(curve, "key", "name", "unit", "reference", "valid", "lineage"),
        "hz": _rounded(curve.axis.hz),
        "values": _rounded(curve.values),
        "u_total": _rounded(curve.u_total),
    }


def _map_data(field: DirectivityMap) -> dict[str, object]:
    return {
        **record(field, "orbit", "reference", "valid"),
        "hz": _rounded(field.axis.hz),
        "angle_deg": _rounded(field.angle_deg),
        "level_db": [_rounded(row) for row in field.level_db],
    }


def _rounded(values: np.ndarray) -> list[float | None]:
    """Six significant digits; None for what is no number."""
    return [float(f"{value:.6g}") if isfinite(value) else None for value in values.tolist()]
