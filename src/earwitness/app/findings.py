"""Findings of a reading, kept in the archive under the step that made them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness.app.read import ReadResult
from earwitness.archive.catalogue import Archive
from earwitness.errors import InputError
from earwitness.figures.read import levels_of
from earwitness.insight.findings import Finding, find
from earwitness.insight.findings.finding import AIMED, AimAnswer, Origin, Resonance, Sized
from earwitness.insight.findings.narrow import gated_impulse
from earwitness.insight.findings.origins import Cabinet
from earwitness.insight.mend.aim import AimStudy, aim_study
from earwitness.insight.mend.aim_answer import with_aim, without_aim
from earwitness.quantities.lineage import Step, step

if TYPE_CHECKING:
    from earwitness.quantities import Reading
    from earwitness.quantities.directions import Orbit

FINDINGS = "findings"
RULES = 9
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
        if kept is None:
            rows = [finding_record(one) for one in found_in(result.reading, result)]
            session_id = archive.counting_session(result.loudspeaker_id).id
            archive.keep_document(session_id, made, FINDINGS, {"findings": rows})
            # As it comes out of the archive, so that the first answer is the next one's byte for byte.
            kept = archive.document(made.key, FINDINGS) or {"findings": rows}
    return tuple(_finding(row) for row in kept["findings"])


def found_in(reading: Reading, result: ReadResult) -> tuple[Finding, ...]:
    """Findings worked out now, those that only another aim mends with what the study of aims says to them."""
    measured = result.measurement
    found = find(
        reading,
        measured.response,
        impedance=measured.impedance,
        near_fields=measured.near_field,
        drivers=result.session.loudspeaker.drivers,
        cabinet=Cabinet.of(result.session.loudspeaker),
        gated=gated_impulse(measured),
    )
    studies = {orbit: _studied(result, orbit) for orbit in sorted({AIMED[f.kind] for f in found if f.kind in AIMED})}
    return tuple(_aimed(one, studies, found) for one in found)


def _studied(result: ReadResult, orbit: Orbit) -> AimStudy | str:
    """The study of one orbit's aims as `mend --aim` makes it, or why there is none."""
    levels, symmetric = levels_of(result.measurement.response), result.session.loudspeaker.symmetric
    try:
        return aim_study(levels, orbit=orbit, symmetric=symmetric)
    except InputError as error:
        return error.expected or error.what


def _aimed(one: Finding, studies: Mapping[Orbit, AimStudy | str], found: Sequence[Finding]) -> Finding:
    if one.kind not in AIMED:
        return one
    study = studies[AIMED[one.kind]]
    return without_aim(one, study) if isinstance(study, str) else with_aim(one, study, found)


def finding_record(one: Finding) -> dict[str, Any]:
    """A finding as plain values for JSON, every number as it is."""
    record: dict[str, Any] = {field.name: getattr(one, field.name) for field in fields(one)}
    said = None if one.aim is None else asdict(one.aim)
    behind = None if one.resonance is None else asdict(one.resonance)
    return {
        **record,
        "curves": list(one.curves),
        "evidence": dict(one.evidence),
        "aim": said,
        "resonance": behind,
        "told": asdict(one.told),
        "sizes": {key: asdict(size) for key, size in one.sizes.items()},
        "origins": [asdict(origin) for origin in one.origins],
    }


def _finding(record: Mapping[str, Any]) -> Finding:
    said = None if record["aim"] is None else AimAnswer(**record["aim"])
    behind = None if record["resonance"] is None else Resonance(**record["resonance"])
    sizes = {key: Sized(**size) for key, size in record["sizes"].items()}
    origins = tuple(Origin(**origin) for origin in record["origins"])
    known = {"curves": tuple(record["curves"]), "aim": said, "resonance": behind, "sizes": sizes, "origins": origins}
    kept = {key: value for key, value in record.items() if key != "told"}
    return Finding(**{**kept, **known})
