"""Near-field readings of cones and ports, and whether they make up all of the bass."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.quantities.arrays import ComplexArray, Locked
from earwitness.session.record import Driver, Loudspeaker

PORTS = ("port", "passive radiator")


@dataclass(frozen=True, slots=True, eq=False)
class NearPart(Locked):
    """Near field of one cone or port.

    pressure : (F,) complex [Pa/V] at the microphone, on the far field's time base (0 when the signal leaves)
    gap_m : from the center of the cone or mouth to the microphone
    """

    driver: Driver
    pressure: ComplexArray
    gap_m: float

    @property
    def radius_m(self) -> float:
        return self.driver.diameter_m / 2

    @property
    def is_port(self) -> bool:
        """Whether air or another cone moves it, not a coil of its own."""
        return self.driver.kind in PORTS


def near_part_limits(driver: Driver, speed_of_sound: float) -> float:
    """Highest frequency [Hz] of a near-field reading: ka = 1 (D. B. Keele, J. Audio Eng. Soc. 22, 1974)."""
    return speed_of_sound / (np.pi * driver.diameter_m)


def highest_hz(parts: Sequence[NearPart], speed_of_sound: float) -> float:
    """Highest frequency [Hz] of their sum: the lowest ka = 1 among those that are no ports."""
    cones = [part for part in parts if not part.is_port] or list(parts)
    return min(near_part_limits(part.driver, speed_of_sound) for part in cones)


def not_whole(parts: Sequence[NearPart], loudspeaker: Loudspeaker, *, shared: bool) -> str:
    """Why near-field readings do not make up all of the bass, as a sentence, or "".

    shared : the recordings share one start, so that several may be added in phase
    """
    if loudspeaker.enclosure == "open":
        return "The box is open, and how its rear cancels the bass cannot be read close up."
    recorded = {part.driver.name for part in parts}
    silent = [one.name for one in loudspeaker.drivers if one.kind in PORTS and one.name not in recorded]
    if silent:
        return f"Nothing was recorded close to {' and '.join(silent)}, and without that the bass would lack a part."
    kind = {"vented": "port", "passive radiator": "passive radiator"}.get(loudspeaker.enclosure)
    if kind and not any(part.is_port for part in parts):
        return f"No {kind} was recorded close up, and without that the bass would lack a part."
    if not shared and len(parts) > 1:
        return "The recordings do not start together, so that near fields of several parts cannot be added."
    return ""
