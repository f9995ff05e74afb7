"""Directivities in SOFA files of several conventions and frames, held against the formula they were written from."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from earwitness.errors import FormatError
from earwitness.formats.directivity_sofa import read_directivity_sofa

FOLDER = Path(__file__).parent / "data" / "sofa"
EXPECTED: dict[str, dict[str, Any]] = json.loads((FOLDER.parent / "sofa-expected.json").read_text())
PLACES = {"H0": (0, 0), "H+90": (90, 0), "H-90": (-90, 0), "V+90": (0, 90), "V-90": (0, -90), "180": (180, 0)}


def answers_to(name: str) -> dict[str, str]:
    asked = {question.key: question.options[0] for question in read_directivity_sofa(FOLDER / name).questions}
    return {**asked, "data": "Pa/V"}


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_levels_by_direction_are_those_of_the_formula(name: str) -> None:
    """Within 0.01 dB at two frequencies in six directions; left and right, up and down are not alike in the formula."""
    found = read_directivity_sofa(FOLDER / name, answers=answers_to(name))
    assert found.questions == ()
    unit = found.directions.unit_vectors()
    for said, level_db in EXPECTED[name]["db_spl_at_1V"].items():
        place, hz = said.split(" ")[0], float(said.split(" ")[1])
        azimuth, elevation = np.radians(PLACES[place])
        wanted = np.array([np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)])
        row = int(np.argmax(unit @ wanted))
        assert unit[row] @ wanted > 0.9999
        if found.impulse.size:
            time = np.arange(found.impulse.shape[1]) / found.rate_hz
            pressure = abs(found.impulse[row] @ np.exp(-2j * np.pi * hz * time))
        else:
            pressure = abs(found.pressure[row, int(np.argmin(np.abs(found.hz - hz)))])
        assert 20 * np.log10(pressure / 20e-6) == pytest.approx(level_db, abs=0.01)


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_what_a_file_leaves_open_is_asked(name: str) -> None:
    asked = {question.key for question in read_directivity_sofa(FOLDER / name).questions}
    assert "data" in asked
    assert ("axis" in asked) == (EXPECTED[name]["ask"] is not None)
    assert ("positions" in asked) == name.startswith("g-")


def test_another_axis_turns_the_directions() -> None:
    """With azimuth 90 as the axis, what stood at azimuth 90 is on axis and what stood ahead is to the right."""
    name = "e-general-tf-receivers.sofa"
    straight = read_directivity_sofa(FOLDER / name, answers={"data": "Pa/V", "axis": "0, 0"})
    turned = read_directivity_sofa(FOLDER / name, answers={"data": "Pa/V", "axis": "90, 0"})
    before, after = straight.directions.unit_vectors(), turned.directions.unit_vectors()
    left = int(np.argmax(before[:, 1]))
    assert after[left] == pytest.approx([1.0, 0.0, 0.0], abs=1e-9)
    ahead = int(np.argmax(before[:, 0]))
    assert after[ahead] == pytest.approx([0.0, -1.0, 0.0], abs=1e-9)


def test_an_ear_is_no_source() -> None:
    """A measured head-related set (see data/README.md) is refused in words."""
    with pytest.raises(FormatError, match="not how a source radiates"):
        read_directivity_sofa(FOLDER.parent / "manikin_ear_normal.sofa")
