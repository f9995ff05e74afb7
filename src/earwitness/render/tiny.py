"""A curve as small as a row of a list: its shape, nothing to read numbers off."""

from typing import Final

import numpy as np

from earwitness.quantities import Curve
from earwitness.render.frame import points

# 30 px a decade and as many for 25 dB (IEC 60263), +10 to -20 dB about its mean from 300 Hz to 3 kHz.
_DECADE_PX: Final = 30.0
_TOP_DB, _LOW_DB = 10.0, -20.0
_HZ = 1000.0 * 2.0 ** (np.arange(-67, 52, 2) / 12)


def tiny_curve(curve: Curve | None) -> str:
    """The path of a level curve in an SVG of 90 x 36 px, 20 Hz to 20 kHz; "" where there is nothing to draw."""
    if curve is None:
        return ""
    at, had = np.log(_HZ), np.log(curve.axis.hz)
    valid = np.interp(at, had, curve.valid.astype(float), left=0.0, right=0.0) > 1.0 - 1e-9
    level_db = np.where(valid, np.interp(at, had, curve.values), np.nan)
    middle = level_db[(_HZ >= 300) & (_HZ <= 3000)]
    if not np.isfinite(middle).any():
        return ""
    level_db = np.clip(level_db - np.nanmean(middle), _LOW_DB, _TOP_DB)
    x, y = _DECADE_PX * np.log10(_HZ / 20.0), _DECADE_PX / 25.0 * (_TOP_DB - level_db)
    there = np.isfinite(y)
    return ("M" + points(x[there], y[there])) if there.sum() > 1 else ""
