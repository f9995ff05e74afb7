"""Head sets in SOFA files: SimpleFreeFieldHRIR of AES69, what reaches two ears from many directions."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from earwitness.errors import FormatError
from earwitness.formats.sofa import _BROKEN as BROKEN
from earwitness.formats.sofa import _header, _load, _numbers, _points
from earwitness.quantities.arrays import FloatArray, Locked

CONVENTION = "SimpleFreeFieldHRIR"
FEWEST_DIRECTIONS = 32
_RATES_HZ, _LONGEST_DELAY_S = (8e3, 1e6), 0.1


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class HeadImpulses(Locked):
    """name : of the set; directions : (D, 3) unit vectors in the head's axes, ahead, to the left, up; impulse :
    (D, 2, N), left ear first; delay_s : (D, 2) before the first sample; rate_hz; license : as the file states it"""

    name: str
    directions: FloatArray
    impulse: FloatArray
    delay_s: FloatArray
    rate_hz: float
    license: str


def read_head_sofa(path: Path) -> HeadImpulses:
    """The head set in a SOFA file. FormatError for a file that holds none, or cannot be read."""
    _, said, _ = _header(path, _refused)
    if said != CONVENTION:
        raise _refused(path, f"the convention is {said or 'not stated'!r}")
    try:
        with np.errstate(all="ignore"):
            return _read(path, _load(path))
    except BROKEN as error:
        raise _refused(path, f"the SOFA file cannot be used: {error}") from error


def _read(path: Path, sofa: Any) -> HeadImpulses:
    impulse = _numbers(sofa.Data_IR)
    if impulse.ndim != 3 or impulse.shape[1] != 2 or len(impulse) < FEWEST_DIRECTIONS or not np.isfinite(impulse).all():
        raise _refused(
            path, f"its responses are of shape {impulse.shape}", expected=f"{FEWEST_DIRECTIONS} directions, two ears"
        )
    rate_hz = float(np.ravel(_numbers(sofa.Data_SamplingRate))[0])
    delay_s = np.broadcast_to(np.reshape(_numbers(sofa.Data_Delay), (-1, 2)), impulse.shape[:2]) / rate_hz
    points = _points(sofa.SourcePosition, sofa.SourcePosition_Type)
    radius = np.linalg.norm(points, axis=1, keepdims=True)
    sound = (
        (_RATES_HZ[0] <= rate_hz <= _RATES_HZ[1]) and np.isfinite(delay_s).all() and delay_s.max() < _LONGEST_DELAY_S
    )
    if not sound or len(points) != len(impulse) or not (radius > 0).all():
        raise _refused(path, "rate, delays or positions are none that a head set can have")
    ears = _points(sofa.ReceiverPosition, sofa.ReceiverPosition_Type)[:, 1]
    order = [0, 1] if ears[0] >= ears[1] else [1, 0]
    return HeadImpulses(
        name=str(getattr(sofa, "GLOBAL_Title", "") or path.stem), directions=points / radius,
        impulse=impulse[:, order], delay_s=delay_s[:, order], rate_hz=rate_hz,
        license=str(getattr(sofa, "GLOBAL_License", "")),
    )  # fmt: skip


def _refused(path: Path, what: str, *, expected: str = f"a head set, {CONVENTION} of AES69") -> FormatError:
    return FormatError(
        what, where=str(path), expected=expected, remedy="choose another head set, or leave --head-set out"
    )
