"""Claims of makers over a population of readings, frozen: the program's own values, held against change."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from match_worlds import brief, curve, figure, level_of, tried, unknown

from earwitness.insight import claims
from earwitness.insight.claims import ClaimVerdict, half_range, judge_claims, over_units
from earwitness.quantities import Figure, Reading, log_axis
from earwitness.session.record import Claim
from golden_values import stands

NAME = "insight/claims"
AXIS = log_axis(20.0, 20_000.0, 24)


def claim(quantity: str, value: float, unit: str, **more: Any) -> Claim:
    return Claim.model_validate({"quantity": quantity, "value": value, "unit": unit, **more})


def short(one: ClaimVerdict) -> list[Any]:
    return [one.verdict, one.short_by, one.u, one.unit, one.sentence, one.reason]


def figures_of(number: int) -> dict[str, Figure]:
    random = np.random.default_rng([number, 1])
    made = {
        "sensitivity": figure("sensitivity", random.uniform(84.0, 90.0), random.uniform(0.1, 0.5)),
        "sensitivity_1w": figure("sensitivity_1w", random.uniform(82.0, 88.0), 0.3),
        "impedance_minimum": figure(
            "impedance_minimum", random.uniform(2.5, 7.0), 0.05, "ohm", bound=("", "at most")[number % 2]
        ),
        "impedance_minimum_at": figure("impedance_minimum_at", 185.0, 1.0, "Hz"),
        "highest_clean_level": figure(
            "highest_clean_level", random.uniform(95.0, 110.0), 0.4, bound=("", "at least", "at most")[number % 3]
        ),
        "drawn_power": figure("drawn_power", 12.3, 0.2, "W", caveats=("at 2.83 V",) if number % 2 else ()),
    }
    if number % 3 == 0:
        made["f6"] = figure(
            "f6", random.uniform(35.0, 140.0), random.uniform(0.2, 1.5), "Hz", bound=("", "at most")[number % 2]
        )
    if number % 3 == 1:
        made["bass_lower_6db"] = figure("bass_lower_6db", random.uniform(35.0, 60.0), 0.4, "Hz")
        made["f3"] = unknown("f3", "Hz")
    return made


def reading(number: int, **more: Any) -> Reading:
    random = np.random.default_rng([number, 2])
    valid = (AXIS.hz > (0.0, 70.0, 350.0)[number % 3]) & (AXIS.hz < (30_000.0, 15_000.0)[number % 2])
    one = curve(level_of(AXIS.hz, random), axis=AXIS, u=0.1 + 0.1 * random.random(), valid=more.pop("valid", valid))
    choices = {"half_space": "yes"} if number % 4 == 3 else {}
    return Reading(
        {"on_axis": one} | more.pop("curves", {}),
        more.pop("figures", figures_of(number)),
        {},
        more.pop("missing", {}),
        choices,
    )


CLAIMS = [
    claim("sensitivity", 87.0, "dB"),
    claim("sensitivity", 89.5, "dB SPL", text="89.5 dB/2.83 V"),
    claim("sensitivity 1 W", 86.0, "dB"),
    claim("sensitivity", 87.0, "Hz"),
    claim("lowest frequency", 45.0, "Hz", drop_db=6.0),
    claim("lowest frequency", 45.0, "Hz", drop_db=3.0),
    claim("lowest frequency", 0.05, "kHz", tolerance_db=3.0),
    claim("lowest frequency", 45.0, "Hz"),
    claim("highest frequency", 18.0, "kHz", drop_db=6.0),
    claim("highest frequency", 18.0, "kHz"),
    claim("highest frequency", 22_000.0, "Hz", tolerance_db=3.0),
    claim("frequency range", 50.0, "Hz"),
    claim("frequency range", 50.0, "Hz", value_to=20_000.0, tolerance_db=3.0),
    claim("frequency range", 0.1, "kHz", value_to=10.0, tolerance_db=2.0),
    claim("frequency range", 12_000.0, "Hz", value_to=90.0, tolerance_db=1.5),
    claim("frequency range", 50.0, "Hz", value_to=20_000.0),
    claim("frequency range", 45.0, "Hz", value_to=19_000.0, drop_db=6.0),
    claim("frequency range", 19_000.0, "Hz", value_to=60.0, drop_db=3.0, text="60 Hz to 19 kHz"),
    claim("rated impedance", 8.0, "Ohm"),
    claim("rated impedance", 4.0, "Ω"),
    claim("minimum impedance", 3.2, "ohms"),
    claim("minimum impedance", 6.5, " ohm "),
    claim("amplifier power", 100.0, "W"),
    claim("highest level", 100.0, "dB"),
    claim("highest level", 108.0, "dB SPL"),
]


@pytest.mark.parametrize("number", range(6))
def test_claims(number: int) -> None:
    found = judge_claims(CLAIMS, reading(number))
    stands(NAME, f"claims {number}", [short(one) if number < 4 else short(one)[:3] for one in found])


def test_levels_in_doubt_and_figures_beside() -> None:
    bare = reading(0, figures={})
    rows = [
        short(one)
        for one in judge_claims(CLAIMS[:3] + CLAIMS[-2:], bare, figures=figures_of(1), level_doubt="no calibrator")
    ]
    rows += [short(one) for one in judge_claims(CLAIMS, bare)]
    refused = {key: unknown(key) for key in figures_of(0)}
    rows += [short(one) for one in judge_claims(CLAIMS, reading(0, figures=refused))]
    nothing = Reading({}, {}, {}, {"on_axis": "it was not measured at all"}, {})
    rows += [short(one)[-1:] for one in judge_claims(CLAIMS, nothing)]
    rows += [short(one)[-1:] for one in judge_claims(CLAIMS, Reading({}, {}, {}, {}, {}))]
    holds = {
        "sensitivity": figure("sensitivity", 95.0, 0.2),
        "impedance_minimum": figure("impedance_minimum", 9.0, 0.1, "ohm"),
    }
    rows += [
        short(one)
        for one in judge_claims([CLAIMS[0], CLAIMS[18], CLAIMS[4]], reading(0, figures=holds), level_doubt="why")
    ]
    stands(NAME, "doubts", rows)


def test_verdicts_at_twice_the_uncertainty() -> None:
    rows = []
    one = claim("sensitivity", 87.0, "dB")
    for bound in ("", "at least", "at most"):
        for least in (True, False):
            for miss in (-1.0, -0.01, 0.0, 0.01, 0.59, 0.6, 0.61, 3.0):
                for u in (0.3, 0.0):
                    measured = figure("sensitivity", 87.0 - miss, u, bound=bound)
                    found = claims._closed(
                        one, measured, miss, u, decimals=2, least_counts=least, note=("", "a note")[least]
                    )
                    rows.append([found.verdict, found.sentence])
    stands(NAME, "closed", [row if number % 5 == 0 else row[0] for number, row in enumerate(rows)])


def test_half_space() -> None:
    """It would hold with 6.02 dB more, and twice the uncertainty; not where the session is one of half space."""
    rows = []
    for miss in (0.5, 0.61, 3.0, 6.0, 6.6, 6.63, 7.0):
        for choices in ({}, {"half_space": "yes"}):
            known = Reading({}, {"sensitivity": figure("sensitivity", 87.0, 0.3)}, {}, {}, choices)
            rows.append("half space" in judge_claims([claim("sensitivity", 87.0 + miss, "dB")], known)[0].sentence)
    stands(NAME, "half space", rows)


def test_low_ends_in_words() -> None:
    """One decimal under 100 Hz with less than 1 Hz of doubt; what the mean is of."""
    rows = []
    for value in (60.0, 99.94, 100.0, 100.06, 130.0):
        for u in (0.3, 0.99, 1.0, 1.01):
            for key in ("f6", "bass_lower_6db"):
                known = Reading({}, {key: figure(key, value, u, "Hz")}, {}, {}, {})
                rows.append(short(judge_claims([claim("lowest frequency", 80.0, "Hz", drop_db=6.0)], known)[0])[-2])
    stands(NAME, "low ends", rows)


def test_words_of_claims() -> None:
    rows = [claims._words(one) for one in CLAIMS]
    rows.append(claims._words(claim("frequency range", 50.0, "Hz", value_to=20_000.0, tolerance_db=3.0, drop_db=6.0)))
    stands(NAME, "words", [*rows, claims._upper("measured This"), claims._lower("Measured This")])
    assert pytest.approx(6.0206, abs=1e-4) == claims.HALF_SPACE_DB


def test_half_ranges() -> None:
    rows = []
    for number in range(4):
        one = reading(number).curves["on_axis"]
        for low, high in (
            (100.0, 10_000.0),
            (20.0, 20_000.0),
            (500.0, 510.0),
            (999.0, 1001.0),
            (60.0, 300.0),
            (16_000.0, 40_000.0),
        ):
            rows.append(tried(lambda one=one, low=low, high=high: half_range(one, low, high)))
    stands(NAME, "half ranges", rows, relative=1e-4)


def test_the_ends_of_what_is_known() -> None:
    """A claimed end may lie a step of the axis beyond the valid band, and no more."""
    one = curve(86.0 + np.sin(np.log2(AXIS.hz)), axis=AXIS, valid=(AXIS.hz > 99.0) & (AXIS.hz < 10_100.0))
    first, last = (float(at) for at in AXIS.hz[one.valid][[0, -1]])
    step = 2.0 ** (1 / 24)
    rows = []
    for part in (
        0.99,
        1.0,
        1.0 + 0.5e-9,
        1.0 + 5e-9,
        1.01,
        step * 0.999,
        step,
        step * 1.0005,
        step * 1.0012,
        step * 1.01,
        step**2,
    ):
        for low, high in (
            (first / part, 5000.0),
            (200.0, last * part),
            (first / part, last * part),
            (first * part, last / part),
        ):
            made, at, there = half_range(one, low, high)
            rows.append([made.bound, made.value, at, there])
    hole = replace(one, valid=one.valid & (np.abs(np.log2(AXIS.hz / 1000.0)) > 0.01))
    rows.append([half_range(hole, *band)[0].bound for band in ((200.0, 900.0), (200.0, 2000.0), (1100.0, 3000.0))])
    stands(NAME, "ends of the valid band", rows, relative=1e-4)
    single = curve(np.array([86.0]), axis=type(AXIS)(np.array([1000.0])))
    stands(
        NAME,
        "a point",
        [
            brief(tried(lambda band=band: half_range(single, *band)))
            for band in ((900.0, 1100.0), (1000.0, 1000.0), (999.5, 1000.5))
        ],
    )


def test_ranges_at_twice_the_uncertainty() -> None:
    """A tolerance in fine steps around what the curve needs, wholly known and not."""
    rows: list[Any] = []
    for valid in (None, AXIS.hz < 8000.0):
        one = curve(86.0 + 2.0 * np.sin(2.0 * np.log2(AXIS.hz)), axis=AXIS, u=0.3, common=0.0, valid=valid)
        for tolerance in np.arange(1.2, 2.3, 0.05):
            asked = claim("frequency range", 100.0, "Hz", value_to=10_000.0, tolerance_db=float(tolerance))
            found = judge_claims([asked], Reading({"on_axis": one}, {}, {}, {}, {}))[0]
            rows.append([found.verdict, found.sentence if len(rows) % 7 == 0 else ""])
    stands(NAME, "tolerances", rows)


def test_both_ends() -> None:
    rows = []
    for low in (40.0, 47.0, 60.0, 300.0):
        for high in (15_000.0, 20_500.0, 150_000.0):
            for number in (0, 1, 2):
                asked = claim(
                    "frequency range", low, "Hz", value_to=high, drop_db=6.0, text=("", "printed")[number % 2]
                )
                rows.append(short(judge_claims([asked], reading(number))[0]))
    stands(NAME, "both ends", [row if number % 4 == 0 else row[:3] for number, row in enumerate(rows)])


def verdict(short_by: float | None, value: float, u: float, bound: str = "", *, unit: str = "dB") -> ClaimVerdict:
    one = claim("sensitivity", 87.0, "dB")
    measured = (
        None
        if short_by is None and value < 0
        else figure("sensitivity", value, u, unit, bound=bound, shared=(("scale", 0.05),))
    )
    return ClaimVerdict(one, "holds", measured, short_by, u, unit, "as shown")


def test_over_units() -> None:
    rows = []
    for number in range(30):
        random = np.random.default_rng([number, 3])
        size = 10.0 ** random.uniform(-2.0, 1.0)
        shown = verdict(0.1, 87.0, 0.2)
        groups = []
        for _ in range(int(random.integers(1, 5))):
            unit = []
            for _ in range(int(random.integers(1, 4))):
                miss = random.normal((-1.0, 0.2, 2.0)[number % 3] * size, 0.5 * size)
                unit.append([verdict(miss, 87.0 - miss, random.uniform(0.02, 0.5) * size)])
            groups.append(unit)
        rows.append(short(over_units([shown], groups)[0])[:5])
    shown = verdict(0.1, 87.0, 0.2)
    for odd in (verdict(None, -1.0, 0.2), verdict(0.1, 87.0, 0.2, "at least"), verdict(None, 87.0, 0.2)):
        groups = [[[verdict(0.2, 86.8, 0.1)], [odd]], [[verdict(0.4, 86.6, 0.1)]]]
        rows.append(short(over_units([shown], groups)[0]))
    rows.append(short(over_units([shown], [[[verdict(-87.0, 0.5, 0.1)]], [[verdict(-85.0, 1.5, 0.1)]]])[0]))
    rows.append(short(over_units([shown], [[[verdict(0.0, 87.0, 0.0)]], [[verdict(0.0, 87.0, 0.0)]]])[0]))
    stands(NAME, "over units", rows, relative=1e-4)


def test_several_claims_over_units() -> None:
    two = [[[verdict(0.2, 86.8, 0.1), verdict(-3.0, 90.0, 0.1)]], [[verdict(0.4, 86.6, 0.1), verdict(-3.2, 90.2, 0.1)]]]
    found = over_units([verdict(0.1, 87.0, 0.2), verdict(0.1, 87.0, 0.2)], two)
    stands(NAME, "several over units", [short(one) for one in found])


def test_the_highest_level() -> None:
    rows = []
    for value in (99.0, 99.3, 99.9, 100.0, 100.5, 101.0):
        for bound in ("", "at least", "at most"):
            known = Reading(
                {}, {"highest_clean_level": figure("highest_clean_level", value, 0.4, bound=bound)}, {}, {}, {}
            )
            rows.append(short(judge_claims([claim("highest level", 100.0, "dB")], known)[0])[0:5:4])
    stands(NAME, "highest level", rows)
