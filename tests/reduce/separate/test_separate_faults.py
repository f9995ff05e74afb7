"""Mistakes that were once missed, on a loudspeaker and a rig that no setting was chosen on (benchmarks/)."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.append(str(Path(__file__).parents[3] / "benchmarks"))
import separation_faults as faults

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def ball() -> faults.worlds.World:
    """Drawn ways on a rigid sphere in a drawn live room: series and image sources, apart from the program."""
    return faults.drawn_worlds(2, 300, 5)[0]


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("both radii 1, 3 mm too large", ""),
        ("clock step 5, 20 us", "scan rig"),
        ("loudspeaker turned in a room of 0.4 and 1 times the sound", "scan moved"),
    ],
)
def test_a_mistake_is_corrected_told_or_covered(ball: faults.worlds.World, name: str, told: str) -> None:
    wrong = faults.SPOILERS[name][1]
    layout = faults.laid_out(ball.outside_m, "recordings")
    data = faults.heard(ball, layout, wrong, np.random.default_rng(300))
    found, score = faults.solved(ball, data, wrong), faults.Score.empty()
    faults.scored(score, ball, found)
    assert not told or told in score.told
    # A loudspeaker that turned leaves its gated sound alone.
    assert score.shown[0] > (0.3 if told == "scan moved" else 0.95)
    error, u, kind = score.error[0], score.u[0], score.kind[0]
    for one in range(3):
        assert np.mean((np.abs(error) <= 2 * u + 0.005)[kind == one]) >= 0.93, ("directions", "curves", "indices")[one]
    assert not (np.abs(error) > 4 * u + 0.01).any()
