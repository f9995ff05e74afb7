"""The one time gate of a session: where the first reflection comes, its window, and what it cuts off of a bass."""

import math

import numpy as np

from earwitness.dsp.window import gate_weights
from earwitness.errors import InputError
from earwitness.quantities import Gate
from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.session.session import Environment, Room, Session

MARGIN_S = 0.2e-3
RISE_S = 0.5e-3
LEAD_S = 0.7e-3
LOWEST_TIMES_LENGTH = 1.2


def speed_of_sound(temperature_c: float) -> float:
    """c [m/s] in dry air: 331.3 sqrt(1 + T / 273.15) (handbook formula, from memory)."""
    return 331.3 * math.sqrt(1.0 + temperature_c / 273.15)


def wall_reflections_s(room: Room, speed_m_s: float) -> FloatArray:
    """Delays (6,) [s] of the six first-order image sources of a box room behind the direct sound.

    Order: length low, high; width low, high; height low, high.
    """
    source, receiver = np.array(room.loudspeaker_m), np.array(room.microphone_m)
    size = np.array([room.length_m, room.width_m, room.height_m])
    direct = float(np.linalg.norm(receiver - source))
    paths = []
    for row in range(3):
        for wall in (0.0, float(size[row])):
            image = source.copy()
            image[row] = 2.0 * wall - source[row]
            paths.append(float(np.linalg.norm(receiver - image)))
    return (np.array(paths) - direct) / speed_m_s


def lead_for(session: Session, speed_m_s: float) -> float:
    """Time before the geometric arrival at which sound may already come [s].

    A driver away from the reference point is nearer to some microphone positions than that point is.
    """
    offset = max((math.dist((0.0, 0.0, 0.0), d.position_m) for d in session.loudspeaker.drivers), default=0.0)
    return LEAD_S + offset / speed_m_s


def gate_of(
    session: Session, speed_m_s: float, *, anechoic_window_s: float, fall_share: float, length_s: float | None = None
) -> Gate:
    """The gate common to all far-field takes, relative to the arrival at distance / c.

    `length_s` overrides what the environment says. The lowest valid frequency is 1.2 / length for a gate with a
    taper (common practice, no source). InputError when nothing is known about reflections, or a gate would be empty.
    """
    environment = session.environment
    reflection, source = _reflection(environment, speed_m_s)
    if length_s is not None:
        end, source = length_s, "stated by the tester"
    elif environment.anechoic:
        end = anechoic_window_s
    elif reflection is not None:
        end = min(reflection - MARGIN_S, anechoic_window_s)
    else:
        raise InputError.of("reduce.reflections_unknown", where="session.toml, [environment]")
    if not end > 0.5e-3:
        raise InputError.of(
            "reduce.gate_too_short", where="session.toml, [environment]", after_ms=1000.0 * (reflection or end)
        )
    lowest = LOWEST_TIMES_LENGTH / end
    return Gate(-lead_for(session, speed_m_s) - RISE_S, end, fall_share * end, reflection, source, lowest)


def _reflection(environment: Environment, speed_m_s: float) -> tuple[float | None, str]:
    if environment.anechoic:
        return None, "anechoic"
    if environment.first_reflection_ms is not None:
        return environment.first_reflection_ms * 1e-3, "stated by the tester"
    if environment.room is not None:
        return float(np.min(wall_reflections_s(environment.room, speed_m_s))), "room dimensions"
    return None, "stated by the tester"


def weights_of(gate: Gate, time_s: FloatArray, *, share: float = 1.0) -> FloatArray:
    """Weights of the gate at times relative to the arrival, any shape; `share` shortens it, as for the budget."""
    lead = -gate.start_s - RISE_S
    fall_share = gate.taper_s / gate.end_s
    return gate_weights(time_s, gate.end_s * share, rise_s=RISE_S, lead_s=lead, fall_share=fall_share)


_STEP_HZ = 4.0
# Beyond the near fields' range their sum fades out over an octave, so that its impulse does not ring.
_FADE_OCTAVES = 1.0
# Latest time of the bass that counts as its tail; what lies behind is the ring before the arrival.
_LATEST_SHARE = 0.8


def cut_tail(hz: FloatArray, bass: ComplexArray, highest_hz: float, gate: Gate, *, share: float = 1.0) -> ComplexArray:
    """(D, F) spectrum of the part of a bass that a gate cuts off, on hz (F,).

    bass : (D, F) at the microphone, the delay over its distance taken out; highest_hz : of its range; share : of the
    gate's length. The impulse response by FFT in steps of 4 Hz, less what the gate leaves of it.
    """
    highest = 2.0 ** (np.ceil(np.log2(2.0 * highest_hz / _STEP_HZ)) + 1)
    grid = _STEP_HZ * np.arange(int(highest) + 1)
    octaves = np.log2(np.maximum(grid, _STEP_HZ) / highest_hz) / _FADE_OCTAVES
    fade = 0.5 + 0.5 * np.cos(np.pi * np.clip(octaves, 0.0, 1.0))
    rows = np.stack([np.interp(grid, hz, row.real) + 1j * np.interp(grid, hz, row.imag) for row in bass]) * fade
    # Below the axis a loudspeaker falls at least as the square of the frequency.
    rows[:, grid < hz[0]] *= (grid[grid < hz[0]] / hz[0]) ** 2
    impulse = np.fft.irfft(rows, axis=1)
    count = impulse.shape[1]
    time = np.arange(count) / (count * _STEP_HZ)
    late = np.where(time < _LATEST_SHARE / _STEP_HZ, 1.0 - weights_of(gate, time, share=share), 0.0)
    tail = np.fft.rfft(impulse * late, axis=1)
    return np.stack([np.interp(hz, grid, row.real) + 1j * np.interp(hz, grid, row.imag) for row in tail])
