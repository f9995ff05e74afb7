"""Faults between the facts of a loudspeaker: claims and their units, drivers, enclosure and cabinet."""

import math
from collections.abc import Iterator

from earwitness.errors import Fault
from earwitness.files.data import table_of
from earwitness.session.draft import Draft
from earwitness.session.record import Claim

_CLAIM_UNITS: dict[str, list[str]] = table_of("session", "words")["claim_units"]
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
            yield draft.fault("claim_unit", (*place, "unit"), claim=claim, allowed=allowed, expected=allowed)
        if claim.quantity == "frequency range" and claim.value_to is None:
            yield draft.fault("range_one_end", (*place, "value"))
        if claim.value_to is not None and claim.value_to <= claim.value:
            yield draft.fault("range_falls", (*place, "value_to"), claim=claim)


def _unit_fits(claim: Claim) -> bool:
    allowed = _CLAIM_UNITS[claim.quantity]
    if allowed == ["ohm"]:
        return claim.unit.casefold() in _OHM_SIGNS
    return claim.unit in allowed or (allowed == ["dB"] and claim.unit == "dB SPL")


def _drivers(draft: Draft) -> Iterator[Fault]:
    if draft.loudspeaker is not None and not draft.drivers and draft.responses is None:
        yield draft.fault("no_driver", ("loudspeaker",))
    for index, name in enumerate(draft.drivers):
        if name in draft.drivers[:index]:
            place = ("loudspeaker", "driver", index, "name")
            yield draft.fault("driver_name_twice", place, name=name)
    for index, driver in enumerate(draft.loudspeaker.drivers if draft.loudspeaker else ()):
        circle_m2 = math.pi * driver.diameter_m**2 / 4.0
        if driver.area_m2 is not None and abs(driver.area_m2 / circle_m2 - 1.0) > AREA_ALLOWANCE:
            yield draft.fault(
                "area_not_circle", ("loudspeaker", "driver", index, "area_m2"), driver=driver, circle_m2=circle_m2
            )


def _enclosure(draft: Draft) -> Iterator[Fault]:
    """A port in a closed box, and drivers that the cabinet cannot hold."""
    told = draft.loudspeaker
    if told is None or not told.drivers:
        return
    for index, driver in enumerate(told.drivers):
        if told.enclosure == "closed" and driver.kind == "port":
            yield draft.fault("port_in_closed_box", ("loudspeaker", "driver", index, "kind"), driver=driver)
    for side, axis, length in (("width_m", 1, told.width_m), ("height_m", 2, told.height_m)):
        ends = [
            (d.position_m[axis] - 0.5 * d.diameter_m, d.position_m[axis] + 0.5 * d.diameter_m) for d in told.drivers
        ]
        span = max(end for _, end in ends) - min(end for end, _ in ends)
        if span > 1.02 * length + 0.01:
            yield draft.fault("drivers_beyond_cabinet", ("loudspeaker", side), span=span, side=side, length=length)
