"""Microphones and calibrators that sessions name, by their serial numbers."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, select

from earwitness.archive.catalogue import Archive
from earwitness.archive.schema import SessionRow

NOT_STATED = "not stated"


@dataclass(frozen=True, slots=True)
class Device:
    """kind : "microphone" or "calibrator"; name : "" where none is stated; sessions : how many name it, from the day
    `first` to the day `last`."""

    kind: str
    name: str
    serial: str
    sessions: int
    first: str
    last: str


def devices(archive: Archive) -> tuple[Device, ...]:
    """Every device with a serial number, the latest used first."""
    found = []
    microphone = SessionRow.facts["microphone"]
    with archive.reading() as work:
        for kind, told in (("microphone", microphone), ("calibrator", microphone["calibrator"])):
            serial, name = told["serial"].as_string(), told["name"].as_string()
            query = select(serial, func.max(name), func.count(), func.min(SessionRow.date), func.max(SessionRow.date))
            for number, called, count, first, last in work.execute(query.where(serial != "").group_by(serial)):
                found.append(Device(kind, "" if called in (None, NOT_STATED) else called, number, count, first, last))
    return tuple(sorted(found, key=lambda one: (one.kind, one.last), reverse=True))
