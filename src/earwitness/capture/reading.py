"""What a take tells while the loudspeaker still stands there: its curve, its numbers, and what does not fit."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy.fft
import scipy.ndimage

from earwitness.capture.levels import REFERENCE_PA, dbfs, read_loopback
from earwitness.capture.sound import Block, Wiring
from earwitness.capture.verdict import SPEED_OF_SOUND_M_S, TakeVerdict
from earwitness.dsp.smoothing import smooth_power
from earwitness.dsp.sweep import regularization
from earwitness.files.data import worded
from earwitness.quantities import ComplexArray, FloatArray
from earwitness.session.session import FarFieldTake, LevelTake, NearFieldTake, Session, SweepStimulus, Take

SHORTEST_S = 0.18
_MAINS_HZ = (50.0, 60.0)
# How far a line stands above its surroundings, a band above its neighbors, a moment above the moments around it.
_LINE_DB, _BAND_DB, _SWAY_DB, _BANG_DB = 13.0, 6.0, 3.0, 14.0


def background_words(quiet: FloatArray, rate_hz: float) -> tuple[str, ...]:
    """What silence (N,) before a signal holds beside even noise, loudest kind first; nothing where it is too short."""
    if quiet.size < SHORTEST_S * rate_hz or not np.any(quiet):
        return ()
    found = _lines(quiet, rate_hz)
    if _sounds_like_speech(quiet, rate_hz):
        found.append("speech or music")
    if (at := bang_at(quiet, rate_hz)) is not None:
        found.append(f"a bang {at:.1f} s in, before the signal")
    return tuple(found)


def bang_at(samples: FloatArray, rate_hz: float, *, least: float = 0.0) -> float | None:
    """When something short stands far above what is around it [s]; None for nothing. least : rms that it must have."""
    piece = round(0.01 * rate_hz)
    count = samples.size // piece
    if count < 9:
        return None
    rms = np.sqrt(np.mean(samples[: count * piece].reshape(count, piece) ** 2, axis=1))
    around = np.array([np.median(rms[max(0, k - 25) : k + 26]) for k in range(count)])
    share = np.where(rms >= least, rms / np.maximum(around, 1e-12), 0.0)
    worst = int(np.argmax(share))
    return worst * piece / rate_hz if 20.0 * np.log10(max(share[worst], 1e-12)) > _BANG_DB else None


def _lines(quiet: FloatArray, rate_hz: float) -> list[str]:
    """Mains hum by its harmonics, and the strongest other line from 80 Hz on."""
    power = np.abs(scipy.fft.rfft((quiet - quiet.mean()) * np.hanning(quiet.size))) ** 2
    step_hz = rate_hz / quiet.size
    hz = step_hz * np.arange(power.size)

    def stands_out_db(at_hz: float) -> float:
        near = np.abs(hz - at_hz) < 1.5 * step_hz
        around = (np.abs(hz - at_hz) < 12.0 * step_hz) & (np.abs(hz - at_hz) > 3.0 * step_hz) & (hz > 0.0)
        return float(
            10.0 * np.log10(max(np.max(power[near], initial=0.0), 1e-30) / max(np.median(power[around]), 1e-30))
        )

    found = []
    mains = max(_MAINS_HZ, key=lambda hum: sum(power[np.abs(hz - n * hum) < 1.5 * step_hz].sum() for n in (1, 2, 3)))
    hums = [n * mains for n in range(1, 7) if stands_out_db(n * mains) > _LINE_DB]
    if len(hums) >= 2:
        found.append(f"hum at {' and '.join(f'{one:.0f}' for one in hums[:2])} Hz")
    far = (hz > 80.0) & (hz < 0.45 * rate_hz)
    if hums:
        far &= np.abs(hz - mains * np.round(hz / mains)) > 3.0 * step_hz
    floor = scipy.ndimage.median_filter(power, 41)
    best = int(np.argmax(np.where(far, power / np.maximum(floor, 1e-30), 0.0)))
    if far[best] and stands_out_db(hz[best]) > _LINE_DB + 5.0:
        found.append(f"a tone at {hz[best]:.0f} Hz")
    return found


def _sounds_like_speech(quiet: FloatArray, rate_hz: float) -> bool:
    """A voice band well above its neighbors, that comes and goes."""
    spectrum = scipy.fft.rfft(quiet)
    hz = np.arange(spectrum.size) * rate_hz / quiet.size

    def per_hz_db(low: float, high: float) -> float:
        inside = (hz >= low) & (hz < high)
        return float(10.0 * np.log10(np.mean(np.abs(spectrum[inside]) ** 2) + 1e-30))

    voice = per_hz_db(250.0, 2500.0)
    if voice < per_hz_db(6000.0, min(12_000.0, 0.45 * rate_hz)) + 2.0 * _BAND_DB:
        return False
    band = scipy.fft.irfft(np.where((hz >= 250.0) & (hz < 2500.0), spectrum, 0.0), quiet.size)
    piece = round(0.025 * rate_hz)
    levels = 10.0 * np.log10(np.mean(band[: band.size // piece * piece].reshape(-1, piece) ** 2, axis=1) + 1e-30)
    return float(np.std(levels)) > _SWAY_DB


# 1/12 octave through 1 kHz, 20 Hz to 20 kHz; smoothed over 1/6 octave, for the eye.
CURVE_HZ: FloatArray = 1000.0 * 2.0 ** (np.arange(-67, 52) / 12.0)
_SMOOTHED = 6.0
_ALIKE_HZ = (2000.0, 16_000.0)
_WINDOW_S = (0.001, 0.010)
# Long enough before the arrival for what the end of the band rings, shorter than the lead of harmonics.
_LONG_S = (0.03, 0.3)
# Two takes of one place differ by their noise and by what the air does; a turn of some degrees changes 1 % and more.
_SAME_SHARE = 3e-4
_MOST_NOISE_SHARE = 0.01
_MOVED_S, _NEIGHBOR_DEG, _REPEATS_DB = 3e-4, 15.5, 0.2


@dataclass(frozen=True, slots=True, eq=False)
class TakeReading:
    """What one take of a sweep holds.

    curve_db : (119,) on CURVE_HZ, level at the microphone, NaN outside the sweep, dB SPL where `full_scale_db`, the
    level of full scale there, is known, else re full scale; loop_db : of the loop-back re what was played; clock_ppm :
    by which the recorder counts faster than the player; arrival_s : after the loop-back; all three None without one;
    background : what else sounded; spectrum : about the arrival, 2 to 16 kHz, heard over played; noise_share : of noise
    in its power.
    """

    curve_db: FloatArray
    full_scale_db: float | None
    loop_db: float | None
    clock_ppm: float | None
    arrival_s: float | None
    background: tuple[str, ...]
    spectrum: ComplexArray
    noise_share: float


def read_take(
    played: FloatArray, aligned: Block, wiring: Wiring, band_hz: tuple[float, float], *, fs_per_pa: float | None = None
) -> TakeReading:
    """Read aligned (N, channels) of a sweep played (N,), silence around it included.

    band_hz : of the sweep; fs_per_pa : of the microphone, None where it is not known. Time and gain are taken from the
    loop-back where there is one. InputError for a sweep without a band.
    """
    rate, size = wiring.rate_hz, scipy.fft.next_fast_len(len(aligned), True)
    microphone = aligned[:, wiring.microphone - 1].astype(np.float64)
    known = None if wiring.reference is None else aligned[:, wiring.reference - 1].astype(np.float64)
    known = known if known is not None and read_loopback(played, known).wired else None
    hz = scipy.fft.rfftfreq(size, 1.0 / rate)
    heard, sent = scipy.fft.rfft(microphone, size), scipy.fft.rfft(played, size)
    source = sent if known is None else scipy.fft.rfft(known, size)
    loop = math.sqrt(float(np.sum(np.abs(source) ** 2) / np.sum(np.abs(sent) ** 2)))
    high = min(band_hz[1], 0.47 * rate)
    rest = regularization(source, hz, band_hz[0], high)
    # Re what was played, whatever the gain of the loop-back.
    response = loop * heard * np.conj(source) / (np.abs(source) ** 2 + rest)
    impulse = scipy.fft.irfft(response, size)
    arrival = int(np.argmax(np.abs(impulse[: size // 2])))
    inside = (hz > 0.0) & (hz < 0.5 * rate)
    long = scipy.fft.rfft(_cut(impulse, arrival, _LONG_S, rate))
    curve = 10.0 * np.log10(smooth_power(np.abs(long[inside]) ** 2, hz[inside], CURVE_HZ, _SMOOTHED) + 1e-30)
    full_scale = None if fs_per_pa is None else -dbfs(fs_per_pa * REFERENCE_PA)
    curve = curve + dbfs(float(np.max(np.abs(played))) / math.sqrt(2.0)) + (full_scale or 0.0)
    curve[np.clip(CURVE_HZ, band_hz[0], high) != CURVE_HZ] = np.nan
    first, last = (int(np.flatnonzero(played)[k]) for k in (0, -1))
    quiet = microphone[:first]
    level = float(np.sqrt(np.mean(microphone[first : last + 1] ** 2)))
    high_band = (hz >= _ALIKE_HZ[0]) & (hz <= min(_ALIKE_HZ[1], high))
    short = scipy.fft.rfft(_cut(impulse, arrival, _WINDOW_S, rate))[high_band]
    words = background_words(quiet, rate)
    left = microphone - scipy.fft.irfft(long * source / max(loop, 1e-12), size)[: microphone.size]
    # What neither loudspeaker nor room makes; its own distortion lasts, and stands within what is around it.
    # At its ends a sweep leaves more than in between.
    skip = max((last - first) // 10, rate // 10)
    if (at := bang_at(left[first + skip : last - skip // 2], rate, least=0.25 * level)) is not None:
        words = (*words, f"a bang {at + skip / rate:.1f} s into the signal")
    there = known is not None
    return TakeReading(
        curve_db=curve,
        full_scale_db=full_scale,
        loop_db=dbfs(loop) if there else None,
        clock_ppm=clock_ppm(sent, source, hz) if there else None,
        arrival_s=arrival / rate if there else None,
        background=words,
        spectrum=short,
        noise_share=_noise_share(
            quiet=quiet, source=source, short=short, band=high_band, rate_hz=rate, size=size, loop=loop
        ),
    )


def _cut(impulse: FloatArray, arrival: int, around_s: tuple[float, float], rate_hz: float) -> FloatArray:
    """The same length, zero but from around_s[0] before the arrival to around_s[1] after it, with soft ends."""
    before, after = (round(one * rate_hz) for one in around_s)
    out = np.zeros_like(impulse)
    index = np.arange(arrival - before, arrival + after) % impulse.size
    fade = np.ones(index.size)
    fade[:before] = 0.5 - 0.5 * np.cos(np.pi * np.arange(before) / before)
    fade[after // 2 + before :] = 0.5 + 0.5 * np.cos(np.linspace(0.0, np.pi, index.size - before - after // 2))
    out[index] = impulse[index] * fade
    return out


def _noise_share(
    quiet: FloatArray,
    source: ComplexArray,
    short: ComplexArray,
    band: np.ndarray[tuple[int], np.dtype[np.bool_]],
    rate_hz: float,
    size: int,
    loop: float,
) -> float:
    """Power of the noise in a windowed response, of all its power in the band; from the silence before."""
    if quiet.size < 0.05 * rate_hz:
        return 0.0
    window = np.hanning(quiet.size)
    density = np.abs(scipy.fft.rfft(quiet * window)) ** 2 / np.sum(window**2)
    hz = scipy.fft.rfftfreq(size, 1.0 / rate_hz)[band]
    there = np.interp(hz, scipy.fft.rfftfreq(quiet.size, 1.0 / rate_hz), density)
    # The window keeps this share of what noise spreads over the whole response.
    kept = 0.8 * sum(_WINDOW_S) * rate_hz
    return float(np.mean(there * loop**2 / np.abs(source[band]) ** 2) * kept / max(np.mean(np.abs(short) ** 2), 1e-30))


def clock_ppm(sent: ComplexArray, back: ComplexArray, hz: FloatArray) -> float:
    """How much faster than the player the recorder counts, from how the delay of a sweep grows on its way up.

    sent, back : (F,) spectra of what was played and of the loop-back. The delay of a band is the slope of the phase
    between them, its time in the sweep that of the sweep itself (own derivation).
    """
    step = 2.0 * np.pi * (hz[1] - hz[0])
    found = []
    for low, high in ((800.0, 2500.0), (5000.0, 10_000.0)):
        inside = (hz >= low) & (hz <= high)
        times = [-float(np.angle(np.sum(one[1:] * np.conj(one[:-1])))) / step for one in (
            (back * np.conj(sent))[inside], sent[inside])]  # fmt: skip
        found.append(times)
    (early, start), (late, end) = found
    span = (end - start) % (2.0 * np.pi / step)
    return 1e6 * (late - early) / span if span > 0.0 else 0.0


def apart_share(one: TakeReading, other: TakeReading) -> float:
    """Power of the difference of two responses about the arrival, 2 to 16 kHz, of the power of both."""
    if one.spectrum.shape != other.spectrum.shape:
        return math.inf
    both = np.sum(np.abs(one.spectrum) ** 2) + np.sum(np.abs(other.spectrum) ** 2)
    return float(2.0 * np.sum(np.abs(one.spectrum - other.spectrum) ** 2) / max(both, 1e-30))


def is_same_place(one: TakeReading, other: TakeReading) -> bool:
    """Whether both were recorded at one place, as when a turntable did not turn; never where noise hides it."""
    noise = one.noise_share + other.noise_share
    return noise < _MOST_NOISE_SHARE and apart_share(one, other) < _SAME_SHARE + 4.0 * noise


def doubts_against(
    reading: TakeReading, angle_deg: float, before: TakeReading, before_deg: float, name: str
) -> tuple[tuple[Literal["not turned", "moved"], str], ...]:
    """What does not fit the take before on the same orbit, `name`: keys, and sentences with what to do."""
    turned = abs((angle_deg - before_deg + 180.0) % 360.0 - 180.0)
    if turned > 0.4 and is_same_place(reading, before):
        words = f"It is the same as take {name}, {turned:g}° away: the loudspeaker was not turned. Turn it and repeat."
        return (("not turned", words),)
    if reading.arrival_s is None or before.arrival_s is None or turned > _NEIGHBOR_DEG:
        return ()
    later = reading.arrival_s - before.arrival_s
    if abs(later) < _MOVED_S:
        return ()
    far = abs(100.0 * later * SPEED_OF_SOUND_M_S)
    away = "farther away" if later > 0.0 else "nearer"
    words = f"The microphone is {far:.0f} cm {away} than in take {name}: look whether something moved, and repeat."
    return (("moved", words),)


def closing_words(first: TakeReading, again: TakeReading, name: str) -> str:
    """What is wrong where one place, recorded first and again at the end, differs; nothing where it does not."""
    levels = third_octaves(again.curve_db) - third_octaves(first.curve_db)
    apart = float(np.sqrt(np.nanmean(levels**2)))
    later = 0.0
    if first.arrival_s is not None and again.arrival_s is not None and first.spectrum.shape == again.spectrum.shape:
        across = again.spectrum * np.conj(first.spectrum)
        turn = float(np.angle(np.sum(across[1:] * np.conj(across[:-1]))))
        later = -turn / (2.0 * np.pi * (_ALIKE_HZ[1] - _ALIKE_HZ[0]) / max(across.size - 1, 1))
    # Three degrees of air change the speed of sound by 0.5 % (0.17 % a degree, as from the ideal gas).
    if apart < _REPEATS_DB and abs(later) < 0.005 * max(first.arrival_s or 0.0, 0.002):
        return ""
    return worded("capture.take_differs", name=name, apart=apart, late_us=1000000.0 * later)


def third_octaves(curve_db: FloatArray) -> FloatArray:
    """Means of the curve from 250 Hz to 10 kHz, a third of an octave each."""
    inside = curve_db[(CURVE_HZ > 240.0) & (CURVE_HZ < 10_500.0)]
    return np.asarray(np.mean(inside[: inside.size // 4 * 4].reshape(-1, 4), axis=1), dtype=np.float64)


def sweep_band(session: Session, take: Take) -> tuple[float, float] | None:
    """From where to where the sweep of a take goes [Hz]; None for a take of something else."""
    if not isinstance(take, FarFieldTake | NearFieldTake | LevelTake):
        return None
    told = session.stimulus_of(take)
    return (told.start_hz, told.stop_hz) if isinstance(told, SweepStimulus) else (20.0, 20_000.0)


def reading_words(verdict: TakeVerdict, reading: TakeReading | None, drift_db: float | None) -> str:
    """The numbers of a take in one line. drift_db : of the loop-back's gain since the first take."""
    full_scale = None if reading is None else reading.full_scale_db
    level = _signed(verdict.level_dbfs + (full_scale or 0.0)) + (" dBFS" if full_scale is None else " dB SPL")
    words = [f"level {level}", f"peak {_signed(verdict.peak_dbfs)} dBFS"]
    if verdict.snr_db is not None:
        words.insert(0, f"SNR {verdict.snr_db:.0f} dB")
    if drift_db is not None:
        words.append(f"drift {_signed(drift_db, plus=True)} dB")
    if reading is not None and reading.clock_ppm is not None and reading.arrival_s is not None:
        words.append(f"clock {_signed(reading.clock_ppm, plus=True)} ppm")
        words.append(f"arrival {1e3 * reading.arrival_s:.2f} ms")
    return ", ".join(words)


def curve_words(reading: TakeReading, before: TakeReading | None, name: str) -> str:
    """A curve for the terminal: its level by octaves, and how it differs from the take before, `name`."""
    octaves = [(hz, int(np.argmin(np.abs(CURVE_HZ - hz)))) for hz in (125, 500, 2000, 8000)]
    told = [f"{hz} Hz {_signed(reading.curve_db[k])}" for hz, k in octaves if np.isfinite(reading.curve_db[k])]
    words = f"curve: {', '.join(told)} dB"
    if before is None:
        return words
    change = reading.curve_db - before.curve_db
    # 250 Hz to 2 kHz, and 2 to 10 kHz.
    low, high = (_signed(float(np.nanmean(change[part])), plus=True) for part in (slice(43, 80), slice(79, 107)))
    return f"{words}; against take {name}: {low} dB below 2 kHz, {high} dB above"


def background_line(background: Sequence[str]) -> str:
    """What else was heard, in words."""
    return f"Background: {', '.join(background)}." if background else "Background: even noise only."


def _signed(value: float, *, plus: bool = False) -> str:
    rounded = round(value, 1) + 0.0
    return f"{rounded:{'+' if plus and rounded else ''}.1f}".replace("-", "\N{MINUS SIGN}")
