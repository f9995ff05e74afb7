"""Limiters: a tone that climbs in steps and then jumps, and what threshold, ratio, knee and times come back with it."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from earwitness.dsp.sweep import fade_envelope
from earwitness.errors import InputError
from earwitness.quantities import ComplexArray, FloatArray, Locked
from earwitness.quantities.measurement import LimiterCurve, TimeConstant

# The tone: steps of 1 dB up to full level, then quiet, at full level at once, and quiet again (own choice).
RANGE_DB, STEP_DB, JUMP_DB = 36.0, 1.0, 26.0
_STEP_S, _REST_S, _JUMP_S, _BACK_S = 0.3, 1.0, 0.7, 2.0
_LEAST_STEPS, _LEAST_JUMP_DB, _FLAT_DB, _LEAST_STEADY = 12, 6.0, 0.15, 0.9
# Beyond this the steps leave one curve: a second mechanism has set in, and the steps above it are left out.
_ONE_CURVE_DB = 0.25
_U_LEAST_DB = 0.01
_CLEARLY = 0.3
_TIMES_S = (0.001, 0.01, 0.1, 0.5)


def limiter_tone(frequency_hz: float, rate_hz: float) -> FloatArray:
    """The tone (N,), amplitude 1 at its loudest. InputError beyond half the sample rate."""
    if not 0.0 < frequency_hz < 0.45 * rate_hz:
        raise InputError.of("dsp.limiter_tone_impossible", frequency_hz=frequency_hz, rate_hz=rate_hz)
    stair = np.arange(-RANGE_DB, 0.5 * STEP_DB, STEP_DB)
    least_s = max(_STEP_S, 12.0 / frequency_hz)
    parts = [*((level, least_s) for level in stair), (-JUMP_DB, _REST_S), (0.0, _JUMP_S), (-JUMP_DB, _BACK_S)]
    # Whole periods, so that every step changes at a zero of the tone.
    counts = [round(round(length_s * frequency_hz) * rate_hz / frequency_hz) for _, length_s in parts]
    size = np.repeat(10.0 ** (np.array([level for level, _ in parts]) / 20.0), counts)
    fade = round(0.02 * rate_hz)
    wave = np.sin(2.0 * np.pi * frequency_hz / rate_hz * np.arange(size.size))
    return np.asarray(size * wave * fade_envelope(size.size, fade, fade), dtype=np.float64)


def static_db(in_db: FloatArray, threshold_db: float, slope: float, knee_db: float) -> FloatArray:
    """Output over input of a limiter with a soft knee [dB] (Giannoulis, Massberg and Reiss, JAES 2012, from memory)."""
    over = in_db - threshold_db
    knee = (slope - 1.0) * (over + knee_db / 2.0) ** 2 / (2.0 * max(knee_db, 1e-9))
    return np.asarray(
        in_db + np.where(over > knee_db / 2.0, (slope - 1.0) * over, np.where(over < -knee_db / 2.0, 0.0, knee)),
        dtype=np.float64,
    )


def read_limiter(heard: FloatArray, played: FloatArray, frequency_hz: float, rate_hz: float) -> LimiterCurve:
    """The limiter between two recordings (N,) of one tone that climbs and jumps, recorded together.

    Each is demodulated under a Hann window of whole periods. Steps are where the played one stands still while it
    climbs; the last 40 % of each counts. Times come from a model of the jump seen through the same window, so that
    those a little shorter than the window are still told. InputError where there are no such steps, or no tone.
    """
    size = 2 * round(max(2.0, np.ceil(0.002 * frequency_hz)) * rate_hz / frequency_hz / 2.0) + 1
    import scipy.signal

    window = scipy.signal.windows.hann(size + 2)[1:-1]
    hop = max(size // 32, 1)
    turn = np.exp(-2j * np.pi * frequency_hz / rate_hz * np.arange(played.size))

    def envelope(samples: FloatArray) -> ComplexArray:
        slow = scipy.signal.oaconvolve(samples * turn, np.sqrt(2.0) * window / window.sum(), mode="same")
        return np.asarray(slow[::hop], dtype=np.complex128)

    sent, wave = np.maximum(np.abs(envelope(played)), 1e-12), envelope(heard)
    back = np.maximum(np.abs(wave), 1e-12)
    plateaus = _plateaus(20.0 * np.log10(sent), size // hop)
    levels = [float(np.median(20.0 * np.log10(sent[part]))) for part in plateaus]
    rising = next((k for k in range(1, len(levels)) if levels[k] < levels[k - 1]), len(levels))
    if rising < _LEAST_STEPS:
        raise InputError.of("dsp.no_limiter_steps", count=rising, least=_LEAST_STEPS, frequency_hz=frequency_hz)
    # A tone keeps its phase, which noise does not.
    held = np.concatenate(np.array_split(wave[plateaus[rising - 1]], 4)[1:3])
    if abs(held.mean()) < _LEAST_STEADY * max(float(np.abs(held).mean()), 1e-12):
        raise InputError.of("dsp.no_limiter_tone", frequency_hz=frequency_hz)
    late = _later_by(sent, back, size // hop)

    def settled(part: slice) -> float:
        last = slice(part.start + late + round(0.6 * (part.stop - part.start)), part.stop + late)
        return float(np.mean(20.0 * np.log10(back[last])))

    in_db, out_db = np.array(levels[:rising]), np.array([settled(part) for part in plateaus[:rising]])
    used, values, u, rms = _static(in_db, out_db)
    jumps = [
        (levels[k + 1] - levels[k], _edge(sent, plateaus[k], plateaus[k + 1]), plateaus[k + 1].stop, *levels[k : k + 2])
        for k in range(rising - 1, len(levels) - 1)
    ]
    times: dict[bool, TimeConstant | None] = {True: None, False: None}
    # On the grid, with its middle on a place of it.
    shape = window[(size // 2) % hop :: hop]
    seen = _Seen(wave, late, shape / shape.sum(), hop / rate_hz, 2.0 * np.pi * frequency_hz)
    # The gain hardly moves while the tone falls: that jump tells the moment, by which the other one goes.
    moved: float | None = None
    for up in (False, True):
        jump = next((one for one in jumps if (one[0] > 0.0) == up and abs(one[0]) >= _LEAST_JUMP_DB), None)
        if jump is not None:
            times[up], moved = _time_constant(seen, jump[1:], moved)
    return LimiterCurve(in_db, out_db, used, *values, tuple(map(float, u)), rms, times[True], times[False])


def _later_by(sent: FloatArray, back: FloatArray, reach: int) -> int:
    """By how many places the jumps of one envelope come after those of the other."""
    import scipy.signal

    def edges(size: FloatArray) -> FloatArray:
        level = np.maximum(20.0 * np.log10(size / size.max()), -30.0)
        return np.asarray(np.clip(level[reach:] - level[:-reach], -12.0, 12.0), dtype=np.float64)

    match = scipy.signal.correlate(edges(back), edges(sent), mode="full", method="fft")
    return int(np.argmax(match)) - (sent.size - reach - 1)


def _plateaus(level_db: FloatArray, reach: int) -> list[slice]:
    """Stretches in which a level stands still, within 60 dB of the highest, four windows long or more."""
    still = np.abs(np.subtract(level_db[reach:], level_db[:-reach])) < _FLAT_DB
    still &= level_db[:-reach] > level_db.max() - 60.0
    edges = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]]).astype(int)))
    # Half a window less at either end, where the next step is seen already.
    starts, stops = edges[::2] + reach // 2, edges[1::2] + reach - reach // 2
    return [slice(int(a), int(b)) for a, b in zip(starts, stops, strict=True) if b - a >= 3 * reach]


def _edge(sent: FloatArray, before: slice, after: slice) -> float:
    """Place, between those of the grid, at which an envelope is halfway from one stretch to the next."""
    part = sent[before.stop - 1 : after.start + 1]
    half = 0.5 * (float(np.median(sent[before])) + float(np.median(sent[after])))
    row = int(np.argmax((part[:-1] - half) * (part[1:] - half) <= 0.0))
    return float(before.stop - 1 + row + (half - part[row]) / (part[row + 1] - part[row]))


def _static(in_db: FloatArray, out_db: FloatArray) -> tuple[int, tuple[float, float, float, float], FloatArray, float]:
    """Steps used, gain, threshold, slope and knee, their standard uncertainties (4,), and the rms left over."""
    from scipy.optimize import least_squares

    low, high = float(in_db[0]), float(in_db[-1])
    gain = float(np.median(out_db[:6] - in_db[:6]))

    def fit(count: int) -> tuple[FloatArray, FloatArray, float]:
        def off(found: FloatArray) -> FloatArray:
            return np.asarray(found[0] + static_db(in_db[:count], *found[1:]) - out_db[:count], dtype=np.float64)

        limits = ((gain - 3.0, low, 0.0, 0.0), (gain + 3.0, high + 3.0, 1.0, 24.0))
        tried = [
            least_squares(off, (gain, low + share * (high - low), 0.3, knee), bounds=limits, x_scale=(1, 3, 0.2, 3))
            for share in (0.3, 0.5, 0.7, 0.9)
            for knee in (1.0, 8.0)
        ]
        best = min(tried, key=lambda one: float(one.cost))
        rms = float(np.sqrt(2.0 * best.cost / max(count - 4, 1)))
        spread = np.linalg.pinv(np.asarray(best.jac).T @ np.asarray(best.jac)) * max(rms, _U_LEAST_DB) ** 2
        return best.x, np.sqrt(np.diag(spread)), rms

    for count in range(in_db.size, _LEAST_STEPS - 1, -1):
        found, u, rms = fit(count)
        if rms <= _ONE_CURVE_DB:
            break
    return count, (float(found[0]), float(found[1]), float(found[2]), float(found[3])), u, rms


@dataclass(frozen=True, slots=True, eq=False)
class _Seen(Locked):
    """wave (N,) : complex envelope of what was heard, every hop_s, `late` places behind what was played; shape : the
    window on that grid; turn_rad_s : of the tone."""

    wave: ComplexArray
    late: int
    shape: FloatArray
    hop_s: float
    turn_rad_s: float


def _time_constant(
    seen: _Seen, jump: tuple[float, int, float, float], known: float | None
) -> tuple[TimeConstant, float]:
    """The time constant of the gain after a jump, and by how many places it came later than thought.

    jump : its place and the end of what follows it in what was played, and both levels [dB]; known : that number,
    where another jump told it
    """
    import scipy.signal
    from scipy.optimize import least_squares

    place_sent, stop, low_db, high_db = jump
    late, shape, hop_s = seen.late, seen.shape, seen.hop_s
    reach = 2 * shape.size
    edge = place_sent + late
    span = slice(max(round(edge) - reach, 0), min(stop + late, seen.wave.size))
    level_db = 20.0 * np.log10(np.maximum(np.abs(seen.wave), 1e-12))
    still = slice(round(edge) - 3 * reach, round(edge) - reach)
    first = float(np.median(level_db[still])) - low_db
    last = float(np.median(level_db[span][-max((span.stop - span.start) // 10, 3) :])) - high_db
    place = np.arange(span.start - reach, span.stop + reach, dtype=np.float64) * hop_s
    # Under a gain that changes within a period the tone's mirror is seen too.
    mirror = 1.0 + np.exp(-2j * (seen.turn_rad_s * place + np.angle(np.sum(seen.wave[still]))))

    def off(found: FloatArray, law: str) -> FloatArray:
        since = place - (edge + (found[2] if known is None else known)) * hop_s
        left = np.exp(-np.maximum(since, 0.0) / np.exp(found[0]))
        ends = 10.0 ** (np.array([found[1], first]) / 20.0)
        curved = 10.0 ** ((found[1] + (first - found[1]) * left) / 20.0)
        gain = curved if law == "dB" else ends[0] + (ends[1] - ends[0]) * left
        # A step between two places of the grid is shared between them.
        high = np.clip(since / hop_s + 0.5, 0.0, 1.0)
        level = 10.0 ** (low_db / 20.0) * (1.0 - high) + 10.0 ** (high_db / 20.0) * high
        smooth = scipy.signal.oaconvolve(level * gain * mirror, shape, mode="same")[reach:-reach]
        return np.asarray(20.0 * np.log10(np.maximum(np.abs(smooth), 1e-12)) - level_db[span], dtype=np.float64)

    size = float(shape.size)
    free = 3 if known is None else 2
    limits = ((np.log(1e-5), last - 6.0, -size)[:free], (np.log(5.0), last + 6.0, size)[:free])

    def fit(start_s: float, law: str) -> Any:
        start, scale = (np.log(start_s), last, 0.0)[:free], (0.5, 0.1, 1.0)[:free]
        return least_squares(off, start, bounds=limits, x_scale=scale, max_nfev=40, args=(law,))

    by_law = {"dB": min((fit(start_s, "dB") for start_s in _TIMES_S), key=lambda one: float(one.cost))}
    by_law["linear"] = fit(float(np.exp(by_law["dB"].x[0])), "linear")
    law = "linear" if by_law["linear"].cost < _CLEARLY * by_law["dB"].cost else "dB"
    best, other = by_law[law], by_law["dB" if law == "linear" else "linear"]
    time_s = float(np.exp(best.x[0]))
    left_db = float(np.sqrt(2.0 * best.cost / (span.stop - span.start)))
    # Neighbors under one window are not independent.
    spread = np.linalg.pinv(np.asarray(best.jac).T @ np.asarray(best.jac)) * max(left_db, _U_LEAST_DB) ** 2 * size
    # Where the laws cannot be told apart, all that lies between them is as likely (GUM 4.3.7, half width over root 3).
    apart = abs(other.x[0] - best.x[0]) / 12.0**0.5 if _CLEARLY * other.cost < best.cost else 0.0
    u_s = time_s * float(np.hypot(np.sqrt(spread[0, 0]), apart))
    resolved = abs(first - last) > 1.0 and time_s > 0.1 * size * hop_s and u_s < 0.5 * time_s
    told = TimeConstant(time_s if resolved else max(time_s, 0.5 * size * hop_s), u_s, resolved, law)
    return told, float(best.x[2]) if known is None else known
