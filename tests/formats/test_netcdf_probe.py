"""The probe of array files lives on in a process of its own: a path must mean the same there wherever we stand."""

from __future__ import annotations

from pathlib import Path

import netCDF4
import pytest

from earwitness.formats.netcdf_probe import probe


def test_a_relative_path_is_found_from_any_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for place in ("here", "there"):
        folder = tmp_path / place
        folder.mkdir()
        with netCDF4.Dataset(folder / f"{place}.nc", "w") as data:
            data.createDimension("one", 1)
        monkeypatch.chdir(folder)
        assert probe(Path(f"{place}.nc"), most_unpacked_bytes=1000) == probe(
            folder / f"{place}.nc", most_unpacked_bytes=1000
        )
