"""Array files: bit for bit there and back, readable by netCDF4 alone, damage told."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import netCDF4
import numpy as np
import pytest
from archive_worlds import measurement, same
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.archive import arrays
from earwitness.errors import ArchiveError
from earwitness.quantities import Average, Measurement


def written(path: Path, value: Measurement) -> Path:
    path.write_bytes(arrays.measurement_bytes(value))
    return path


def read(path: Path) -> Measurement:
    return arrays.measurement_from(path.read_bytes(), where=str(path))


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
    written(tmp_path / "m.nc", value)
    found = read(tmp_path / "m.nc")
    assert [s.key for s in found.steps] == [s.key for s in value.steps]


def test_averages_come_back_from_today_and_from_when_they_were_keys_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    value = measurement()
    bins = len(value.response.axis)
    average = Average("sound_power", np.linspace(-40, -50, bins), np.full(bins, 0.3), np.arange(bins) > 2)
    value = replace(value, averages=(average,))
    assert same(arrays.measurement_from(arrays.measurement_bytes(value), where="memory"), value)
    pack = arrays._pack
    monkeypatch.setattr(arrays, "_pack", lambda record, groups: pack(record | {"averages": ["sound_power"]}, groups))
    assert same(arrays.measurement_from(arrays.measurement_bytes(value), where="memory"), value)


def test_the_file_explains_itself_to_another_reader(tmp_path: Path) -> None:
    value = measurement()
    written(tmp_path / "m.nc", value)
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
        read(path)
    assert str(path) in str(found.value)


def test_wrong_or_later_files_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "m.nc"
    with monkeypatch.context() as later:
        later.setattr(arrays, "LAYOUT", 99)
        written(path, measurement())
    with pytest.raises(ArchiveError, match="later version"):
        read(path)
    with netCDF4.Dataset(path, "w") as file:
        file.title = "something else"
    with pytest.raises(ArchiveError, match="rebuild"):
        read(path)


def test_a_result_of_an_earlier_layout_is_told_from_a_damaged_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "m.nc"
    with monkeypatch.context() as earlier:
        earlier.setattr(arrays, "LAYOUT", 1)
        written(path, measurement())
    with pytest.raises(arrays.OlderLayoutError, match="earlier version of Earwitness \\(layout 1\\)") as told:
        read(path)
    assert "its recordings are kept" in told.value.remedy


def test_loud_takes_explain_themselves_to_another_reader(tmp_path: Path) -> None:
    value = measurement()
    written(tmp_path / "m.nc", value)
    with netCDF4.Dataset(tmp_path / "m.nc") as file:
        lines = file["two_tones_0"]["lines_pa"]
        assert (lines.dimensions, lines.units, lines.shape) == (("line",), "pascal", (5,))
        relative = file["burst_0"]["relative_db"]
        assert (relative.dimensions, relative.units, relative.shape) == (("order",), "decibel", (3,))
        assert file["noise_run_0"]["hot_db"].units == "decibel"
        np.testing.assert_array_equal(file["noise_run_0"]["start_db"][:], value.noise_runs[0].start_db)
