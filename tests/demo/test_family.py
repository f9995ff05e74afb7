"""What the demo world plants between sessions of one loudspeaker is there, on axis, and nothing else is."""

from __future__ import annotations

import numpy as np

from earwitness.demo import world
from earwitness.demo.lineup import (
    BEFORE_REPAIR,
    FAULT_DB,
    LINEUP,
    OTHER_PRESET,
    PRESET_DB,
    SECOND_UNIT,
    THIMBLE,
    DemoLoudspeaker,
    members,
)

HZ = np.array([60.0, 200.0, 500.0, 12_000.0, 18_000.0])


def level_db(one: DemoLoudspeaker) -> np.typing.NDArray[np.float64]:
    sound = world.sum_far(one, world.speaker_sources(one, HZ), np.array([[1.0, 0.0, 0.0]]), HZ)
    return np.asarray(20 * np.log10(np.abs(sound[0])), dtype=np.float64)


def test_the_fault_is_in_the_tweeter_alone() -> None:
    """Far above the crossover, fourth order at 1.7 to 2.4 kHz, the tweeter sounds alone; far below, the woofer does."""
    change = level_db(BEFORE_REPAIR) - level_db(THIMBLE)
    np.testing.assert_allclose(change, [0.0, 0.0, 0.0, FAULT_DB, FAULT_DB], atol=0.02)


def test_the_preset_is_a_shelf() -> None:
    """|H| of a second-order shelf of gain G dB: 0 dB far below its middle, G far above (audio handbooks)."""
    change = level_db(OTHER_PRESET) - level_db(THIMBLE)
    np.testing.assert_allclose(change[:2], 0.0, atol=0.02)
    np.testing.assert_allclose(change[-1], PRESET_DB, atol=0.05)


def test_the_second_unit_is_within_a_known_spread() -> None:
    change = np.abs(level_db(SECOND_UNIT) - level_db(THIMBLE))
    assert 0.1 < change.max() < 0.7


def test_members_come_before_and_say_which_they_are() -> None:
    for one in LINEUP:
        dates = [member.date for member in members(one.key)]
        assert [*dates, one.date] == [*sorted(dates), one.date]
        assert all(date < one.date for date in dates)
    told = {(member.unit, member.state) for member in members("thimble")}
    assert len(told | {(THIMBLE.unit, THIMBLE.state)}) == 4
