"""docs/scan-tutorial.md, command by command, on a simulated scan: from recordings to the published page."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from demo_truth import true_pressure_at
from earwitness.archive.arrays import measurement_bytes, measurement_from
from earwitness.archive.catalogue import Archive
from earwitness.cli import main
from earwitness.demo import rig
from earwitness.demo.scan import write_scan_session
from earwitness.quantities import Measurement
from earwitness.quantities.directions import Directions
from earwitness.session.load import load_session

TUTORIAL = (Path(__file__).parents[2] / "docs" / "scan-tutorial.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"^    earwitness (.+)$", TUTORIAL, re.MULTILINE)
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tutorial")
    plan = next(line for line in COMMANDS if line.startswith("measure plan"))
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        done = CliRunner().invoke(main, shlex.split(plan))
        assert done.exit_code == 0, done.output
        (folder / "plan.txt").write_text(done.output, encoding="utf-8")
        # Sweeps that end here cost half: gated sound to the treble is test_scan_reduction's.
        patch.setattr(rig, "SWEEP_STOP_HZ", 5000.0)
        write_scan_session("thimble", folder / "my-scan", positions=folder / "positions.csv")
    return folder


@pytest.fixture(scope="module")
def printed(place: Path) -> dict[str, str]:
    """What every command of the tutorial printed."""
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(place)
        patch.setenv("EARWITNESS_ARCHIVE", str(place / "archive"))
        found = {COMMANDS[0]: (place / "plan.txt").read_text(encoding="utf-8")}
        for line in COMMANDS[1:]:
            done = CliRunner().invoke(main, shlex.split(line))
            assert done.exit_code == 0, f"{line}: {done.output}"
            found[line] = done.output
        return found


@pytest.fixture(scope="module")
def measurement(place: Path, printed: dict[str, str]) -> Measurement:
    assert printed
    with Archive.open(place / "archive", create=False) as archive:
        entry = archive.find("Thimble Two")
        result = archive.results_of(archive.sessions_of(entry.id)[-1].id)[0]
        kept = archive.measurement(result.step_key)
    assert kept is not None
    return kept


def test_the_tutorial_runs(place: Path, printed: dict[str, str]) -> None:
    assert len(printed) == 5
    page = (place / "review" / "index.html").read_text(encoding="utf-8")
    assert "How clean is the separation" in page
    table = (place / "positions.csv").read_text(encoding="utf-8")
    visits = table.count("reference")
    assert visits >= 8
    points = table.count("inner") + table.count("outer")
    assert f"The loudspeaker was scanned: {points:,} positions on 4 surfaces and one place {visits} times" in page
    assert any("visits of the reference place cost" in text for text in printed.values())
    assert any("gated takes" in text for text in printed.values())


def test_the_printed_level_is_the_true_one(printed: dict[str, str]) -> None:
    # Exact series of the simulated body at 1.5 m; SPL re 20 uPa for 2.83 V, calibration 0.1 dB.
    text = next(text for line, text in printed.items() if "--at" in line)
    level = float(re.search(r"250 Hz +([\d.]+)", text)[1])
    truth = true_pressure_at("thimble", Directions(np.radians([30.0]), np.zeros(1)), np.array([250.0]), 1.5)[0, 0] / 1.5
    assert level == pytest.approx(20 * np.log10(abs(truth) * 2.83 / 20e-6), abs=0.35)


def test_levels_as_json(place: Path, printed: dict[str, str]) -> None:
    assert printed
    line = ["read", "Thimble Two", "--at", "2,0,0", "--json", "--archive", str(place / "archive")]
    record = json.loads(CliRunner().invoke(main, line).output)
    assert record["distance_m"] == 2.0
    assert len(record["level_db"]) == len(record["frequency_hz"])
    assert record["level_db"][-1] is None


def test_places_without_a_level(place: Path, printed: dict[str, str]) -> None:
    assert printed
    for where, words in (("0.1,180,0", "outside the loudspeaker"), ("1,2", "such as 2,30,0")):
        done = CliRunner().invoke(main, ["read", "Thimble Two", "--at", where, "--archive", str(place / "archive")])
        assert done.exit_code == 2
        assert words in done.output


def test_the_kept_field_is_the_computed_one(measurement: Measurement) -> None:
    again = measurement_from(measurement_bytes(measurement), where="x")
    assert measurement.scan is not None
    assert again.scan is not None
    assert again.scan.sentence == measurement.scan.sentence
    for mine, other in zip(measurement.scan.parts, again.scan.parts, strict=True):
        assert mine.center_m == other.center_m
        assert np.array_equal(mine.outgoing, other.outgoing)
        assert np.array_equal(mine.rows, other.rows)


def test_the_position_table_is_part_of_the_session(place: Path) -> None:
    session = load_session(place / "my-scan")
    assert "scan/positions.csv" in session.file_hashes
    rows = [line for line in (place / "positions.csv").read_text(encoding="utf-8").splitlines() if line[0] not in "#x"]
    assert len(session.takes) == len(rows)


def test_a_curve_names_the_scan_as_its_source(place: Path, printed: dict[str, str]) -> None:
    assert printed
    line = ["read", "Thimble Two", "--how", "listening_window", "--archive", str(place / "archive")]
    output = CliRunner().invoke(main, line).output
    assert "points of a scan, inner 1 surface" in output
    assert "points of a scan, reference surface" in output
    assert "gated before" not in output
