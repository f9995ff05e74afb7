"""What a design may use."""

import math
from dataclasses import dataclass

from earwitness.errors import InputError
from earwitness.insight.mend.equalizer import KINDS, BandKind


@dataclass(frozen=True, slots=True)
class Limits:
    """What a design may use.

    gain_db : least and most of one band; total_boost_db : most of all bands together; q : least and most;
    shelf_q : of shelves; range_hz : of the bands' frequencies, None for what the data allow; kinds : of bands
    forced : also boost interference dips and below the useful bass, and mend what directions do not share
    InputError for limits that are upside down.
    """

    gain_db: tuple[float, float] = (-12.0, 3.0)
    total_boost_db: float = 3.0
    q: tuple[float, float] = (0.4, 12.0)
    shelf_q: tuple[float, float] = (0.4, 1.0)
    range_hz: tuple[float, float] | None = None
    kinds: tuple[BandKind, ...] = KINDS
    forced: bool = False

    def __post_init__(self) -> None:
        pairs = {"gain": self.gain_db, "Q": self.q, "shelf Q": self.shelf_q, "range": self.range_hz or (1.0, 2.0)}
        for name, (low, high) in pairs.items():
            if not (math.isfinite(low) and math.isfinite(high) and low < high):
                raise InputError(f"limits of the {name} from {low} to {high}", expected="finite, the lower first")
        if self.q[0] <= 0 or self.shelf_q[0] <= 0 or pairs["range"][0] <= 0:
            raise InputError("a limit of Q or frequency that is not above zero", expected="above zero")
        if self.gain_db[0] > 0 or self.gain_db[1] < 0 or not self.total_boost_db >= 0:
            raise InputError("limits of the gain that leave out 0 dB", expected="0 dB inside the limits")
        if not self.kinds or any(kind not in KINDS for kind in self.kinds):
            raise InputError(f"kinds of bands {self.kinds}", expected="one or more of " + ", ".join(KINDS))


DEFAULT_LIMITS = Limits()
