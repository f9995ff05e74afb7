"""No sentence of the advice says what its evidence denies: verdicts, amplifiers, seats, subwoofers and aims of random
loudspeakers, loads and rooms that nobody chose, read back."""

from __future__ import annotations

import re
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from match_claims import AMPLIFIER, SEATS, SUBWOOFER, Crossed, Drive, Seated, of_study, read_back
from verdict_claims import Told, objections

from earwitness.figures.read import levels_of
from earwitness.figures.windows import windows
from earwitness.insight.findings import find
from earwitness.insight.match.amplifier import amplifier, match_amplifier
from earwitness.insight.match.seats import (
    best_aims,
    distance_sentences,
    seat_angles,
    seat_headroom,
    seat_sentences,
    seat_spread,
    vertical_window,
)
from earwitness.insight.match.subwoofer import (
    RECEIVER,
    SCHEMES,
    main_response,
    match_subwoofer,
    subwoofer_response,
    with_ideal,
)
from earwitness.insight.mend.aim import aim_study
from earwitness.insight.mend.objective import problem_of
from earwitness.insight.mend.stop import choose, verdict_of
from earwitness.insight.mend.views import views_of
from earwitness.quantities import Curve, DirectionalResponse, Figure, Impedance, Reading, cta_orbits, log_axis
from earwitness.session.room_plan import RoomPlan

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"
if str(BENCHMARKS) not in sys.path:
    sys.path.append(str(BENCHMARKS))
from equalizer_worlds import KINDS, LAWS, case  # noqa: E402

FIRST_SEED = 8100
COUNT = 300


@lru_cache(maxsize=64)
def told(number: int) -> Told:
    """The verdict as the program makes it."""
    one = case(LAWS[number % 3], KINDS[number // 3 % 3], FIRST_SEED + number)
    levels = levels_of(one.measured)
    findings = find(Reading(windows(levels).curves, {}, {}, {}, {}), one.measured)
    problem = problem_of(views_of(levels), findings=findings)
    choice = choose(problem)
    return Told(problem, choice, findings, verdict_of(problem, choice, findings))


SAID = (
    "on axis it is even",
    "within the uncertainty of the measurement",
    "what is uneven differs",
    "probably inaudible",
    "It helps in",
    "the rest differs",
    "the rest is within",
    "Leave it alone: EQ would take away",
    "EQ pays in part",
    "EQ pays:",
    "set the balance",
    "sets the balance",
    "mends finding",
    "mend findings",
    "Nothing is boosted",
    "It costs",
    "It takes EQ well",
    "It takes EQ partly",
    "It takes little EQ",
    "It does not take EQ",
    "EQ cannot mend",
    "not worth a band",
)


@pytest.mark.slow
def test_no_verdict_says_what_its_evidence_denies() -> None:
    said, against = Counter[str](), []
    for number in range(COUNT):
        one = told(number)
        text = " ".join((one.verdict.headline, *one.verdict.sentences))
        said.update(word for word in SAID if word in text)
        against += [f"{number}: {why}" for why in objections(one)]
    assert not against, "\n".join(against[:20])
    assert set(said) == set(SAID), set(SAID) - set(said)


def drive(number: int) -> Drive:
    """An amplifier of random ratings before a random load: voice coil, two to four resonances, some with a dip."""
    random = np.random.default_rng([FIRST_SEED, number])
    axis = log_axis(10.0, 24_000.0, 48)
    hz = axis.hz
    ohm = random.uniform(2.5, 7.0) + 2j * np.pi * hz * random.uniform(0.0, 4e-4) / (1 + hz / 3000.0) ** 0.5
    for center in 10 ** random.uniform(1.4, 3.8, int(random.integers(2, 5))):
        ohm = ohm + random.uniform(3.0, 25.0) / (1 + 1j * random.uniform(1.0, 6.0) * (hz / center - center / hz))
    flat = np.ones(len(axis))
    load = Impedance(axis, ohm, random.uniform(0.005, 0.1) * flat, 0.3 * flat, flat > 0)
    watts = float(10 ** random.uniform(1.0, 2.7))
    ratings = [(8.0, watts), (4.0, watts * random.uniform(1.1, 2.0))][: int(random.integers(1, 3))]
    one = amplifier(
        "Brook (invented)",
        ratings,
        minimum_load_ohm=None if random.random() < 0.1 else float(random.choice([2.0, 4.0, 6.0])),
        damping_factor=float(10 ** random.uniform(0.3, 2.7)),
        peak_current_a=float(random.uniform(4.0, 30.0)) if random.random() < 0.4 else None,
    )
    sensitivity, u = float(random.uniform(80.0, 96.0)), float(random.uniform(0.1, 0.4))
    curve = Curve("on_axis", "on axis", axis, sensitivity * flat, 0 * flat, u * flat, flat > 0, "dB", "dB SPL")
    reading = Reading(
        {"on_axis": curve}, {"sensitivity": Figure("sensitivity", sensitivity, u, "dB", None, "mean")}, {}, {}, {}
    )
    wants = (
        round(float(random.uniform(1.5, 6.0)), 1),
        float(random.integers(75, 96)),
        float(random.choice([0.0, 10.0, 20.0])),
    )
    found = match_amplifier(one, reading, load, distance_m=wants[0], goal_db=wants[1], peak_db=wants[2])
    return Drive(one, load, sensitivity, u, *wants, found)


def seated(number: int) -> tuple[Seated, tuple[str, ...]]:
    """A room of one or two loudspeakers that beam the more the higher the frequency, alike all around the axis."""
    random = np.random.default_rng([FIRST_SEED, number, 1])
    axis = log_axis(100.0, 16_000.0, 12)
    beam = random.uniform(0.0, 0.8) * np.maximum(np.log2(axis.hz / 500.0), 0.0)
    ripple = np.interp(np.log2(axis.hz), np.arange(6.0, 15.0), random.normal(0.0, random.choice([0.1, 1.0]), 9))

    def level_db(vectors: np.ndarray) -> np.ndarray:
        away = np.degrees(np.arccos(np.clip(vectors[:, 0], -1.0, 1.0)))
        return np.asarray(ripple - beam * np.minimum(away / 30.0, 3.0)[:, None] ** 2)

    directions = cta_orbits()
    flat = np.ones((len(directions), len(axis)))
    level = level_db(directions.unit_vectors())
    source = DirectionalResponse(
        axis,
        directions,
        10 ** (level / 20) * 20e-6 / 2.83 + 0j,
        random.uniform(0.02, 0.4) * flat,
        0.1 * flat[0],
        flat > 0,
    )
    speakers = [
        {"name": name, "position_m": (0.0, y, random.uniform(0.8, 1.2)), "azimuth_deg": random.uniform(-25.0, 25.0)}
        for name, y in (("first", 1.3), ("second", -1.3))[: int(random.integers(1, 3))]
    ]
    seats = [
        {"name": f"seat {i}", "position_m": (3.0 + i // 3 + random.uniform(0, 0.5), random.uniform(-1.2, 1.2),
                                             random.uniform(0.9, 1.4)), "row": 1 + i // 3}
        for i in range(int(random.integers(1, 6)))
    ]  # fmt: skip
    plan = RoomPlan.model_validate({"loudspeaker": speakers, "seat": seats})
    angles, aims = seat_angles(plan), best_aims(source, plan)
    highest, u, goal = float(random.uniform(98.0, 118.0)), float(random.uniform(0.2, 0.8)), 85.0
    bound: Literal["", "at least"] = "at least" if random.random() < 0.4 else ""
    level = Figure("highest", highest, u, "dB", None, "m", bound=bound)
    room = seat_headroom(level, plan, goal_db=goal, peak_db=20.0)
    spreads = seat_spread(source, plan)
    told = (*seat_sentences(vertical_window(angles), spreads, room), *distance_sentences(angles))
    told += tuple(one if isinstance(one, str) else one.sentence for one in aims.values())
    return Seated(plan, axis.hz, level_db, highest, u, goal, 20.0, bound, aims, spreads), told


def crossed(number: int) -> Crossed:
    """A main and, two times of three, a measured subwoofer, each a high-pass of second or fourth order with ripple."""
    random = np.random.default_rng([FIRST_SEED, number, 2])
    axis = log_axis(10.0, 1000.0, 24)

    def curve(corner_hz: float, level: float) -> Curve:
        order = int(random.choice([2, 4]))
        ripple = np.interp(np.log2(axis.hz), np.arange(3.0, 11.0), random.normal(0.0, 0.4, 8))
        values = level + ripple - 10 * np.log10(1 + (corner_hz / axis.hz) ** (2 * order))
        nothing = np.zeros(len(axis))
        known = axis.hz > (random.uniform(20.0, 40.0) if random.random() < 0.4 else 0.0)
        return Curve("on_axis", "on axis", axis, values, nothing + 0.1, nothing, known, "dB", "dB SPL at 1 m, 2.83 V")

    main = curve(float(10 ** random.uniform(1.5, 1.95)), float(random.uniform(82.0, 92.0)))
    sub = (
        curve(float(random.uniform(18.0, 35.0)), float(random.uniform(80.0, 95.0))) if random.random() < 0.66 else None
    )
    name = "" if sub is None else "Cellar (invented)"
    corners = (60.0, 80.0, 100.0)
    distortion = replace(main, key="distortion", unit="%", values=8.0 * (30.0 / axis.hz) ** 1.5)
    best, free = (
        match_subwoofer(main, corners_hz=corners, schemes=schemes, subwoofer=sub, name=name, distortion_percent=bass)
        for schemes, bass in (((RECEIVER,), distortion), (SCHEMES[:4], None))
    )
    measured = None if sub is None else subwoofer_response(sub)
    return Crossed(main_response(main), measured, with_ideal(best, free), distortion)


def test_no_sentence_on_an_amplifier_says_what_its_evidence_denies() -> None:
    said, against = Counter[str](), []
    for number in range(COUNT):
        one = drive(number)
        against += [f"{number}: {why}" for why in read_back(one.found.sentences, AMPLIFIER, one)]
        said.update(word for word in AMPLIFIER_WORDS if any(word in text for text in one.found.sentences))
    assert not against, "\n".join(against[:20])
    assert set(said) == set(AMPLIFIER_WORDS), said


def test_no_sentence_on_seats_says_what_its_evidence_denies() -> None:
    said, against = Counter[str](), []
    for number in range(COUNT):
        one, told_of = seated(number)
        against += [f"{number}: {why}" for why in read_back(told_of, SEATS, one)]
        said.update(word for word in SEAT_WORDS if any(word in text for text in told_of))
    assert not against, "\n".join(against[:20])
    assert set(said) == set(SEAT_WORDS), said


def test_no_sentence_on_a_subwoofer_says_what_its_evidence_denies() -> None:
    against = []
    for number in range(COUNT // 5):
        one = crossed(number)
        against += [f"{number}: {why}" for why in read_back(one.found.sentences, SUBWOOFER, one)]
    assert not against, "\n".join(against[:20])


@pytest.mark.slow
def test_no_sentence_on_an_aim_says_what_its_evidence_denies() -> None:
    said, against, missed = Counter[str](), list[str](), list[str]()
    for number in range(COUNT // 5):
        one = case(LAWS[number % 3], "drawn", FIRST_SEED + 500 + number)
        study = aim_study(
            levels_of(one.measured),
            orbit="vertical" if number % 3 == 2 else "horizontal",
            bands=1 if number % 5 == 0 else 0,
            symmetric=number % 2 == 0,
        )
        against += [f"{number}: {why}" for why in of_study(study)]
        said.update(word for word in AIM_WORDS if word in study.sentence)
        if number < 10:
            missed += [lie for lie in lies(study.sentence) if not of_study(replace(study, sentence=lie))]
    assert not missed, "\n".join(missed)
    assert not against, "\n".join(against[:20])
    assert set(said) == set(AIM_WORDS), said


AMPLIFIER_WORDS = ("can drive", "should not drive", "within the uncertainty: ", "states no least load", "to spare",
                   "missing", "Current runs out", "Voltage runs out")  # fmt: skip
SEAT_WORDS = ("vertical window", "between seats", "between rows", "above the goal", "below the goal", "distance alone",
              "within the uncertainty of the goal", "short of the goal", "at the middle", "to its left",
              "no aim is better")  # fmt: skip
AIM_WORDS = ("straight at you", "off the axis", "the axis:", "within the uncertainty", "Left and right differ",
             "Left and right are assumed")  # fmt: skip


SWAPPED = {
    "above": "below",
    "to spare": "missing",
    "voltage": "current",
    "left": "right",
    "pays in part": "pays",
    "partly": "well",
    "mends": "mend",
    "is not": "are not",
    "it differs": "they differ",
    "can drive": "should not drive",
    "not inverted": "inverted",
    "main": "subwoofer",
    "seats": "rows",
    "Nothing is boosted, so no headroom is lost.": "It costs 1.0 dB of headroom: 1.3 times the power at 1 kHz.",
    "EQ could mend is within the uncertainty of the measurement": "is uneven differs from direction to direction",
}


def lies(text: str) -> Iterator[str]:
    """The sentence with one number changed, or one word for its opposite. Seats keep their names."""
    for met in re.finditer(r"(?<!seat )(?<![\d.])[+\N{MINUS SIGN}-]?\d+(?:\.\d+)?", text):
        decimals = len(met[0].partition(".")[2])
        for value in (1.5 * float(met[0].replace("\N{MINUS SIGN}", "-")) + 2, -float(met[0]) if float(met[0]) else 9.0):
            yield f"{text[: met.start()]}{value:.{decimals}f}{text[met.end() :]}"
    for pair in SWAPPED.items():
        for word, other in (pair, pair[::-1]):
            if re.search(rf"\b{word}", text):
                yield re.sub(rf"\b{word}", other, text, count=1)


def uncaught(text: str, read: Callable[[str], list[str]]) -> tuple[list[str], int]:
    """Lies about a true sentence that the reader takes for true, and how many were told."""
    assert not read(text)
    told = [lie for lie in lies(text) if lie != text]
    return [f"{lie} (for {text})" for lie in told if not read(lie)], len(told)


def test_the_reader_catches_lies_of_every_number_and_many_words() -> None:
    """What is planted here in true sentences: numbers half as large again or of the other sign, places, sides, verdicts
    for their opposites. A few are no lies: where each row has one seat, rows differ as seats do."""
    found = []
    for number in range(12):
        one, (room, told_of), verdict = drive(number), seated(number), told(number)
        found += [uncaught(text, lambda t, one=one: read_back([t], AMPLIFIER, one)) for text in one.found.sentences]
        found += [uncaught(text, lambda t, room=room: read_back([t], SEATS, room)) for text in told_of]
        for place, text in enumerate((verdict.verdict.headline, *verdict.verdict.sentences)):
            found.append(uncaught(text, lambda t, place=place, one=verdict: _put(one, place, t)))
    for number in range(6):
        sub = crossed(number)
        for place, text in enumerate(sub.found.sentences):
            found.append(uncaught(text, lambda t, place=place, sub=sub: _read_sub(sub, place, t)))
    missed = [lie for some, _ in found for lie in some]
    others = [lie for lie in missed if "between rows" not in lie and "between seats" not in lie]
    count = sum(told_of for _, told_of in found)
    assert count > 1500
    assert len(missed) < 0.02 * count
    assert len(others) < 0.003 * count, "\n".join(others)


def _put(one: Told, place: int, words: str) -> list[str]:
    texts = [one.verdict.headline, *one.verdict.sentences]
    texts[place] = words
    return objections(replace(one, verdict=replace(one.verdict, headline=texts[0], sentences=tuple(texts[1:]))))


def _read_sub(one: Crossed, place: int, words: str) -> list[str]:
    texts = list(one.found.sentences)
    texts[place] = words
    return read_back(texts, SUBWOOFER, one)
