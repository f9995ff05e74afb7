"""Damage inside a sweep: found where it is, and never in an undamaged or a rubbing loudspeaker.

Rates as the written reference has them (simulated there on other loudspeakers): undamaged and rubbing loudspeakers are
never called damaged; gaps of 1 ms and more, clicks, slams and 48 lost samples are noticed in nine of ten or more.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from recorded import damaged, framed, loudspeaker, rubbing, stated, sweep, transformed, wire

from earwitness.reduce.doubt.damage import DamageReading, damage_of

PLAYED, STATED = sweep(), stated()


def read(y: np.ndarray, loop: bool = False) -> DamageReading:
    spectrum, length, played = transformed(y, PLAYED)
    found = damage_of(spectrum, y, length, STATED, played, loop=loop)
    assert found is not None
    return found


def draws(count: int, make: Callable[[np.random.Generator], np.ndarray], seed: int) -> list[DamageReading]:
    return [read(make(np.random.default_rng([seed, k]))) for k in range(count)]


def test_undamaged_loudspeakers_are_not_called_damaged() -> None:
    found = draws(16, lambda rng: loudspeaker(rng, framed(PLAYED), snr_db=rng.uniform(35, 60)), 1)
    assert not [one for one in found if one.is_damage() or one.is_odd()]


def test_rub_and_buzz_are_not_called_damage() -> None:
    found = draws(12, lambda rng: rubbing(rng, loudspeaker(rng, framed(PLAYED)), rng.uniform(-35, -10)), 2)
    assert not [one for one in found if one.is_damage()]


@pytest.mark.parametrize(
    ("kind", "size"), [("gap", 1.0), ("gap", 10.0), ("lost", 48.0), ("click", 12.0), ("slam", -10.0), ("voice", -10.0)]
)
def test_damage_is_noticed_at_its_moment(kind: str, size: float) -> None:
    noticed, off = 0, []
    for k in range(10):
        rng = np.random.default_rng([3, k])
        y, moment = damaged(rng, loudspeaker(rng, framed(PLAYED)), kind, size)
        one = read(y)
        noticed += one.is_damage() or one.is_odd()
        off.append(abs(one.at_s - moment))
    assert noticed >= 9
    assert np.median(off) < (0.5 if kind == "voice" else 0.03)


def test_a_wire_is_sound_and_its_gaps_are_found() -> None:
    for k in range(6):
        rng = np.random.default_rng([4, k])
        y = wire(rng, framed(PLAYED))
        assert not read(y, loop=True).is_damaged_loop()
        assert read(damaged(rng, y, "gap", 3.0)[0], loop=True).is_damaged_loop()


def test_a_stimulus_that_is_no_sweep_is_not_judged() -> None:
    spectrum, length, played = transformed(framed(PLAYED), PLAYED)
    file = type(STATED)(PLAYED, STATED.rate_hz, None, 20.0, 10_000.0, 0.3)
    assert damage_of(spectrum, framed(PLAYED), length, file, played) is None
