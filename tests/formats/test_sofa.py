"""SOFA files, against netCDF4 and sofar as independent readers and writers, and against a measured ear."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest

from earwitness.errors import FormatError, InputError, OutputError
from earwitness.formats.sofa import read_sofa, write_sofa
from earwitness.quantities import DirectionalResponse, Directions, FrequencyAxis, cta_orbits, from_orbit, on_orbit
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


def test_it_reads_back_with_trust_but_without_an_absolute_level(tmp_path: Path) -> None:
    path = tmp_path / "orbits.sofa"
    value = response(cta_orbits())
    write_sofa(path, value, **WORDS)
    found = read_sofa(path)
    np.testing.assert_allclose(found.pressure[value.valid], value.pressure[value.valid], rtol=1e-12)
    np.testing.assert_array_equal(found.valid, value.valid)
    np.testing.assert_array_equal(found.u_db[value.valid], value.u_db[value.valid])
    np.testing.assert_array_equal(found.u_common_db, value.u_common_db)
    np.testing.assert_allclose(found.directions.unit_vectors(), value.directions.unit_vectors(), atol=1e-12)
    assert not found.absolute
    assert found.distance_m == pytest.approx(1.0)
    assert len(found.lineage[0]) == 64


@pytest.mark.parametrize(("directions", "bins"), [(1, 1), (1, 5), (4, 1), (3, 3)])
def test_few_directions_and_frequencies_and_any_script_survive(tmp_path: Path, directions: int, bins: int) -> None:
    """Singleton dimensions are where readers and writers of SOFA drop an axis."""
    axis = FrequencyAxis(np.arange(1, bins + 1) * 100.0)
    where = from_orbit("horizontal", np.arange(directions) * 20.0)
    pressure = np.arange(1, directions * bins + 1).reshape(directions, bins) * (1 + 2j)
    ones = np.ones((directions, bins))
    value = DirectionalResponse(axis, where, pressure, ones * 0.1, ones[0] * 0.2, ones.astype(bool))
    path = tmp_path / "small.sofa"
    write_sofa(path, value, title="Größe λ", description="d", license="CC0 1.0")
    found = read_sofa(path)
    np.testing.assert_allclose(found.pressure, pressure, rtol=1e-12)
    np.testing.assert_allclose(found.directions.azimuth_rad, where.azimuth_rad, atol=1e-12)
    np.testing.assert_array_equal(found.axis.hz, axis.hz)
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
    found = read_sofa(tmp_path / "turned.sofa", assumed_u_db=0.7)
    np.testing.assert_allclose(found.directions.unit_vectors(), [[1, 0, 0], [0, -1, 0]], atol=1e-12)
    # 6 dB more at 1 m than at 2 m: the level falls with 1 / r in the free field.
    np.testing.assert_allclose(found.pressure.real, [[2.0, 4.0], [6.0, 8.0]])
    assert (found.u_db == 0.7).all()


def test_a_measured_ear_becomes_a_source() -> None:
    """Gardner and Martin (1995): horizontal orbit complete; below -40 degrees of elevation nothing was measured."""
    ear = read_sofa(EAR, receiver=0, reference_deg=(90.0, 0.0))
    assert (len(ear.directions), len(ear.axis)) == (710, 256)
    assert ear.axis.hz[-1] == pytest.approx(22050.0)
    assert ear.distance_m == pytest.approx(1.4)
    assert not ear.absolute
    _, around = on_orbit(ear.directions, "horizontal")
    assert np.isin(np.arange(-170, 181, 10), np.round(around)).all()
    _, over = on_orbit(ear.directions, "vertical")
    assert np.isin(np.r_[-40:41:10, 90, 140:181:10], np.round(over)).all()
    assert not ((over < -40.5) & (over > -139.5)).any()


def test_the_ear_hears_best_on_its_own_side() -> None:
    """Head shadow at 4 kHz, and the two ears of a symmetric head mirror each other (the file's own two channels)."""
    left = read_sofa(EAR, receiver=0, reference_deg=(90.0, 0.0))
    right = read_sofa(EAR, receiver=1, reference_deg=(-90.0, 0.0))
    bin_ = int(np.argmin(np.abs(left.axis.hz - 4000.0)))
    rows, angle = on_orbit(left.directions, "horizontal")
    level = 20 * np.log10(np.abs(left.pressure[rows, bin_]))
    near, far = level[np.abs(angle) <= 40].mean(), level[np.abs(angle) >= 140].mean()
    assert near - far > 8.0
    rows_right, angle_right = on_orbit(right.directions, "horizontal")
    mirrored = np.interp(-angle_right[1:-1], angle, level)
    level_right = 20 * np.log10(np.abs(right.pressure[rows_right, bin_]))[1:-1]
    assert np.median(np.abs(level_right - mirrored)) < 1.5


def test_the_spectrum_of_the_ear_agrees_with_a_plain_transform_of_the_file() -> None:
    with netCDF4.Dataset(EAR) as file:
        impulse = np.asarray(file["Data.IR"][:, 1, :])
    ear = read_sofa(EAR, receiver=1)
    plain = np.stack([np.fft.fft(row)[1:257] for row in impulse[::50]])
    np.testing.assert_allclose(ear.pressure[::50], plain * 1.4, rtol=1e-9, atol=1e-12)


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
        read_sofa(path)


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
            read_sofa(tmp_path / name)
        assert name in str(found.value)


def test_size_receiver_and_shape_are_checked(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="bytes large"):
        read_sofa(EAR, max_bytes=1000)
    with pytest.raises(InputError, match="receiver 2"):
        read_sofa(EAR, receiver=2)
    _header(tmp_path / "bare.sofa", M=1, R=2, N=16)
    with pytest.raises(FormatError):
        read_sofa(tmp_path / "bare.sofa")


def test_writing_where_one_may_not_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError):
        write_sofa(tmp_path / "file" / "a.sofa", response(cta_orbits()), **WORDS)
    with pytest.raises(InputError, match="suffix"):
        write_sofa(tmp_path / "a.nc", response(cta_orbits()), **WORDS)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file"]
