"""Amplifiers over a population of ratings and loads, frozen: the program's own values, held against change."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from match_worlds import brief, curve, figure, level_of, load_of, tried, unknown

from earwitness.errors import InputError
from earwitness.insight.match.amplifier import (
    INFO,
    Amplifier,
    Limited,
    _hundredths,
    _levels,
    _response,
    _sentences,
    _stretches,
    _verdict,
    amplifier,
    amplifier_of,
    match_amplifier,
    response_change_db,
    response_curve,
    sources_gain_db,
    usable_voltage,
    voltage_for_level,
)
from earwitness.quantities import FrequencyAxis, Impedance, Reading, log_axis
from earwitness.session.amplifier_sheet import AmplifierSheet
from golden_values import stands

NAME = "insight/match_amplifier"


def drawn(number: int) -> Amplifier:
    random = np.random.default_rng([number, 1])
    ratings = [(8.0, random.uniform(20, 150)), (4.0, random.uniform(30, 200)), (2.0, random.uniform(20, 150))]
    more: dict[str, float] = {}
    if number % 2:
        more["peak_current_a"] = random.uniform(3.0, 20.0)
    if number % 3:
        more["minimum_load_ohm"] = random.choice([2.0, 4.0, 5.0, 6.0])
    if number % 4 == 1:
        more["damping_factor"] = random.uniform(10, 200)
    if number % 4 == 2:
        more |= {"output_impedance_ohm": random.uniform(0.05, 3.0), "cable_ohm": 0.13}
    if number % 4 == 3:
        more["cable_ohm"] = random.uniform(0.02, 0.4)
    return amplifier(f"Amplifier {number}", ratings[: 1 + number % 3], **more)


def reading(number: int, **figures: object) -> Reading:
    random, axis = np.random.default_rng([number, 2]), log_axis(30.0, 16_000.0, 24)
    level = level_of(axis.hz, random)
    valid = (axis.hz > 40.0) & (axis.hz != axis.hz[100])
    one = curve(level, axis=axis, u=0.1 + 0.02 * np.arange(len(axis)) / len(axis), valid=valid if number % 2 else None)
    known = {"sensitivity": figure("sensitivity", 86.3, 0.25, lineage=("of the band",)), **figures}
    return Reading({"on_axis": one}, known, {}, {}, {})  # type: ignore[arg-type]


def test_ratings() -> None:
    given: list[list[tuple[float, float]]] = [
        [], [(8.0, 0.0)], [(0.0, 50.0)], [(-8.0, 5.0)], [(8.0, -5.0)], [(0.05, 0.05)], [(8.0, 60.0), (4.0, 0.0)]
    ]  # fmt: skip
    rows = [tried(lambda one=one: amplifier("A", one)) for one in given]
    ratings = [(4.0, 90.0), (8.0, 60.0), (2.0, 100.0)]
    for more in (
        {}, {"damping_factor": 50.0}, {"damping_factor": 50.0, "damping_load_ohm": 4.0}, {"cable_ohm": 0.07},
        {"damping_factor": 50.0, "output_impedance_ohm": 0.4, "cable_ohm": 0.1}, {"output_impedance_ohm": 0.4},
        {"peak_current_a": 9.0, "minimum_load_ohm": 4.0}, {"cable_ohm": 1e-3},
    ):  # fmt: skip
        rows.append(tried(lambda more=more: amplifier("A", ratings, **more)))
    stands(NAME, "ratings", rows)


@pytest.mark.parametrize("invented", [False, True])
def test_sheets(invented: bool) -> None:
    rows = []
    for name, maker in (("Brook", "Nobody"), ("Brook (invented)", "Nobody"), ("Brook", "")):
        power = [{"load_ohm": 8.0, "power_w": 60.0}, {"load_ohm": 4.0, "power_w": 80.0}]
        facts = {
            "name": name, "maker": maker, "invented": invented, "power": power, "damping_factor": 80.0,
            "damping_load_ohm": 6.0, "peak_current_a": 11.0, "cable_ohm": 0.05, "minimum_load_ohm": 4.0,
        }  # fmt: skip
        rows.append(amplifier_of(AmplifierSheet.model_validate(facts)))
    stands(NAME, f"sheets, invented {invented}", rows)


def test_usable_voltage_over_the_load() -> None:
    size = np.concatenate([np.geomspace(0.5, 40.0, 90), [1.999, 2.0, 2.001, 3.999, 4.0, 4.001, 8.0, 8.001]])
    rows = []
    for number in range(9):
        volts, current = usable_voltage(drawn(number), size)
        rows.append([volts, current, [float(one) for one in volts[-8:]]])
    stands(NAME, "usable voltage", rows)


def test_current_is_a_limit_from_one_decibel_on() -> None:
    """Own rule of the module: the edge lies between 0.95 dB and 1.05 dB below the most."""
    one = Amplifier("A", ((8.0, 20.0),), peak_current_a=1000.0)
    for loss_db, expected in ((0.95, False), (1.05, True)):
        size = np.array([8.0 * 10.0 ** (-loss_db / 20.0)])
        volts, current = usable_voltage(one, size)
        assert volts[0] == pytest.approx(20.0 * 10.0 ** (-loss_db / 20.0))
        assert current.tolist() == [expected]


def test_closed_forms() -> None:
    """Voltage divider; inverse distance; sums of equal sources in power and in phase (handbook)."""
    ohm = np.array([4.0 + 3.0j, 8.0])
    assert response_change_db(ohm, 2.0) == pytest.approx(20 * np.log10([5.0 / math.hypot(6.0, 3.0), 0.8]))
    assert voltage_for_level(100.0, 86.0) == pytest.approx(2.83 * 10.0 ** (14.0 / 20.0))
    assert voltage_for_level(100.0, 86.0, distance_m=4.0) == pytest.approx(4 * 2.83 * 10.0 ** (14.0 / 20.0))
    there = 2.83 * 10.0 ** ((14.0 + 12.0 * math.log10(4.0)) / 20.0)
    assert voltage_for_level(100.0, 86.0, distance_m=4.0, decade_db=12.0) == pytest.approx(there)
    assert sources_gain_db(3) == pytest.approx(10 * math.log10(3))
    assert sources_gain_db(3, coherent=True) == pytest.approx(20 * math.log10(3))


def test_response_curves() -> None:
    rows = []
    for number in range(4):
        random = np.random.default_rng([number, 3])
        rows.append(brief(response_curve(load_of(random), random.uniform(0.1, 3.0))))
    stands(NAME, "response curves", rows)


def test_one_kilohertz_has_to_be_known() -> None:
    """The grid runs through 1 kHz in steps of 1/48 octave: what ends within 0.05 octave of it is near enough."""
    rows = []
    for low_hz, high_hz in (
        (1000.0, 9000.0),
        (1010.0, 9000.0),
        (1020.0, 9000.0),
        (1035.0, 9000.0),
        (1050.0, 9000.0),
        (100.0, 1000.0),
        (100.0, 990.0),
        (100.0, 980.0),
        (100.0, 966.0),
        (100.0, 955.0),
    ):
        axis = FrequencyAxis(np.geomspace(low_hz, high_hz, 150))
        rows.append(tried(lambda axis=axis: response_curve(load_of(np.random.default_rng(4), axis=axis), 1.0)))
    axis = log_axis(15.625, 20_200.0, 48)
    for place_hz in (1000.0, 1014.5, 985.6):
        valid = np.abs(np.log2(axis.hz / place_hz)) > 1 / 100
        rows.append(tried(lambda valid=valid: response_curve(load_of(np.random.default_rng(4), valid=valid), 1.0)))
    stands(NAME, "near 1 kHz", [one if isinstance(one, str) else one["values"][:3].tolist() for one in rows])


@pytest.mark.parametrize("number", range(12))
def test_matches(number: int) -> None:
    random = np.random.default_rng([number, 5])
    more: dict[str, float] = (
        {}
        if number % 4 == 0
        else {
            "distance_m": random.uniform(1.0, 6.0),
            "decade_db": random.choice([12.0, 20.0]),
            "loudspeakers": 1 + number % 3,
        }
    )
    if number % 2:
        more |= {"goal_db": random.uniform(85.0, 105.0), "peak_db": random.choice([0.0, 3.0, 12.0])}
    found = match_amplifier(drawn(number), reading(number), load_of(random), **more)  # type: ignore[arg-type]
    kept = brief(found)
    stands(NAME, f"match {number}", {**kept, "amplifier": None})


def test_what_is_not_known() -> None:
    random = np.random.default_rng(6)
    load, one = load_of(random), drawn(3)
    axis = log_axis(15.625, 20_200.0, 48)
    low, high = load_of(random, valid=axis.hz < 20.0), load_of(random, valid=axis.hz > 20_010.0)
    only = load_of(random, valid=(axis.hz < 20.3) & (axis.hz > 19.7)), load_of(random, valid=axis.hz > 19_600.0)
    full = reading(0)
    bare = Reading({}, {}, {}, {}, {})
    rows = [
        tried(lambda reading=reading, load=load: match_amplifier(one, reading, load))
        for reading, load in (
            (full, None), (bare, load), (full, low), (full, high), (full, only[0]), (full, only[1]),
            (Reading(full.curves, {"sensitivity": unknown("sensitivity")}, {}, {}, {}), load),
            (Reading({}, full.figures, {}, {}, {}), load),
        )
    ]  # fmt: skip
    stands(
        NAME,
        "not known",
        [{**row, "amplifier": None, "curves": None} if isinstance(row, dict) else row for row in rows],
    )
    for distance_m, count in ((0.0, 1), (-1.0, 1), (math.inf, 1), (math.nan, 1), (2.0, 0)):
        with pytest.raises(InputError, match="loudspeakers at"):
            match_amplifier(one, full, load, distance_m=distance_m, loudspeakers=count)
    assert match_amplifier(one, full, load, distance_m=0.05, loudspeakers=1).figures


def test_verdicts_switch_at_twice_the_uncertainty() -> None:
    one = Amplifier("A", ((8.0, 20.0),), minimum_load_ohm=4.0)
    keys = ("amplifier_load_margin", "amplifier_epdr_margin")
    rows = []
    for first in (-1.05, -1.0, -0.95, 0.0, 0.95, 1.0, 1.05):
        for second in (-2.0, -1.0, 0.1, 1.0, 2.0, None):
            made = {
                key: INFO[key].refused(f"{key} unknown")
                if at is None
                else INFO[key].asked().judged(at, 0.5, f"{at} ohm")
                for key, at in zip(keys, (first, second), strict=True)
            }
            rows.append(_verdict(one, made))
    rows.append(_verdict(replace(one, minimum_load_ohm=None), made))
    stands(NAME, "verdicts", rows)


def test_stretches() -> None:
    hz = np.geomspace(20.0, 20_000.0, 12)
    rows = [
        _stretches(hz, np.array([letter == "c" for letter in text], dtype=bool))
        for text in ("vvvvvvvvvvvv", "cccccccccccc", "cvvvvvvvvvvv", "vvvvvvvvvvvc", "vccvvcvcvvcc")
    ]
    stands(NAME, "stretches", rows)


def test_sentences_over_what_is_left() -> None:
    one = Amplifier("Brook", ((8.0, 20.0),), output_ohm=0.234)
    rows = []
    for left in (-3.0, -1.02, -1.0, -0.98, 0.0, 0.98, 1.0, 1.02, 3.0):
        for u in (0.5, 0.01):
            for peak in (0.0, 3.0, 3.0103, 3.1, 13.0103):
                figures = {
                    "amplifier_highest_level_at": figure("x", 100.0, u, caveats=("place", "18 V")),
                    "amplifier_response_spread": figure("y", 0.456, 0.1 * u, caveats=("note",)),
                }
                goal = 100.0 - left - max(peak - 3.0102999566, 0.0)
                rows.append(
                    _sentences(one, "yes", "why", figures, limited=(), distance_m=2.5, goal_db=goal, peak_db=peak)[1:]
                )
    stands(NAME, "sentences on a goal", [[text[:90] for text in row] for row in rows[::3]] + [
        row[1] for row in rows
    ])  # fmt: skip


def test_sentences_over_stretches_and_verdicts() -> None:
    one = Amplifier("Brook", ((8.0, 20.0),), output_ohm=0.234)
    refused = {key: INFO[key].refused("no") for key in ("amplifier_highest_level_at", "amplifier_response_spread")}
    known = {**refused, "amplifier_response_spread": figure("y", 0.456, 0.0024, caveats=("note",))}
    limits = [Limited(20.0 * 2**n, 25.0 * 2**n, "current" if n % 2 else "voltage") for n in range(10)]
    rows = [
        _sentences(one, can, "why", figures, limited=tuple(limits[:count]), distance_m=3.0, goal_db=None, peak_db=0.0)
        for can in ("yes", "no", "cannot be told")
        for figures in (refused, known)
        for count in (0, 1, 2, 4, 6, 7, 8, 10)
    ]
    stands(NAME, "sentences on limits", rows)
    assert [_hundredths(one) for one in (0.0, 0.0049, 0.005, 0.0051, 0.0149, 1.0)] == [
        "less than 0.01", "less than 0.01", "0.01", "0.01", "0.01", "1.00"
    ]  # fmt: skip


def test_levels_and_places() -> None:
    """A resistor is limited everywhere alike; below the lowest rating the current is, and its load's doubt counts."""
    axis = log_axis(15.625, 20_200.0, 48)
    rows = []
    for ohm, spread in ((8.0, 0.0), (8.0, 1e-7), (8.0, 1e-5), (2.0, 0.0), (1.99, 0.3), (2.01, 0.0), (4.0, 0.5)):
        size = ohm * (1.0 + spread * np.sin(np.arange(len(axis))))
        load = Impedance(
            axis, size.astype(np.complex128), 0.05 * np.ones(len(axis)), np.ones(len(axis)), np.ones(len(axis), bool)
        )
        one = amplifier("A", [(8.0, 60.0), (4.0, 90.0), (2.0, 60.0)], peak_current_a=30.0, output_impedance_ohm=0.2)
        sensitivity = figure("sensitivity", 87.0, 0.2, lineage=("a",))
        for count in (1, 2):
            rows.append(brief(_levels(one, load, sensitivity, 2.0, 20.0, count)))
        figures: dict[str, object] = {}
        rows.append([brief(_response(one, load, figures)), brief(figures)])  # type: ignore[arg-type]
    stands(NAME, "levels", rows)
