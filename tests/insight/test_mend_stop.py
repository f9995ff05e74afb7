"""When bands pay and when it is to be left alone, on made loudspeakers whose answer is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mend_worlds import alike, truth

from earwitness.figures.windows import windows
from earwitness.insight.findings import Finding
from earwitness.insight.mend.design import paths_of, task_of
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.insight.mend.objective import problem_of
from earwitness.insight.mend.stop import (
    LEAST_TAKEN_DB,
    Choice,
    _against_sources,
    _Draws,
    audible_ratio,
    choose,
    drawn,
    mends,
    verdict_of,
)
from earwitness.insight.mend.views import views_of
from earwitness.insight.mend.yardsticks import roughness, yardsticks
from earwitness.quantities import report_axis

HZ = report_axis().hz


def bell(hz: float, gain: float, q: float) -> Band:
    return Band("peaking", hz, gain, q)


def shaped(*bands: Band, u_db: float = 0.05):  # type: ignore[no-untyped-def]
    return problem_of(views_of(alike(gain_db(Equalizer(bands), HZ), u_db=u_db)))


def test_a_perfect_response_is_left_alone_and_said_so() -> None:
    problem = shaped()
    found = choose(problem)
    said = verdict_of(problem, found)
    assert found.design is None
    assert (said.answer, said.reason) == ("leave_alone", "even")
    assert said.headline == "Leave it alone: on axis it is even within 0.0 dB rms, 200 Hz to 10 kHz."


@pytest.mark.parametrize(
    ("gain", "q", "pays"), [(3.0, 1.0, True), (-3.0, 1.0, True), (4.0, 4.0, True), (0.4, 1.0, False)]
)
def test_a_flaw_of_the_source_pays_by_its_size(gain: float, q: float, pays: bool) -> None:
    """A 2 dB bell is 0.60, 0.41, 0.24 dB rms at Q 1, 3, 10 (own computation, E12 to E14); bands pay from 0.25 dB."""
    found = choose(shaped(bell(1000.0, gain, q)))
    assert (found.design is not None) == pays
    if found.design is not None:
        assert found.chosen.taken_db >= LEAST_TAKEN_DB * 2 / 3
        assert sum(b.gain_db for b in found.design.equalizer.bands) * gain < 0


def test_bands_below_the_audible_are_dropped() -> None:
    """Threshold 1 dB at Q 1, 5 dB at Q 10, of which half counts; a boost fills a dip and counts half (Toole and Olive
    1988, Buecklein 1981, from memory)."""
    assert audible_ratio(bell(1000.0, -1.0, 1.0)) == pytest.approx(2.0)
    assert audible_ratio(bell(1000.0, 1.0, 1.0)) == pytest.approx(1.0)
    assert audible_ratio(bell(1000.0, -2.5, 10.0)) == pytest.approx(1.0)
    found = choose(shaped(bell(300.0, 3.0, 1.0), bell(3000.0, 0.25, 3.0)))
    assert found.design is not None
    assert all(abs(np.log2(b.frequency_hz / 3000.0)) > 0.3 for b in found.design.equalizer.bands)


def test_the_draws_stand_around_what_is_wanted() -> None:
    """Their mean is the deviation that is to be mended, within the noise of 48 draws."""
    problem = shaped(bell(1000.0, 4.0, 1.0))
    rows = drawn(problem)
    assert rows.shape[0] == 48
    assert np.abs(rows.mean(axis=0) + problem.sharp_db).max() < 5 * 0.35 / np.sqrt(48)
    assert np.array_equal(rows, drawn(problem))


def test_uncertainty_makes_it_say_no() -> None:
    """The same small rise, known well and known badly."""
    sure = problem_of(views_of(alike(gain_db(Equalizer((bell(1000.0, 1.2, 0.7),)), HZ))))
    levels = alike(gain_db(Equalizer((bell(1000.0, 1.2, 0.7),)), HZ))
    unsure = problem_of(views_of(replace(levels, u_common_db=np.full(HZ.size, 1.0))))
    assert choose(sure).design is not None
    said = verdict_of(unsure, choose(unsure))
    assert said.answer == "leave_alone"
    assert said.reason in ("uncertain", "too_small")


def test_deviations_that_differ_from_direction_to_direction_are_left_alone() -> None:
    """Ripple whose phase turns with the angle: no equalizer mends it, and the reason is told."""
    levels = alike(np.zeros(HZ.size))
    degrees = np.rad2deg(np.arccos(np.clip(levels.directions.unit_vectors()[:, 0], -1, 1)))[:, None]
    ripple = 2.0 * np.sin(2 * np.pi * 2.0 * np.log2(HZ / 1000.0) + np.deg2rad(6.0 * degrees))
    problem = problem_of(views_of(replace(levels, level_db=levels.level_db + ripple)))
    said = verdict_of(problem, choose(problem))
    assert (said.answer, said.reason, said.takes_word) == ("leave_alone", "not_common", "not")
    assert "differs from direction to direction" in said.headline


def test_the_planted_flaws_of_the_three_way_are_mended_and_the_near_axis_dip_is_not() -> None:
    """The invented tower's makers planted a rise at 245 Hz, a resonance at 6.5 kHz, a dip near the axis at 3 kHz."""
    levels = truth("causeway")
    problem = problem_of(views_of(levels))
    found = choose(problem)
    assert found.design is not None
    gain = gain_db(found.design.equalizer, HZ)

    def at(hz: float) -> float:
        return float(np.interp(hz, HZ, gain))

    assert at(245.0) - at(800.0) < -1.0
    assert at(6500.0) - (at(5200.0) + at(8100.0)) / 2 < -1.5
    assert abs(at(3000.0) - (at(2200.0) + at(4000.0)) / 2) < 0.15
    before = windows(levels).curves
    assert roughness(before["on_axis"]) is not None
    figures = [
        yardsticks(problem.seen, rows)
        for rows in (np.zeros(problem.hz.size), gain_db(found.design.equalizer, problem.hz))
    ]
    assert all(figures[1][key][0] < figures[0][key][0] - 0.2 for key in ("on_axis", "listening_window", "in_room"))
    assert figures[1]["rating"][0] > figures[0]["rating"][0] + 0.3


@pytest.mark.parametrize("key", ["thimble", "lantern"])
def test_two_of_the_three_are_left_alone(key: str) -> None:
    problem = problem_of(views_of(truth(key)))
    assert choose(problem).design is None


def finding(number: int, hz: float, size: float, *, kind: str = "source") -> Finding:
    is_equalizable = kind == "source"
    return Finding(
        number,
        hz,
        hz / 1.2,
        hz * 1.2,
        size,
        0.2,
        2.0,
        kind,
        ("on_axis",),
        {},
        1.0,
        is_equalizable,
        "",
        "",  # type: ignore[arg-type]
    )


def test_each_band_names_its_finding_and_what_stays_is_said() -> None:
    findings = (finding(1, 300.0, 4.0), finding(2, 2500.0, -3.0, kind="off_axis"), finding(3, 6000.0, 0.6))
    problem = problem_of(views_of(alike(gain_db(Equalizer((bell(300.0, 4.0, 2.0),)), HZ))), findings=findings)
    said = verdict_of(problem, choose(problem), findings)
    assert said.headline == "EQ pays: one band mends finding 1."
    assert [role.finding for role in said.bands] == [1]
    assert said.left == (2, 3)
    text = " ".join(said.sentences)
    assert "EQ cannot mend finding 2: it differs from direction to direction." in text
    assert "Finding 3 is not worth a band." in text
    assert "Nothing is boosted, so no headroom is lost." in text
    assert "It takes EQ well" in text


def test_no_bell_stands_against_a_finding_that_no_equalizer_mends() -> None:
    shape = gain_db(Equalizer((bell(900.0, -4.0, 1.0),)), HZ)
    barred = finding(1, 900.0, -4.0, kind="near_axis")
    problem = problem_of(views_of(alike(shape)), findings=(barred,))
    for path in paths_of(problem, 3):
        bands = [
            bell(float(np.exp(row[0])), float(row[2]), 1.0)
            for row, k in zip(path.parameters.T, path.kinds, strict=True)
            if k == 0
        ]
        assert not any(mends(band, barred) for band in bands)


def test_sentences_are_short() -> None:
    """At most 25 words each, the house's rule."""
    for key in ("causeway", "thimble", "lantern"):
        problem = problem_of(views_of(truth(key)))
        said = verdict_of(problem, choose(problem))
        assert all(len(words.split()) <= 25 for words in (said.headline, *said.sentences))


def test_bells_against_the_source_are_weighed_like_any_set() -> None:
    """A bell of the source (cookbook, W3C Note 2021): what mends it is offered, what would double it is not."""
    problem = shaped(bell(1000.0, 5.0, 3.5))
    task, draws = task_of(problem), _Draws(problem)

    def offered(*bells: tuple[float, float, float]) -> list[Choice]:
        return list(_against_sources(replace(problem, bells=np.array(bells)), draws, task, ((), 1.0)))

    (found,) = offered((1000.0, 3.5, -5.0))
    assert found.design is not None
    (band,) = found.design.equalizer.bands
    assert (band.frequency_hz, band.gain_db, band.q) == pytest.approx((1000.0, -5.0, 3.5), rel=0.02)
    assert yardsticks(problem.seen, gain_db(found.design.equalizer, problem.hz))["on_axis"][0] < 0.1
    assert offered((1000.0, 3.5, 2.0)) == []
    # Together with one that harms, the good one is still offered alone.
    sets = [len(one.design.equalizer.bands) for one in offered((1000.0, 3.5, -5.0), (6000.0, 1.0, 3.0)) if one.design]
    assert 1 in sets
