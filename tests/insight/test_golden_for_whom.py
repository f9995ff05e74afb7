"""For whom a loudspeaker is, over a population of figures, frozen: the program's own values, held against change."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from match_worlds import figure, told, unknown

from earwitness.insight import for_whom as module
from earwitness.insight.claims import ClaimVerdict
from earwitness.insight.for_whom import LIMIT, USES, for_whom, judged, said_of_use
from earwitness.insight.match.amplifier import Amplifier, AmplifierMatch
from earwitness.insight.match.subwoofer import Scheme, Setting, SubwooferMatch
from earwitness.quantities import Figure, Reading
from earwitness.session import session
from earwitness.session.record import Claim
from golden_values import stands

NAME = "insight/for_whom"


@dataclass(frozen=True)
class Deviation:
    """A finding, as far as these sentences need it."""

    sentence: str
    size_db: float
    u_db: float
    margin_db: float
    is_equalizable: bool
    center_hz: float = 500.0
    q: float | None = 3.0


def figures_of(number: int) -> dict[str, Figure]:
    random = np.random.default_rng([number, 1])
    bound = ("", "", "at most", "at least")[number % 4]
    made = {
        "f6": figure(
            "f6", random.uniform(15.0, 95.0), random.uniform(0.1, 6.0), "Hz", bound="at most" if number % 7 == 6 else ""
        ),
        "f3": figure("f3", random.uniform(40.0, 110.0), 1.0, "Hz", bound="at most" if number % 9 == 8 else ""),
        "sensitivity": figure("sensitivity", random.uniform(80.0, 95.0), random.uniform(0.1, 1.5)),
        "sensitivity_1w": figure("sensitivity_1w", random.uniform(76.0, 90.0), 0.4),
        "highest_clean_level": figure(
            "highest_clean_level", random.uniform(85.0, 112.0), random.uniform(0.1, 1.0), bound=bound
        ),
        "impedance_minimum": figure("impedance_minimum", random.uniform(2.0, 9.0), 0.05, "ohm"),
        "impedance_minimum_at": figure("impedance_minimum_at", random.uniform(30.0, 4000.0), 1.0, "Hz"),
        "amplifier_load": figure(
            "amplifier_load",
            random.choice([2.0, 4.0, 6.0, 8.0]),
            0.0,
            "ohm",
            bound=bound,
            interval=(4.0, 8.0) if number % 2 else None,
            caveats=("or 6 ohm",) if number % 4 < 3 else (),
        ),
        "nominal_coverage_horizontal": figure(
            "n",
            random.uniform(60.0, 170.0),
            random.uniform(0.1, 4.0),
            "deg",
            bound="at least" if number % 5 == 4 else "",
            caveats=("first note", "from 80 to 120 over the band") if number % 3 else (),
        ),
        "nominal_coverage_vertical": figure("n", random.uniform(20.0, 90.0), 2.0, "deg"),
        "in_room_slope": figure("in_room_slope", random.uniform(-1.2, 0.2), 0.05, "dB/octave"),
    }
    for place, key in enumerate(list(made)):
        if (number + place) % 11 == 10:
            made[key] = unknown(key)
        elif (number * 3 + place) % 13 == 12:
            del made[key]
    return made


def findings_of(number: int) -> list[Deviation]:
    random = np.random.default_rng([number, 2])
    return [
        Deviation(
            f"Finding {row}.",
            random.normal(0.0, 3.0),
            random.uniform(0.1, 0.9),
            random.normal(0.5, 1.0),
            bool(random.random() < 0.5),
            60.0 * 2.0 ** random.uniform(0.0, 8.0),
            None if random.random() < 0.2 else 3.0,
        )
        for row in range(number % 8)
    ]


def claim_verdict(word: str, short_by: float | None = None) -> ClaimVerdict:
    one = Claim.model_validate({"quantity": "sensitivity", "value": 88.0, "unit": "dB"})
    return ClaimVerdict(one, word, None, short_by, None if short_by is None else 0.2, "dB", "told")  # type: ignore[arg-type]


def subwoofer(gain: Figure, name: str = "") -> SubwooferMatch:
    setting = Setting(80.0, Scheme("BW2", "LR4"), False, 0.001, -1.0, 0.6, 1.1, -1.4, 11.0)
    figures = {"crossover_sum_above": figure("crossover_sum_above", 1.1, 0.21), "high_pass_level": gain}
    return SubwooferMatch(setting, (setting,), {}, figures, (), subwoofer=name)


@pytest.mark.parametrize("number", range(16))
def test_whole_pages(number: int) -> None:
    random = np.random.default_rng([number, 3])
    more: dict[str, Any] = {"rated_impedance_ohm": float(random.choice([4.0, 8.0]))} if number % 2 else {}
    if number % 3:
        more["distance_m"] = random.uniform(1.0, 5.0)
    if number % 4 == 1:
        more["subwoofer"] = subwoofer(
            figure("high_pass_level", random.uniform(0.0, 3.0), 0.4, caveats=("104 dB",)), "Deep One"
        )
    if number % 4 == 2:
        match = AmplifierMatch(
            Amplifier("A", ((8.0, 20.0),)), "yes", "why", {}, {}, (), ("First.", "A can drive this load.")
        )
        more["amplifier"] = match
    words = [
        claim_verdict(("holds", "falls short", "cannot be judged")[(number + row) % 3], 0.3 + row)
        for row in range(number % 5)
    ]
    some: Any = findings_of(number)
    figures = figures_of(number)
    inside, beside = (figures, None) if number % 2 else ({}, figures)
    found = for_whom(Reading({}, inside, {}, {}, {}), figures=beside, claims=words, findings=some, **more)
    stands(NAME, f"page {number}", [[one.topic, one.text, one.keys] for one in found])


def test_distances() -> None:
    for distance_m in (0.0, -1.0, math.inf, math.nan):
        with pytest.raises(Exception, match="a seat at"):
            for_whom(Reading({}, {}, {}, {}, {}), distance_m=distance_m)
    assert for_whom(Reading({}, {}, {}, {}, {}), distance_m=0.5) == ()


def test_low_notes() -> None:
    """A note is within it from limit + u on, and missed below limit - u."""
    rows = []
    for limit, u in itertools.product(np.geomspace(12.0, 110.0, 40), (0.0, 1.0, 4.0)):
        one = module._bass({"f6": figure("f6", float(limit), u, "Hz")})
        rows.append(one.text if one else "")
    for name, hz in module.LOW_NOTES:
        rows += [
            str(module._bass({"f6": figure("f6", hz + off, 0.5, "Hz")}))
            for off in (-1.0, 1.0, -1.001, 1.001, -0.999, 0.999)
        ]
        assert name
    stands(
        NAME,
        "low notes",
        [text.removeprefix("Bass reaches to ") if row % 3 == 0 else text[-60:] for row, text in enumerate(rows)],
    )


def test_judged() -> None:
    assert judged({"a": figure("a", 3.0, 0.2)}, "a") == (3.0, 0.4)
    assert judged({"a": unknown("a")}, "a") is None
    assert judged({}, "a") is None
    assert [module._two_digits(one) for one in (284.3, 0.0352, 1260.0, 9.96)] == ["280", "0.035", "1300", "10"]


def test_the_crossover_s_gain() -> None:
    rows = []
    for value, u in itertools.product((0.0, 0.79, 0.8, 0.81, 5.0), (0.4, 0.0)):
        rows.append(module._bass_and_subwoofer(subwoofer(figure("high_pass_level", value, u, caveats=("104 dB",)))))
    rows += [
        module._bass_and_subwoofer(subwoofer(unknown("high_pass_level"), "Deep")),
        module._bass_and_subwoofer(None),
    ]
    stands(NAME, "crossover", rows)


def test_voltage_power_and_levels() -> None:
    rows: list[Any] = []
    for level, distance, rated in itertools.product((84.0, 91.5), (1.0, 3.3), (None, 4.0, 8.0)):
        rows.append(module._loudness({"sensitivity": figure("sensitivity", level, 0.3)}, distance, rated))
    for bound, distance in itertools.product(("", "at least", "at most"), (1.0, 3.3)):
        rows.append(module._clean({"highest_clean_level": figure("h", 101.0, 0.4, bound=bound)}, distance))
    stands(NAME, "levels", rows)


def test_coverage() -> None:
    rows = []
    keys = ("nominal_coverage_horizontal", "nominal_coverage_vertical")
    shown = [
        None,
        figure("n", 100.0, 0.2, "deg"),
        figure("n", 100.0, 3.0, "deg", caveats=("x", "80 to 120 over the band")),
        figure("n", 90.0, 1.0, "deg", bound="at least"),
    ]
    for one, other in itertools.product(shown, shown):
        rows.append(
            module._seats({key: value for key, value in zip(keys, (one, other), strict=True) if value is not None})
        )
    stands(NAME, "coverage", rows)


def test_loads() -> None:
    rows = []
    for bound, interval, caveats, at in itertools.product(
        ("", "at most", "at least"), (None, (4.0, 8.0)), ((), ("or 4",)), (True, False)
    ):
        known = {
            "impedance_minimum": figure("i", 4.41, 0.05, "ohm"),
            "amplifier_load": figure("a", 4.0, 0.0, "ohm", bound=bound, interval=interval, caveats=caveats),
        }
        if at:
            known["impedance_minimum_at"] = figure("i", 1800.0, 5.0, "Hz")
        rows.append(module._load(known))
    rows += [
        module._load({**known, key: unknown(key)})
        for key in ("impedance_minimum", "amplifier_load", "impedance_minimum_at")
    ]
    rows += [
        module._load({key: known[key] for key in known if key != gone})
        for gone in ("impedance_minimum", "amplifier_load")
    ]
    stands(NAME, "loads", rows)


def test_deviations() -> None:
    """Only what exceeds twice its uncertainty, and what may be heard; at most two are told, the most audible first."""
    rows = []
    for sizes in ((), (3.0,), (-3.0, 2.0), (1.0, 1.01, 0.99, -1.01), (4.0, 3.0, 2.0)):
        for mended in (0, 1, 2, 3):
            for margin in (1.0, 0.0, 0.01, -1.0):
                some = [
                    Deviation(f"{size:g} dB.", size, 0.5, margin + 0.1 * row, row < mended)
                    for row, size in enumerate(sizes)
                ]
                rows.append([one.text for one in module._deviations(some)])  # type: ignore[arg-type]
    stands(NAME, "deviations", rows)


def test_claims_in_words() -> None:
    rows = []
    for holds, short, untold in itertools.product((0, 1, 2), repeat=3):
        some = (
            [claim_verdict("holds")] * holds
            + [claim_verdict("falls short", 1.0 + row) for row in range(short)]
            + [claim_verdict("cannot be judged")] * untold
        )
        rows.append(module._claims(some))
    rows.append(module._claims([claim_verdict("falls short", None), claim_verdict("falls short", 2.0)]))
    stands(NAME, "claims", rows)


@pytest.mark.parametrize("use", list(USES))
def test_uses(use: str) -> None:
    """Level and bass in fine steps about what is wanted, with and without bounds."""
    wanted, rows = USES[use], []  # type: ignore[index]
    needed = wanted.level_db - 6.0 + 20.0 * math.log10(wanted.distance_m)
    levels: list[Figure | None] = [
        None,
        *(figure("h", needed + off, 0.5) for off in (-3.0, -1.01, -0.99, 0.0, 0.99, 1.01, 3.0)),
    ]
    basses: list[Figure | None] = [
        None,
        *(
            figure("f6", wanted.bass_hz + off, 1.0, "Hz", bound=bound)
            for bound in ("", "at most")
            for off in (-9.0, -2.01, -1.99, 1.99, 2.01, 9.0)
        ),
    ]
    for level, bass in itertools.product(levels, basses):
        known = {key: one for key, one in (("highest_clean_level", level), ("f6", bass)) if one is not None}
        said = module._use(use, known)  # type: ignore[arg-type]
        rows.append("" if said is None else said.text)
    stands(NAME, f"use {use}", [[len(text), text[:40]] if row % 9 else text for row, text in enumerate(rows)])


def test_sensitivity_classes() -> None:
    rows = []
    for value in (82.9, 83.9, 84.0, 84.1, 85.0, 85.1, 86.9, 87.0, 88.0, 89.0, 92.0):
        for u in (0.0, 0.5, 3.0):
            said = module._sensitivity_class((85.0, 88.0), {"sensitivity": figure("sensitivity", value, u)})
            rows.append(said.text if said else "")
    stands(NAME, "classes", rows)
    assert module._sensitivity_class(None, {"sensitivity": figure("sensitivity", 85.0, 0.1)}) is None
    assert module._sensitivity_class((85.0, 88.0), {}) is None


def test_room_correction() -> None:
    rows = []
    for slope in (-0.8, -0.051, -0.05, -0.049, 0.0, 0.3):
        for number in range(6):
            known = {"in_room_slope": figure("s", slope, 0.1), "f6": figure("f6", 45.3, 1.0, "Hz")}
            some = [
                Deviation(
                    "",
                    2.0,
                    0.1,
                    1.0,
                    row % 3 == 2,
                    (300.0, 299.0, 301.0, 4000.0, 900.0, 12_000.0, 2500.0, 330.0)[row],
                    None if row == 4 else 3.0,
                )
                for row in range(number + 2)
            ]
            rows.append([one.text for one in module._room_correction(known, some)])  # type: ignore[arg-type]
    stands(NAME, "room correction", rows)
    assert module._room_correction({"f6": figure("f6", 45.3, 1.0, "Hz")}, []) == []
    assert module._room_correction({"in_room_slope": figure("s", -1.0, 1.0)}, []) == []


def test_what_size_bass_and_sensitivity_cost() -> None:
    rows = []
    for enclosure, kind, powered, shape in itertools.product(
        ("closed", "vented", "open"), ("stand-mount", "in-wall", "subwoofer"), (False, True), ("box", "sphere")
    ):
        one = told(kind, enclosure=enclosure, powered=powered, shape=shape)
        rows.append(
            module._trade_off(one, {"f3": figure("f3", 55.0, 1.0, "Hz"), "sensitivity_1w": figure("s", 80.0, 0.3)})
        )
    one = told("stand-mount")
    most = 112.1 + 10.0 * math.log10(LIMIT["closed"] * 55.0**3 * 0.7 * 0.26 * 0.4 * 0.3)
    for level in (most - 5.0, most + 1.9, most + 2.1):
        rows.append(
            module._trade_off(one, {"f3": figure("f3", 55.0, 1.0, "Hz"), "sensitivity_1w": figure("s", level, 0.3)})
        )
    rows.append(
        module._trade_off(
            one, {"f3": figure("f3", 55.0, 1.0, "Hz", bound="at most"), "sensitivity_1w": figure("s", 75.0, 0.3)}
        )
    )
    rows += [
        module._trade_off(one, {"f3": figure("f3", 55.0, 1.0, "Hz")}),
        module._trade_off(one, {"sensitivity_1w": figure("s", 75.0, 0.3)}),
    ]
    stands(NAME, "trade-off", rows)


@pytest.mark.parametrize("number", range(6))
def test_all_of_a_use(number: int) -> None:
    uses = [None, *USES]
    more = {} if uses[number] is None else {"use": uses[number]}
    one = told("stand-mount", enclosure=("closed", "vented")[number % 2], **more)
    tester = session.Tester(sensitivity_classes_db=(84.0, 88.0)) if number % 2 else session.Tester()
    found = said_of_use(one, tester, figures_of(number), findings_of(number + 3))  # type: ignore[arg-type]
    stands(NAME, f"all of use {number}", [[said.topic, said.text, said.keys] for said in found])
