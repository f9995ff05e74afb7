"""How far the tester listens from: kept in the archive or given once, in figures, advice and pages, never confused."""

from __future__ import annotations

import math
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from earwitness.app.advice import advice_on, advice_step
from earwitness.app.match import amplifier_for
from earwitness.app.read import document_text, figure_lines, read_loudspeaker
from earwitness.app.settings import checked_distance, distance_in, keep_distance
from earwitness.app.site import made_from
from earwitness.archive import drafts
from earwitness.archive.catalogue import Archive
from earwitness.archive.latest import latest_sessions
from earwitness.archive.search import summary_source
from earwitness.bench.state import Bench
from earwitness.cli import main
from earwitness.errors import InputError
from earwitness.session.amplifier_sheet import AmplifierSheet
from made_once import MadeOnce

NAME = "thimble"
SEAT, CLEAN = "highest_clean_level_at_seat", "highest_clean_level"


@pytest.fixture
def archive(made_once: MadeOnce, tmp_path: Path) -> Path:
    """A copy for one test."""
    return shutil.copytree(made_once.archive(NAME), tmp_path / "archive")


def run(archive: Path, *arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [*(str(one) for one in arguments), "--archive", str(archive)])


def level_of(archive: Path, key: str, distance_m: float | None = None) -> float:
    value = read_loudspeaker(NAME, archive, listening_distance_m=distance_m).reading.figures[key].value
    assert value is not None
    return value


def test_levels_at_the_seat_fall_by_the_inverse_square_law(archive: Path) -> None:
    """20 lg of the distance, free field: 106.9952 dB at 1 m are 97.4527 dB at 3 m (shared reference, check C5.29), and
    half the distance is 6.02 dB more."""
    assert level_of(archive, CLEAN) - level_of(archive, SEAT) == pytest.approx(106.9952 - 97.4527, abs=1e-4)
    for distance_m in (0.5, 1.0, 1.5, 10.0):
        fall = level_of(archive, CLEAN, distance_m) - level_of(archive, SEAT, distance_m)
        assert fall == pytest.approx(20.0 * math.log10(distance_m), abs=1e-9)
    assert level_of(archive, SEAT, 1.5) - level_of(archive, SEAT) == pytest.approx(6.0206, abs=1e-4)


def test_nothing_but_levels_at_the_seat_depends_on_it(archive: Path) -> None:
    far, near = (read_loudspeaker(NAME, archive, listening_distance_m=one).reading for one in (3.0, 1.5))
    changed = [key for key, figure in far.figures.items() if figure.value != near.figures[key].value]
    assert changed == [SEAT]
    assert "at 1.5 m" in " ".join(near.figures[SEAT].caveats)
    assert near.choices == {**far.choices, "listening_distance": "1.5 m"}
    assert "listening_distance" not in far.choices, "the usual one leaves every result what it was"


def test_it_is_three_meters_until_another_is_kept_and_then_holds_everywhere(archive: Path, tmp_path: Path) -> None:
    assert run(archive, "archive", "listening-distance").stdout == "listening distance: 3 m\n"
    done = run(archive, "archive", "listening-distance", "2.2")
    assert (done.exit_code, done.stdout.splitlines()[0]) == (0, "listening distance: 2.2 m, from now on")
    assert distance_in(archive) == 2.2
    assert "levels at the seat are for 2.2 m" in run(archive, "read", NAME).stdout
    assert "at 2.2 m in free field" in run(archive, "match", NAME).stdout
    page = tmp_path / "page"
    assert run(archive, "publish", NAME, "--to", page).exit_code == 0
    text = (page / "index.html").read_text(encoding="utf-8")
    assert "at 2.2 m, 1 playing" in text
    assert "Listening distance: 2.2 m." in text
    assert "at 3 m in free field" not in text
    # Once, another one; what is kept stays.
    assert "are for 4 m" in run(archive, "read", NAME, "--listening-distance", "4").stdout
    assert "at 4 m in free field" in run(archive, "match", NAME, "--listening-distance", "4").stdout
    assert "at 4 m in free field" in run(archive, "match", NAME, "--distance", "4").stdout
    assert run(archive, "publish", NAME, "--to", page, "--listening-distance", "4").exit_code == 0
    assert "at 4 m, 1 playing" in (page / "index.html").read_text(encoding="utf-8")
    assert distance_in(archive) == 2.2


def test_results_for_different_distances_have_different_keys(archive: Path) -> None:
    usual = read_loudspeaker(NAME, archive)
    other = read_loudspeaker(NAME, archive, listening_distance_m=2.0)
    assert advice_step(usual).key != advice_step(other).key
    settings = dict(advice_step(usual).settings)
    assert "listening_distance" not in settings
    assert dict(advice_step(other).settings) == {**settings, "listening_distance": "2 m"}
    texts = [[one.text for one in advice_on(one_read, archive).match.for_whom] for one_read in (usual, other, usual)]  # type: ignore[union-attr]
    assert texts[0] == texts[2] != texts[1]
    assert any("at 2 m in free field" in text for text in texts[1])


def test_the_index_and_the_site_follow_what_is_kept_and_not_what_was_tried(archive: Path) -> None:
    def source() -> str | None:
        with Archive.open(archive) as opened:
            return summary_source(opened, 1)

    read_loudspeaker(NAME, archive)
    before = source()
    read_loudspeaker(NAME, archive, listening_distance_m=2.0)
    assert source() == before
    keep_distance(2.0, archive)
    read_loudspeaker(NAME, archive)
    assert source() != before
    with Archive.open(archive) as opened:
        (entry,) = latest_sessions(opened)
    assert made_from(entry) == made_from(entry, seat_m=3.0) != made_from(entry, seat_m=2.0)
    keep_distance(3.0, archive)
    read_loudspeaker(NAME, archive)
    assert source() == before


def test_a_running_bench_reads_anew_when_another_is_kept(archive: Path) -> None:
    bench = Bench(archive)
    try:
        assert bench.reading(1).listening_distance_m == 3.0
        keep_distance(2.5, archive)
        assert bench.reading(1).listening_distance_m == 2.5
        assert not bench.holds_reading(2)
    finally:
        bench.close()


def test_an_amplifier_is_matched_for_it(archive: Path) -> None:
    """Twice the distance, 6.02 dB less (20 lg 2)."""
    sheet = AmplifierSheet.model_validate({"name": "Invented Fifty", "power": [{"load_ohm": 8.0, "power_w": 50.0}]})
    result = read_loudspeaker(NAME, archive, listening_distance_m=2.0)
    near, far = amplifier_for(result, sheet), amplifier_for(replace(result, listening_distance_m=4.0), sheet)
    levels = [one.figures["amplifier_highest_level_at"].value for one in (near, far)]
    assert levels[0] - levels[1] == pytest.approx(20.0 * math.log10(2.0), abs=1e-9)


@pytest.mark.parametrize("wrong", ["0", "0.49", "10.1", "-3", "nan", "inf", "1e400"])
@pytest.mark.parametrize("verb", ["read", "match", "publish", "keep"])
def test_a_distance_out_of_bounds_is_refused_in_words(archive: Path, wrong: str, verb: str, tmp_path: Path) -> None:
    if verb == "keep":
        done = run(archive, "archive", "listening-distance", wrong)
    else:
        more = ["--to", tmp_path / "page"] if verb == "publish" else []
        done = run(archive, verb, NAME, f"--listening-distance={wrong}", *more)
    assert done.exit_code == InputError.exit_code
    for words in ("the listening distance is", "0.5 to 10 m", "free field", "to do:"):
        assert words in done.output
    assert distance_in(archive) == 3.0
    assert not (tmp_path / "page").exists()


@pytest.mark.parametrize("wrong", ["three", True, None, [3.0]])
def test_what_is_no_number_is_refused(wrong: object) -> None:
    with pytest.raises(InputError, match="listening distance"):
        checked_distance(wrong)


def test_a_kept_distance_that_cannot_be_is_told_and_mended_by_keeping_another(archive: Path) -> None:
    with Archive.open(archive) as opened:
        drafts.save_draft(opened, "listening distance", 300.0, revision=0)
    with pytest.raises(InputError, match="300 m") as caught:
        read_loudspeaker(NAME, archive)
    assert "archive" in caught.value.where
    keep_distance(3.0, archive)
    assert "are for 3 m" in "\n".join(figure_lines(read_loudspeaker(NAME, archive)))


def test_the_document_of_the_usual_distance_is_what_it_was(archive: Path) -> None:
    first = document_text(read_loudspeaker(NAME, archive))
    assert document_text(read_loudspeaker(NAME, archive, listening_distance_m=3.0)) == first
    assert '"listening_distance"' not in first
