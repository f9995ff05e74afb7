"""Responses that were measured already, to figures and a page; and out of an archive and in again.

Sources: the demo loudspeakers' own figures for the round trips (what is exported must come back); a formula for the
directivities, tests/formats/data/sofa.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from earwitness.app.add import (
    add_folder,
    impedance_table_of,
    measurement_of,
    questions,
    recordings_of,
    take_in_all,
    write_session,
)
from earwitness.app.archive import FORMS, export_responses
from earwitness.app.publish import publish_review
from earwitness.archive.catalogue import Archive
from earwitness.cli import main
from earwitness.errors import SessionError
from earwitness.figures.read import read_measurement, read_response
from earwitness.figures.windows import NAMES
from earwitness.quantities import DirectionalResponse, Figure, Measurement, Reading, cta_orbits, report_axis
from earwitness.reduce.flow import reduce_session
from earwitness.session.from_files import Stated, survey
from earwitness.session.load import load_session
from earwitness.session.response_files import sources_of
from earwitness.session.session import Session
from made_once import QUICK_KEYS, MadeOnce

SOFA = Path(__file__).parents[1] / "formats" / "data" / "sofa"
STATED = Stated(
    name="Formula One",
    maker="Nobody",
    type="stand-mount",
    enclosure="closed",
    width_m=0.2,
    height_m=0.3,
    depth_m=0.25,
    reference_axis="x",
    date="2026-11-01",
    invented=True,
    voltage_v=2.83,
    data="Pa/V",
    axis_azimuth_deg=0.0,
    positions="radiated directions",
    space="anechoic",
    phase="one time reference",
    smoothing="none",
)
# Those that lean on many levels come back with their uncertainty, too.
_AS_SURE = {
    **dict.fromkeys(("sensitivity", "f3", "f6"), 0.2),
    # A table holds sizes of doubt and no causes: what hangs together over frequency counts for less in a slope or a
    # rating once it has been out and in.
    **dict.fromkeys(("linearity_half_range", "in_room_slope", "preference_rating"), 0.4),
}
# What only recordings tell.
_RECORDED = ("burst", "intermodulation", "multitone", "compression_long_term")


def figures_of(archive: Path, name: str) -> dict[str, Figure]:
    return dict(reading_of(archive, name).figures)


def reading_of(archive: Path, name: str) -> Reading:
    with Archive.open(archive) as opened:
        session_id = opened.sessions_of(opened.find(name).id)[-1].id
        measurement, _ = measurement_of(opened, session_id)
        return read(measurement, opened.session(session_id))


def read(measurement: Measurement, session: Session) -> Reading:
    told = session.loudspeaker
    return read_measurement(
        measurement,
        rated_impedance_ohm=told.rated_impedance_ohm,
        enclosure=told.enclosure,
        symmetric=told.symmetric,
    )


@cache
def before(archive: Path, key: str) -> dict[str, Figure]:
    return figures_of(archive, key)


def taken_in(folder: Path) -> dict[str, Figure]:
    """The figures of a session folder of responses, without an archive."""
    session = load_session(folder)
    files = {take.file: folder / take.file for take in session.takes}
    impedance, sources = impedance_table_of(session, files), sources_of(session, files)
    return dict(
        read(reduce_session(session, recordings_of(files), impedance=impedance, sources=sources), session).figures
    )


@pytest.mark.slow
@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("key", [*QUICK_KEYS, "coffer"])
def test_what_goes_out_comes_back_within_a_tenth_of_its_uncertainty(
    key: str, form: str, made_once: MadeOnce, tmp_path: Path
) -> None:
    archive = made_once.archive(*QUICK_KEYS, "coffer")
    export_responses(archive, key, tmp_path / "out", form)
    after = taken_in(tmp_path / "out")
    carried = by_level = 0
    for name, figure in before(archive, key).items():
        if figure.value is None or any(word in name for word in _RECORDED):
            continue
        assert after[name].value is not None, (name, after[name].reason)
        # A bound at a level has no uncertainty of its own: it moves with the level, far less than
        # a tenth of what that has.
        at_level = bool(figure.bound) and "@" in name
        limit = 0.1 * 2 * (figure.u or 0.0) + (1e-3 * abs(figure.value) if at_level else 1e-9)
        assert after[name].value == pytest.approx(figure.value, abs=limit), name
        carried += 1
        by_level += "@" in name
        assert name not in _AS_SURE or after[name].u == pytest.approx(figure.u, rel=_AS_SURE[name]), name
    assert carried >= 30
    assert by_level >= 10


def formula(directions: np.ndarray, hz: np.ndarray) -> np.ndarray:
    """Pa/V at 1 m of the source behind the eight files (their script's formula)."""
    b = hz / (hz + 2000.0)
    x, y, z = (directions[:, i : i + 1] for i in range(3))
    size = 1e-3 * (1 + b * x + 0.10 * b * y + 0.05 * b * z) / (1 + b)
    return np.asarray(size * np.exp(-2j * np.pi * hz * 5e-5))


def truth(known: np.ndarray) -> Reading:
    """Curves and figures of the formula itself, known where the file's own frequencies let it be known."""
    axis = report_axis()
    pressure = formula(cta_orbits().unit_vectors(), axis.hz)
    shape = pressure.shape
    response = DirectionalResponse(
        axis, cta_orbits(), pressure, np.full(shape, 1e-3), np.full(axis.hz.size, 1e-3), np.broadcast_to(known, shape)
    )
    return read_response(response)


def band_of(archive: Path, name: str) -> np.ndarray:
    with Archive.open(archive) as opened:
        measurement, _ = measurement_of(opened, opened.sessions_of(opened.find(name).id)[-1].id)
    return np.asarray(measurement.response.valid.all(axis=0))


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(path.name for path in SOFA.iterdir()))
def test_a_closed_form_directivity_goes_all_the_way_to_a_page(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "data"
    folder.mkdir()
    shutil.copyfile(SOFA / name, folder / name)
    write_session(survey(folder), STATED)
    added = add_folder(folder, tmp_path / "archive")
    found, wanted = (
        reading_of(tmp_path / "archive", added.name),
        truth(band_of(tmp_path / "archive", added.name)),
    )
    judged = [key for key, figure in wanted.figures.items() if figure.value is not None]
    # Those of 100 Hz to 16 kHz end where figures of the whole band begin.
    assert len(judged) == (17 if "fir" in name else 6)
    for key in judged:
        figure = found.figures[key]
        assert figure.value is not None, (key, figure.reason)
        assert abs(figure.value - wanted.figures[key].value) <= 2 * (figure.u or 0.0) + 1e-6, key
    assert len(NAMES) == 12
    for key in NAMES:
        curve, true = found.curves[key], wanted.curves[key]
        there = true.valid & curve.valid
        assert there.sum() >= 350
        away = np.abs(curve.values - true.values)[there]
        assert (away <= 2 * np.hypot(curve.u, curve.u_common)[there]).all(), key
        # The shape needs no level. A file of impulse responses holds the formula at the bins of its length alone.
        assert "fir" in name or np.ptp((curve.values - true.values)[there]) <= 0.15, key
    page = publish_review(added.name, tmp_path / "page", tmp_path / "archive")
    assert (tmp_path / "page" / "index.html").stat().st_size > 10_000
    assert page is not None


def test_a_folder_says_what_it_is_and_what_is_open(tmp_path: Path) -> None:
    hz = np.geomspace(20.0, 20_000.0, 200)
    for angle in range(-30, 31, 10):
        rows = "".join(f"{f:.4f}\t{85 - abs(angle) * f / 4e5:.3f}\n" for f in hz)
        (tmp_path / f"h_{angle}.txt").write_text("Hz\tdB\n" + rows)
    (tmp_path / "notes.md").write_text("nothing")
    told = CliRunner().invoke(main, ["measure", "from-files", str(tmp_path)])
    assert told.exit_code == 0, told.output
    assert "h_{angle}.txt (7 files)" in told.output
    assert "horizontal" in told.output
    assert "to settle" in told.output
    assert "notes.md" in told.output
    assert not (tmp_path / "session.toml").exists()


def test_what_is_not_settled_is_refused_with_the_line_to_write(tmp_path: Path) -> None:
    (tmp_path / "h_0.txt").write_text("Hz\tdB\n100\t80\n200\t81\n400\t82\n")
    found = survey(tmp_path)
    assert questions(found)
    write_session(found, replace(STATED, unit=""))
    text = (tmp_path / "session.toml").read_text()
    (tmp_path / "session.toml").write_text(text.replace('unit = ""', ""))
    with pytest.raises(SessionError) as refusal:
        add_folder(tmp_path, tmp_path / "archive")
    assert 'write unit = "dB' in str(refusal.value)
    assert "dB without a reference" in str(refusal.value)


def test_a_list_is_taken_in_and_what_fails_is_told(tmp_path: Path) -> None:
    hz = np.geomspace(20.0, 20_000.0, 120)
    for number in range(3):
        folder = tmp_path / f"box{number}"
        folder.mkdir()
        for letter in "hv":
            for angle in range(-170, 181, 10):
                turn = np.sin(np.radians(angle + (3 if letter == "v" else 0)) / 2)
                level = 80 + number - 10 * np.log10(1 + (hz / 4000.0 * turn) ** 2) * (1 if angle else 0)
                rows = "".join(f"{f:.4f};{one:.3f}\n" for f, one in zip(hz, level, strict=True))
                (folder / f"{letter}{angle}.csv").write_text("Hz;dB SPL\n" + rows)
    head = (
        "folder,name,maker,type,enclosure,width_m,height_m,depth_m,reference_axis,date,voltage_v,space,price,currency"
    )
    line = "box{0},Box {0},Nobody (invented),stand-mount,closed,0.2,0.3,0.25,x,2026-10-0{1},2.83,anechoic,10{0},EUR"
    rows = [line.format(n, n + 1) for n in range(3)] + [line.format(7, 8)]
    (tmp_path / "list.csv").write_text("\n".join([head, *rows]) + "\n")
    done = take_in_all(tmp_path / "list.csv", tmp_path / "archive")
    assert [one.why == "" for one in done] == [True, True, True, False]
    assert done[3].line == 5
    again = take_in_all(tmp_path / "list.csv", tmp_path / "archive")
    assert [one.why == "" for one in again] == [True, True, True, False]
    with Archive.open(tmp_path / "archive") as archive:
        assert len(archive.sessions_of(archive.find("Box 1").id)) == 1


def test_levels_without_phase_bear_what_levels_can_bear_and_nothing_in_time(tmp_path: Path) -> None:
    test_a_list_is_taken_in_and_what_fails_is_told(tmp_path)
    with Archive.open(tmp_path / "archive") as archive:
        session_id = archive.sessions_of(archive.find("Box 1").id)[-1].id
        measurement, _ = measurement_of(archive, session_id)
    assert measurement.response.phase == "none"
    reading = read_measurement(measurement)
    assert reading.figures["preference_rating_with_subwoofer"].value is not None
    assert not any(key.startswith(("impulse", "step", "group_delay", "decay")) for key in reading.curves)
