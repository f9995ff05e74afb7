"""Findings of a reading, kept in the archive under the step that made them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness.app.read import ReadResult
from earwitness.archive.catalogue import Archive
from earwitness.insight.findings import Finding, find
from earwitness.quantities.lineage import Step, step

if TYPE_CHECKING:
    from earwitness.quantities import Reading

FINDINGS = "findings"
RULES = 4
"""Raised whenever the rules of finding change, so that kept findings of older rules are not used."""
_CHOICES = ("edition", "rear_wall", "axis_weight", "symmetric")


def findings_step(result: ReadResult) -> Step:
    """The step that makes the findings of a reading: its measurement and the reading's choices."""
    choices = {key: result.reading.choices[key] for key in _CHOICES if key in result.reading.choices}
    return step(FINDINGS, {**choices, "rules": RULES}, (result.measurement.steps[-1].key,))


def findings_of(result: ReadResult, archive_folder: Path) -> tuple[Finding, ...]:
    """The findings of a reading, most audible first; worked out once, then taken from the archive.

    Raises ArchiveError where the archive is damaged, OutputError where it cannot be written.
    """
    made = findings_step(result)
    with Archive.open(archive_folder, create=False) as archive:
        kept = archive.document(made.key, FINDINGS)
        if kept is not None:
            return tuple(_finding(row) for row in kept["findings"])
        found = found_in(result.reading, result)
        session_id = archive.sessions_of(result.loudspeaker_id)[-1].id
        archive.keep_document(session_id, made, FINDINGS, {"findings": [finding_record(one) for one in found]})
    return found


def found_in(reading: Reading, result: ReadResult) -> tuple[Finding, ...]:
    """Findings worked out now."""
    measured = result.measurement
    return find(reading, measured.response, impedance=measured.impedance, near_fields=measured.near_field)


def finding_record(one: Finding) -> dict[str, Any]:
    """A finding as plain values for JSON, every number as it is."""
    record: dict[str, Any] = {field.name: getattr(one, field.name) for field in fields(one)}
    return {**record, "curves": list(one.curves), "evidence": dict(one.evidence)}


def _finding(record: Mapping[str, Any]) -> Finding:
    return Finding(**{**record, "curves": tuple(record["curves"])})
