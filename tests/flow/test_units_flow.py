"""A second unit and a repair of one loudspeaker: taken in, chosen, read, and held against each other.

Source: the recordings of the second session are those of the first with the microphone's channel made weaker by a
known factor, so that the difference is known.
"""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from earwitness.app.add import add_folder
from earwitness.app.compare import compare_loudspeakers, compare_results, comparison_document
from earwitness.app.match import match_loudspeaker
from earwitness.app.mend import problem_for
from earwitness.app.read import figure_lines, read_loudspeaker, units_document, units_lines, units_of
from earwitness.cli import main
from earwitness.demo.lineup import SECOND_UNIT
from earwitness.errors import InputError
from earwitness.insight.claims import judge_claims
from earwitness.insight.mend.task import EVEN
from made_once import MadeOnce

GAIN, OTHER = 0.88, 0.955
SIDES = {"B 2": '\nside = "left"', "C 3": '\nside = "right"'}
LOWER_DB = -20 * np.log10(GAIN)


def another(folder: Path, source: Path, *, date: str, unit: str, condition: str, gain: float) -> Path:
    """A copy of a session with its date, unit and state changed, and what the microphone heard made weaker."""
    shutil.copytree(source, folder)
    for path in [*folder.glob("far/*.flac"), *folder.glob("near/*.flac")] if gain != 1.0 else ():
        samples, rate = soundfile.read(path, always_2d=True)
        samples[:, 0] *= gain
        soundfile.write(path, samples, rate, subtype=soundfile.info(path).subtype)
    toml = folder / "session.toml"
    text = toml.read_text(encoding="utf-8")
    for line, now in (
        (f'date = "{SECOND_UNIT.date}"', f'date = "{date}"'),
        (f'serial = "{SECOND_UNIT.unit}"', f'serial = "{unit}"' + SIDES.get(unit, "")),
        ('preset = "treble flat"', f'condition = "{condition}"'),
    ):
        assert text.count(line) == 1
        text = text.replace(line, now)
    toml.write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def family(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive with unit A, and units C and B after a repair, 0.4 and 1.1 dB weaker."""
    root = tmp_path_factory.mktemp("family")
    source = made_once.member(SECOND_UNIT)
    first = another(root / "a", source, date="2026-10-01", unit="A 1", condition="as bought", gain=1.0)
    second = another(root / "b", source, date="2026-10-05", unit="B 2", condition="after repair", gain=GAIN)
    third = another(root / "c", source, date="2026-10-03", unit="C 3", condition="after repair", gain=OTHER)
    for folder in (first, second, third):
        add_folder(folder, root / "archive")
    return root / "archive"


@pytest.mark.slow
def test_the_latest_is_read_and_the_others_are_named(family: Path) -> None:
    result = read_loudspeaker("thimble", family)
    lines = figure_lines(result)
    assert "session of 2026-10-05, unit B 2, left, after repair" in lines[0]
    assert "also measured: session 3 of 2026-10-03, unit C 3, right, after repair; session 1 of 2026-10-01" in lines[1]
    other = read_loudspeaker("thimble @ unit A 1", family)
    assert other.session.date == "2026-10-01"
    gap = other.reading.figures["sensitivity"].value - result.reading.figures["sensitivity"].value  # type: ignore[operator]
    assert gap == pytest.approx(LOWER_DB, abs=0.03)


@pytest.mark.slow
def test_two_units_are_compared_with_what_they_do_not_share(family: Path) -> None:
    found = compare_loudspeakers(["thimble @ unit B 2", "thimble @ variant as bought"], family)
    (changed,) = found.changes
    assert changed.parts
    assert changed.parts[0].level_db == pytest.approx(-LOWER_DB, abs=0.1)
    assert changed.told == "beyond"
    assert "unit B 2, left, after repair" in changed.sentence
    assert "sensitivity" in {pair.key for pair in changed.figures}
    document = json.loads(json.dumps(comparison_document(found)))
    assert document["changes"][0]["verdict"] == "beyond"
    assert found.charts[0].key.startswith("change_")


@pytest.mark.slow
def test_options_pick_and_slips_are_told(family: Path) -> None:
    runner = CliRunner()
    told = runner.invoke(main, ["read", "thimble", "--unit", "A 1", "--archive", str(family)])
    assert told.exit_code == 0, told.output
    assert "unit A 1, as bought" in told.output
    with pytest.raises(InputError, match="one session is named twice"):
        compare_loudspeakers(["thimble", "thimble @ session 2"], family)
    with pytest.raises(InputError, match="no session that is unit C") as refusal:
        read_loudspeaker("thimble @ unit C", family)
    assert "session 1 of 2026-10-01" in str(refusal.value)


@pytest.mark.slow
def test_units_in_one_state_tell_their_spread_and_the_next(family: Path) -> None:
    """Two values half a spread of d apart: sd d / sqrt 2, limits 0.4461 and 31.91 times that (chi-square, 1 degree)."""
    found = units_of("thimble", family)
    assert set(found.sessions) == {"unit B 2, left", "unit C 3, right"}
    assert found.variant == "after repair"
    told = found.figures["sensitivity"]
    apart = 20 * np.log10(OTHER / GAIN)
    assert told.unit_sd == pytest.approx(apart / np.sqrt(2), abs=0.01)
    assert told.repeat_sd is None
    assert told.high_sd / told.unit_sd == pytest.approx(31.91, abs=0.01)
    text = "\n".join(units_lines(found))
    assert "2 units, 2 sessions, after repair" in text
    assert "set-up and placement too" in text
    assert json.loads(json.dumps(units_document(found)))["figures"]["sensitivity"]["units"] == 2
    done = CliRunner().invoke(main, ["read", "thimble", "--units", "--archive", str(family)])
    assert done.exit_code == 0, done.output
    assert "next unit" in done.output


@pytest.mark.slow
def test_claims_and_equalizer_are_for_the_mean_of_the_units(family: Path) -> None:
    """Units B and C are 1.1 and 0.4 dB weaker than A; A is in another state and takes no part. Shapes are alike, so
    their spread of features is that of the usual choice, less what two units that agree say of it."""
    found = read_loudspeaker("thimble", family)
    assert {unit for unit, _ in found.units} == {"unit B 2, left", "unit C 3, right"}
    problem = problem_for(found, EVEN)
    assert problem.units.count == 2
    assert 2.5 < problem.units.percent <= 3.0
    assert np.abs(problem.units.mean_db).max() < 0.05
    claims = {one.claim.quantity: one for one in match_loudspeaker(found, ()).claims}
    alone = {one.claim.quantity: one for one in judge_claims(found.session.loudspeaker.claims, found.reading)}
    told = claims["sensitivity"]
    assert "Mean of 2 units" in told.sentence
    # The mean of both is half of their difference above B.
    apart = 20 * np.log10(OTHER / GAIN)
    assert alone["sensitivity"].short_by - told.short_by == pytest.approx(apart / 2, abs=0.05)
    assert told.verdict == "falls short"


@pytest.mark.slow
def test_left_and_right_are_told_as_a_pair(family: Path) -> None:
    """The two differ by a known factor everywhere, so no frequency stands out beyond the uncertainty."""
    found = compare_loudspeakers(["thimble @ unit left", "thimble @ unit right"], family)
    (changed,) = found.changes
    told = re.match(
        r"Left and right match within (\d\.\d) dB from 100 Hz to 10 kHz, most apart at [\d.]+ k?Hz, by (\d\.\d) ± ",
        changed.sentence,
    )
    assert told is not None, changed.sentence
    assert float(told[2]) == pytest.approx(20 * np.log10(OTHER / GAIN), abs=0.15)
    assert float(told[1]) >= float(told[2])
    assert "no pair" not in changed.sentence


@pytest.mark.slow
def test_two_models_are_held_against_what_units_spread(family: Path) -> None:
    shown, other = read_loudspeaker("thimble", family), read_loudspeaker("thimble @ unit A 1", family)
    # The first unit stands for another model, of which one unit only was measured.
    (verdict,) = compare_results([shown, replace(other, loudspeaker_id=99, units=())]).verdicts
    assert verdict.told_apart
    # Two units 0.7 dB apart foretell the next one within 12.7 sd at best (Student, one degree of freedom, from memory).
    assert re.search(r"may lie as far apart in sensitivity.*: that may be of these units alone", verdict.sentence, re.I)
    (alone,) = compare_results([replace(shown, units=()), replace(other, loudspeaker_id=99, units=())]).verdicts
    assert "units" not in alone.sentence
