"""A session described by a form: what the form asks, checks while typing, and session.toml written and read back."""

import hashlib
import json
from pathlib import Path
from typing import Any

from fastapi import APIRouter
from pydantic import Field, JsonValue

from earwitness.app.add import put_session
from earwitness.archive import drafts
from earwitness.archive.desk import SESSION_FORM
from earwitness.archive.devices import remembered
from earwitness.bench.routes.measure import Folder, whole_path
from earwitness.bench.state import Body, OpenArchive
from earwitness.capture.plan import orbit_angles, planned_of
from earwitness.errors import Fault, InputError, SessionError
from earwitness.session.form_fields import form_tables
from earwitness.session.load import parsed_session, session_of
from earwitness.session.patterns import FILE
from earwitness.session.small_toml import toml_text, with_comments
from earwitness.session.toml_text import Keys, read_toml

router = APIRouter(prefix="/api/measure/session", tags=["measure session"])
_TOLD_TAKES = 400


class Described(Body):
    """A session as tables and keys; step_deg : of orbits that are still to be recorded."""

    document: dict[str, JsonValue]
    folder: str = Field(default="", max_length=1000)
    step_deg: float = Field(default=10.0, ge=1.0, le=180.0)


class ToWrite(Described):
    """base : hash of the session.toml that the form was last written to or read from, "" for none."""

    base: str = Field(default="", max_length=64)


@router.get("/form")
def session_form(archive: OpenArchive) -> dict[str, Any]:
    """Tables and fields, what the rig's earlier sessions say, and the forms that are begun."""
    kept = drafts.drafts_named(archive, f"{SESSION_FORM}:")
    begun = [{"number": int(one.key.partition(":")[2]), "value": one.value, "at": one.saved_at} for one in kept]
    return {"tables": form_tables(), "rig": remembered(archive), "forms": sorted(begun, key=lambda one: one["at"])}


@router.post("/check")
def session_check(body: Described) -> dict[str, Any]:
    """What is wrong, each fault with the path of its field; the takes that are asked for; and, where the folder has
    recordings, what still keeps it from being taken in, None where nothing does."""
    text = toml_text(body.document)
    takes: tuple[Any, ...] = ()
    open_faults: list[dict[str, Any]] = []
    lacking: list[dict[str, Any]] | None = None
    document, lines = parsed_session(text, Path())
    try:
        angles = orbit_angles(body.step_deg)
        takes = planned_of(Path(), document, lines, {"horizontal": angles, "vertical": angles}).session.takes
    except SessionError as error:
        open_faults = [_told(fault, lines) for fault in error.faults]
    except InputError as error:
        open_faults = [{"what": error.what, "expected": error.expected, "remedy": "", "path": ["step_deg"]}]
    can_record = not open_faults
    if body.folder:
        try:
            takes = session_of(whole_path(body.folder), *parsed_session(text, Path())).takes
            open_faults = []
        except SessionError as error:
            lacking = [_told(fault, lines) for fault in error.faults]
            # What is wrong in either way: recordings that lack are no fault of the form, nor are those of another kind
            # than a sound card would write.
            open_faults = min(open_faults, lacking, key=len)
    return {
        "faults": open_faults, "takes": [one.id for one in takes[:_TOLD_TAKES]], "count": len(takes),
        "lacking": lacking,
        "is_whole": bool(body.folder) and lacking is None, "can_record": can_record,
    }  # fmt: skip


@router.post("/read")
def session_read(body: Folder) -> dict[str, Any]:
    """The session.toml of a folder as tables and keys, its comments beside them."""
    folder = whole_path(body.folder)
    if not (folder / FILE).exists():
        raise InputError.of("bench.no_session_toml", where=str(folder))
    text = read_toml(folder / FILE, FILE)
    document, _ = parsed_session(text, folder)
    # Dates and numbers that JSON has no word for as text: the check tells of them.
    plain = json.loads(json.dumps(with_comments(document, text), default=str), parse_constant=str)
    return {"document": plain, "base": _hash(text)}


@router.post("/write")
def session_write(body: ToWrite) -> dict[str, str]:
    """Write session.toml; one that is there is kept as session.toml.old, and is left where it was changed since."""
    path = whole_path(body.folder) / FILE
    if path.exists() and _hash(read_toml(path, FILE)) != body.base:
        raise InputError.of("bench.session_toml_changed", where=str(path))
    text = toml_text(body.document)
    put_session(path, text)
    return {"path": str(path), "base": _hash(text)}


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _told(fault: Fault, lines: dict[Keys, int]) -> dict[str, Any]:
    """A fault with the path of the table or key that its line begins."""
    at = sorted((len(path), path) for path, line in lines.items() if line == fault.line and len(path) < 6)
    key = fault.field.replace(",", ".").rpartition(".")[2].strip()
    paths = [path for _, path in at]
    # The line of a table tells of a key that it lacks.
    path = next((one for one in paths if one[-1] == key), None)
    if path is None:
        path = (*(paths[-1] if paths else ()), *([key] if key and key.isidentifier() else ()))
    return {"what": fault.what, "expected": fault.expected, "remedy": fault.remedy, "path": list(path)}
