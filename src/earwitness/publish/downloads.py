"""What a reader can take home: figures beside the page, all other numbers in one zip, the balloon as SOFA; and the data
set of a review, with metadata, checksums, a license and how to cite it."""

import csv
import io
import json
import re
import tempfile
import zipfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date as Date
from functools import partial
from hashlib import sha256
from math import isfinite
from pathlib import Path, PurePosixPath
from typing import Any, Final

import numpy as np

from earwitness import __version__
from earwitness.errors import InputError, choice
from earwitness.exhibits.chart import Chart, Panel
from earwitness.exhibits.compare import PREFIX
from earwitness.exhibits.record import record
from earwitness.files.data import file_text, table_of
from earwitness.files.durable import write_bytes
from earwitness.insight.mend.equalizer import coefficients_json, table_text
from earwitness.publish.review import Review
from earwitness.quantities import Curve, DirectionalResponse, DirectivityMap, Figure, Harmonics, Impedance, on_orbit
from earwitness.quantities.arrays import FloatArray

_DANGEROUS_STARTS = ("=", "+", "-", "@", "\t", "\r")


def impedance_csv(load: Impedance) -> str:
    """One row a frequency: magnitude and phase of the input impedance, their standard uncertainties, valid."""
    columns = (load.axis.hz, np.abs(load.ohm), np.rad2deg(np.angle(load.ohm)), load.u_ohm, load.u_deg)
    rows = zip(*(column.tolist() for column in columns), load.valid.astype(int).tolist(), strict=True)
    head = ("frequency_hz", "magnitude_ohm", "phase_deg", "u_magnitude_ohm", "u_phase_deg", "valid")
    return table_csv(head, rows)


def distortion_csv(harmonics: Sequence[Harmonics]) -> str:
    """One row a take, order and frequency of the fundamental: levels of the harmonic, the fundamental and the noise.

    Levels are rms at the microphone [dB SPL]; valid is 0 where the harmonic lies outside the sweep or the recording.
    """
    head = (
        *("take", "place", "distance_m", "drive_v", "order", "fundamental_hz"),
        *("fundamental_db_spl", "harmonic_db_spl", "noise_db_spl", "valid"),
    )
    return table_csv(head, (row for taken in harmonics for row in _harmonic_rows(taken)))


def table_csv(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """CSV text (RFC 4180, lines ended by LF): numbers to six significant digits, empty where there is none."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([_cell(cell) for cell in head])
    writer.writerows([_cell(cell) for cell in row] for row in rows)
    return text.getvalue()


def _harmonic_rows(taken: Harmonics) -> Iterable[Sequence[object]]:
    about = (taken.take, taken.place, taken.distance_m, taken.drive_v)
    for k, order in enumerate(taken.orders):
        columns = (taken.axis.hz, taken.fundamental_db, taken.harmonic_db[k], taken.noise_db[k])
        valid = taken.valid[k].astype(int)
        for row in zip(*(column.tolist() for column in (*columns, valid)), strict=True):
            yield (*about, order, *row)


def number_text(value: float) -> str:
    """Six significant digits; "" for what is no number."""
    return f"{value:.6g}" if isfinite(value) else ""


def shown_texts(values: FloatArray, u: FloatArray | None) -> list[str]:
    """Each value (N,) to a tenth of its standard uncertainty u (N,) or finer, so that rounding adds under 0.1 % to it;
    six significant digits where there is none, and everywhere without u."""
    if u is None:
        return [number_text(value) for value in values.tolist()]
    with np.errstate(divide="ignore", invalid="ignore"):
        places = np.where(u > 0, np.clip(np.ceil(1.0 - np.log10(u)), 0, 6), -1).astype(int).tolist()
    cells = zip(values.tolist(), places, strict=True)
    return [f"{value:.{k}f}" if k >= 0 and isfinite(value) else number_text(value) for value, k in cells]


def short_texts(u: FloatArray) -> list[str]:
    """Uncertainties (N,) to three significant digits; "" where there is none."""
    return [f"{value:.3g}" if isfinite(value) else "" for value in u.tolist()]


def zipped(files: Mapping[str, bytes], *, folder: str, date: str) -> bytes:
    """The files as a zip, in `folder` where one is named: sorted, dated "YYYY-MM-DD", the same bytes each time."""
    day = Date.fromisoformat(date)
    # The zip format knows no year before 1980 and none after 2107.
    stamp = (min(max(day.year, 1980), 2107), day.month, day.day, 0, 0, 0)
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name in sorted(files):
            entry = zipfile.ZipInfo(f"{folder}/{name}" if folder else name, date_time=stamp)
            entry.create_system, entry.external_attr = 3, 0o100644 << 16
            archive.writestr(entry, files[name], zipfile.ZIP_DEFLATED, 9)
    return made.getvalue()


def _cell(cell: object) -> str:
    """Words that a spreadsheet would run as a formula get an apostrophe in front; numbers stay."""
    if isinstance(cell, float):
        return number_text(cell)
    words = "" if cell is None else str(cell)
    if words.startswith(_DANGEROUS_STARTS) and isinstance(cell, str):
        try:
            float(words)
        except ValueError:
            return "'" + words
    return words


CHARTS_FORMAT = 2
# A small error of a complex number: its phase in degrees for each dB of its level.
_DEG_OF_DB = np.rad2deg(np.log(10.0) / 20.0)
LICENSE = "no license stated; ask the tester"


@dataclass(frozen=True, slots=True)
class Download:
    """One file beside the page. path : relative to it; words : what it holds; size_bytes."""

    path: str
    words: str
    size_bytes: int


def write_downloads(review: Review, folder: Path) -> tuple[Download, ...]:
    """Write all downloads into `folder`/downloads and list them. OSError where the disk refuses."""
    place = folder / "downloads"
    place.mkdir()
    tables = {
        "curves.csv": curves_csv(review, brief=True),
        "directivity.csv": directivity_csv(review.measurement.response, brief=True),
        "charts.json": charts_json(review),
        "differences.csv": differences_csv(review),
    }
    files: dict[str, tuple[str, bytes]] = {
        "figures.csv": ("All figures with uncertainty, band and method (CSV)", figures_csv(review).encode())
    }
    if review.corrections:
        words = "What changed since it was first published, and why (CSV)"
        files["corrections.csv"] = (words, corrections_csv(review).encode())
    if review.equalizer is not None:
        words = "The equalizer as a table, to set a device by (text)"
        files["equalizer.txt"] = (words, table_text(review.equalizer).encode())
        words = "The equalizer as biquad coefficients for five sample rates (JSON)"
        files["equalizer.json"] = (words, coefficients_json(review.equalizer).encode())
    apart = ", differences.csv: what other samples, states and days differ by" if tables["differences.csv"] else ""
    words = (
        "Every number of the page with its uncertainty. curves.csv: all curves and where each can be trusted; "
        f"directivity.csv: level in every direction measured{apart}; charts.json: the definitions of all charts"
    )
    packed = {name: text.encode() for name, text in tables.items() if text}
    files["numbers.zip"] = (words, zipped(packed, folder="", date=review.date))
    found = []
    for name, (words, content) in files.items():
        (place / name).write_bytes(content)
        found.append(Download(f"downloads/{name}", words, len(content)))
    sofa = place / "directivity.sofa"
    _write_sofa(review, sofa, license=LICENSE)
    words = "The complex response in every direction measured (SOFA, FreeFieldDirectivityTF, AES69)"
    found.append(Download(f"downloads/{sofa.name}", words, sofa.stat().st_size))
    return tuple(found)


def curves_csv(review: Review, *, brief: bool = False) -> str:
    """Curves in groups of four columns: value, u, u_common (standard uncertainties), valid; one row a frequency.

    Curves on another frequency axis than the first get rows of their own; cells where a curve has no value are empty.
    brief : values to a tenth of their u, not to six digits.
    """
    return _curve_table(review, [*review.reading.curves.values()], brief=brief)


def differences_csv(review: Review) -> str:
    """What other samples, states and days differ by, as `curves_csv`; "" where the review shows none."""
    charts = [chart for chart in review.charts if chart.key.startswith(PREFIX)]
    curves = [trace.curve for chart in charts for trace in chart.panels[-1].traces]
    return _curve_table(review, curves, brief=True) if curves else ""


def _curve_table(review: Review, curves: Sequence[Curve], *, brief: bool) -> str:
    every = np.unique(np.concatenate([curve.axis.hz for curve in curves])).tolist() if curves else []
    notes = [[f"# {curve.key}: {curve.name}, {curve.reference}"] for curve in curves]
    heads = ["frequency_hz"]
    for curve in curves:
        unit = curve.unit.replace("%", "percent") or "1"
        heads += [f"{curve.key}_{end}" for end in (unit, "u", "u_common", "valid")]
    columns = [_columns(curve, brief=brief) for curve in curves]
    lines = [",".join([number_text(hz), *(cells.get(hz, ",,,") for cells in columns)]) for hz in every]
    title = f"# {review.title}, measured {review.date}, revision {review.revision}"
    return table_csv([title], [*notes, heads]) + "".join(f"{line}\n" for line in lines)


def directivity_csv(response: DirectionalResponse, *, brief: bool = False) -> str:
    """One row a direction and frequency: azimuth, elevation, frequency, level, phase, uncertainties, valid.

    brief : as in `curves_csv`.
    """
    level = response.level_db()
    angles = (response.directions.azimuth_rad, response.directions.elevation_rad)
    azimuth, elevation = (np.rad2deg(angle).tolist() for angle in angles)
    phase = np.rad2deg(np.angle(response.pressure))
    name = "level_db_spl_1m_2v83" if response.absolute else "level_db_relative"
    lines = [f"azimuth_deg,elevation_deg,frequency_hz,{name},phase_deg,u_db,u_common_db,valid"]
    common = short_texts(response.u_shared_db())
    hz = [number_text(f) for f in response.axis.hz.tolist()]
    apart = response.u_apart_db()
    # Only numbers stand here, and very many: no cell needs to be looked at for what a spreadsheet might run.
    for d in range(len(response.directions)):
        where = f"{number_text(azimuth[d])},{number_text(elevation[d])}"
        u_db, u_deg = (apart[d], _DEG_OF_DB * apart[d]) if brief else (None, None)
        columns = (shown_texts(level[d], u_db), shown_texts(phase[d], u_deg), short_texts(apart[d]))
        rows = zip(hz, *columns, common, response.valid[d].tolist(), strict=True)
        lines += [f"{where},{f},{value},{angle},{u},{c},{int(ok)}" for f, value, angle, u, c, ok in rows]
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


def charts_json(review: Review) -> str:
    """All charts as one JSON document, format 2: numbers, words and meanings, no pixels and no colors.

    Frequencies and curves stand once, under "axes" and "curves"; charts name them by their place there, from 0 on.
    A curve that stands in `curves_csv` has its numbers there, under its key.
    """
    axes, curves, told = _Once(), _Once(), review.reading.curves

    def place(curve: Curve) -> int:
        same = told.get(curve.key)
        is_told = same is not None and np.array_equal(same.values, curve.values, equal_nan=True)
        return curves.place(_curve_data(curve, axes, is_told=is_told))

    made = [_chart_data(chart, axes, place) for chart in review.charts]
    document = {"format": CHARTS_FORMAT, "axes": axes.values, "curves": curves.values, "charts": made}
    return json.dumps(document, ensure_ascii=False, separators=(",", ":"), allow_nan=False) + "\n"


class _Once:
    """Values of a document that stand in it once."""

    def __init__(self) -> None:
        self.values: list[object] = []
        self._places: dict[str, int] = {}

    def place(self, value: object) -> int:
        """Where the value stands."""
        key = json.dumps(value)
        if key not in self._places:
            self._places[key] = len(self.values)
            self.values.append(value)
        return self._places[key]


def _columns(curve: Curve, *, brief: bool) -> dict[float, str]:
    """Cells of a row by frequency. Only numbers, and very many, as in `directivity_csv`."""
    texts = (shown_texts(curve.values, curve.u if brief else None), short_texts(curve.u), short_texts(curve.u_common))
    cells = zip(curve.axis.hz.tolist(), *texts, curve.valid.tolist(), strict=True)
    return {hz: f"{value},{u},{common},{int(ok)}" for hz, value, u, common, ok in cells}


def _figure_row(figure: Figure) -> tuple[object, ...]:
    size = (figure.key, figure.value, figure.u, figure.unit, *(figure.band_hz or (None, None)))
    return (*size, figure.bound, figure.method, figure.reason, "; ".join(figure.caveats))


def _chart_data(chart: Chart, axes: _Once, place: Callable[[Curve], int]) -> dict[str, object]:
    return {
        **record(chart, "key title subtitle note low_hz high_hz axis"),
        **record(chart.caption, "finding reading"),
        "panels": [_panel_data(panel, axes, place) for panel in chart.panels],
    }


def _panel_data(panel: Panel, axes: _Once, place: Callable[[Curve], int]) -> dict[str, object]:
    return {
        **record(panel, "label unit low high step db_per_decade"),
        "traces": [{**record(one, "role label ribbon"), "curve": place(one.curve)} for one in panel.traces],
        "regions": [asdict(region) for region in panel.regions],
        "marks": [asdict(mark) for mark in panel.marks],
        "map": None if panel.map is None else _map_data(panel.map, axes),
        "map_edges": [place(edge) for edge in panel.map_edges],
        "points": [record(point, "kind at value u name") for point in panel.points],
    }


def _curve_data(curve: Curve, axes: _Once, *, is_told: bool) -> dict[str, object]:
    words = record(curve, "key name unit reference lineage")
    if is_told:
        return words
    return {
        **words,
        "valid": "".join(map(str, curve.valid.astype(int))),
        "axis": axes.place(_numbers(map(number_text, curve.axis.hz.tolist()))),
        "values": _numbers(shown_texts(curve.values, curve.u_total)),
        "u_total": _numbers(short_texts(curve.u_total)),
    }


def _map_data(field: DirectivityMap, axes: _Once) -> dict[str, object]:
    return {
        **record(field, "orbit reference"),
        "valid": ["".join(map(str, row)) for row in field.valid.astype(int)],
        "axis": axes.place(_numbers(map(number_text, field.axis.hz.tolist()))),
        "angle_deg": field.angle_deg.tolist(),
        "level_db": [_numbers(f"{value:.2f}" for value in row) for row in field.level_db.tolist()],
    }


def _numbers(texts: Iterable[str]) -> list[float | None]:
    return [float(one) if one not in ("", "nan", "inf", "-inf") else None for one in texts]


DATASET_FORMAT: Final = 1
CHECKSUMS: Final = "checksums.sha256"


@dataclass(frozen=True, slots=True)
class License:
    """A license for data. spdx : its identifier (SPDX license list); name; address : of its text."""

    spdx: str
    name: str
    address: str


_TEXTS: Final = table_of("publish", "dataset")
LICENSES: Final[dict[str, License]] = {row[0]: License(*row) for row in _TEXTS["licenses"]}


def dataset_zip(review: Review, *, license: str, extras: Mapping[str, bytes] | None = None) -> bytes:
    """The data set as a zip: sorted, dated by the session, so that the same review gives the same bytes.

    license : one of LICENSES; extras : more files by their path in the data set, such as listening notes.
    `checksums.sha256` lists every other file as `sha256sum --check` reads it. Raises InputError for another license,
    or an extra whose path leaves the data set or is taken; OutputError where the SOFA file cannot be made.
    """
    choice("license", license, LICENSES)
    chosen = LICENSES[license]
    files = _measured(review, chosen)
    for name, content in (extras or {}).items():
        _check_extra(name, files)
        files[name] = content
    files["LICENSE.txt"] = filled("license.txt.jinja", review=review, license=chosen).encode()
    # CITATION.cff 1.2.0 (from memory). Every value is a JSON string, which YAML 1.2 reads as it stands.
    quoted = partial(json.dumps, ensure_ascii=False)
    files["CITATION.cff"] = filled("citation.cff.jinja", review=review, license=chosen, quoted=quoted).encode()
    files["metadata.json"] = _metadata(review, chosen).encode()
    named = {name: _TEXTS["files"].get(name, "added by the tester") for name in sorted({*files, "README.md"})}
    files["README.md"] = filled(
        "dataset_readme.md.jinja",
        review=review,
        license=chosen,
        words=named,
        names=files,
        sums=CHECKSUMS,
        can_be_rebuilt=can_be_rebuilt(review),
    ).encode()
    sums = "".join(f"{sha256(files[name]).hexdigest()}  {name}\n" for name in sorted(files))
    return zipped({**files, CHECKSUMS: sums.encode()}, folder=dataset_name(review), date=review.date)


def write_dataset(review: Review, path: Path, *, license: str, extras: Mapping[str, bytes] | None = None) -> Path:
    """Write the data set to `path`, whole or not at all. Raises as `dataset_zip`, and OutputError by the disk."""
    return write_bytes(path, dataset_zip(review, license=license, extras=extras))


def dataset_name(review: Review) -> str:
    """Name of the data set, of its folder in the zip and of the zip without suffix: letters, digits and hyphens."""
    words = f"{review.loudspeaker.maker} {review.loudspeaker.name} {review.date} r{review.revision}"
    return re.sub("[^a-z0-9]+", "-", words.lower()).strip("-")


def _measured(review: Review, license: License) -> dict[str, bytes]:
    measurement = review.measurement
    texts = {
        "curves.csv": curves_csv(review),
        "directivity.csv": directivity_csv(measurement.response),
        "figures.csv": figures_csv(review),
        "charts.json": charts_json(review),
    }
    if measurement.impedance is not None:
        texts["impedance.csv"] = impedance_csv(measurement.impedance)
    if measurement.harmonics:
        texts["distortion.csv"] = distortion_csv(measurement.harmonics)
    if differences := differences_csv(review):
        texts["differences.csv"] = differences
    files = {name: text.encode() for name, text in texts.items()}
    with tempfile.TemporaryDirectory() as folder:
        path, made_at = Path(folder) / "directivity.sofa", f"{review.date} 00:00:00"
        whose = f"{license.name}, {license.address}"
        _write_sofa(review, path, license=whose, author=review.tester.name, date=made_at)
        files[path.name] = path.read_bytes()
    return files


def _write_sofa(review: Review, path: Path, **about: Any) -> None:
    from earwitness.formats.sofa import write_sofa

    description = f"Measured {review.date}, revision {review.revision}. {review.invented}".strip()
    write_sofa(path, review.measurement.response, title=review.title, description=description, brief=True, **about)


def _check_extra(name: str, files: Mapping[str, bytes]) -> None:
    path = PurePosixPath(name)
    inside = not path.is_absolute() and ".." not in path.parts and "\\" not in name and str(path) == name != "."
    if not inside or any(ord(letter) < 32 for letter in name):
        raise InputError(f"the path {name!r} leaves the data set", expected="a relative path such as notes/one.md")
    if name in files or name in _TEXTS["files"] or name == CHECKSUMS:
        raise InputError(f"the data set has a file {name} of its own", expected="another name")


def _metadata(review: Review, license: License) -> str:
    measurement = review.measurement
    document = {
        "format": DATASET_FORMAT,
        "program": f"Earwitness {__version__}",
        **record(review, "title invented"),
        "loudspeaker": review.loudspeaker.model_dump(mode="json"),
        "tester": review.tester.model_dump(mode="json"),
        **record(review, "date state", also_measured="others", revision="revision"),
        "license": license.spdx,
        "conventions": _TEXTS["conventions"],
        "level_is_absolute": measurement.response.absolute,
        "how_measured": list(review.how_measured),
        "choices": dict(sorted(review.reading.choices.items())),
        "missing": dict(sorted(review.reading.missing.items())),
        "quality": [] if review.quality is None else [list(row) for row in review.quality.rows],
        "steps": [
            {**record(step, "key name program inputs"), "settings": dict(step.settings)} for step in measurement.steps
        ],
    }
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def filled(template: str, **values: object) -> str:
    """A text of the data set from its template."""
    from jinja2 import Environment, StrictUndefined

    made = Environment(undefined=StrictUndefined, keep_trailing_newline=True, trim_blocks=True)
    return made.from_string(file_text("publish", template)).render(**values)


def can_be_rebuilt(review: Review) -> bool:
    """Whether the script's figures are judged, and its directions were measured."""
    figures = (review.reading.figures.get(key) for key in ("sensitivity", "f3"))
    judged = all(figure is not None and figure.is_judged and not figure.bound for figure in figures)
    directions = review.measurement.response.directions
    across = {round(angle) for angle in on_orbit(directions, "horizontal")[1]}
    above = {round(angle) for angle in on_orbit(directions, "vertical")[1]}
    return judged and {0, 10, -10, 20, -20, 30, -30} <= across and {10, -10} <= above
