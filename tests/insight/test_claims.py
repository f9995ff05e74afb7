"""Claims against curves of known level, and against the demo world's truth."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from earwitness.demo import world
from earwitness.demo.world import true_pressure
from earwitness.figures.load import load_figures
from earwitness.figures.read import read_response
from earwitness.insight.claims import judge_claims, over_units, upper_limit
from earwitness.quantities import (
    Asked,
    Curve,
    DirectionalResponse,
    Figure,
    Impedance,
    Reading,
    cta_orbits,
    log_axis,
    report_axis,
)
from earwitness.session.record import Claim

AXIS = log_axis(20.0, 20_000.0, 48)


def on_axis(level_db: np.ndarray, *, u: float = 0.1, valid: np.ndarray | None = None) -> Curve:
    flat = np.ones(len(AXIS))
    good = flat > 0 if valid is None else valid
    return Curve("on_axis", "on axis", AXIS, level_db, u * flat, 0.2 * flat, good, "dB", "dB SPL at 1 m, 2.83 V")


def reading(curve: Curve | None = None, **figures: Figure) -> Reading:
    return Reading({"on_axis": curve} if curve else {}, figures, {}, {}, {})


def claim(quantity: str, value: float, unit: str, **more: Any) -> Claim:
    return Claim.model_validate({"quantity": quantity, "value": value, "unit": unit, **more})


def figure(key: str, value: float, u: float, unit: str, bound: str = "") -> Figure:
    return Figure(key, value, u, unit, None, "made", bound=bound)


@pytest.mark.parametrize(
    ("claimed", "verdict", "short"),
    [(87.0, "holds", 0.0), (86.0, "holds", -1.0), (87.5, "holds", 0.5), (88.0, "falls short", 1.0)],
)
def test_sensitivity_within_and_beyond_twice_its_uncertainty(claimed: float, verdict: str, short: float) -> None:
    """87 +- 0.3 dB (k = 1): 87.5 dB lies within 0.6 dB, 88 dB does not."""
    found = judge_claims(
        [claim("sensitivity", claimed, "dB")], reading(sensitivity=figure("sensitivity", 87.0, 0.3, "dB"))
    )
    assert found[0].verdict == verdict
    assert found[0].short_by == pytest.approx(short)


def test_a_doubt_of_the_level_opens_what_would_hold_by_it_and_nothing_else() -> None:
    """A level that may be wrong proves no claim; a claim that it falls short of stays."""
    known = reading(sensitivity=figure("sensitivity", 87.0, 0.3, "dB"))
    claims = [claim("sensitivity", 87.0, "dB"), claim("sensitivity", 91.0, "dB")]
    assert [one.verdict for one in judge_claims(claims, known)] == ["holds", "falls short"]
    found = judge_claims(claims, known, level_doubt="the claim is doubted")
    assert [one.verdict for one in found] == ["cannot be judged", "falls short"]
    assert "level itself is in doubt" in found[0].sentence


def test_the_sentence_names_the_numbers() -> None:
    found = judge_claims(
        [claim("sensitivity", 91.0, "dB", text="91 dB (2.83 V, 1 m)")],
        reading(sensitivity=figure("sensitivity", 87.0, 0.3, "dB")),
    )
    assert found[0].sentence == (
        "Claim: sensitivity 91 dB (2.83 V, 1 m). Measured 87.0 ± 0.6 dB (mean from 300 Hz to 3 kHz): "
        "it falls short by 4.0 ± 0.6 dB. It would hold in half space, as in a wall, which adds up to 6 dB."
    )


@pytest.mark.parametrize(
    ("claimed", "holds"), [(93.0, True), (93.5, True), (93.7, False), (95.0, False), (86.0, False)]
)
def test_a_claim_that_half_space_would_explain_is_said_to(claimed: float, holds: bool) -> None:
    """A rigid plane doubles the pressure of a source in it: 20 lg 2 = 6.02 dB (image source); 0.6 dB is uncertain."""
    known = reading(sensitivity=figure("sensitivity", 87.0, 0.3, "dB"))
    [found] = judge_claims([claim("sensitivity", claimed, "dB")], known)
    assert ("half space" in found.sentence) == holds


def test_a_drop_of_the_makers_own_is_read_off_the_curve() -> None:
    """Butterworth high-pass of order 2 at 50 Hz: 8 dB down where (50/f)^4 = 10^0.8 - 1 (closed form) = 33.06 Hz."""
    curve = on_axis(87.0 - 10 * np.log10(1 + (50.0 / AXIS.hz) ** 4))
    true = 50.0 / (10**0.8 - 1) ** 0.25
    good, bad, untold = judge_claims(
        [
            claim("lowest frequency", 34.0, "Hz", drop_db=8.0),
            claim("lowest frequency", 30.0, "Hz", drop_db=8.0),
            claim("lowest frequency", 30.0, "Hz"),
        ],
        reading(curve),
    )
    assert good.verdict == "holds"
    assert good.measured.value == pytest.approx(true, rel=2e-3)
    assert bad.verdict == "falls short"
    assert bad.short_by == pytest.approx(true - 30.0, abs=0.1)
    assert untold.verdict == "cannot be judged"
    assert "how many dB down" in untold.reason


def test_the_upper_limit_of_a_low_pass() -> None:
    """Butterworth low-pass of order 4 at 12 kHz: 6 dB down at 12 kHz (10^0.6 - 1)^(1/8) (closed form)."""
    curve = on_axis(87.0 - 10 * np.log10(1 + (AXIS.hz / 12_000.0) ** 8))
    true = 12_000.0 * (10**0.6 - 1) ** 0.125
    assert upper_limit(curve, 87.0, 6.0, key="upper").value == pytest.approx(true, rel=1e-3)
    short = judge_claims([claim("highest frequency", 20.0, "kHz", drop_db=6.0)], reading(curve))[0]
    assert short.verdict == "falls short"
    assert short.short_by == pytest.approx(20_000.0 - true, rel=0.01)


def test_beyond_the_data_nothing_is_told() -> None:
    """A flat curve to 20 kHz: a claim of 18 kHz holds, one of 30 kHz cannot be judged."""
    flat = reading(on_axis(np.full(len(AXIS), 87.0)))
    near, far = judge_claims([claim("highest frequency", hz, "Hz", drop_db=3.0) for hz in (18e3, 30e3)], flat)
    assert near.verdict == "holds"
    assert far.verdict == "cannot be judged"
    low = judge_claims([claim("lowest frequency", 10.0, "Hz", drop_db=3.0)], flat)[0]
    assert low.verdict == "cannot be judged"


def test_a_tolerance_holds_for_the_best_middle() -> None:
    """A straight tilt of 4 dB over a range fits +-2 dB: half of highest minus lowest."""
    tilt = on_axis(87.0 - 0.5 * np.log2(AXIS.hz / 1000.0))
    band = {"value_to": 16_000.0}
    good, bad, wide = judge_claims(
        [
            claim("frequency range", 62.5, "Hz", tolerance_db=2.2, **band),
            claim("frequency range", 62.5, "Hz", tolerance_db=1.5, **band),
            claim("frequency range", 62.5, "Hz", tolerance_db=3.0, value_to=40_000.0),
        ],
        reading(tilt),
    )
    assert good.verdict == "holds"
    assert bad.verdict == "falls short"
    assert bad.short_by == pytest.approx(0.5, abs=0.02)
    assert wide.verdict == "cannot be judged"


def test_a_range_with_a_drop_needs_both_ends() -> None:
    curve = on_axis(87.0 - 10 * np.log10(1 + (50.0 / AXIS.hz) ** 4))
    good, bad = judge_claims(
        [claim("frequency range", hz, "Hz", value_to=18_000.0, drop_db=6.0) for hz in (40.0, 25.0)], reading(curve)
    )
    assert (good.verdict, bad.verdict) == ("holds", "falls short")
    for one, hz in ((good, "40"), (bad, "25")):
        assert one.sentence.startswith(f"Claim: frequency range {hz} to 18000 Hz, 6 dB down. Lower end: measured ")
        assert " Upper end: measured " in one.sentence
    assert "it falls short by" in bad.sentence.split("Upper end")[0]
    assert bad.sentence.endswith("it holds.")


@pytest.mark.parametrize(("minimum", "verdict"), [(6.5, "holds"), (6.38, "holds"), (5.0, "falls short")])
def test_rated_impedance(minimum: float, verdict: str) -> None:
    """IEC 60268-5 (as paraphrased by a third party): not below 80 % of 8 ohm, 6.4 ohm (C5.9)."""
    known = reading(
        impedance_minimum=figure("impedance_minimum", minimum, 0.05, "ohm"),
        impedance_minimum_at=figure("impedance_minimum_at", 180.0, 2.0, "Hz"),
    )
    found = judge_claims([claim("rated impedance", 8.0, "ohm")], known)[0]
    assert found.verdict == verdict
    assert "at 180 Hz" in found.sentence


def test_a_minimum_known_only_in_part_cannot_hold_but_can_fall_short() -> None:
    """ "at most" 6.5 ohm: the true minimum may be lower, so a rating of 8 ohm is open and one of 10 ohm is refuted."""
    known = reading(impedance_minimum=figure("impedance_minimum", 6.5, 0.05, "ohm", "at most"))
    eight, ten = judge_claims([claim("rated impedance", ohm, "ohm") for ohm in (8.0, 10.0)], known)
    assert (eight.verdict, ten.verdict) == ("cannot be judged", "falls short")


def test_what_cannot_be_judged_says_why() -> None:
    known = reading(sensitivity=Asked("sensitivity", "dB", "mean").refused("the level is not calibrated"))
    found = judge_claims(
        [
            claim("sensitivity", 87.0, "dB"),
            claim("amplifier power", 100.0, "W"),
            claim("rated impedance", 8.0, "ohm"),
            claim("highest level", 110.0, "dB"),
            claim("lowest frequency", 40.0, "m", drop_db=6.0),
        ],
        known,
    )
    assert {one.verdict for one in found} == {"cannot be judged"}
    for one, said in zip(found, ("not calibrated", "taste", "no impedance", "no level series", "unit"), strict=True):
        assert said in one.reason
        assert one.short_by is None


def test_a_level_above_our_limits_is_not_called_wrong() -> None:
    """The maker's limits are not stated, so a lower clean level refutes nothing; a higher one confirms."""
    known = reading(highest_clean_level=figure("highest_clean_level", 104.0, 0.5, "dB"))
    good, open_ = judge_claims([claim("highest level", db, "dB") for db in (103.0, 112.0)], known)
    assert (good.verdict, open_.verdict) == ("holds", "cannot be judged")


@pytest.mark.parametrize(
    ("key", "verdicts"),
    [
        ("thimble", {"sensitivity": "holds", "lowest frequency": "holds"}),
        ("causeway", {"sensitivity": "falls short", "lowest frequency": "falls short"}),
    ],
)
def test_the_demo_worlds_claims(key: str, verdicts: dict[str, str]) -> None:
    """Its analytic truth, with the uncertainty of a careful session: the tower's sensitivity and bass are planted."""
    axis, directions = report_axis(), cta_orbits()
    pressure = true_pressure(key, directions, axis.hz)
    ones = np.ones(pressure.shape)
    response = DirectionalResponse(axis, directions, pressure, 0.1 * ones, 0.2 * ones[0], ones > 0)
    ohm = world.true_impedance(key, axis.hz)
    impedance = Impedance(axis, ohm, 0.01 * np.abs(ohm), ones[0], ones[0] > 0)
    read = read_response(response, symmetric=True)
    told = [
        claim(one.quantity, one.value, one.unit, **({"drop_db": one.drop_db} if one.drop_db else {}))
        for one in world.loudspeaker(key).claims
    ]
    found = {one.claim.quantity: one for one in judge_claims(told, read, figures=load_figures(impedance))}
    for quantity, verdict in verdicts.items():
        assert found[quantity].verdict == verdict, found[quantity].sentence
    lowest = np.abs(ohm)[(axis.hz >= 20) & (axis.hz <= 20_000)].min()
    rated = found["rated impedance"]
    if abs(lowest - 0.8 * rated.claim.value) > 0.1:
        assert (rated.verdict == "holds") == (lowest > 0.8 * rated.claim.value), rated.sentence


@pytest.mark.parametrize(("value", "unit"), [(8.0, "ohm"), (8.0, "Ohm"), (8.0, "\u03a9"), (8.0, "\u2126")])
def test_units_as_makers_write_them(value: float, unit: str) -> None:
    known = reading(impedance_minimum=figure("impedance_minimum", 7.0, 0.05, "ohm"))
    assert judge_claims([claim("rated impedance", value, unit)], known)[0].verdict == "holds"


def sensitivities(*units: tuple[float, ...], claimed: float = 87.0) -> tuple[Any, Any]:
    """The first session's verdict, and all by unit and session."""
    made = [
        [
            judge_claims(
                [claim("sensitivity", claimed, "dB")], reading(sensitivity=figure("sensitivity", one, 0.1, "dB"))
            )
            for one in unit
        ]
        for unit in units
    ]
    return made[0][0], made


def test_a_claim_is_held_against_the_mean_of_the_units() -> None:
    """A weak unit of four falls short by itself, its model does not. Mean 87.0, sd 0.816, u 0.408 of four (GUM 4.2);
    Student's interval for a next one, t(0.975, 3) = 3.182 (table): 87.0 +- 3.182 x 0.816 x sqrt(1.25) = +- 2.9 dB."""
    weak, every = sensitivities((86.0,), (87.0,), (87.0,), (88.0,))
    assert weak[0].verdict == "falls short"
    [told] = over_units(weak, every)
    assert told.verdict == "holds"
    assert told.short_by == pytest.approx(0.0, abs=1e-9)
    assert told.u == pytest.approx(0.408, abs=0.02)
    assert "Mean of 4 units 87.0 ± 0.8 dB (the next one lies from 84.1 to 89.9 dB): it holds." in told.sentence


def test_units_that_all_fall_short_do_so_beyond_their_spread() -> None:
    shown, every = sensitivities((85.0, 85.1), (84.8, 84.9), (85.2, 85.1))
    [told] = over_units(shown, every)
    assert told.verdict == "falls short"
    assert told.short_by == pytest.approx(1.98, abs=0.03)
    assert "Mean of 3 units" in told.sentence


def test_one_unit_or_one_that_cannot_be_judged_stays_as_shown() -> None:
    shown, every = sensitivities((86.0, 86.1))
    assert over_units(shown, every) == shown
    unknown = judge_claims([claim("sensitivity", 87.0, "dB")], reading())
    assert over_units(shown, [every[0], [unknown]]) == shown
