"""The change table: an uncertainty is never told as nothing (GUM 7.2.6: enough digits that rounding takes nothing)."""

from __future__ import annotations

import pytest

from earwitness.exhibits.mend import change_rows
from earwitness.insight.mend.report import FigureChange


@pytest.mark.parametrize(
    ("u", "told"),
    [
        (0.001, "+0.7 ± less than 0.05 dB"),
        (0.02, "+0.7 ± less than 0.05 dB"),
        (0.026, "+0.7 ± 0.1 dB"),
        (0.2, "+0.7 ± 0.4 dB"),
        (0.0, "+0.7 dB"),
    ],
)
def test_the_uncertainty_of_a_change_is_never_zero(u: float, told: str) -> None:
    change = FigureChange("linearity_above", -1.0, -0.3, 0.7, u, "dB", "better")
    ((_, before, now, words, mark),) = change_rows([change], {})
    assert (before, now) == ("−1.0", "−0.3")
    assert words == told
    assert mark == "● better"
