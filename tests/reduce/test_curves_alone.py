"""Curves alone of somebody's publication: the figures that they bear are those of the directions they came from.

Source: a closed form of a source's levels over the 70 directions; its curves by the averaging of ANSI/CTA-2034-A, which
the program computes from directions and here gets as they were published.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from earwitness.app.add import add_folder, questions, telling, write_session
from earwitness.app.compare import compare_loudspeakers
from earwitness.app.publish import publish_review
from earwitness.app.read import read_loudspeaker
from earwitness.errors import EarwitnessError
from earwitness.figures.read import read_response
from earwitness.figures.windows import NAMES
from earwitness.quantities import DirectionalResponse, Reading, cta_orbits, report_axis
from earwitness.session.from_files import Stated, survey

STATED = Stated(
    name="Published", maker="Nobody", type="stand-mount", enclosure="closed", width_m=0.2, height_m=0.3, depth_m=0.25,
    reference_axis="x", date="2026-11-01", invented=True, voltage_v=2.83, space="anechoic", smoothing="none",
)  # fmt: skip
GIVEN = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
TITLES = ("on axis dB SPL", "listening window dB SPL", "early reflections dB SPL", "sound power dB SPL",
          "predicted in-room response dB SPL")  # fmt: skip
FIGURES = ("sensitivity", "f3", "f6", "in_room_slope", "directivity_slope", "preference_rating", "linearity_above")


def truth() -> Reading:
    """A source that beams with frequency and rolls off at 50 Hz, with a few resonances."""
    axis, at = report_axis(), cta_orbits()
    hz, x = axis.hz, at.unit_vectors()[:, :1]
    level = 86.0 - 10 * np.log10(1 + (50.0 / hz) ** 4)
    for center, size, width in ((180.0, 1.0, 0.4), (900.0, -1.4, 0.3), (4000.0, 1.2, 0.25)):
        level = level + size * np.exp(-((np.log2(hz / center) / width) ** 2))
    level = level - 10 * np.log10(1 + (hz / 2500.0) ** 2 * ((1 - x) / 2) ** 2)
    pressure = 10 ** (level / 20) * 20e-6 / 2.83
    shape = pressure.shape
    return read_response(
        DirectionalResponse(axis, at, pressure, np.full(shape, 0.1), np.full(hz.size, 0.1), np.ones(shape, bool))
    )


TRUE = truth()


def put(folder: Path, name: str, keys: tuple[str, ...], titles: tuple[str, ...]) -> None:
    folder.mkdir(exist_ok=True)
    hz = report_axis().hz
    columns = [TRUE.curves[key].values for key in keys]
    rows = ("\t".join(f"{v:.5f}" for v in row) for row in zip(hz, *columns, strict=True))
    (folder / name).write_text("\n".join(["\t".join(["Hz", *titles]), *rows]) + "\n")


def test_a_table_of_curves_goes_all_the_way_with_the_figures_it_bears(tmp_path: Path) -> None:
    put(tmp_path / "data", "curves.txt", GIVEN, TITLES)
    found = survey(tmp_path / "data")
    assert [group.kind for group in found.groups] == ["curves"]
    assert not questions(found)
    assert any("curves" in words for _, words in telling(found))
    write_session(found, STATED)
    add_folder(tmp_path / "data", tmp_path / "archive")
    reading = read_loudspeaker("Published", tmp_path / "archive").reading
    for key in (*GIVEN, "sound_power_di", "early_reflections_di"):
        curve = reading.curves[key]
        assert curve.values[curve.valid] == pytest.approx(TRUE.curves[key].values[curve.valid], abs=1e-3)
    for key in FIGURES:
        assert reading.figures[key].value == pytest.approx(TRUE.figures[key].value, abs=1e-3, rel=1e-4), key
        assert 0.0 < reading.figures[key].u < 2 * TRUE.figures[key].u + 5.0
    assert reading.figures["nominal_coverage_horizontal"].value is None
    assert reading.missing["floor"] == "the data do not give it"
    add_folder(_other(tmp_path), tmp_path / "archive")
    assert compare_loudspeakers(("Published", "Second"), tmp_path / "archive") is not None
    publish_review("Published", tmp_path / "page", tmp_path / "archive")
    assert (tmp_path / "page" / "index.html").stat().st_size > 10_000


def _other(tmp_path: Path) -> Path:
    """The same curves, a file each, without the in-room response."""
    for key, title in zip(GIVEN[:4], TITLES[:4], strict=True):
        put(tmp_path / "files", f"{NAMES[key].replace(' ', '_')}.txt", (key,), (title.split(" dB")[-1] and "dB SPL",))
    found = survey(tmp_path / "files")
    assert sorted(group.kind for group in found.groups) == ["curves", "curves", "curves", "response"]
    write_session(found, replace(STATED, name="Second"))
    return tmp_path / "files"


def test_the_in_room_response_is_computed_where_its_parts_are_given(tmp_path: Path) -> None:
    add_folder(_other(tmp_path), tmp_path / "archive")
    reading = read_loudspeaker("Second", tmp_path / "archive").reading
    made, true = reading.curves["in_room"], TRUE.curves["in_room"]
    assert made.values[made.valid] == pytest.approx(true.values[made.valid], abs=1e-3)


@pytest.mark.parametrize("keys", [GIVEN[1:], (*GIVEN, "sound_power")])
def test_averages_without_the_axis_or_twice_are_refused(keys: tuple[str, ...], tmp_path: Path) -> None:
    put(tmp_path / "data", "curves.txt", keys, tuple(f"{NAMES[key]} dB SPL" for key in keys))

    def taken() -> None:
        write_session(survey(tmp_path / "data"), STATED)
        add_folder(tmp_path / "data", tmp_path / "archive")

    with pytest.raises(EarwitnessError, match=r"on axis|two columns|no file"):
        taken()
