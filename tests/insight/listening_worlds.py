"""Sheets, readings and findings made by hand; invented."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.insight.findings.finding import Placed
from earwitness.quantities import Curve, FrequencyAxis, Reading
from earwitness.session.notes import ListeningSheet

AXIS = FrequencyAxis(20.0 * 2.0 ** (np.arange(480) / 48))
Said = tuple[str, str, tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Found:
    """A finding, as far as matching needs it."""

    center_hz: float
    low_hz: float
    high_hz: float
    size_db: float
    u_db: float = 0.2
    kind: str = "source"

    @property
    def heard(self) -> Placed:
        """The same in all curves."""
        return Placed("", self.size_db, self.u_db)


def sheet(*said: Said) -> ListeningSheet:
    """A sheet with these remarks: word, direction, region in Hz."""
    remarks = [{"word": w, "direction": d, "region_hz": r, "strength": "clear"} for w, d, r in said]
    return ListeningSheet.model_validate(
        {
            "format": 1,
            "loudspeaker": "Invented One",
            "maker": "Nobody",
            "time": "2026-11-25T11:00+00:00",
            "blind": True,
            "equalizer": False,
            "level_db": 78.0,
            "aim_deg": 0.0,
            "distance_m": 2.5,
            "passage": [{"name": "strings", "kind": "music"}],
            "remark": remarks,
        }
    )


def curve(
    values: np.ndarray,
    *,
    key: str = "listening_window",
    u: float = 0.05,
    u_common: float = 0.3,
    valid_from_hz: float = 0.0,
) -> Curve:
    """A curve on AXIS, valid from some frequency on."""
    same = np.ones(len(AXIS))
    return Curve(key, key, AXIS, values, u * same, u_common * same, AXIS.hz >= valid_from_hz, "dB", "dB SPL")


def reading(*curves: Curve) -> Reading:
    """A reading of these curves; without any, of a flat listening window."""
    shown = curves or (curve(np.full(len(AXIS), 85.0)),)
    return Reading({c.key: c for c in shown}, {}, {}, {}, {})


def step_db(low_hz: float, high_hz: float, height_db: float) -> np.ndarray:
    """85 dB, and `height_db` more within the band."""
    return 85.0 + height_db * ((AXIS.hz >= low_hz) & (AXIS.hz <= high_hz))
