"""The takes that a session.toml asks for, before any recording is there."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any

from pydantic import ValidationError

from earwitness.capture.sound import Wiring
from earwitness.errors import Fault, InputError, SessionError
from earwitness.session.check import check
from earwitness.session.draft import draft_of
from earwitness.session.load import session_document
from earwitness.session.patterns import ANGLE, FILE, WrittenTake, spell_out
from earwitness.session.session import FarFieldTake, ImpedanceTableTake, ImpedanceTake, Session, Take
from earwitness.session.toml_text import Keys
from earwitness.session.wording import fault_of

_NO_HASH = "0" * 64
_MOST_BYTES = 2**20
Angles = Mapping[str, Sequence[float]]


@dataclass(frozen=True, slots=True, eq=False)
class PlannedSession:
    """A session whose recordings may not be there yet; `live` : its takes that a sound card can record, in order."""

    folder: Path
    session: Session
    live: tuple[Take, ...]

    def take(self, take_id: str) -> Take:
        """InputError for an unknown id."""
        for one in self.live:
            if one.id == take_id:
                return one
        raise InputError(f"there is no take {take_id!r}", expected="one of " + ", ".join(one.id for one in self.live))


def plan_session(folder: Path, angles_deg: Angles) -> PlannedSession:
    """Read session.toml; a pattern such as "horizontal/{angle}.wav" becomes one take for each angle of its orbit.

    angles_deg : by orbit; of a vertical orbit beside a horizontal one, 0 and 180 degrees are left out: they are the
    same places. InputError where session.toml cannot be read, SessionError with all its faults.
    """
    return planned_of(folder, *session_document(folder), angles_deg)


def planned_of(folder: Path, document: dict[str, Any], lines: dict[Keys, int], angles_deg: Angles) -> PlannedSession:
    """The same of a document that may not be written yet."""
    tables = document.pop("take", None)
    tables = tables if isinstance(tables, list) else []
    expanded = _expanded(tables, angles_deg)
    faults: list[Fault] = []
    spelled = spell_out([table for _, table in expanded], folder, lines, faults)
    takes = [WrittenTake(expanded[one.index][0], {**one.table, "sha256": _NO_HASH}) for one in spelled]
    session: Session | None = None
    try:
        session = Session.model_validate({**document, "takes": [one.table for one in takes], "file_hashes": {}})
    except ValidationError as error:
        faults += [fault_of(detail, takes, lines) for detail in error.errors(include_url=False)]
    faults += check(draft_of(document, takes, lines))
    faults += _shared_files(session)
    if faults or session is None:
        raise SessionError(str(folder), list(dict.fromkeys(faults)))
    live = tuple(one for one in session.takes if not isinstance(one, ImpedanceTableTake))
    return PlannedSession(folder, session, live)


def orbit_angles(step_deg: float) -> tuple[float, ...]:
    """0, step ... 180, then back from the other side: -180 + step ... -step, as a turntable goes round.

    InputError unless the step divides 360 degrees and is 1 degree or more.
    """
    count = round(360.0 / step_deg) if step_deg > 0 else 0
    if step_deg < 1.0 or count < 1 or abs(count * step_deg - 360.0) > 1e-9:
        raise InputError.of("capture.step_divides_not", step_deg=step_deg)
    around = [n * step_deg for n in range(count)]
    return tuple(angle if angle <= 180.0 else angle - 360.0 for angle in around)


def wiring_for(planned: PlannedSession, take: Take, wiring: Wiring) -> Wiring:
    """The wiring of one take: its microphone and loop-back are what session.toml says, so that both always agree."""
    if isinstance(take, ImpedanceTake):
        # Channel A holds the source, as the loop-back does elsewhere.
        return replace(wiring, microphone=take.channel_b, reference=take.channel_a)
    told = planned.session.reference
    reference = take.reference_channel or (told.channel if told is not None else None)
    return replace(wiring, microphone=take.microphone_channel, reference=reference)


def _expanded(tables: list[Any], angles_deg: Angles) -> list[tuple[int, Any]]:
    """(number of the [[take]] table, table) with patterns spelled out; what is no good pattern stays, to be told."""
    horizontal = any(isinstance(one, dict) and one.get("orbit") == "horizontal" for one in tables)
    out: list[tuple[int, Any]] = []
    for index, table in enumerate(tables):
        pattern = table.get("files") if isinstance(table, dict) else None
        if not isinstance(pattern, str) or ANGLE not in PurePosixPath(pattern).name:
            out.append((index, table))
            continue
        orbit = str(table.get("orbit"))
        angles = [a for a in angles_deg.get(orbit, ()) if not (horizontal and orbit == "vertical" and a % 180 == 0)]
        if not angles:
            raise InputError.of("capture.angles_not_said", where=f"session.toml, files = {pattern!r}", orbit=orbit)
        shared = {key: value for key, value in table.items() if key != "files"}
        out += [(index, {**shared, "file": pattern.replace(ANGLE, f"{a:g}"), "angle_deg": float(a)}) for a in angles]
    return out


def _shared_files(session: Session | None) -> list[Fault]:
    seen: dict[str, str] = {}
    faults = []
    for take in () if session is None else session.takes:
        if not take.file.lower().endswith(".wav") and not isinstance(take, ImpedanceTableTake):
            what = f"{take.file!r}: live takes are written as WAV"
            faults.append(Fault(what, FILE, None, f"take {take.id}", "a name that ends in .wav", "change the suffix"))
        if not _inside(take.file):
            what = f"{take.file!r} leads out of the folder"
            faults.append(Fault(what, FILE, None, f"take {take.id}", "a name inside the folder", "change the name"))
        if take.file in seen and isinstance(take, FarFieldTake):
            what = f"takes {seen[take.file]!r} and {take.id!r} share {take.file!r}"
            faults.append(Fault(what, FILE, None, f"take {take.id}", "a file for each", "record the place once"))
        seen.setdefault(take.file, take.id)
    return faults


def _inside(name: str) -> bool:
    path = PurePosixPath(name)
    plain = not path.is_absolute() and ".." not in path.parts and "\\" not in name and ":" not in name
    return plain and bool(path.parts) and path.parts[0] != "spoiled"
