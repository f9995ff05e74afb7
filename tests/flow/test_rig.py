"""A check loudspeaker, measured at the start of each session, tells when the rig drifts: from folders to the words.

Invented: a check loudspeaker whose sessions scatter by 0.06 dB, and a microphone that lost 0.7 dB one day.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from earwitness.app import settings as rig
from earwitness.app.add import add_folder
from earwitness.app.settings import keep_check, rig_told
from earwitness.cli import main
from earwitness.errors import InputError
from earwitness.insight import variation

TOML = """format = 1
date = "{date}"

[loudspeaker]
name = "{name}"
maker = "Nobody"
type = "stand-mount"
enclosure = "closed"
invented = true
width_m = 0.2
height_m = 0.3
depth_m = 0.25
reference_axis = "tweeter axis"

[microphone]
serial = "M 7"

[drive]
voltage_v = 2.83

[environment]
temperature_c = {warm}

[responses]
level = "absolute"
reference_distance_m = 1.0
space = "anechoic"
smoothing = "none"
phase = "none"
u_db = 0.3

[[take]]
kind = "response"
orbit = "horizontal"
files = "h_{{angle}}.txt"
"""
SCATTER_DB, STEP_DB = 0.06, 0.7
# Each session takes its time; how long a baseline must be is tried in tests/insight/test_control.py.
BASELINE = 4


def add(
    place: Path, number: int, off_db: float, *, name: str = "Check", temperature_c: float = 21.0
) -> tuple[str, ...]:
    """Add a session of day `number` whose levels stand `off_db` off; what was told."""
    folder = place / f"{name} {number}"
    folder.mkdir(parents=True)
    (folder / "session.toml").write_text(TOML.format(date=f"2026-03-{number + 1:02d}", name=name, warm=temperature_c))
    hz = np.geomspace(40.0, 20_000.0, 400)
    level = 85.0 + off_db + np.sin(np.log(hz)) + 1e-3 * np.random.default_rng(number).standard_normal(hz.size)
    rows = "\n".join(f"{f:.3f}\t{x:.4f}" for f, x in zip(hz, level, strict=True))
    (folder / "h_0.txt").write_text("frequency Hz\tlevel dB SPL\n" + rows + "\n")
    return add_folder(folder, place / "archive").warnings


@pytest.fixture(scope="module")
def patch() -> Iterator[pytest.MonkeyPatch]:
    with pytest.MonkeyPatch.context() as made:
        yield made


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory, patch: pytest.MonkeyPatch) -> Path:
    """An archive with the baseline of a check loudspeaker, and one good session after it."""
    patch.setattr(variation, "BASELINE", BASELINE)
    patch.setattr(rig, "BASELINE", BASELINE)
    folder = tmp_path_factory.mktemp("rig")
    scatter = SCATTER_DB * np.random.default_rng(1).standard_normal(BASELINE + 1)
    for number, off in enumerate(scatter):
        assert not any("check loudspeaker" in one for one in add(folder, number, float(off)))
        if number == 0:
            keep_check("Check", folder / "archive")
    return folder


def test_the_rig_is_told_drifts_and_gets_a_new_baseline_by_a_word(place: Path) -> None:
    archive = place / "archive"
    quiet = rig_told(archive)
    assert not any(chart.alarm.any() for chart in quiet.charts.values())
    assert [(one.kind, one.serial, one.sessions) for one in quiet.devices] == [("microphone", "M 7", BASELINE + 1)]
    shown = CliRunner().invoke(main, ["measure", "rig", "--archive", str(archive)])
    assert shown.exit_code == 0, shown.output
    assert "a step of 0.3 dB is told within" in shown.output
    assert "no drift beyond the limits" in shown.output
    assert shown.output.count("21.0 °C  baseline") == 2 * BASELINE
    rows = [line for line in shown.output.splitlines() if "baseline" in line and "session" in line and "[" in line]
    dots = [line[line.index("[") + 1 : line.index("]")].index("o") for line in rows[:BASELINE]]
    levels = quiet.charts["level"].level[:BASELINE]
    assert dots[int(np.argmax(levels))] > 10 > dots[int(np.argmin(levels))]

    first = add(place, BASELINE + 1, -STEP_DB)
    assert any("Once may be a slip" in one for one in first)
    assert not any("Once may be" in one or "drift:" in one for one in add(place, BASELINE + 2, 0.0, name="Another"))
    second = add(place, BASELINE + 3, -STEP_DB, temperature_c=14.0)
    told = [one for one in second if "Twice is a drift" in one]
    assert len(told) == 1
    assert f"levels since 2026-03-{BASELINE + 1:02d} are in doubt" in told[0]
    assert "level, 200 Hz to 2 kHz" in told[0]
    assert "It was 7 °C colder than in those sessions" in told[0]
    # Whatever is measured next is told too.
    assert any("Twice is a drift" in one for one in add(place, BASELINE + 4, 0.0, name="A third"))

    number = rig_told(archive).sessions[-1].id
    with pytest.raises(InputError, match="needs a reason"):
        keep_check("Check", archive, since=number)
    anew = CliRunner().invoke(
        main, ["measure", "rig", "--since", str(number), "--because", "new cable", "--archive", str(archive)]
    )
    assert anew.exit_code == 0, anew.output
    assert f"no chart yet: {BASELINE - 1} more make its baseline" in anew.output
    assert add(place, BASELINE + 5, -STEP_DB) == ()


def test_a_rig_without_a_check_says_how_to_have_one(tmp_path: Path) -> None:
    add(tmp_path, 0, 0.0)
    shown = CliRunner().invoke(main, ["measure", "rig", "--archive", str(tmp_path / "archive")])
    assert "microphone: serial M 7, 1 session, 2026-03-01" in shown.output
    assert 'earwitness measure rig --check "NAME" takes one' in shown.output
    asked = CliRunner().invoke(main, ["measure", "rig", "--since", "1", "--archive", str(tmp_path / "archive")])
    assert asked.exit_code != 0
    assert "no loudspeaker is the rig's check yet" in asked.output
