"""The microphone's correction as it is applied: shown always, asked about where the axis is flatter the other way."""

from types import MappingProxyType

import numpy as np

from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.quantities import QualityFlag
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.reduce.flags import flag

# Own choices. Which sign a file has cannot be told from it; a loudspeaker is seldom curved just as twice its mirror.
LIMITS = MappingProxyType({"least_db": 0.3, "share": -0.2})
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
    if size < LIMITS["least_db"]:
        return flags
    bent = level_db[rows] - np.polyval(np.polyfit(x, level_db[rows], 1), x)
    # Share of the file that makes the axis straightest: 1 as it stands, -1 turned over.
    share = 1.0 + float(np.mean(bent * shape) / np.mean(shape**2))
    if share < LIMITS["share"]:
        flags.append(flag("correction_turned", share, LIMITS["share"], band_hz=_BAND_HZ, told=told))
    return flags
