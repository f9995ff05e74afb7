"""Takes of a powered loudspeaker: from recordings to its own noise and to its limiter's curve and times."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from earwitness.dsp.band_levels import HALF_BAND
from earwitness.dsp.limiter import read_limiter
from earwitness.errors import AudioError, InputError
from earwitness.formats.audio import Recording
from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.powered import LimiterReading, SelfNoise
from earwitness.reduce.loud_takes import samples_of
from earwitness.session.powered import LimiterTake, SelfNoiseTake
from earwitness.session.session import Session
from earwitness.standards.weighting import a_weight_db

# Exact middles of base ten (IEC 61260-1), 20 Hz to 20 kHz.
THIRDS_HZ = 10.0 ** (np.arange(-17, 14) / 10.0) * 1000.0
DBU_V = 0.6**0.5
"""0 dBu: the voltage that gives 1 mW in 600 ohm."""
_BLOCKS, _LEAST_S = 8, 4.0
_POWER_0 = (20e-6) ** 2


def reduce_self_noise(
    takes: Sequence[tuple[SelfNoiseTake, Recording]],
    *,
    fs_per_pa: float,
    response_db: FloatArray | None = None,
    response_hz: FloatArray | None = None,
) -> SelfNoise | None:
    """Noise with the loudspeaker switched on and off, the first take of each at one distance; None where one lacks.

    A-weighted over frequency. The uncertainty is what eighths of a take differ by. AudioError for less than 4 s.
    """
    on = next((one for one in takes if one[0].switched_on), None)
    if on is None:
        return None
    off = next((one for one in takes if not one[0].switched_on and one[0].distance_m == on[0].distance_m), None)
    if off is None:
        return None
    found = [_noise(take, recording, fs_per_pa, response_db, response_hz) for take, recording in (on, off)]
    (on_db, on_dba, u_on), (off_db, off_dba, u_off) = found
    names = (on[0].id, off[0].id)
    return SelfNoise(names, on[0].distance_m, THIRDS_HZ, on_db, off_db, on_dba, off_dba, u_on, u_off)


def _noise(
    take: SelfNoiseTake,
    recording: Recording,
    fs_per_pa: float,
    response_db: FloatArray | None,
    response_hz: FloatArray | None,
) -> tuple[FloatArray, float, float]:
    """Third octaves, A-weighted level and its standard uncertainty [dB SPL]."""
    from scipy.signal import spectrogram

    where, rate = f"take {take.id}, file {take.file}", float(recording.rate_hz)
    samples = samples_of(recording, take.microphone_channel, where) / fs_per_pa
    if samples.size < _LEAST_S * rate:
        raise AudioError.of("reduce.self_noise_short", where=where, least_s=_LEAST_S, length_s=samples.size / rate)
    size = samples.size // (2 * _BLOCKS)
    hz, _, density = spectrogram(samples, rate, "hann", nperseg=size, noverlap=size // 2, detrend="constant")
    power = density[1:] * hz[1]
    if response_db is not None and response_hz is not None:
        power *= 10.0 ** (-np.interp(hz[1:], response_hz, response_db) / 10.0)[:, None]
    inside = (hz[1:] >= THIRDS_HZ[0] / HALF_BAND) & (hz[1:] <= THIRDS_HZ[-1] * HALF_BAND)
    weighted = (power * (inside * 10.0 ** (a_weight_db(hz[1:]) / 10.0))[:, None]).sum(axis=0)
    running = np.concatenate([[0.0], np.cumsum(power.mean(axis=1))])
    low, high = (np.searchsorted(hz[1:], THIRDS_HZ * edge) for edge in (1.0 / HALF_BAND, HALF_BAND))
    bands = 10.0 * np.log10(np.maximum(running[high] - running[low], 1e-30) / _POWER_0)
    mean = float(weighted.mean())
    # Neighbors overlap by half: about _BLOCKS * 2 of them are independent.
    u = 4.343 * float(weighted.std(ddof=1)) / mean / np.sqrt(2.0 * _BLOCKS)
    return bands, 10.0 * float(np.log10(mean / _POWER_0)), float(u)


def reduce_limiter(
    take: LimiterTake, recording: Recording, *, fs_per_pa: float, reference_channel: int | None, clipped: bool
) -> LimiterReading:
    """Curve and times of a limiter. AudioError without a loop-back, or where the tone is not there."""
    where = f"take {take.id}, file {take.file}"
    if reference_channel is None:
        raise AudioError.of("reduce.limiter_without_loop", where=where)
    heard, played = (samples_of(recording, channel, where) for channel in (take.microphone_channel, reference_channel))
    try:
        found = read_limiter(heard / fs_per_pa, played, take.frequency_hz, float(recording.rate_hz))
    except InputError as error:
        raise AudioError(error.what, where=where, expected=error.expected, remedy=error.remedy) from None
    # The loudest step has the stated voltage; the loop-back tells the others against it.
    to_volts = 20.0 * float(np.log10(take.drive_v)) - float(found.in_db[-1])
    spl = -10.0 * float(np.log10(_POWER_0))
    curve = replace(
        found,
        in_db=found.in_db + to_volts,
        out_db=found.out_db + spl,
        gain_db=found.gain_db + spl - to_volts,
        threshold_db=found.threshold_db + to_volts,
    )
    return LimiterReading(take.id, take.distance_m, take.frequency_hz, curve, clipped)


def input_reference(session: Session) -> dict[str, Any]:
    """What a powered loudspeaker's levels are stated for: the level at its input with which it was measured."""
    if not session.loudspeaker.powered:
        return {}
    drive = session.drive
    dbu = 20.0 * np.log10(drive.voltage_v / DBU_V)
    told = f"{dbu:.1f} dBu" if drive.level_dbfs is None else f"{drive.level_dbfs:.1f} dBFS"
    return {"reference_v": drive.voltage_v, "reference": f"input {told}".replace("-", "\N{MINUS SIGN}")}
