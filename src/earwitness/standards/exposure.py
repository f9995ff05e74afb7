"""Weighting A, and how long a level may be heard: NIOSH's recommended limit, OSHA's legal one for comparison only.

NIOSH publication 98-126 (1998): 85 dBA for 8 h, 3 dB exchange. 29 CFR 1910.95: 90 dBA for 8 h, 5 dB exchange.
Both are made for working days with quiet rest between them; local rules go first.
"""

import math
from dataclasses import dataclass

import numpy as np

from earwitness.errors import InputError
from earwitness.quantities import FloatArray

# NIOSH 98-126 gives 140 dBA as ceiling; OSHA says that impulses should not exceed 140 dB peak.
PEAK_LIMIT_DB = 140.0
# Above it no unprotected listening is sensible: NIOSH's time is half a minute.
STOP_DBA = 115.0


@dataclass(frozen=True, slots=True)
class ExposureLimit:
    """criterion_dba may be heard for criterion_s; every exchange_db more halves the time."""

    name: str
    source: str
    criterion_dba: float
    criterion_s: float
    exchange_db: float


NIOSH = ExposureLimit("NIOSH recommended limit", "NIOSH 98-126 (1998)", 85.0, 8 * 3600.0, 3.0)
OSHA = ExposureLimit("OSHA permissible limit", "29 CFR 1910.95, table G-16", 90.0, 8 * 3600.0, 5.0)


def allowed_s(level_dba: float, limit: ExposureLimit = NIOSH) -> float:
    """Time [s] for which an A-weighted level [dB] may be heard in a day: T = T0 / 2**((L - L0) / q).

    InputError for a level that is not a number.
    """
    _require_level(level_dba)
    return float(limit.criterion_s * 2.0 ** ((limit.criterion_dba - level_dba) / limit.exchange_db))


def dose_percent(exposures: tuple[tuple[float, float], ...], limit: ExposureLimit = NIOSH) -> float:
    """Dose D = 100 sum(C / T) of (level [dBA], time [s]); no threshold, every exposure counts.

    InputError for a level that is not a number or a negative time.
    """
    for level_dba, time_s in exposures:
        _require_level(level_dba)
        if not (math.isfinite(time_s) and time_s >= 0.0):
            raise InputError(f"an exposure of {time_s} s", expected="0 s or more", remedy="correct the time")
    return 100.0 * math.fsum(time_s / allowed_s(level_dba, limit) for level_dba, time_s in exposures)


def clock_words(time_s: float) -> str:
    """Hours, minutes and seconds as "1:19:10", whole seconds rounded down: the safe side."""
    whole = math.floor(time_s + 1e-6)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def level_at_ear_db(level_1m_db: float, distance_m: float) -> float:
    """Level at the tester in free field by the distance law; a room adds to it. InputError unless distance_m > 0."""
    if not (math.isfinite(distance_m) and distance_m > 0.0):
        raise InputError.of("standards.distance_impossible", distance_m=distance_m)
    return level_1m_db - 20.0 * math.log10(distance_m)


@dataclass(frozen=True, slots=True)
class LoudnessWarning:
    """What to know before something loud is played. level_ear_dba, peak_ear_db : at the tester; allowed_s : NIOSH."""

    level_ear_dba: float
    peak_ear_db: float
    allowed_s: float
    stop: bool
    sentences: tuple[str, ...]


def warn_before(
    level_1m_dba: float, *, distance_m: float, crest_db: float, room_gain_db: float = 3.0, duration_s: float = 0.0
) -> LoudnessWarning:
    """Level at 1 m and at the tester's place, allowed time, protection and driver damage.

    room_gain_db : what the room adds to the distance law at the ear (project default 3 dB); crest_db : peak over rms
    of the signal; duration_s : of the signal, 0 where not known. InputError for impossible numbers.
    """
    ear = level_at_ear_db(level_1m_dba, distance_m) + max(room_gain_db, 0.0)
    peak = ear + crest_db
    limit_s = allowed_s(ear)
    stop = ear > STOP_DBA or peak > PEAK_LIMIT_DB
    sentences = [
        f"About {level_1m_dba:.0f} dBA at 1 m and {ear:.0f} dBA where you stand ({distance_m:g} m away).",
        f"NIOSH's recommended limit allows this level for {clock_words(min(limit_s, 24 * 3600.0))} (h:mm:ss) a day.",
    ]
    if ear >= NIOSH.criterion_dba:
        sentences.append("Wear hearing protection, and keep others out of the room.")
    if duration_s > limit_s:
        sentences.append("The signal alone is longer than that: nobody may be in the room without protection.")
    if stop:
        sentences.append("Leave the room or lower the level: no unprotected ear should hear this at all.")
    sentences.append(
        "Loud tones and sweeps can destroy a driver in seconds: raise the level in small steps and stop at the first "
        "rattle, smell or sudden loss of level. The rules of your place go before these numbers."
    )
    return LoudnessWarning(ear, peak, limit_s, stop, tuple(sentences))


def _require_level(level_dba: float) -> None:
    if not math.isfinite(level_dba):
        raise InputError(f"a level of {level_dba} dBA", expected="a finite number", remedy="correct the level")


# f_L = 10^1.5 and f_H = 10^3.9 are the -3 dB edges of C, f_A = 10^2.45 that of A; 0 dB at 1 kHz.
_POLES_HZ = (20.598997, 107.652649, 737.862231, 12194.217148)


def a_weight_db(hz: FloatArray) -> FloatArray:
    """(F,) weighting A [dB] at frequencies above 0; defined over frequency, so that no filter's warping is in it."""

    def size(at: FloatArray) -> FloatArray:
        low, second, third, high = (pole**2 for pole in _POLES_HZ)
        square = at**2
        return np.asarray(
            square**2 / ((square + low) * np.sqrt((square + second) * (square + third)) * (square + high))
        )

    return np.asarray(20.0 * np.log10(size(hz) / size(np.array([1000.0]))[0]), dtype=np.float64)
