"""The files behind a session's responses, each read once in a process, and what is still to be settled about them."""

import hashlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Literal

from earwitness.errors import Fault, FormatError
from earwitness.formats.audio import Recording, read_audio
from earwitness.formats.directivity_sofa import SofaDirectivity, read_directivity_sofa
from earwitness.formats.level_table import LevelTable, holds_levels, levels_of
from earwitness.formats.response_table import Question, ResponseTable, responses_of
from earwitness.formats.table import read_table
from earwitness.session.responses import (
    LEVEL_TABLES,
    RESPONSE_FILES,
    CurvesTake,
    DirectionsTake,
    ImpulseTake,
    LevelTableTake,
    MultitoneTableTake,
    ResponseTake,
    UncertaintyTake,
)
from earwitness.session.session import Session
from earwitness.session.toml_text import of_file, told

Seen = ResponseTable | SofaDirectivity | LevelTable
ResponseSource = Seen | Recording
FileTake = (
    CurvesTake | ResponseTake | ImpulseTake | DirectionsTake | UncertaintyTake | LevelTableTake | MultitoneTableTake
)
Form = Literal["responses", "levels", "sofa"]
_KEPT = 512
_READ: dict[tuple[str, tuple[tuple[str, str], ...], Form], Seen] = {}
# The key of session.toml that answers a question of a reader.
_KEYS = {"axis": "axis_deg", "thousands": "columns", "positions": "source_positions"}


def read_source(path: Path, take: FileTake) -> ResponseSource:
    """What the file of a take of responses holds, with the take's own answers to what the file leaves open.

    FormatError or AudioError as the readers have them.
    """
    answers: dict[str, str] = {}
    if isinstance(take, ImpulseTake):
        return read_audio(path)
    if isinstance(take, UncertaintyTake):
        return _read(path, take.sha256, (("plane", take.plane),) if take.plane else (), "responses")
    if take.columns:
        answers["columns"] = take.columns
    if take.unit is not None:
        answers["unit"] = take.unit
    if isinstance(take, LEVEL_TABLES):
        answers |= {} if take.level_unit is None else {"level_unit": take.level_unit}
        return _read(path, take.sha256, tuple(sorted(answers.items())), "levels")
    if isinstance(take, DirectionsTake):
        told = {"plane": take.plane, "data": take.data, "positions": take.source_positions, "harmonics": take.harmonics}
        answers |= {key: value for key, value in told.items() if value is not None}
        if take.axis_deg is not None:
            answers["axis"] = f"{take.axis_deg[0]:g}, {take.axis_deg[1]:g}"
    # Kept files have no suffix: what a file is stands in the name that the session gives it.
    is_sofa = take.file.lower().endswith(".sofa")
    return _read(path, take.sha256, tuple(sorted(answers.items())), "sofa" if is_sofa else "responses")


def _read(
    path: Path, sha256: str, answers: tuple[tuple[str, str], ...], form: Form, *, named: bool | None = None
) -> Seen:
    """By content: the file in the session folder is checked, its copy in the archive is used.

    named : as in `holds_levels`, for a file whose form is not known; None where it is.
    """
    key = (sha256, answers, form)
    found = _READ.get(key)
    if found is None:
        if form == "sofa":
            found = read_directivity_sofa(path, answers=dict(answers))
        else:
            table = read_table(path)
            levels = form == "levels" if named is None else holds_levels(table, named=named)
            key = (sha256, answers, "levels" if levels else "responses")
            found = levels_of(table, answers=dict(answers)) if levels else responses_of(table, answers=dict(answers))
        if len(_READ) >= _KEPT:
            _READ.pop(next(iter(_READ)))
        _READ[key] = found
    return found


def read_seen(path: Path, *, named: bool = False) -> Seen:
    """What a table or a SOFA file holds before anything is said of it; kept for the session that will name it.

    named : the file's name tells a direction. FormatError as the readers have it, and for a file that cannot be opened.
    """
    try:
        with path.open("rb") as file:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise FormatError(f"the file cannot be opened: {reason}", where=str(path), remedy="check permissions") from None
    return _read(path, sha256, (), "sofa" if path.suffix.lower() == ".sofa" else "responses", named=named)


def sources_of(session: Session, files: Mapping[str, Path]) -> dict[str, ResponseSource]:
    """What the files of all takes of responses hold, by the take's id. Errors as in `read_source`."""
    return {take.id: read_source(files[take.file], take) for take in session.takes if isinstance(take, RESPONSE_FILES)}


def open_questions(source: ResponseSource, take: FileTake) -> tuple[Question, ...]:
    """What the reading leaves open and the take does not settle."""
    if isinstance(source, Recording):
        return ()
    left = source.questions
    if isinstance(take, ResponseTake):
        # A file of one direction: its direction stands in the session.
        left = tuple(one for one in left if one.key != "plane")
    return left


def faults_of(folder: Path, take: FileTake, *, relative: bool) -> Iterator[Fault]:
    """What must be mended or settled before a take of responses can be used. relative : levels are known to be."""
    if isinstance(take, ImpulseTake):
        return
    field = f"take {take.id}, file"
    try:
        source = read_source(folder / take.file, take)
    except FormatError as error:
        yield of_file(error, take.file, field)
        return
    if isinstance(take, UncertaintyTake) and (not isinstance(source, ResponseTable) or source.kind != "uncertainty"):
        yield told("no_uncertainty_column", take.file, None, field)
        return
    if isinstance(take, CurvesTake) and isinstance(source, ResponseTable) and not source.curves and take.curve is None:
        yield told("no_curve_column", take.file, None, f"take {take.id}, curve")
    if isinstance(take, LevelTableTake) and isinstance(source, LevelTable):
        yield from _open_levels(take, source)
    for question in open_questions(source, take):
        if question.key in ("unit", "data") and relative:
            continue
        key = _KEYS.get(question.key, question.key)
        value = f"[{question.options[0]}]" if key == "axis_deg" else f'"{question.options[0]}"'
        others = ", or ".join(f'"{one}"' for one in question.options[1:])
        more = f" (likeliest; {others})" if others else ""
        place = (take.file, question.line or None, f"take {take.id}, {key}")
        yield told("question_open", *place, question=question, key=key, value=value, more=more)


def _open_levels(take: LevelTableTake, table: LevelTable) -> Iterator[Fault]:
    """Facts that the columns of a table of levels need beside it."""
    if take.drive_v is None and not table.has_drives:
        yield told("table_without_drive", take.file, None, f"take {take.id}, drive_v")
    if take.from_v is None and any(one.role == "compression" for one in table.columns):
        yield told("table_without_from", take.file, None, f"take {take.id}, from_v")
