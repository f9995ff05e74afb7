"""The gate against mirror geometry and the check values of the signal-processing reference."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_session import Made, facts

from earwitness.errors import InputError
from earwitness.reduce.gate import gate_of, speed_of_sound, wall_reflections_s, weights_of
from earwitness.session.session import Room

ROOM = Room(length_m=3.5, width_m=4.0, height_m=2.5, loudspeaker_m=(1.0, 2.0, 1.2), microphone_m=(2.0, 2.0, 1.2))


def test_speed_of_sound() -> None:
    """Handbook: 343.21 m/s at 20 degrees in dry air; 0.171 % a kelvin."""
    assert speed_of_sound(20.0) == pytest.approx(343.21, abs=0.01)
    assert speed_of_sound(21.0) / speed_of_sound(20.0) == pytest.approx(1.00171, abs=1e-5)


def test_walls_of_the_worked_room() -> None:
    """Worked room of the reference, c = 343: behind source 1.0 m, behind microphone 1.5 m, sides 2 m, both 1.2 m high
    under 2.5 m: 5.831, 8.746, 9.105, 9.105, 4.665 (floor), 5.206 ms (ceiling); mirror geometry."""
    found = 1e3 * wall_reflections_s(ROOM, 343.0)
    assert found == pytest.approx([5.831, 8.746, 9.105, 9.105, 4.665, 5.206], abs=1e-3)


@pytest.mark.parametrize(("height_m", "floor_ms"), [(1.0, 3.604), (1.2, 4.665), (1.25, 4.935), (1.5, 6.304)])
def test_floor_bounce(height_m: float, floor_ms: float) -> None:
    """Table of floor delays at 1 m, c = 343 (mirror geometry)."""
    room = Room(length_m=20, width_m=20, height_m=9, loudspeaker_m=(9, 10, height_m), microphone_m=(10, 10, height_m))
    assert 1e3 * wall_reflections_s(room, 343.0).min() == pytest.approx(floor_ms, abs=1e-3)


def test_the_gate_ends_before_the_first_wall() -> None:
    session = facts(replace(Made(), environment={"room": ROOM.model_dump()}))
    gate = gate_of(session, 343.0, anechoic_window_s=0.2, fall_share=0.4)
    assert gate.reflection_s == pytest.approx(4.665e-3, abs=1e-6)
    assert gate.end_s == pytest.approx(4.465e-3, abs=1e-6)
    assert gate.source == "room dimensions"
    assert gate.lowest_valid_hz == pytest.approx(1.2 / 4.465e-3, rel=1e-3)
    assert weights_of(gate, np.array([gate.end_s]))[0] == 0.0
    assert weights_of(gate, np.array([0.0, 0.5 * gate.end_s])) == pytest.approx([1.0, 1.0])
    assert weights_of(gate, np.array([gate.start_s - 1e-6]))[0] == 0.0
    assert weights_of(gate, np.array([0.85 * gate.end_s]), share=0.8)[0] == 0.0


def test_a_driver_off_the_reference_point_opens_the_gate_earlier() -> None:
    made = Made()
    told = facts(made)
    driver = told.loudspeaker.drivers[0].model_copy(update={"position_m": (0.0, 0.0, -0.343)})
    low = told.model_copy(update={"loudspeaker": told.loudspeaker.model_copy(update={"drivers": (driver,)})})
    near, far = (gate_of(s, 343.0, anechoic_window_s=0.2, fall_share=0.4) for s in (told, low))
    assert near.start_s - far.start_s == pytest.approx(1e-3, abs=1e-9)


def test_a_gate_that_would_be_empty_is_refused() -> None:
    session = facts(replace(Made(), environment={"first_reflection_ms": 0.3}))
    with pytest.raises(InputError, match=r"0\.30 ms after the direct sound"):
        gate_of(session, 343.0, anechoic_window_s=0.2, fall_share=0.4)
