"""The data set of a review: one zip of open formats with metadata, checksums, a license and how to cite it."""

import json
import re
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from hashlib import sha256
from pathlib import Path, PurePosixPath
from typing import Final

from earwitness import __version__
from earwitness.errors import InputError, choice
from earwitness.exhibits.record import record
from earwitness.files.data import file_text, table_of
from earwitness.files.durable import write_bytes
from earwitness.publish import downloads as tables
from earwitness.publish.review import Review
from earwitness.quantities import on_orbit

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
    return tables.zipped({**files, CHECKSUMS: sums.encode()}, folder=dataset_name(review), date=review.date)


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
        "curves.csv": tables.curves_csv(review),
        "directivity.csv": tables.directivity_csv(measurement.response),
        "figures.csv": tables.figures_csv(review),
        "charts.json": tables.charts_json(review),
    }
    if measurement.impedance is not None:
        texts["impedance.csv"] = tables.impedance_csv(measurement.impedance)
    if measurement.harmonics:
        texts["distortion.csv"] = tables.distortion_csv(measurement.harmonics)
    if differences := tables.differences_csv(review):
        texts["differences.csv"] = differences
    files = {name: text.encode() for name, text in texts.items()}
    files["directivity.sofa"] = _sofa(review, license)
    return files


def _sofa(review: Review, license: License) -> bytes:
    from earwitness.formats.sofa import write_sofa

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "directivity.sofa"
        write_sofa(
            path,
            review.measurement.response,
            title=review.title,
            description=f"Measured {review.date}, revision {review.revision}. {review.invented}".strip(),
            license=f"{license.name}, {license.address}",
            author=review.tester.name,
            date=f"{review.date} 00:00:00",
            brief=True,
        )
        return path.read_bytes()


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
