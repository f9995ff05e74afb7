"""Array files: bit for bit there and back, readable by netCDF4 alone, damage told."""

from __future__ import annotations

import json
from pathlib import Path

import netCDF4
import numpy as np
import pytest
from archive_worlds import measurement, same
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.archive import arrays
from earwitness.errors import ArchiveError, OutputError


@settings(deadline=None, derandomize=True, max_examples=15)
@given(seed=st.integers(0, 2**32), directions=st.integers(2, 9), bins=st.integers(4, 50), full=st.booleans())
def test_a_measurement_comes_back_bit_for_bit(seed: int, directions: int, bins: int, full: bool) -> None:
    value = measurement(seed, directions=directions, bins=bins, full=full) if directions > 2 else measurement(seed)
    assert same(arrays.measurement_from(arrays.measurement_bytes(value), where="memory"), value)


def test_same_tells_a_last_bit_apart() -> None:
    """The comparison above can fail."""
    value, other = measurement(1), measurement(1)
    assert same(value, other)
    impulse = np.array(other.impulse)
    impulse[5] = np.nextafter(impulse[5], 2)
    object.__setattr__(other, "impulse", impulse)
    assert not same(value, other)


def test_steps_keep_their_keys(tmp_path: Path) -> None:
    value = measurement()
    arrays.write_measurement(tmp_path / "m.nc", value)
    found = arrays.read_measurement(tmp_path / "m.nc")
    assert [s.key for s in found.steps] == [s.key for s in value.steps]


def test_a_response_alone_comes_back(tmp_path: Path) -> None:
    value = measurement(3).response
    arrays.write_response(tmp_path / "r.nc", value)
    assert same(arrays.read_response(tmp_path / "r.nc"), value)
    with pytest.raises(ArchiveError, match="holds a response, not a measurement"):
        arrays.read_measurement(tmp_path / "r.nc")


def test_the_file_explains_itself_to_another_reader(tmp_path: Path) -> None:
    value = measurement()
    arrays.write_measurement(tmp_path / "m.nc", value)
    with netCDF4.Dataset(tmp_path / "m.nc") as file:
        group = file["response"]
        assert group["pressure_real"].dtype == np.float64
        assert group["pressure_real"].dimensions == ("direction", "frequency")
        assert group["pressure_imag"].units == "pascal per volt"
        assert group["frequency_hz"].units == "hertz"
        np.testing.assert_array_equal(group["frequency_hz"][:], value.response.axis.hz)
        assert json.loads(str(file["record"][...]))["splice"]["low_hz"] == 200.0


@pytest.mark.parametrize("cut", [0, 10, 500, 20_000])
def test_a_truncated_file_says_rebuild(tmp_path: Path, cut: int) -> None:
    path = tmp_path / "m.nc"
    path.write_bytes(arrays.measurement_bytes(measurement())[:cut])
    with pytest.raises(ArchiveError, match="rebuild") as found:
        arrays.read_measurement(path)
    assert str(path) in str(found.value)


def test_missing_wrong_or_later_files_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ArchiveError, match="rebuild"):
        arrays.read_measurement(tmp_path / "none.nc")
    path = tmp_path / "m.nc"
    with monkeypatch.context() as later:
        later.setattr(arrays, "LAYOUT", 99)
        arrays.write_measurement(path, measurement())
    with pytest.raises(ArchiveError, match="later version"):
        arrays.read_measurement(path)
    with netCDF4.Dataset(path, "w") as file:
        file.title = "something else"
    with pytest.raises(ArchiveError, match="rebuild"):
        arrays.read_measurement(path)


def test_a_folder_in_the_way_is_an_output_error(tmp_path: Path) -> None:
    (tmp_path / "m.nc").mkdir()
    with pytest.raises(OutputError):
        arrays.write_response(tmp_path / "m.nc", measurement().response)


def test_a_result_of_an_earlier_layout_is_told_from_a_damaged_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "m.nc"
    with monkeypatch.context() as earlier:
        earlier.setattr(arrays, "LAYOUT", 1)
        arrays.write_measurement(path, measurement())
        arrays.write_response(tmp_path / "r.nc", measurement().response)
    with pytest.raises(arrays.OlderLayoutError, match="earlier version of Earwitness \\(layout 1\\)") as told:
        arrays.read_measurement(path)
    assert "its recordings are kept" in told.value.remedy
    # A response alone has not changed since.
    assert same(arrays.read_response(tmp_path / "r.nc"), measurement().response)


def test_loud_takes_explain_themselves_to_another_reader(tmp_path: Path) -> None:
    value = measurement()
    arrays.write_measurement(tmp_path / "m.nc", value)
    with netCDF4.Dataset(tmp_path / "m.nc") as file:
        lines = file["two_tones_0"]["lines_pa"]
        assert (lines.dimensions, lines.units, lines.shape) == (("line",), "pascal", (5,))
        relative = file["burst_0"]["relative_db"]
        assert (relative.dimensions, relative.units, relative.shape) == (("order",), "decibel", (3,))
        assert file["noise_run_0"]["hot_db"].units == "decibel"
        np.testing.assert_array_equal(file["noise_run_0"]["start_db"][:], value.noise_runs[0].start_db)
