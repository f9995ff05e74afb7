"""Multitones: many tones at once, spaced in log frequency, and what a recording holds between them."""

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft

from earwitness.dsp.signals import crest_db
from earwitness.errors import InputError
from earwitness.quantities import FloatArray, IntArray, Locked, MultitoneLines

TONES = 32
DRAWS = 256
# Lines of the four-term Blackman-Harris window (Harris 1978, from memory: 92 dB), and where its main lobe ends.
_BLACKMAN_HARRIS = (0.35875, -0.48829, 0.14128, -0.01168)
_GUARD = 5
# Leakage of a tone of row k at clock error d is about k |d|; rectangular windows are used up to this much.
LOCKED = 1e-5
MOST_DRIFT = 2e-3
"""Clocks differ by some 0.1 parts in a thousand (common practice, no source); twenty times as much is looked for."""


@dataclass(frozen=True, slots=True, eq=False)
class Multitone(Locked):
    """One period of a multitone. rows (K,) : whole periods of each tone in it; samples (N,) : peak 1."""

    rows: IntArray
    samples: FloatArray
    rate_hz: float
    crest_db: float
    seed: int

    @property
    def frequency_hz(self) -> FloatArray:
        """(K,) frequencies of the tones."""
        return np.asarray(self.rows * self.rate_hz / self.samples.size, dtype=np.float64)


def tone_rows(
    period: int, rate_hz: float, *, count: int = TONES, low_hz: float = 20.0, high_hz: float = 20_000.0
) -> IntArray:
    """(count,) rising odd rows, evenly spaced in log frequency as far as the period lets them.

    Odd rows keep even products off the tones. InputError if so many do not fit, or for an impossible band.
    """
    if not (count >= 2 and period >= 8 and 0.0 < low_hz < high_hz < rate_hz / 2.0):
        raise InputError.of("dsp.tones_impossible", count=count, low_hz=low_hz, high_hz=high_hz, rate_hz=rate_hz)
    wanted = np.geomspace(low_hz, high_hz, count) * period / rate_hz
    rows = np.maximum(2 * np.rint((wanted - 1) / 2).astype(np.int64) + 1, 1)
    for place in range(1, count):
        rows[place] = max(rows[place], rows[place - 1] + 2)
    if rows[-1] * rate_hz / period > high_hz * 1.02 or rows[-1] >= period / 2:
        raise InputError.of("dsp.tones_beyond_period", count=count, low_hz=low_hz, period=period / rate_hz)
    return rows


def make_multitone(
    period: int,
    rate_hz: float,
    *,
    count: int = TONES,
    low_hz: float = 20.0,
    high_hz: float = 20_000.0,
    wanted_crest_db: float | None = None,
    seed: int = 1,
) -> Multitone:
    """Equal tones with random phases; of 256 draws the one with the lowest crest factor, or nearest to the wanted.

    InputError as `tone_rows`, or if no draw comes within 0.5 dB of wanted_crest_db.
    """
    rows = tone_rows(period, rate_hz, count=count, low_hz=low_hz, high_hz=high_hz)
    generator = np.random.default_rng(seed)
    best, miss, lowest, highest = np.zeros(period), math.inf, math.inf, -math.inf
    for _ in range(DRAWS):
        spectrum = np.zeros(period // 2 + 1, dtype=np.complex128)
        spectrum[rows] = np.exp(2j * math.pi * generator.random(rows.size))
        drawn = np.asarray(scipy.fft.irfft(spectrum, period), dtype=np.float64)
        crest = crest_db(drawn)
        lowest, highest = min(lowest, crest), max(highest, crest)
        away = crest if wanted_crest_db is None else abs(crest - wanted_crest_db)
        if away < miss:
            best, miss = drawn, away
    if wanted_crest_db is not None and miss > 0.5:
        raise InputError.of(
            "dsp.crest_not_reached", count=count, wanted_crest_db=wanted_crest_db, lowest=lowest, highest=highest
        )
    samples = best / np.max(np.abs(best))
    return Multitone(rows, samples, rate_hz, crest_db(samples), seed)


def find_rows(period: FloatArray, *, below_db: float = 50.0) -> IntArray:
    """(K,) rows of the tones in one period (N,) of what was played: lines not below_db under the strongest.

    InputError unless there are two or more.
    """
    power = np.abs(scipy.fft.rfft(period)[: (period.size + 1) // 2]) ** 2
    power[0] = 0.0
    rows = np.flatnonzero(power > np.max(power, initial=0.0) * 10.0 ** (-below_db / 10.0))
    # A signal cut at the wrong period smears: then power lies between the lines, and lines lie side by side.
    between = 1.0 - float(np.sum(power[rows]) / max(float(np.sum(power)), 1e-300))
    if not 2 <= rows.size <= period.size // 8 or between > 10.0 ** (-below_db / 10.0) or np.any(np.diff(rows) == 1):
        raise InputError.of("dsp.no_clear_tones", rows=rows)
    return np.asarray(rows, dtype=np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class _Layout:
    """rows (K,) of the tones, edges (K + 1,) of their bands, first row that counts in the whole."""

    rows: IntArray
    edges: FloatArray
    from_row: int


def read_multitone(
    periods: FloatArray,
    rate_hz: float,
    rows: IntArray,
    *,
    silent: FloatArray | None = None,
    from_row: int | None = None,
) -> MultitoneLines:
    """Tones and what lies between them in whole periods (P, N) of a recording; silent (P, N): the same of silence.

    With one clock a rectangular window over each period; with two, whose difference is told from the tones' phases
    from period to period, a Blackman-Harris window over all of them. InputError for tones that do not fit.
    """
    count, size = periods.shape
    if rows.size < 2 or np.any(np.diff(rows) < 1) or rows[0] < 1 or rows[-1] >= size / 2:
        raise InputError.of("dsp.tones_too_many")
    spectra = np.asarray(scipy.fft.rfft(periods, axis=-1), dtype=np.complex128)
    drift, sure = _drift(spectra, rows)
    layout = _Layout(rows, _edges(rows, size), max(1, int(rows[0]) // 2 if from_row is None else from_row))
    if sure and rows[-1] * abs(drift) > LOCKED:
        tone, rest, total = _windowed(periods.reshape(-1), layout, count, drift)
        quiet = None if silent is None else _windowed(silent.reshape(-1), layout, silent.shape[0], 0.0)[1:]
    else:
        power = _power(spectra.mean(axis=0), size)
        tone, rest, total = _split(power, rows[:, None], layout)
        quiet = None
        if silent is not None:
            heard = _power(np.asarray(scipy.fft.rfft(silent, axis=-1)), size).mean(axis=0) / count
            quiet = _split(heard, rows[:, None], layout)[1:]
        elif count >= 2:
            spread = np.sum(np.abs(spectra - spectra.mean(axis=0)) ** 2, axis=0) / (count - 1) / count
            quiet = _split(_power(np.sqrt(spread), size), rows[:, None], layout)[1:]
    noise, total_noise = (None, None) if quiet is None else quiet
    frequency = rows * rate_hz / size
    return MultitoneLines(frequency, tone, rest, noise, float(np.sum(tone)), total, total_noise, count, drift)


def _power(spectrum: np.ndarray[tuple[int, ...], np.dtype[np.complex128]] | FloatArray, size: int) -> FloatArray:
    """Mean square of every line (..., N // 2 + 1), the constant left out."""
    power = 2.0 * np.abs(spectrum) ** 2 / size**2
    power[..., 0] = 0.0
    if size % 2 == 0:
        power[..., -1] /= 2.0
    return np.asarray(power, dtype=np.float64)


def _edges(rows: IntArray, size: int) -> FloatArray:
    """(K + 1,) geometric middles between tones [rows]; the outer bands as wide as their neighbors inside."""
    middle = np.sqrt(rows[:-1] * rows[1:].astype(np.float64))
    first = rows[0] ** 2 / middle[0]
    last = min(rows[-1] ** 2 / middle[-1], size / 2)
    return np.concatenate([[first], middle, [last]])


def _split(
    power: FloatArray, left_out: IntArray, layout: _Layout, *, spacing: float = 1.0
) -> tuple[FloatArray, FloatArray, float]:
    """Tones (K,), residue in their bands (K,), whole residue. left_out (K, M) : lines that belong to each tone."""
    count = layout.rows.size
    tone = power[left_out].sum(axis=1)
    rest = power.copy()
    rest[left_out.reshape(-1)] = 0.0
    at = np.arange(rest.size) * spacing
    band = np.digitize(at, layout.edges) - 1
    good = (band >= 0) & (band < count)
    residue = np.bincount(band[good], weights=rest[good], minlength=count).astype(np.float64)
    return np.asarray(tone, dtype=np.float64), residue, float(np.sum(rest[at >= layout.from_row]))


def _windowed(samples: FloatArray, layout: _Layout, periods: int, drift: float) -> tuple[FloatArray, FloatArray, float]:
    """Tones and residue with a window over all periods; lines of its main lobe belong to the tone."""
    turn = 2.0 * math.pi * np.arange(samples.size) / samples.size
    window = sum(part * np.cos(order * turn) for order, part in enumerate(_BLACKMAN_HARRIS))
    spectrum = np.asarray(scipy.fft.rfft(samples * window), dtype=np.complex128)
    power = _power(spectrum, samples.size) / float(np.mean(np.square(window)))
    places = np.rint(layout.rows * (periods * (1.0 + drift))).astype(np.int64)
    lobes = np.clip(places[:, None] + np.arange(-_GUARD, _GUARD + 1), 0, power.size - 1)
    power[: _GUARD + 1] = 0.0
    return _split(power, lobes, layout, spacing=1.0 / periods)


def _drift(spectra: np.ndarray[tuple[int, ...], np.dtype[np.complex128]], rows: IntArray) -> tuple[float, bool]:
    """Clock error from spectra (P, N // 2 + 1), and whether it stands out of the noise: tone k turns by 2 pi k drift.

    The error within MOST_DRIFT that all tones together agree with best, then a line through what is left: a tone that
    noise covers turns by any angle, and must lead nowhere. The noise of a tone is the median of what changes in the
    lines about it.
    """
    if spectra.shape[0] < 2:
        return 0.0, False
    step = np.sum(spectra[1:, rows] * np.conj(spectra[:-1, rows]), axis=0)
    size, high = np.abs(step), float(rows[-1])
    spacing = 1.0 / (8.0 * high)
    tried = np.arange(-int(MOST_DRIFT / spacing), int(MOST_DRIFT / spacing) + 1) * spacing
    turned = np.exp(-2j * math.pi * tried[:, None] * rows)
    drift = float(tried[int(np.argmax((turned @ step).real))])
    left = np.angle(step * np.exp(-2j * math.pi * rows * drift))
    drift += float(
        np.sum(size * rows * left) / max(2.0 * math.pi * float(np.sum(size * rows.astype(float) ** 2)), 1e-300)
    )
    changes = np.mean(np.abs(np.diff(spectra, axis=0)) ** 2, axis=0) / 2.0
    known = 0.0
    for row, value in zip(rows, size, strict=True):
        near = changes[max(int(0.9 * row), row - 200, 1) : row + min(max(row // 10, 3), 200)]
        if value:
            known += (2.0 * math.pi * row) ** 2 * value / max(float(np.median(near)), 1e-30 * value)
    return float(drift), abs(drift) > 5.0 / math.sqrt(max(known, 1e-300))
