"""SOFA files, against netCDF4 and sofar as independent readers and writers."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest

from earwitness.errors import FormatError, InputError, OutputError
from earwitness.formats.directivity_sofa import read_directivity_sofa
from earwitness.formats.sofa import write_sofa
from earwitness.quantities import DirectionalResponse, Directions, FrequencyAxis, cta_orbits, from_orbit
from earwitness.quantities.directions import join

EAR = Path(__file__).with_name("data") / "manikin_ear_normal.sofa"
WORDS = {"title": "Lantern 2", "description": "2.83 V at 1 m", "license": "CC0 1.0", "author": "A. Tester"}


def response(directions: Directions, *, bins: int = 30) -> DirectionalResponse:
    rng = np.random.default_rng(7)
    shape = (len(directions), bins)
    valid = np.ones(shape, bool)
    valid[0, :3] = False
    pressure = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    pressure[0, 0] = np.nan
    axis = FrequencyAxis(np.geomspace(20.0, 20000.0, bins))
    return DirectionalResponse(axis, directions, pressure, np.full(shape, 0.3), np.full(bins, 0.4), valid, True, 2.0)


def one(orbit: Any, angle_deg: float) -> Directions:
    return from_orbit(orbit, angle_deg)


# C4.24, from the directions of AES69 (azimuth counter-clockwise from +x, elevation up).
MAPPING = [
    ("horizontal", 90.0, 90.0, 0.0),
    ("horizontal", -40.0, 320.0, 0.0),
    ("vertical", 60.0, 0.0, 60.0),
    ("vertical", -20.0, 0.0, -20.0),
    ("vertical", 120.0, 180.0, 60.0),
    ("vertical", -150.0, 180.0, -30.0),
]


def test_orbit_angles_become_the_azimuth_and_elevation_of_the_standard(tmp_path: Path) -> None:
    """C4.24."""
    path = tmp_path / "six.sofa"
    write_sofa(path, response(join([one(orbit, angle) for orbit, angle, _, _ in MAPPING])), **WORDS)
    with netCDF4.Dataset(path) as file:
        position = np.asarray(file["ReceiverPosition"][:]).reshape(-1, 3)
        assert file["ReceiverPosition"].Type == "spherical"
        assert file["ReceiverPosition"].Units == "degree, degree, metre"
    expected = [(azimuth, elevation, 1.0) for _, _, azimuth, elevation in MAPPING]
    np.testing.assert_allclose(position, expected, atol=1e-9)


def test_an_independent_reader_finds_data_units_and_texts(tmp_path: Path) -> None:
    """Field list of AES69-2022, FreeFieldDirectivityTF 1.1: Data is M x R x N, N in hertz."""
    path = tmp_path / "orbits.sofa"
    value = response(cta_orbits())
    write_sofa(path, value, date="2026-01-15 10:00:00", **WORDS)
    with netCDF4.Dataset(path) as file:
        assert (file.Conventions, file.SOFAConventions, file.SOFAConventionsVersion, file.DataType) == (
            "SOFA",
            "FreeFieldDirectivityTF",
            "1.1",
            "TF",
        )
        assert (file.Title, file.License, file.AuthorContact) == ("Lantern 2", "CC0 1.0", "A. Tester")
        assert file.DateCreated == file.DateModified == "2026-01-15 10:00:00"
        assert (file["N"].LongName, file["N"].Units) == ("frequency", "hertz")
        assert file["Data.Real"].dimensions == ("M", "R", "N")
        assert file["Data.Real"].shape == (1, 70, 30)
        np.testing.assert_array_equal(file["N"][:], value.axis.hz)
        found = file["Data.Real"][0] + 1j * file["Data.Imag"][0]
        np.testing.assert_array_equal(np.asarray(found)[value.valid], value.pressure[value.valid])
        assert (np.asarray(found)[~value.valid] == 0).all()
        for name, row in (("SourceView", [1, 0, 0]), ("SourceUp", [0, 0, 1]), ("SourcePosition", [0, 0, 0])):
            np.testing.assert_array_equal(np.ravel(file[name][:]), row)
        for name in ("SourcePosition", "SourceView", "SourceUp"):
            assert file[name].Reference


def test_sofar_reads_and_verifies_what_was_written(tmp_path: Path) -> None:
    import sofar

    path = tmp_path / "orbits.sofa"
    write_sofa(path, response(cta_orbits()), **WORDS)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        sofa = sofar.read_sofa(str(path), verify=False, verbose=False)
        assert sofa.verify(issue_handling="return", mode="read") is None


def test_it_reads_back_with_trust_and_asks_what_its_values_are(tmp_path: Path) -> None:
    path = tmp_path / "orbits.sofa"
    value = response(cta_orbits())
    write_sofa(path, value, **WORDS)
    found = read_directivity_sofa(path)
    assert found.valid is not None
    assert found.u_db is not None
    np.testing.assert_allclose(found.pressure[value.valid], value.pressure[value.valid], rtol=1e-12)
    np.testing.assert_array_equal(found.valid, value.valid)
    np.testing.assert_array_equal(found.u_db[value.valid], value.u_db[value.valid])
    np.testing.assert_array_equal(found.u_common_db, value.u_common_db)
    np.testing.assert_allclose(found.directions.unit_vectors(), value.directions.unit_vectors(), atol=1e-12)
    assert [question.key for question in found.questions] == ["data"]
    # A radius of 1 m may say nothing of where the microphone stood.
    assert np.isnan(found.distance_m).all()


@pytest.mark.parametrize(("directions", "bins"), [(1, 2), (1, 5), (4, 2), (3, 3)])
def test_few_directions_and_frequencies_and_any_script_survive(tmp_path: Path, directions: int, bins: int) -> None:
    """Singleton dimensions are where readers and writers of SOFA drop an axis."""
    axis = FrequencyAxis(np.arange(1, bins + 1) * 100.0)
    where = from_orbit("horizontal", np.arange(directions) * 20.0)
    pressure = np.arange(1, directions * bins + 1).reshape(directions, bins) * (1 + 2j)
    ones = np.ones((directions, bins))
    value = DirectionalResponse(axis, where, pressure, ones * 0.1, ones[0] * 0.2, ones.astype(bool))
    path = tmp_path / "small.sofa"
    write_sofa(path, value, title="Größe λ", description="d", license="CC0 1.0")
    found = read_directivity_sofa(path)
    np.testing.assert_allclose(found.pressure, pressure, rtol=1e-12)
    np.testing.assert_allclose(found.directions.azimuth_rad, where.azimuth_rad, atol=1e-12)
    np.testing.assert_array_equal(found.hz, axis.hz)
    with netCDF4.Dataset(path) as file:
        assert file.Title == "Größe λ"


def test_no_clock_goes_into_the_texts(tmp_path: Path) -> None:
    write_sofa(tmp_path / "a.sofa", response(cta_orbits()), **WORDS)
    with netCDF4.Dataset(tmp_path / "a.sofa") as file:
        assert file.DateCreated == file.DateModified == "1970-01-01 00:00:00"


def test_a_directivity_by_another_writer_is_turned_to_its_own_source_view(tmp_path: Path) -> None:
    """sofar writes a file whose source looks to +y: a receiver at azimuth 90 degrees is on its axis."""
    import sofar

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sofa = sofar.Sofa("FreeFieldDirectivityTF", version="1.1")
        sofa.ReceiverPosition = [[90.0, 0.0, 2.0], [0.0, 0.0, 2.0]]
        sofa.SourceView = [0.0, 1.0, 0.0]
        for name in ("EmitterDescriptions", "Description", "MIDINote", "SourceTuningFrequency"):
            sofa.delete(name)
        sofa.N = [100.0, 1000.0]
        sofa.Data_Real, sofa.Data_Imag = np.array([[[1.0, 2.0], [3.0, 4.0]]]), np.zeros((1, 2, 2))
        sofar.write_sofa(str(tmp_path / "turned.sofa"), sofa)
    found = read_directivity_sofa(tmp_path / "turned.sofa")
    np.testing.assert_allclose(found.directions.unit_vectors(), [[1, 0, 0], [0, -1, 0]], atol=1e-12)
    np.testing.assert_allclose(found.pressure.real, [[1.0, 2.0], [3.0, 4.0]])
    np.testing.assert_allclose(found.distance_m, 2.0)
    assert found.u_db is None


def _header(path: Path, **sizes: int) -> None:
    with netCDF4.Dataset(path, "w") as file:
        file.SOFAConventions, file.DataType = "FreeFieldDirectivityTF", "TF"
        for name, size in sizes.items():
            file.createDimension(name, size)
        for name in ("Data.Real", "Data.Imag"):
            file.createVariable(name, "f8", ("M", "R", "N"), zlib=True, chunksizes=(1, 1, 16))
        file.createVariable("N", "f8", ("N",))
        file.createVariable("ReceiverPosition", "f8", ("R",))


def test_a_header_that_promises_terabytes_is_refused_before_reading(tmp_path: Path) -> None:
    path = tmp_path / "huge.sofa"
    _header(path, M=1, R=2**20, N=2**20)
    assert path.stat().st_size < 2**24
    with pytest.raises(FormatError, match="promises"):
        read_directivity_sofa(path)


def test_files_that_are_none_are_refused(tmp_path: Path) -> None:
    whole = EAR.read_bytes()
    other = tmp_path / "other.sofa"
    with netCDF4.Dataset(other, "w") as file:
        file.SOFAConventions, file.DataType = "SingleRoomSRIR", "FIR"
    bad = {"empty.sofa": b"", "text.sofa": b"not a SOFA file\n" * 99, "cut.sofa": whole[: len(whole) // 2]}
    for name, data in bad.items():
        (tmp_path / name).write_bytes(data)
    for name in [*bad, "other.sofa", "missing.sofa"]:
        with pytest.raises(FormatError) as found:
            read_directivity_sofa(tmp_path / name)
        assert name in str(found.value)


def test_size_and_shape_are_checked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _header(tmp_path / "bare.sofa", M=1, R=2, N=16)
    with pytest.raises(FormatError):
        read_directivity_sofa(tmp_path / "bare.sofa")
    monkeypatch.setattr("earwitness.formats.sofa.MAX_BYTES", 1000)
    with pytest.raises(FormatError, match="bytes large"):
        read_directivity_sofa(EAR)


def test_writing_where_one_may_not_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError):
        write_sofa(tmp_path / "file" / "a.sofa", response(cta_orbits()), **WORDS)
    with pytest.raises(InputError, match="suffix"):
        write_sofa(tmp_path / "a.nc", response(cta_orbits()), **WORDS)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file"]
