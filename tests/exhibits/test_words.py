"""Numbers in words. GUM 7.2.6: an uncertainty has at most two significant digits (from memory)."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.exhibits.words import decimals_of, figure_words, frequency_words, listed, number_words, value_words
from earwitness.quantities import Asked, Figure


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("value", "u", "unit", "words"),
    [
        (87.432, 0.15, "dB", "87.4 ± 0.3 dB"),
        (87.432, 0.7, "dB", "87.4 ± 1.4 dB"),
        (87.432, 1.6, "dB", "87 ± 3 dB"),
        (-1.234, 0.15, "dB", "−1.2 ± 0.3 dB"),
        (-0.04, 0.15, "dB", "0.0 ± 0.3 dB"),
        (87.4, 0.001, "dB", "87.4 ± 0.1 dB"),
        (48.3, 0.7, "Hz", "48 ± 1 Hz"),
        (48.3, 6.0, "Hz", "48 ± 12 Hz"),
        (148.0, 30.0, "Hz", "150 ± 60 Hz"),
        (3217.0, 60.0, "Hz", "3.22 ± 0.12 kHz"),
        (62.3, 1.2, "deg", "62 ± 2°"),
        (3.21, 0.05, "ohm", "3.21 ± 0.10 Ω"),
        (6.07, 0.2, "", "6.1 ± 0.4"),
    ],
)
def test_digits_stop_where_the_uncertainty_begins(value: float, u: float, unit: str, words: str) -> None:
    assert plain(value_words(value, u, unit)) == words


def test_sign_is_written_where_it_matters() -> None:
    assert plain(value_words(1.2, 0.15, "dB", sign=True)) == "+1.2 ± 0.3 dB"


@given(st.floats(-1e5, 1e5), st.floats(1e-4, 1e4))
@settings(deadline=None, derandomize=True, max_examples=50)
def test_value_and_uncertainty_end_at_the_same_digit(value: float, u: float) -> None:
    printed, expanded = plain(value_words(value, u, "V")).removesuffix(" V").split(" ± ")
    assert len(printed.partition(".")[2]) == len(expanded.partition(".")[2])
    digits = expanded.replace(".", "").strip("0")
    assert len(digits) <= 2
    assert abs(float(expanded) - 2 * u) <= 0.5 * 10.0 ** -decimals_of(2 * u) * (1 + 1e-9)
    assert abs(float(printed.replace("−", "-")) - value) <= 0.5 * 10.0 ** -decimals_of(2 * u) * (1 + 1e-9)


@pytest.mark.parametrize(
    ("hz", "words"),
    [(48.2, "48 Hz"), (151.0, "150 Hz"), (997.0, "1 kHz"), (3217.0, "3.2 kHz"), (10_000.0, "10 kHz"), (20.0, "20 Hz")],
)
def test_frequencies(hz: float, words: str) -> None:
    assert plain(frequency_words(hz)) == words


def test_a_figure_without_value_says_why() -> None:
    figure = Asked("f6", "Hz", "first fall").refused("no near field was recorded")
    assert figure_words(figure) == "not judged: no near field was recorded"


def test_interval_and_bound_are_kept() -> None:
    figure = Figure("f3", 53.0, 2.0, "Hz", None, "first fall", bound="at most", interval=(49.0, 59.0))
    assert plain(figure_words(figure)) == "at most 53 (49 to 59) Hz"
    even = replace(figure, interval=(49.0, 57.0), bound="")
    assert plain(figure_words(even)) == "53 ± 4 Hz"


def test_no_uncertainty_is_never_printed_as_zero() -> None:
    figure = Figure("linearity_share_3db", 100.0, 0.0, "%", None, "share")
    assert plain(figure_words(figure)) == "100 ± 1 %"


def test_lists() -> None:
    assert [listed(()), listed(("a",)), listed(("a", "b")), listed(("a", "b", "c"))] == [
        "",
        "a",
        "a and b",
        "a, b and c",
    ]
    assert number_words(-0.0001, 2) == "0.00"
    assert not re.search("-", number_words(-3.0, 1))
