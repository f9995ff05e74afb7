"""Microphones and calibrators that sessions name, by their serial numbers."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select

from earwitness.archive.catalogue import Archive
from earwitness.archive.schema import SessionRow
from earwitness.session.record import Strict
from earwitness.session.session import Microphone

NOT_STATED = "not stated"


@dataclass(frozen=True, slots=True)
class Instrument:
    """kind : "microphone" or "calibrator"; name : "" where none is stated; sessions : how many name it, from the day
    `first` to the day `last`."""

    kind: str
    name: str
    serial: str
    sessions: int
    first: str
    last: str


def devices(archive: Archive) -> tuple[Instrument, ...]:
    """Every device with a serial number, the latest used first."""
    found = []
    microphone = SessionRow.facts["microphone"]
    with archive.reading() as work:
        for kind, told in (("microphone", microphone), ("calibrator", microphone["calibrator"])):
            serial, name = told["serial"].as_string(), told["name"].as_string()
            query = select(serial, func.max(name), func.count(), func.min(SessionRow.date), func.max(SessionRow.date))
            for number, called, count, first, last in work.execute(query.where(serial != "").group_by(serial)):
                found.append(
                    Instrument(
                        kind, "" if called in (None, NOT_STATED) else called, number, count, first=first, last=last
                    )
                )
    return tuple(sorted(found, key=lambda one: (one.kind, one.last), reverse=True))


# What sessions of one rig have in common; the loudspeaker and the takes are another matter.
_OF_THE_RIG = ("tester", "microphone", "drive", "stimulus", "reference", "environment", "turntable")


def remembered(archive: Archive) -> dict[str, Any]:
    """The rig as the latest sessions describe it, as tables of session.toml without what is usual: "microphones" and
    "calibrators" with a serial number, the latest used first, and "last", the tables of the latest session with
    recordings, with its "date"."""
    told: dict[str, Any] = {"microphones": {}, "calibrators": {}, "last": None}
    microphone = SessionRow.facts["microphone"]
    query = select(SessionRow.id, microphone).where(microphone["serial"].as_string() != "")
    with archive.reading() as work:
        rows = work.execute(query.order_by(SessionRow.date.desc(), SessionRow.id.desc())).all()
        latest = work.scalar(
            select(SessionRow.id).where(SessionRow.facts["stimulus"]["kind"].as_string() != "none")
            .order_by(SessionRow.date.desc(), SessionRow.id.desc()).limit(1)
        )  # fmt: skip
    for _, table in rows:
        found = Microphone.model_validate(table)
        told["microphones"].setdefault(found.serial, _plain(found))
        if found.calibrator is not None and found.calibrator.serial:
            told["calibrators"].setdefault(found.calibrator.serial, _plain(found.calibrator))
    if latest is not None:
        session = archive.session(latest)
        tables = {key: getattr(session, key) for key in _OF_THE_RIG}
        told["last"] = {"date": session.date} | {key: _plain(one) for key, one in tables.items() if one is not None}
    return {**told, **{key: list(told[key].values()) for key in ("microphones", "calibrators")}}


def _plain(model: Strict) -> dict[str, Any]:
    kept = model.model_dump(mode="json", by_alias=True, exclude_defaults=True, exclude_none=True)
    return kept | ({"kind": model.kind} if hasattr(model, "kind") else {})  # the kind of a stimulus is a default
