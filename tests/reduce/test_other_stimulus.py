"""A take that names another stimulus is divided by that one: the same loudspeaker comes out of both sweeps."""

from __future__ import annotations

from typing import Any

import numpy as np
from made_session import HASH, Made, changed, facts, recording

from earwitness.reduce.flow import reduce_session
from earwitness.session.session import LevelTake, Session

USUAL = Made(polynomial=(0.0, 1.0, 0.004), angles=(0.0,))
LONG = changed(USUAL, start_hz=20.0, stop_hz=20_000.0, duration_s=2.5, angles=(0.0,))


def session(**changes: Any) -> Session:
    level = {"kind": "level", "id": "loud", "file": "loud.wav", "sha256": HASH, "drive_v": 2.83, "distance_m": 1.5}
    other = {"kind": "sweep", "name": "long", "start_hz": LONG.start_hz, "stop_hz": LONG.stop_hz,
             "duration_s": LONG.duration_s, "fade_in_s": 0.1, "fade_out_s": 0.01, "lead_in_s": LONG.lead_s}  # fmt: skip
    return facts(USUAL, [level | changes], other_stimulus=[other])


def test_a_level_take_of_another_sweep_gives_the_harmonics_of_its_loudspeaker() -> None:
    """Second harmonic of a square law: the same from either sweep (closed form, amplitude c2 A / (2 c1))."""

    def read(name: str):
        return recording(LONG if name == "loud.wav" else USUAL, 0.0)

    found = {one.take: one for one in reduce_session(session(stimulus="long"), read).harmonics}
    hz = found["loud"].axis.hz
    inside = (hz > 200.0) & (hz < 5000.0)
    second = found["loud"].harmonic_db[0] - found["loud"].fundamental_db
    want = 20 * np.log10(0.004 * 2.83 * np.sqrt(2) / 2) + 20 * np.log10(
        np.abs(LONG.truth(0.0, 2 * hz) / LONG.truth(0.0, hz))
    )
    assert np.max(np.abs(second - want)[inside]) < 0.2
    both = found["loud"].fundamental_db - found["h0"].fundamental_db
    assert np.max(np.abs(both[inside])) < 0.05


def test_the_take_says_which_stimulus_is_its_own() -> None:
    told = session(stimulus="long")
    take = told.takes_of(LevelTake)[0]
    assert told.stimulus_of(take).duration_s == 2.5
    assert told.stimulus_of(told.takes[0]) == told.stimulus
