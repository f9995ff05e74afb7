"""The one time gate of a session: where the first reflection comes, its window, what it cuts off of a bass.

Through it, impulse responses of far-field takes become pressure at 1 m over directions, with noise and gate in numbers.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from earwitness.dsp.smoothing import smooth_power
from earwitness.dsp.window import effective_length_s, gate_weights
from earwitness.errors import AudioError, InputError
from earwitness.quantities import ComplexArray, FloatArray, Gate, Locked
from earwitness.reduce.budget import gating_u_db
from earwitness.reduce.impulse import Role, TakeImpulse, spectrum_at
from earwitness.reduce.stimulus import Stimulus, stimulus_power
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


SHORTER_GATES = (0.8, 0.65)
# A gate that cuts strong bass leaks it over all frequencies. With a taper of nearly its whole length the leak falls by
# 20 dB and more; of the sound of simulated loudspeakers 99 % of the points fall less than 6.5 dB up to f T = 2 and less
# than 2.6 dB from 2.5 on.
GENTLE_SHARE, LEAK_FT, LEAK_DB, DROWNED_DB = 0.95, (2.0, 4.0), (6.0, 3.0), 8.0
ASSUMED_SNR_DB = 30.0
HIGHEST_SNR_DB = 120.0


@dataclass(frozen=True, slots=True, eq=False)
class Spectra(Locked):
    """pressure (T, F) [Pa/V] about `arrival_s`, at the microphone; u_gate_db, snr_db (T, F).

    u_gate_db is the change with shorter gates alone, with the sign of what the level does when the gate grows longer.
    u_gate_wide_db : (T, F) of third-octave levels, by which validity is judged: a narrow null off axis moves with
    the gate and yet carries next to nothing. Where the gate's own leak of the bass stands in place of sound, as far
    above a subwoofer's band, it is at least what the level falls by behind a gentler taper.
    shorter : the pressures with gates of 0.8 and 0.65 of the length, () where no gate matters
    """

    pressure: ComplexArray
    u_gate_db: FloatArray
    u_gate_wide_db: FloatArray
    snr_db: FloatArray
    shorter: tuple[ComplexArray, ...] = ()


def gated(
    impulses: Sequence[TakeImpulse], roles: Sequence[Role], arrival_s: FloatArray, gate: Gate, rate_hz: float
) -> tuple[FloatArray, FloatArray]:
    """What lies inside the gate, (T, N) unweighted, and times (T, N) [s] relative to arrival_s (T,).

    AudioError where a take's loudest moment is not within reach of the arrival that its distance predicts.
    """
    count = math.ceil((gate.end_s - gate.start_s) * rate_hz) + 2
    segments, times = [], []
    for impulse, role, arrival in zip(impulses, roles, arrival_s, strict=True):
        first = math.floor((arrival + gate.start_s - impulse.start_s) * rate_hz)
        if first < 0 or first + count > impulse.samples.size:
            raise AudioError.of(
                "reduce.arrival_off",
                where=f"take {impulse.take}, file {role.file}",
                away_ms=1000.0 * (impulse.peak_s - arrival),
            )
        segments.append(impulse.samples[first : first + count])
        times.append(impulse.start_s - arrival + (first + np.arange(count)) / rate_hz)
    return np.array(segments), np.array(times)


def spectra_of(
    segments: FloatArray,
    time_s: FloatArray,
    gate: Gate,
    rate_hz: float,
    hz: FloatArray,
    noise: FloatArray | None,
    volts_squared: FloatArray,
    *,
    gate_matters: bool = True,
) -> Spectra:
    """Gated spectra with the uncertainty of gate and noise.

    noise (T, F) : two-sided density [Pa^2/Hz], None where unknown (30 dB are then assumed); volts_squared (T, F) :
    |V(f)|^2 of the stimulus at the terminals [V^2 s^2]; gate_matters : False where no reflection is cut away.
    """
    weights = weights_of(gate, time_s)
    start_s = time_s[:, 0]
    if not gate_matters:
        pressure = spectrum_at(segments * weights, start_s, rate_hz, hz)
        u_gate = u_wide = np.zeros(pressure.shape)
        every = [pressure]
    else:
        others = [weights_of(gate, time_s, share=share) for share in SHORTER_GATES]
        others.append(weights_of(replace(gate, taper_s=GENTLE_SHARE * gate.end_s), time_s))
        cut = np.concatenate([segments * one for one in (weights, *others)])
        *every, gentle = np.split(spectrum_at(cut, np.tile(start_s, 1 + len(others)), rate_hz, hz), 1 + len(others))
        pressure = every[0]
        fall_share = gate.taper_s / gate.end_s
        u_gate = signed_gate_u_db(*map(_level, every))
        wide = [smooth_power(np.abs(one) ** 2, hz, hz, 3.0) for one in every]
        thirds = [10.0 * np.log10(np.maximum(one, 1e-300)) for one in wide]
        u_wide = gating_u_db(*thirds, hz=hz, gate_s=gate.end_s, fall_share=fall_share)
        softer = smooth_power(np.abs(gentle) ** 2, hz, hz, 3.0)
        drop_db = thirds[0] - 10.0 * np.log10(np.maximum(softer, 1e-300))
        limit_db = np.interp(np.log(hz * gate.end_s), np.log(LEAK_FT), LEAK_DB)
        u_wide = np.where(drop_db > limit_db, np.maximum(u_wide, drop_db), u_wide)
        # Within an octave of the gate's limit the tapers can't be told apart, but what lies so far under louder bass.
        under_db = np.maximum.accumulate(thirds[0], axis=-1) - thirds[0]
        drowned = (under_db > DROWNED_DB) & (drop_db > 1.0) & (hz * gate.end_s < LEAK_FT[0])
        u_wide = np.where(drowned, np.maximum(u_wide, under_db), u_wide)
    length_s = effective_length_s(weights[0], rate_hz)
    snr_db = snr_of(pressure, hz, noise, volts_squared, length_s)
    return Spectra(pressure, u_gate, u_wide, snr_db, tuple(every[1:]))


def signed_gate_u_db(full_db: FloatArray, shorter_db: FloatArray, shortest_db: FloatArray) -> FloatArray:
    """gating_u_db of levels with three gates, with the sign of what the level does when the gate grows longer."""
    sign = np.where(full_db < shortest_db, -1.0, 1.0)
    return np.asarray(gating_u_db(full_db, shorter_db, shortest_db) * sign, dtype=np.float64)


def snr_of(
    pressure: ComplexArray, hz: FloatArray, noise: FloatArray | None, volts_squared: FloatArray, length_s: float
) -> FloatArray:
    """Signal-to-noise ratio (T, F) [dB] over third octaves: |H|^2 |V|^2 / (S T), T the gate's effective length [s]."""
    if noise is None:
        return np.full(pressure.shape, ASSUMED_SNR_DB)
    signal = smooth_power(np.abs(pressure) ** 2, hz, hz, 3.0)
    variance = smooth_power(noise * length_s / volts_squared, hz, hz, 3.0)
    ratio = np.maximum(signal, 1e-300) / np.maximum(variance, 1e-300)
    return np.asarray(np.minimum(10.0 * np.log10(ratio), HIGHEST_SNR_DB), dtype=np.float64)


def volts_squared_of(stimulus: Stimulus, hz: FloatArray, drive_v: FloatArray) -> FloatArray:
    """|V(f)|^2 (T, F) [V^2 s^2] of takes driven at drive_v (T,) [V rms of the sine]."""
    return np.asarray(2.0 * drive_v[:, None] ** 2 * stimulus_power(stimulus, hz), dtype=np.float64)


def _level(pressure: ComplexArray) -> FloatArray:
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(pressure), 1e-300)), dtype=np.float64)
