"""Takes at seats of a listening room: the level that stood there, reflections and all."""

import math
from typing import Final

import numpy as np
import scipy.fft

from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.quantities import REFERENCE_PRESSURE_PA, REFERENCE_VOLTAGE_V, FrequencyAxis, SeatReading, log_axis
from earwitness.quantities.arrays import FloatArray
from earwitness.reduce.gather import role_of
from earwitness.reduce.impulse import Division, quiet_noise
from earwitness.reduce.plan import Plan
from earwitness.session.session import SeatTake

PER_OCTAVE: Final = 24
LOWEST_SNR: Final = 4.0


def reduce_seat(plan: Plan, take: SeatTake, recording: Recording) -> SeatReading:
    """Energy of the recording over that of the stimulus, in steps of 1/24 octave, less the noise before it.

    No phase is needed, so a microphone that moves while noise plays is read alike. Not valid where less than four
    times the noise's energy stands, and outside the stimulus. AudioError for another rate or a missing channel.
    """
    division, role, rate = plan.divisions[take.stimulus], role_of(plan.session, take), recording.rate_hz
    if rate != plan.rate_hz or role.microphone_channel > recording.samples.shape[0]:
        raise AudioError(
            f"it has {recording.samples.shape[0]} channels at {rate} Hz",
            where=f"take {take.id}, file {take.file}",
            expected=f"channel {role.microphone_channel} at {plan.rate_hz} Hz, as the other takes",
        )
    samples = np.asarray(recording.samples[role.microphone_channel - 1], dtype=np.float64)
    length = scipy.fft.next_fast_len(max(samples.size, division.stimulus.samples.size), True)
    axis = log_axis(20.0, min(20_000.0, 0.45 * rate), PER_OCTAVE)
    heard = _stepped(np.abs(scipy.fft.rfft(samples, length)) ** 2, axis, rate / length) / division.fs_per_pa**2
    played = _stepped(np.abs(division.nominal(length)) ** 2, axis, rate / length)
    noise = _noise(samples, division, axis)
    clean = np.maximum(heard - noise, 1e-30)
    volts = math.sqrt(2.0) * role.drive_v
    level = 10.0 * np.log10(
        clean / np.maximum(played, 1e-30) * (REFERENCE_VOLTAGE_V / volts / REFERENCE_PRESSURE_PA) ** 2
    )
    if plan.correction is not None:
        level = level - plan.correction.at(axis.hz).response_db
    inside = (axis.hz >= division.stimulus.low_hz * 1.05) & (axis.hz <= division.stimulus.high_hz / 1.05)
    return SeatReading(
        take.id,
        take.seat,
        take.path_m or 0.0,
        take.loudspeaker or "",
        axis,
        level,
        inside & (clean > LOWEST_SNR * noise),
    )


def _stepped(energy: FloatArray, axis: FrequencyAxis, step_hz: float) -> FloatArray:
    """(F,) mean of energy (N,) over each step of the axis; of the nearest line where a step holds none."""
    whole = np.concatenate([[0.0], np.cumsum(energy)])
    half = 2.0 ** (0.5 / PER_OCTAVE)
    low = np.ceil(axis.hz / half / step_hz).astype(int)
    high = np.maximum(np.ceil(axis.hz * half / step_hz).astype(int), low + 1)
    return np.asarray((whole[np.minimum(high, energy.size)] - whole[low]) / (high - low))


def _noise(samples: FloatArray, division: Division, axis: FrequencyAxis) -> FloatArray:
    """(F,) what the silence before the stimulus would give over the whole recording; 0 where there is none."""
    density = quiet_noise(samples, division)
    if density is None:
        return np.zeros(len(axis))
    return np.asarray(np.interp(axis.hz, division.hz, density) * samples.size * division.stimulus.rate_hz)
