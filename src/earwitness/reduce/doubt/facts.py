"""Facts that no real session has, a treble that no loudspeaker has, the microphone's correction, an unstated echo."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.fft

from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.quantities import BoolArray, FloatArray, QualityFlag
from earwitness.reduce.flags import flag, limits
from earwitness.session.session import Session

# Own choices: wide enough for what is sold.
LIMITS = limits("facts")
CUT_HZ = (12_000.0, 19_000.0)


def fact_flags(session: Session) -> list[QualityFlag]:
    """Slips of the pen: a point or a unit in the wrong place. Each asked with the key."""
    told, found = session.loudspeaker, list[tuple[str, float, float, str]]()
    ohm = told.rated_impedance_ohm
    if ohm is not None and not LIMITS["rated_least_ohm"] <= ohm <= LIMITS["rated_most_ohm"]:
        limit = LIMITS["rated_most_ohm" if ohm > 8.0 else "rated_least_ohm"]
        found.append(("rated_impedance_ohm", ohm, limit, f"a rated impedance of {ohm:g} ohm; 4, 6 and 8 are usual"))
    if told.price is not None and not LIMITS["price_least"] <= told.price.amount <= LIMITS["price_most"]:
        words = f"a price of {told.price.amount:g} {told.price.currency} per {told.price.per}; thousands take no point"
        found.append(("price amount", told.price.amount, LIMITS["price_least"], words))
    edges = (told.width_m, told.height_m, told.depth_m)
    volume = edges[0] * edges[1] * edges[2]
    cones = [one.diameter_m for one in told.drivers if one.kind == "cone"]
    words = f"a cabinet of {edges[0]:g} x {edges[1]:g} x {edges[2]:g} m; lengths are in meters"
    if volume > LIMITS["volume_most_m3"] or max(edges) > LIMITS["edge_most_m"]:
        found.append(("width_m, height_m, depth_m", volume, LIMITS["volume_most_m3"], words))
    elif cones and max(cones) < LIMITS["driver_of_edge_least"] * min(edges):
        found.append(("width_m, height_m, depth_m", max(cones), LIMITS["driver_of_edge_least"] * min(edges), words))
    if told.mass_kg is not None and not LIMITS["density_least"] <= told.mass_kg / volume <= LIMITS["density_most"]:
        words = f"a mass of {told.mass_kg:g} kg in {1000 * volume:.3g} liters"
        found.append(("mass_kg", told.mass_kg / volume, LIMITS["density_least"], words))
    year = float(session.date[:4])
    if year < LIMITS["year_first"]:
        found.append(("date", year, LIMITS["year_first"], f"the date {session.date}"))
    return [flag("fact", number, limit, words=words, key=key) for key, number, limit, words in found]


def cutoff_flags(level_db: FloatArray, hz: FloatArray, high_hz: float, take: str) -> list[QualityFlag]:
    """A treble that ends like a wall well below the sweep's end: what lossy files and low rates do, not loudspeakers.

    level_db (F,) : on axis
    """
    top = min(CUT_HZ[1], 0.93 * high_hz / 2 ** (1 / 6))
    for edge in np.geomspace(max(top, CUT_HZ[0]), CUT_HZ[0], 60):
        below = (hz > edge * 2 ** (-1 / 6)) & (hz <= edge)
        above = (hz > edge * 2 ** (1 / 12)) & (hz <= edge * 2 ** (1 / 6))
        if not below.any() or not above.any():
            continue
        fall = float(np.median(level_db[below]) - np.max(level_db[above]))
        if fall > LIMITS["cut_db"]:
            band = (float(edge), float(hz[-1]))
            return [flag("cut_off", fall, LIMITS["cut_db"], takes=(take,), band_hz=band, edge_khz=edge / 1000)]
    return []


# Own choices. Which sign a file has cannot be told from it; a loudspeaker is seldom curved just as twice its mirror.
SIGN = limits("microphone")
SHOWN = "microphone correction"
_AT_HZ = (3000.0, 10_000.0, 16_000.0)
_BAND_HZ = (1500.0, 18_000.0)


def correction_flags(
    correction: MicrophoneCorrection | None, level_db: FloatArray, hz: FloatArray, valid: BoolArray
) -> list[QualityFlag]:
    """What was taken off, in decibels, and a question where turning it over would make the axis straighter.

    level_db, valid (F,) : on axis with the correction
    """
    if correction is None:
        return [flag("no_correction")]
    at = correction.at(np.array(_AT_HZ)).response_db
    told = ", ".join(f"{-one:+.1f} dB at {hz_at / 1000:g} kHz" for one, hz_at in zip(at, _AT_HZ, strict=True))
    flags = [flag("microphone_correction", -at[1], told=told)]
    rows = valid & (hz >= _BAND_HZ[0]) & (hz <= _BAND_HZ[1])
    if np.count_nonzero(rows) < 40:
        return flags
    x = np.log2(hz[rows])
    shape = correction.at(hz[rows]).response_db
    shape = shape - np.polyval(np.polyfit(x, shape, 1), x)
    size = float(np.sqrt(np.mean(shape**2)))
    if size < SIGN["least_db"]:
        return flags
    bent = level_db[rows] - np.polyval(np.polyfit(x, level_db[rows], 1), x)
    # Share of the file that makes the axis straightest: 1 as it stands, -1 turned over.
    share = 1.0 + float(np.mean(bent * shape) / np.mean(shape**2))
    if share < SIGN["share"]:
        flags.append(flag("correction_turned", share, SIGN["share"], band_hz=_BAND_HZ, told=told))
    return flags


# An echo that nobody stated: what comes back in every take, whatever the angle.
#
# ln|1 + r exp(-j w t)| is r cos(w t) to first order, so that the transform of the log magnitude over frequency shows an
# echo at its delay (Bogert, Healy and Tukey 1963, from memory). Ringing is whitened by the logarithm itself, and the
# cabinet's own edges do not keep their delay when the turntable turns (own derivation).

# Own choices, tried on simulated loudspeakers that ring: tests/reduce/doubt/test_echo.py.
ECHO_LIMITS = limits("echo")
BAND_HZ = (300.0, 7000.0)
SPACING_HZ, TREND_TERMS = 3.0, 10
EARLIEST_S, AFTER_SIZE_S, LATEST_S = 2.2e-3, 0.7e-3, 45e-3
LATE_S, DIRECT_S = (0.025, 0.075), 0.01
LATE_BAND_HZ = (500.0, 5000.0)
_REACH = 4096


@dataclass(frozen=True, slots=True)
class Echo:
    """score : its height over what is usual at other delays; delay_s; level_db : against the direct sound."""

    score: float
    delay_s: float
    level_db: float

    @property
    def is_there(self) -> bool:
        return self.score > ECHO_LIMITS["score"] and self.level_db > ECHO_LIMITS["level_db"]


def echo_of(
    impulses: FloatArray, rate_hz: float, *, size_m: float, speed_m_s: float, latest_s: float = LATEST_S
) -> Echo | None:
    """The strongest echo that all takes share. impulses (T, N) : any common start; size_m : largest cabinet edge.

    None where the responses are too short to hold one behind the cabinet's own length.
    """
    length_s = impulses.shape[1] / rate_hz
    earliest = max(EARLIEST_S, 2.0 * size_m / speed_m_s + AFTER_SIZE_S)
    latest = min(latest_s, 0.7 * length_s)
    if latest < earliest + 2e-3:
        return None
    length = scipy.fft.next_fast_len(max(round(rate_hz / SPACING_HZ), impulses.shape[1]), True)
    step = rate_hz / length
    first, last = math.ceil(BAND_HZ[0] / step), math.floor(BAND_HZ[1] / step)
    size = np.abs(scipy.fft.rfft(impulses, length, axis=1)[:, first:last])
    log = np.log(size + 1e-9 * float(size.max(initial=1e-300)))
    rows = (np.arange(last - first) + 0.5) / (last - first)
    trend = np.cos(np.pi * np.outer(rows, np.arange(TREND_TERMS)))
    log = log - log @ np.linalg.pinv(trend).T @ trend.T
    window = np.hanning(last - first)
    spread = np.zeros((log.shape[0], max(_REACH, 2 * (last - first))), dtype=np.complex128)
    spread[:, : last - first] = log * (window / window.sum())
    delay = np.arange(spread.shape[1]) / (spread.shape[1] * step)
    shown = scipy.fft.ifft(spread, axis=1) * spread.shape[1] * np.exp(2j * np.pi * delay * first * step) * 2.0
    mean = shown.real.mean(axis=0)
    use = (delay > earliest) & (delay < latest)
    floor = max(1.48 * float(np.median(np.abs(mean[use]))), 1e-4)
    top = int(np.argmax(np.where(use, mean, -1.0)))
    return Echo(float(mean[top]) / floor, float(delay[top]), 20.0 * math.log10(max(float(mean[top]), 1e-9)))


def echo_flags(echo: Echo | None, takes: int, *, speed_m_s: float, anechoic: bool) -> list[QualityFlag]:
    """Asked, with the way of the echo: is the space anechoic, or does the gate end before the first reflection?"""
    if echo is None or not echo.is_there:
        return []
    told: dict[str, Any] = {
        "every": _every(takes),
        "delay_ms": 1e3 * echo.delay_s,
        "farther_m": echo.delay_s * speed_m_s,
    }
    limit = ECHO_LIMITS["level_db"]
    return [flag("echo_anechoic" if anechoic else "echo", echo.level_db, limit, band_hz=BAND_HZ, **told)]


def _every(takes: int) -> str:
    return f"all {takes} takes" if takes > 1 else "the take"


def late_db(impulses: FloatArray, rate_hz: float, lead_s: float) -> float | None:
    """Energy from 25 to 75 ms after the sound against that of its first 10 ms, from 500 Hz to 5 kHz [dB]: the median of
    takes. impulses (T, N) : their sound comes lead_s after their start. None for shorter responses.

    Above 500 Hz no loudspeaker sounds on for so long, and no room is silent so soon (common practice, no source).
    """
    first, last = (round((lead_s + at) * rate_hz) for at in LATE_S)
    if impulses.shape[1] < last:
        return None
    length = scipy.fft.next_fast_len(impulses.shape[1], True)
    hz = np.maximum(np.arange(length // 2 + 1) * rate_hz / length, 1e-9)
    # Steep edges would ring as long as a room.
    octaves = np.minimum(np.log2(hz / LATE_BAND_HZ[0]), np.log2(LATE_BAND_HZ[1] / hz))
    inside = 0.5 - 0.5 * np.cos(np.pi * np.clip(octaves, 0.0, 1.0))
    power = scipy.fft.irfft(scipy.fft.rfft(impulses, length, axis=1) * inside, length, axis=1) ** 2
    early = power[:, : round((lead_s + DIRECT_S) * rate_hz)].sum(axis=1)
    late = power[:, first:last].sum(axis=1)
    return float(np.median(10.0 * np.log10(np.maximum(late, 1e-300) / np.maximum(early, 1e-300))))


def room_flags(level_db: float | None, takes: int) -> list[QualityFlag]:
    """Asked where a space that is said to be anechoic sounds on."""
    if level_db is None or level_db <= ECHO_LIMITS["late_db"]:
        return []
    return [flag("room_answers", level_db, ECHO_LIMITS["late_db"], band_hz=LATE_BAND_HZ, every=_every(takes))]
