"""The data set, opened by others: zipfile, unzip, sha256sum, the csv module, netCDF4, sofar."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import netCDF4
import numpy as np
import pytest
import sofar

from earwitness.errors import InputError, OutputError
from earwitness.publish.downloads import (
    LICENSES,
    dataset_name,
    dataset_zip,
    distortion_csv,
    impedance_csv,
    table_csv,
    write_dataset,
)
from earwitness.publish.review import Review, review_of
from earwitness.quantities import FrequencyAxis, Harmonics, Impedance, Measurement, Reading
from earwitness.session.session import Session

R_OHM, L_H = 6.0, 0.4e-3
NAME = "fennel-audio-works-larch-2-2026-03-14-r1"


@pytest.fixture(scope="module")
def axis() -> FrequencyAxis:
    return FrequencyAxis(np.array([20.0, 200.0, 1000.0, 10_000.0]))


@pytest.fixture(scope="module")
def load(axis: FrequencyAxis) -> Impedance:
    """A resistor and a coil in series."""
    ohm = np.asarray(R_OHM + 2j * np.pi * axis.hz * L_H, dtype=np.complex128)
    return Impedance(axis, ohm, np.full(4, 0.05), np.full(4, 0.4), np.array([True, True, True, False]))


@pytest.fixture(scope="module")
def harmonics(axis: FrequencyAxis) -> Harmonics:
    levels = np.array([[50.0, 51.0, 52.0, 53.0], [40.0, 41.0, 42.0, 43.0]])
    valid = np.array([[True, True, True, False], [True, True, False, False]])
    return Harmonics("h000", 2.83, 2.0, "far-field", (2, 3), axis, np.full(4, 90.0), levels, levels - 30.0, valid)


@pytest.fixture(scope="module")
def review(
    reading: Reading, measurement: Measurement, session: Session, load: Impedance, harmonics: Harmonics
) -> Review:
    plain = review_of(reading, measurement, session)
    return replace(plain, measurement=replace(measurement, impedance=load, harmonics=(harmonics,)))


@pytest.fixture(scope="module")
def packed(review: Review, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("made") / "data.zip"
    return write_dataset(review, path, license="CC-BY-4.0", extras={"notes/heard.md": b"One remark.\n"})


@pytest.fixture(scope="module")
def folder(packed: Path) -> Path:
    subprocess.run(["unzip", "-q", str(packed), "-d", str(packed.parent)], check=True)
    return packed.parent / NAME


def rows_of(folder: Path, name: str) -> list[dict[str, str]]:
    text = (folder / name).read_text(encoding="utf-8")
    return list(csv.DictReader(io.StringIO(text)))


def test_zip_is_sound_sorted_and_dated_by_the_session(packed: Path) -> None:
    with zipfile.ZipFile(packed) as archive:
        assert archive.testzip() is None
        names = archive.namelist()
        assert names == sorted(names)
        assert {entry.date_time for entry in archive.infolist()} == {(2026, 3, 14, 0, 0, 0)}
        assert {entry.external_attr >> 16 for entry in archive.infolist()} == {0o100644}
    subprocess.run(["unzip", "-tq", str(packed)], check=True, capture_output=True)


def test_everything_is_there(folder: Path) -> None:
    found = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert found == {
        *("README.md", "LICENSE.txt", "CITATION.cff", "metadata.json", "checksums.sha256"),
        *("curves.csv", "directivity.csv", "directivity.sofa", "figures.csv", "charts.json"),
        *("impedance.csv", "distortion.csv", "notes/heard.md"),
    }


def test_checksums_hold_for_every_file_and_catch_a_changed_one(folder: Path, packed: Path, tmp_path: Path) -> None:
    check = ["sha256sum", "--check", "--strict", "checksums.sha256"]
    said = subprocess.run(check, cwd=folder, check=True, capture_output=True, text=True).stdout
    assert said.count(": OK") == len([path for path in folder.rglob("*") if path.is_file()]) - 1
    subprocess.run(["unzip", "-q", str(packed), "-d", str(tmp_path)], check=True)
    changed = tmp_path / NAME / "curves.csv"
    changed.write_bytes(changed.read_bytes().replace(b"8", b"9", 1))
    assert subprocess.run(check, cwd=tmp_path / NAME, check=False, capture_output=True).returncode == 1


def test_impedance_is_that_of_the_circuit(folder: Path) -> None:
    # |Z| = sqrt(R^2 + (2 pi f L)^2), phase = atan(2 pi f L / R): handbook formula of a series circuit.
    rows = rows_of(folder, "impedance.csv")
    for row in rows:
        reactance = 2 * np.pi * float(row["frequency_hz"]) * L_H
        assert float(row["magnitude_ohm"]) == pytest.approx(np.hypot(R_OHM, reactance), rel=1e-5)
        assert float(row["phase_deg"]) == pytest.approx(np.degrees(np.arctan2(reactance, R_OHM)), rel=1e-5)
    assert [row["valid"] for row in rows] == ["1", "1", "1", "0"]


def test_distortion_has_a_row_for_every_order_and_frequency(folder: Path) -> None:
    rows = rows_of(folder, "distortion.csv")
    assert len(rows) == 8
    third = [row for row in rows if row["order"] == "3"]
    assert [float(row["harmonic_db_spl"]) for row in third] == [40.0, 41.0, 42.0, 43.0]
    assert [row["valid"] for row in third] == ["1", "1", "0", "0"]
    assert {row["take"] for row in rows} == {"h000"}


def test_sofa_is_read_by_others_and_carries_the_license(folder: Path, review: Review) -> None:
    path = folder / "directivity.sofa"
    sofa = sofar.read_sofa(str(path), verbose=False)
    response = review.measurement.response
    assert sofa.GLOBAL_SOFAConventions == "FreeFieldDirectivityTF"
    assert sofa.Data_Real.shape[1:] == response.pressure.shape
    with netCDF4.Dataset(path) as data:
        assert "Creative Commons Attribution 4.0" in data.getncattr("License")
        assert data.getncattr("Title") == review.title
        assert data.getncattr("DateCreated") == "2026-03-14 00:00:00"
        assert "invented" in data.getncattr("Comment") + data.getncattr("Title")


def test_metadata_tell_what_how_and_from_which_recordings(folder: Path, review: Review) -> None:
    found = json.loads((folder / "metadata.json").read_text(encoding="utf-8"))
    assert found["loudspeaker"]["maker"] == "Fennel Audio Works"
    assert found["loudspeaker"]["invented"] is True
    assert found["invented"] == review.invented
    assert found["license"] == "CC-BY-4.0"
    assert found["steps"][0]["inputs"] == ["a" * 64]
    assert found["steps"][0]["settings"] == {"gate": "automatic"}
    assert found["how_measured"] == list(review.how_measured)


def test_citation_has_what_the_format_requires(folder: Path) -> None:
    # CFF 1.2.0 requires cff-version, message, title and authors (from memory); YAML 1.2 reads JSON strings as they are.
    rows = dict(row.split(": ", 1) for row in (folder / "CITATION.cff").read_text().splitlines() if ": " in row)
    found = {key: json.loads(value) for key, value in rows.items()}
    assert found["cff-version"] == "1.2.0"
    assert found["type"] == "dataset"
    assert found["license"] == "CC-BY-4.0"
    assert found["date-released"] == "2026-03-14"
    assert found["  - name"] == "A. Tester"
    assert "(invented)" in found["title"]
    assert found["message"]


def test_readme_names_every_file_the_license_and_that_it_is_invented(folder: Path, review: Review) -> None:
    text = (folder / "README.md").read_text(encoding="utf-8")
    for path in folder.rglob("*"):
        if path.is_file():
            assert f"`{path.relative_to(folder).as_posix()}`" in text
    assert f"**{review.invented}**" in text
    assert "https://creativecommons.org/licenses/by/4.0/" in text
    assert "No impedance" not in text


def test_what_was_not_measured_is_said(reading: Reading, measurement: Measurement, session: Session) -> None:
    plain = review_of(reading, measurement, session)
    with zipfile.ZipFile(io.BytesIO(dataset_zip(plain, license="CC0-1.0"))) as archive:
        names = {name.partition("/")[2] for name in archive.namelist()}
        readme = archive.read(f"{NAME}/README.md").decode()
    assert not {"impedance.csv", "distortion.csv"} & names
    assert "No impedance was measured." in readme
    assert "No distortion was measured." in readme


def test_real_loudspeaker_is_not_called_invented(
    reading: Reading, measurement: Measurement, describe: Callable[..., Session]
) -> None:
    real = review_of(reading, measurement, describe(invented=False))
    with zipfile.ZipFile(io.BytesIO(dataset_zip(real, license="CC0-1.0"))) as archive:
        for name in ("README.md", "CITATION.cff", "LICENSE.txt"):
            assert b"invented" not in archive.read(f"{NAME}/{name}").lower()
        assert json.loads(archive.read(f"{NAME}/metadata.json"))["invented"] == ""


def test_same_review_gives_the_same_bytes(review: Review) -> None:
    assert dataset_zip(review, license="ODbL-1.0") == dataset_zip(review, license="ODbL-1.0")


@pytest.mark.parametrize("license", sorted(LICENSES))
def test_chosen_license_stands_in_every_place(review: Review, license: str) -> None:
    with zipfile.ZipFile(io.BytesIO(dataset_zip(review, license=license))) as archive:
        for name in ("README.md", "LICENSE.txt", "CITATION.cff", "metadata.json"):
            assert license in archive.read(f"{NAME}/{name}").decode()


@pytest.mark.parametrize(
    "name", ["../out.md", "/etc/x", "a/../../b", "README.md", "curves.csv", "checksums.sha256", "", ".", "a\\b", "a\nb"]
)
def test_extra_that_leaves_or_takes_a_place_is_refused(review: Review, name: str) -> None:
    with pytest.raises(InputError):
        dataset_zip(review, license="CC0-1.0", extras={name: b"x"})


def test_unknown_license_and_unwritable_place_are_refused(review: Review, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="one of CC0"):
        dataset_zip(review, license="all mine")
    (tmp_path / "file").write_text("mine")
    with pytest.raises(OutputError, match="cannot be written"):
        write_dataset(review, tmp_path / "file" / "data.zip", license="CC0-1.0")


def test_names_hold_letters_digits_and_hyphens_only(review: Review) -> None:
    assert dataset_name(review) == NAME
    odd = review.loudspeaker.model_copy(update={"name": "../Ä / 3", "maker": "?"})
    assert dataset_name(replace(review, loudspeaker=odd)) == "3-2026-03-14-r1"


def test_words_a_spreadsheet_would_run_are_made_harmless(harmonics: Harmonics, load: Impedance) -> None:
    text = distortion_csv([replace(harmonics, take="=1+1")])
    assert next(csv.DictReader(io.StringIO(text)))["take"] == "'=1+1"
    assert "nan" not in impedance_csv(replace(load, u_ohm=np.full(4, np.nan)))
    assert table_csv(("a",), [(-1.5,)]) == "a\n-1.5\n"


def test_a_stranger_rebuilds_figures_by_the_readme_alone(folder: Path, reading: Reading) -> None:
    text = (folder / "README.md").read_text(encoding="utf-8")
    assert text.count("```python\n") == 1
    script = text.partition("```python\n")[2].partition("```")[0]
    ran = subprocess.run(
        [sys.executable, "-I", "-c", script], cwd=folder, check=True, capture_output=True, text=True
    ).stdout.splitlines()
    said = [line.split() for line in ran]
    figures = {row["key"]: float(row["value"]) for row in rows_of(folder, "figures.csv") if row["value"]}
    assert float(said[0][1]) == pytest.approx(figures["sensitivity"], abs=0.006)
    assert float(said[1][1]) == pytest.approx(figures["f3"], abs=0.006)
    window = reading.curves["listening_window"]
    row = int(np.argmin(np.abs(window.axis.hz - float(said[2][5]))))
    assert float(said[2][2]) == pytest.approx(window.values[row], abs=0.006)


def test_the_readme_explains_every_table_and_offers_no_script_that_fails(review: Review, folder: Path) -> None:
    text = (folder / "README.md").read_text(encoding="utf-8")
    for table in folder.glob("*.csv"):
        assert text.count(f"- `{table.name}`:") == 2, "listed, and its columns explained"
    no_bass = replace(review.reading.figures["f3"], bound="at most")
    figures = {**review.reading.figures, "f3": no_bass}
    silent = replace(review, reading=replace(review.reading, figures=figures))
    made = zipfile.ZipFile(io.BytesIO(dataset_zip(silent, license="CC0-1.0"))).read(f"{NAME}/README.md").decode()
    assert "```python" not in made
    assert "How to read the tables" in made
