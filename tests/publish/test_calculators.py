"""The questions that a page answers by script, run by Chromium, against the program's own match on a grid of inputs."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser

from earwitness.figures.highest_level import at_seat
from earwitness.figures.sensitivity import band_level
from earwitness.insight.match.amplifier import amplifier, match_amplifier, sources_gain_db, voltage_for_level
from earwitness.insight.match.in_room import ListeningRoom, level_in_room, more_in_room, pair_bass_db
from earwitness.insight.match.plan_room import wall_behind
from earwitness.insight.match.subwoofer import SLOPES, Scheme, _figures, high_pass, main_response, spared_db, tuned
from earwitness.publish.review import Review, review_of
from earwitness.publish.site.write import calculator_data, calculator_script
from earwitness.quantities import Figure, Impedance, Measurement, Reading, log_axis
from earwitness.session.session import Session

pytestmark = pytest.mark.browser
Ran = Callable[[dict[str, object], list[list[object]]], list[Any]]
# The bound that is promised.
CLOSE_DB = 0.01


@pytest.fixture(scope="module")
def ran(browser: Browser) -> Iterator[Ran]:
    """What each call, [name, arguments...], gives; "data" as an argument stands for the published numbers."""
    page = browser.new_page()
    page.add_script_tag(content=calculator_script())

    def run(data: dict[str, object], calls: list[list[object]]) -> list[Any]:
        return list(
            page.evaluate(
                "([data, calls]) => calls.map(([name, ...rest]) =>"
                " earwitnessCalculators[name](...rest.map((one) => (one === 'data' ? data : one))))",
                [data, calls],
            )
        )

    yield run
    page.close()


@pytest.fixture(scope="module")
def review(reading: Reading, measurement: Measurement, session: Session) -> Review:
    """The example with a load that dips: a series circuit with two humps, from 2.5 ohm on."""
    axis = log_axis(10.0, 22_000.0, 48)
    f = axis.hz
    ohm = 2.5 + 0.6j * (f / 1000.0) + 18.0 / (1.0 + 4.0j * (f / 42.0 - 42.0 / f)) + 9.0 / (
        1.0 + 2.0j * (f / 1900.0 - 1900.0 / f)
    )  # fmt: skip
    impedance = Impedance(axis, ohm, 0.01 * np.abs(ohm), np.ones(f.size), np.ones(f.size, dtype=bool), ("made",))
    return review_of(reading, replace(measurement, impedance=impedance), session)


def test_amplifier_answers_as_the_program_does(review: Review, ran: Ran) -> None:
    data, impedance = calculator_data(review), review.measurement.impedance
    cases = list(itertools.product(
        ([[8, 60]], [[8, 60], [4, 100]], [[8, 25], [4, 50], [2, 60]], [[4, 300]], [[16, 0.1]]),
        (0.5, 1.0, 3.0, 4.0, 10.0), (1, 2), (20.0, 15.0, 10.0), (None, 8.0),
    ))  # fmt: skip
    calls = [
        ["highestLevel", "data", powers, {"distance": d, "count": n, "decade": decade}, peak]
        for powers, d, n, decade, peak in cases
    ]
    for (powers, d, n, decade, peak), found in zip(cases, ran(data, calls), strict=True):
        one = amplifier("invented", [tuple(pair) for pair in powers], peak_current_a=peak)
        said = match_amplifier(one, review.reading, impedance, distance_m=d, decade_db=decade, loudspeakers=n).figures
        near, far = said["amplifier_highest_level"], said["amplifier_highest_level_at"]
        assert near.value is not None
        assert far.value is not None
        assert found["near"] == pytest.approx(near.value, abs=CLOSE_DB)
        assert found["level"] == pytest.approx(far.value, abs=CLOSE_DB)
        assert found["u95"] == pytest.approx(2.0 * (far.u or 0.0), abs=CLOSE_DB)
        assert f"{found['volts']:.1f} V, {'current' if found['isCurrent'] else 'voltage'} runs out" in near.caveats[0]


def test_voltage_and_clean_level_at_a_seat_answer_as_the_program_does(review: Review, ran: Ran) -> None:
    data = calculator_data(review)
    sensitivity = review.reading.figures["sensitivity"].value or 0.0
    clean = Figure("highest_clean_level", 101.3, 0.3, "dB", (50.0, 16_000.0), "made up")
    figures = review.reading.figures | {"highest_clean_level": clean}
    seen = calculator_data(replace(review, reading=replace(review.reading, figures=figures)))
    assert (seen["clean"], seen["cleanU95"]) == (101.3, 0.6)
    cases = list(itertools.product((60.0, 85.5, 110.0), (0.4, 1.0, 2.7, 9.0), (1, 2), (20.0, 12.0)))
    places = [{"distance": d, "count": n, "decade": decade} for _, d, n, decade in cases]
    volts = ran(
        data, [["voltageFor", case[0], data["sensitivity"], place] for case, place in zip(cases, places, strict=True)]
    )
    levels = ran(data, [["atPlace", 101.3, {**place, "decade": 20}] for place in places])
    for (level, d, n, decade), asked, reached in zip(cases, volts, levels, strict=True):
        wanted = voltage_for_level(level - sources_gain_db(n), sensitivity, distance_m=d, decade_db=decade)
        assert 20.0 * math.log10(float(asked) / wanted) == pytest.approx(0.0, abs=CLOSE_DB)
        assert reached == pytest.approx(at_seat(clean, d, loudspeakers=n).value, abs=CLOSE_DB)


def test_high_pass_relieves_the_main_by_what_the_program_says(review: Review, ran: Ran) -> None:
    """Also against the definition of the Butterworth filter itself: -3.01 dB at its corner, Linkwitz-Riley -6.02 dB."""
    data, main = calculator_data(review), main_response(review.reading.curves["on_axis"])
    cases = list(itertools.product((25.0, 40.0, 63.0, 80.0, 120.0, 200.0, 300.0), SLOPES))
    found = ran(data, [["spared", "data", corner, slope] for corner, slope in cases])
    for (corner, slope), value in zip(cases, found, strict=True):
        assert value == pytest.approx(spared_db(main, corner, slope), abs=CLOSE_DB), (corner, slope)
    settings = [tuned(main, corner, Scheme(slope, "LR4")) for corner, slope in cases]
    spreads = ran(data, [["sparedU95", "data", corner, slope] for corner, slope in cases])
    for setting, u95 in zip(settings, spreads, strict=True):
        told = _figures(main, setting, None, None, "")["high_pass_displacement"]
        assert told.value == pytest.approx(setting.spared_db)
        assert u95 == pytest.approx(2.0 * (told.u or 0.0), abs=CLOSE_DB), setting
    at_corner = ran(data, [["highPass", 80.0, 80.0, slope] for slope in SLOPES])
    for slope, size in zip(SLOPES, at_corner, strict=True):
        assert 20.0 * math.log10(float(size)) == pytest.approx(-6.02 if slope[0] == "L" else -3.01, abs=0.005)
        assert abs(high_pass(np.array([55.0]), 80.0, slope))[0] == pytest.approx(
            ran(data, [["highPass", 55.0, 80.0, slope]])[0], rel=1e-6
        )


def test_the_level_in_a_room_is_what_the_program_says(review: Review, ran: Ran) -> None:
    data = calculator_data(review)
    sensitivity, power = review.reading.figures["sensitivity"], band_level(review.reading.curves["sound_power"])
    on_axis, spread = (sensitivity.value or 0.0, sensitivity.u or 0.0), (power.value or 0.0, power.u or 0.0)
    kinds: list[dict[str, float]] = [{"reverberation": t} for t in (0.2, 0.5, 1.2)]
    kinds += [{"absorption": a} for a in (0.08, 0.3, 0.7)]
    cases = list(itertools.product((12.0, 60.0, 400.0), (2.4, 4.0), kinds, (0.7, 3.0, 12.0), (1, 2)))
    asked = [{"area": a, "height": h, **kind, "distance": d, "count": n} for a, h, kind, d, n in cases]
    for (area, height, kind, d, n), found in zip(
        cases, ran(data, [["inRoom", "data", one] for one in asked]), strict=True
    ):
        room = ListeningRoom(area, height, kind.get("reverberation"), kind.get("absorption"))
        level, u_db = level_in_room(on_axis, spread, room, distance_m=d, count=n)
        assert found["level"] == pytest.approx(level, abs=CLOSE_DB)
        assert found["u95"] == pytest.approx(2.0 * u_db, abs=CLOSE_DB)
        assert found["moreU95"] == pytest.approx(
            2.0 * more_in_room(on_axis, spread, room, distance_m=d)[1], abs=CLOSE_DB
        )


def test_the_pair_and_the_wall_are_what_the_program_says(review: Review, ran: Ran) -> None:
    cases = [(20.0, 2.5), (50.0, 2.5), (68.6, 2.5), (300.0, 1.1)]
    for (hz, apart), found in zip(cases, ran({}, [["pairBass", *case] for case in cases]), strict=True):
        assert found == pytest.approx(pair_bass_db(hz, apart), abs=CLOSE_DB)
    volts, data = 6.9, calculator_data(review)
    told = ran(data, [["voltageU95", volts, 0.4]])[0]
    # The slope of the voltage over the level, by a difference of the program's own formula.
    slope = (voltage_for_level(85.001, 86.0) - voltage_for_level(84.999, 86.0)) / 0.002 / voltage_for_level(85.0, 86.0)
    assert told == pytest.approx(0.4 * slope * volts, rel=1e-4)
    response, depth_m = review.measurement.response, review.loudspeaker.depth_m
    walls = data["wall"]
    if not np.any(response.valid.all(axis=0) & (response.axis.hz <= 60.0)):
        assert walls is None
        return
    assert isinstance(walls, list)
    for told in walls:
        made = wall_behind(response, told["m"], 3.0, depth_m)[0]
        for key, value in (("lift", made.lift_db), ("dip", made.dip_db), ("dipU95", 2.0 * made.u[1])):
            assert told[key] == pytest.approx(value, abs=CLOSE_DB)


def test_a_review_without_a_sensitivity_asks_nothing(
    reading: Reading, measurement: Measurement, session: Session
) -> None:
    figures = {key: figure for key, figure in reading.figures.items() if key != "sensitivity"}
    bare = replace(reading, figures=figures)
    assert calculator_data(review_of(bare, measurement, session)) == {}
