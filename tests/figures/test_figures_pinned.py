"""Numbers of figures that a round of small changes to the program had left alive, held from outside.

Sources: first-order propagation of noise to a level in dB, 20 lg(e) / sqrt 2 times the ratio of amplitudes (handbook
formula); JCGM 100:2008, 5.1.2, for sums; the definition of percent.
"""

from __future__ import annotations

import numpy as np
import pytest
from level_worlds import AXIS, made_take

from earwitness.figures.compression import compression
from earwitness.figures.distortion import distortion, largest

FLAT = np.full(len(AXIS), 86.0)


def test_a_drift_is_as_unsure_as_the_noise_of_both_takes() -> None:
    """40 dB over the noise is 8.686 / sqrt 2 / 100 dB, 46 dB half of that; both in quadrature."""
    takes = [
        made_take(2.0, FLAT, {2: -30.0}, noise_db=-40.0, take="first"),
        made_take(8.0, FLAT + 12.0, {2: -30.0}, noise_db=-46.0, take="loud"),
        made_take(2.0, FLAT, {2: -30.0}, noise_db=-46.0, take="last"),
    ]
    drift = compression(takes, recorded=("first", "loud", "last")).drift
    assert drift is not None
    parts = [20 / np.log(10) / np.sqrt(2) * 10 ** (-snr / 20) for snr in (40.0, 46.0)]
    assert drift.u == pytest.approx(np.full(len(AXIS), np.hypot(*parts)), rel=1e-6)


def test_distortion_under_noise_is_bounded_by_what_noise_could_hide() -> None:
    """Harmonics 3 dB under a noise of -40 dB, in each of four orders: what is not above it is at most some percent."""
    found = distortion(made_take(1.0, FLAT, {2: -43.0, 3: -43.0, 4: -43.0, 5: -43.0}, noise_db=-40.0))
    figure = largest(found)
    inside = found.known & (found.total.axis.hz >= 100.0) & (found.total.axis.hz <= 5000.0)
    assert figure.bound == "at most"
    assert figure.value == pytest.approx(100.0 * 10 ** (found.at_most_db[inside].max() / 20.0), rel=1e-9)
    assert 1.0 < float(figure.value or 0.0) < 10.0
