"""From digital full scale to pascal: the sensitivity of the recording chain."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import scipy.fft

from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.quantities import REFERENCE_PRESSURE_PA, FloatArray, QualityFlag, Severity
from earwitness.reduce.doubt.recordings import density_db
from earwitness.reduce.flags import flag
from earwitness.reduce.impulse import hann
from earwitness.session.session import Calibrator, Session

SETTLING_S = 0.25
SHORTEST_TONE_S = 1.0
STEADY_DB = 0.05
TONE_SHARE_DB = -1.0
# Own choices: a stated sensitivity and a calibrator agree within half a decibel, a calibrator is cleaner than 1 %.
AGREE_DB, REFUSED_DB, SECOND_TONE_DB = 0.5, 3.0, -36.0
THIRD_OCTAVE = 2.0 ** (1.0 / 6.0)


@dataclass(frozen=True, slots=True)
class Calibration:
    """fs_per_pa : digital full scale (peak 1) per pascal; u_db : standard uncertainty; absolute : False where
    nothing is known about the level, then fs_per_pa is 1; hiss_db : noise of the calibrator's recording above 10 kHz,
    as `density_db` has it, None where levels do not follow it."""

    fs_per_pa: float
    u_db: float
    absolute: bool
    source: str
    flags: tuple[QualityFlag, ...] = ()
    hiss_db: float | None = None


def calibrate(session: Session, read: Callable[[str], Recording]) -> Calibration:
    """The sensitivity stated in the session, or that of its calibrator recording, or none at all.

    A stated tolerance of a calibrator is taken as rectangular (JCGM 100:2008, from memory). AudioError for a
    calibrator recording that holds no steady tone.
    """
    microphone = session.microphone
    recorded = None
    if microphone.calibrator is not None:
        recorded = _from_calibrator(microphone.calibrator, read(microphone.calibrator.file))
    if microphone.sensitivity_fs_per_pa is not None:
        stated = Calibration(microphone.sensitivity_fs_per_pa, microphone.sensitivity_u_db, True, "stated sensitivity")
        return stated if recorded is None else replace(stated, flags=_against(stated, recorded))
    if recorded is not None:
        return recorded
    return Calibration(1.0, 0.0, False, "none", (flag("calibration"),))


def _against(stated: Calibration, recorded: Calibration) -> tuple[QualityFlag, ...]:
    """Stated sensitivity and calibrator, which say the same thing twice."""
    apart = 20.0 * math.log10(stated.fs_per_pa / recorded.fs_per_pa)
    limit = AGREE_DB + 2.0 * math.hypot(stated.u_db, recorded.u_db)
    if abs(apart) <= limit:
        return recorded.flags
    severity: Severity = "reject" if abs(apart) > REFUSED_DB else "warn"
    both = (stated.fs_per_pa, recorded.fs_per_pa)
    return (*recorded.flags, flag("sensitivity_off_calibrator", apart, limit, severity=severity, both=both))


def _other_lines(samples: FloatArray, calibrator: Calibrator, rate_hz: float) -> tuple[QualityFlag, ...]:
    """The largest tone beside the calibrator's own, where it is large."""
    window, _ = hann(samples.size)
    power = np.abs(scipy.fft.rfft(samples * window)) ** 2
    hz = np.arange(power.size) * rate_hz / samples.size
    told = calibrator.frequency_hz
    own = (hz >= told / THIRD_OCTAVE) & (hz <= told * THIRD_OCTAVE)
    lines = np.convolve(power, np.ones(5), "same")
    beside = np.where(own | (hz < 20.0), 0.0, lines)
    top = int(np.argmax(beside))
    level = 10.0 * math.log10(max(float(beside[top]), 1e-300) / float(np.sum(power[own])))
    if level <= SECOND_TONE_DB:
        return ()
    return (flag("calibrator_tone", level, SECOND_TONE_DB, hz=hz[top]),)


def pressure_of_level(level_db: float) -> float:
    """RMS pressure [Pa] of a sound pressure level."""
    return float(REFERENCE_PRESSURE_PA * 10.0 ** (level_db / 20.0))


def tone_rms(samples: FloatArray, rate_hz: float, frequency_hz: float) -> tuple[float, float]:
    """RMS of what lies within a third octave about frequency_hz in samples (N,), and its share of the power [dB].

    Hann window, power by Parseval's theorem; anything below 10 Hz is left out of the whole.
    """
    count = samples.size
    window, energy = hann(count)
    spectrum = scipy.fft.rfft(samples * window)
    power = 2.0 * np.abs(spectrum) ** 2 / (count * energy)
    frequency = np.arange(power.size) * rate_hz / count
    inside = (frequency >= frequency_hz / THIRD_OCTAVE) & (frequency <= frequency_hz * THIRD_OCTAVE)
    tone, whole = float(np.sum(power[inside])), float(np.sum(power[frequency >= 10.0]))
    share_db = 10.0 * math.log10(tone / whole) if tone > 0.0 else -math.inf
    return math.sqrt(tone), share_db


def _from_calibrator(calibrator: Calibrator, recording: Recording) -> Calibration:
    where = f"calibrator recording {calibrator.file}"
    if calibrator.channel > recording.samples.shape[0]:
        raise AudioError.of(
            "reduce.calibrator_channel", where=where, calibrator=calibrator, count=recording.samples.shape[0]
        )
    skip = round(SETTLING_S * recording.rate_hz)
    samples = recording.samples[calibrator.channel - 1, skip : -skip or None]
    if samples.size < SHORTEST_TONE_S * recording.rate_hz:
        raise AudioError.of("reduce.tone_too_short", where=where, length_s=samples.size / recording.rate_hz)
    rms, share_db = tone_rms(samples, recording.rate_hz, calibrator.frequency_hz)
    if not share_db > TONE_SHARE_DB:
        raise AudioError.of("reduce.no_clear_tone", where=where, calibrator=calibrator, share_db=share_db)
    block = recording.rate_hz
    rows = samples[: samples.size // block * block].reshape(-1, block)
    levels = [20 * math.log10(tone_rms(row, recording.rate_hz, calibrator.frequency_hz)[0]) for row in rows]
    wobble = float(np.std(levels))
    flags: tuple[QualityFlag, ...] = ()
    if wobble > STEADY_DB:
        flags = (flag("calibrator", wobble, STEADY_DB),)
    jump = max(levels) - min(levels)
    if jump > REFUSED_DB:
        flags = (flag("calibrator_two_levels", jump, REFUSED_DB, calibrator=calibrator),)
    flags = (*flags, *_other_lines(samples, calibrator, recording.rate_hz))
    u_db = math.hypot(calibrator.tolerance_db / math.sqrt(3.0), wobble)
    source = f"calibrator {calibrator.level_db:g} dB at {calibrator.frequency_hz:g} Hz"
    hiss_db = density_db(samples, recording.rate_hz)
    return Calibration(rms / pressure_of_level(calibrator.level_db), u_db, True, source, flags=flags, hiss_db=hiss_db)
