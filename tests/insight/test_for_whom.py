"""Sentences carry their numbers, and say nothing that the uncertainty does not allow."""

from __future__ import annotations

import re
from dataclasses import dataclass

import pytest

from earwitness.insight.claims import judge_claims
from earwitness.insight.for_whom import LOW_NOTES, for_whom
from earwitness.insight.match.amplifier import amplifier, match_amplifier
from earwitness.quantities import Asked, Figure, Reading
from earwitness.session.record import Claim


@dataclass(frozen=True)
class Deviation:
    sentence: str
    size_db: float
    u_db: float
    margin_db: float
    is_equalizable: bool


def reading(**figures: tuple[float, float, str]) -> Reading:
    made = {key: Figure(key, value, u, unit, None, "made") for key, (value, u, unit) in figures.items()}
    return Reading({}, made, {}, {}, {})


def test_low_notes_are_those_of_equal_temperament() -> None:
    """440 Hz tuning (ISO 16): C0 16.352, A0 27.5, B0 30.868, E1 41.203, C2 65.406, E2 82.407 Hz (textbook table)."""
    expected = [16.352, 27.5, 30.868, 41.203, 65.406, 82.407]
    assert [hz for _, hz in LOW_NOTES] == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize(
    ("limit", "u", "there", "not_there"),
    [(39.0, 0.5, "double bass", "five-string"), (41.0, 1.0, "cello", "five-string"), (10.0, 0.2, "organ", None)],
)
def test_notes_within_the_uncertainty_are_not_named(limit: float, u: float, there: str, not_there: str | None) -> None:
    text = for_whom(reading(f6=(limit, u, "Hz")))[0].text
    assert re.search(rf"{there}[^,]* is within it", text)
    assert (not_there is None and "is not" not in text) or f"{not_there}" in text.split("within it")[1]
    if (limit, u) == (41.0, 1.0):
        assert "double bass" not in text


def test_voltage_and_rated_power_for_a_level() -> None:
    """85 dB at 3 m with 87 dB sensitivity: 2.83 * 3 * 10^(-0.1) = 6.74 V; a sine of peak 67.4 V in 8 ohm is 284 W."""
    text = for_whom(reading(sensitivity=(87.0, 0.25, "dB")), rated_impedance_ohm=8.0)[0].text
    assert "6.7 ± 0.4 V" in text
    assert "280 W into 8 ohm" in text


def test_coverage_is_told_whole_as_a_median_over_frequency() -> None:
    text = for_whom(reading(nominal_coverage_horizontal=(120.0, 4.0, "deg")))[0].text
    assert "over 120 ± 8 degrees from left to right, both sides together: the median over 1 kHz to 10 kHz." in text


def test_a_single_deviation_is_told_in_the_singular() -> None:
    text = for_whom(reading(), findings=[Deviation("A dip.", -3.0, 0.3, 1.5, False)])[-1].text
    assert text == "One deviation of the response may be audible; no equalizer can mend it."


def test_deviations_within_their_uncertainty_stay_unsaid() -> None:
    sure, doubtful, small = (
        Deviation("A hump of 2.5 dB at 245 Hz.", 2.5, 0.3, 1.5, True),
        Deviation("A dip.", -0.5, 0.4, 0.2, True),
        Deviation("A trace.", 0.5, 0.1, -1.0, False),
    )
    said = for_whom(reading(), findings=[doubtful, small, sure])
    assert [one.text for one in said] == [
        "A hump of 2.5 dB at 245 Hz.",
        "One deviation of the response may be audible; an equalizer can mend it.",
    ]


def test_claims_are_counted() -> None:
    known = reading(sensitivity=(87.0, 0.2, "dB"))
    claims = [
        Claim(quantity="sensitivity", value=91.0, unit="dB"),
        Claim(quantity="sensitivity", value=87.0, unit="dB"),
        Claim(quantity="amplifier power", value=100.0, unit="W"),
    ]
    text = for_whom(known, claims=judge_claims(claims, known))[-1].text
    assert text == (
        "Of 3 claims of the maker 1 holds, 1 falls short, 1 cannot be judged (sensitivity by 4.0 ± 0.4 dB)."
    )


def test_what_was_not_measured_is_not_said() -> None:
    nothing = Reading({}, {"f6": Asked("f6", "Hz", "made").refused("no bass")}, {}, {}, {})
    assert for_whom(nothing) == ()


def test_the_amplifiers_verdict_is_passed_on() -> None:
    match = match_amplifier(amplifier("Brook 60 (invented)", [(8.0, 60.0)]), reading(), None)
    assert "cannot be told" in for_whom(reading(), amplifier=match)[0].text
