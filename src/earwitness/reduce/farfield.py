"""Impulse responses of far-field takes become pressure at 1 m over directions, with noise and gate in numbers."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from earwitness.dsp.smoothing import smooth_power
from earwitness.dsp.window import effective_length_s
from earwitness.errors import AudioError
from earwitness.quantities import Gate
from earwitness.quantities.arrays import ComplexArray, FloatArray, Locked
from earwitness.reduce.budget import gating_u_db
from earwitness.reduce.gate import weights_of
from earwitness.reduce.impulse import Role, TakeImpulse, spectrum_at
from earwitness.reduce.stimulus import Stimulus, stimulus_power

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
