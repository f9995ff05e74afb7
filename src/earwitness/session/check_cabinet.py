"""Faults between the facts of a loudspeaker: claims and their units, drivers, enclosure and cabinet."""

from __future__ import annotations

import math
from collections.abc import Iterator

from earwitness.errors import Fault
from earwitness.session.draft import Draft
from earwitness.session.record import Claim

_CLAIM_UNITS: dict[str, tuple[str, ...]] = {
    "sensitivity": ("dB",),
    "sensitivity 1 W": ("dB",),
    "highest level": ("dB",),
    "lowest frequency": ("Hz", "kHz"),
    "highest frequency": ("Hz", "kHz"),
    "frequency range": ("Hz", "kHz"),
    "rated impedance": ("ohm",),
    "minimum impedance": ("ohm",),
    "amplifier power": ("W",),
}
# How far a stated area may be off the stated diameter's circle.
AREA_ALLOWANCE = 0.05
# The capital omega and the ohm sign become a small omega where case does not count.
_OHM_SIGNS = ("ohm", "ohms", "\u03c9")


def check_cabinet(draft: Draft) -> Iterator[Fault]:
    """What the facts of the loudspeaker say against each other, in the order of the file."""
    yield from _claims(draft)
    yield from _drivers(draft)
    yield from _enclosure(draft)


def _claims(draft: Draft) -> Iterator[Fault]:
    for index, claim in enumerate(draft.loudspeaker.claims if draft.loudspeaker else ()):
        place = ("loudspeaker", "claim", index)
        if not _unit_fits(claim):
            allowed = " or ".join(f'"{u}"' for u in _CLAIM_UNITS[claim.quantity])
            what = f"a claim of {claim.quantity} in {claim.unit!r}"
            remedy = f"write {allowed}; remarks such as 2.83 V belong into text"
            yield draft.fault(what, (*place, "unit"), expected=allowed, remedy=remedy)
        if claim.quantity == "frequency range" and claim.value_to is None:
            what = "a frequency range needs both ends"
            yield draft.fault(what, (*place, "value"), remedy="add value_to, the upper frequency in the same unit")
        if claim.value_to is not None and claim.value_to <= claim.value:
            what = f"the range ends at {claim.value_to:g}, below or at its start of {claim.value:g}"
            yield draft.fault(what, (*place, "value_to"), remedy="write the lower number as value")


def _unit_fits(claim: Claim) -> bool:
    allowed = _CLAIM_UNITS[claim.quantity]
    if allowed == ("ohm",):
        return claim.unit.casefold() in _OHM_SIGNS
    return claim.unit in allowed or (allowed == ("dB",) and claim.unit == "dB SPL")


def _drivers(draft: Draft) -> Iterator[Fault]:
    if draft.loudspeaker is not None and not draft.drivers and draft.responses is None:
        yield draft.fault(
            "no driver is described",
            ("loudspeaker",),
            expected="[[loudspeaker.driver]], once for every cone, dome, horn and port",
            remedy="add at least one; near fields and arrival times are held against them",
        )
    for index, name in enumerate(draft.drivers):
        if name in draft.drivers[:index]:
            place = ("loudspeaker", "driver", index, "name")
            remedy = "give each driver a name of its own, or use count for drivers that work in one place"
            yield draft.fault(f"two drivers are called {name!r}", place, remedy=remedy)
    for index, driver in enumerate(draft.loudspeaker.drivers if draft.loudspeaker else ()):
        circle_m2 = math.pi * driver.diameter_m**2 / 4.0
        if driver.area_m2 is not None and abs(driver.area_m2 / circle_m2 - 1.0) > AREA_ALLOWANCE:
            yield draft.fault(
                f"area_m2 = {driver.area_m2:g}, but a circle of diameter_m = {driver.diameter_m:g} has {circle_m2:.2g} "
                "square meters",
                ("loudspeaker", "driver", index, "area_m2"),
                expected="one of the two, or both alike",
                remedy="square meters: 85 cm2 are 0.0085; leave out what is less sure",
            )


def _enclosure(draft: Draft) -> Iterator[Fault]:
    """A port in a closed box, and drivers that the cabinet cannot hold."""
    told = draft.loudspeaker
    if told is None or not told.drivers:
        return
    for index, driver in enumerate(told.drivers):
        if told.enclosure == "closed" and driver.kind == "port":
            yield draft.fault(
                f"a closed box has no port, but the driver {driver.name!r} is one",
                ("loudspeaker", "driver", index, "kind"),
                expected='enclosure = "vented", or no driver of kind "port"',
                remedy="correct enclosure, or take the port out",
            )
    for side, axis, length in (("width_m", 1, told.width_m), ("height_m", 2, told.height_m)):
        ends = [
            (d.position_m[axis] - 0.5 * d.diameter_m, d.position_m[axis] + 0.5 * d.diameter_m) for d in told.drivers
        ]
        span = max(end for _, end in ends) - min(end for end, _ in ends)
        if span > 1.02 * length + 0.01:
            yield draft.fault(
                f"the drivers' places and diameters span {span:.2f} m, the cabinet's {side} is {length:g} m",
                ("loudspeaker", side),
                expected="a cabinet that holds its drivers",
                remedy="check whether width and height are exchanged, and position_m and diameter_m of the drivers",
            )
