"""Listening sheets: begin one, seal it before the data are shown, hold it against them afterwards."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from earwitness.app.findings import findings_of
from earwitness.app.read import ReadResult, read_loudspeaker
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import folded
from earwitness.archive.notes import SheetEntry, all_sheets, keep_sheet, opening, sheets_of
from earwitness.errors import InputError, choice
from earwitness.exhibits.advice import HeardSheet
from earwitness.insight.findings import Finding
from earwitness.insight.listening.listeners import Agreement, agreement
from earwitness.insight.listening.matching import MatchedRemark, matched
from earwitness.insight.listening.reliability import Noticed, Reliability, noticed, reliability
from earwitness.insight.listening.remark import Remark
from earwitness.insight.listening.seal import seal, unsealed
from earwitness.insight.listening.vocabulary import heard_words
from earwitness.session.notes import SHEET_FILE, ListeningSheet, load_sheet, sheet_of, sheet_template
from earwitness.session.template import write_new

Clock = Callable[[], datetime]


@dataclass(frozen=True, slots=True)
class KeptSheet:
    """A sealed sheet as the archive holds it."""

    entry: SheetEntry
    sheet: ListeningSheet

    @property
    def mark(self) -> str:
        """Whether it proves anything."""
        return mark_words(self.entry.is_after_data)


@dataclass(frozen=True, slots=True)
class SealedSheet:
    """What came of sealing. lines : what to tell the tester."""

    entry: SheetEntry
    remarks: int
    lines: tuple[str, ...]


def mark_words(is_after_data: bool) -> str:
    """The mark that a sealed sheet carries."""
    return "made with the data known" if is_after_data else "sealed before the data were shown"


def utc_now() -> datetime:
    """The clock of the machine."""
    return datetime.now(UTC)


def new_sheet(path: Path) -> Path:
    """Write an empty sheet to `path`: a .toml file, or listening.toml in a folder. One that is there stays as it is.

    Raises InputError where there is one already, OutputError where it cannot be written.
    """
    file = path if path.suffix.lower() == ".toml" else path / SHEET_FILE
    return write_new(file, sheet_template(heard_words()))


def seal_sheet(path: Path, archive_folder: Path, *, clock: Clock = utc_now) -> SealedSheet:
    """Seal the sheet at `path` and keep it in the archive, which is made where there is none.

    Raises InputError and SessionError as `load_sheet` does, ArchiveError and OutputError as the archive does.
    """
    sheet = load_sheet(path, vocabulary=heard_words())
    _refuse_lettered(sheet)
    with Archive.open(archive_folder) as archive:
        return keep_sealed(archive, sheet, clock=clock)


def seal_entered(document: Mapping[str, Any], archive_folder: Path, *, clock: Clock = utc_now) -> SealedSheet:
    """Seal a sheet that was entered: the same keys as in a file, as plain values. Raises as `seal_sheet`."""
    sheet = entered_sheet(document)
    _refuse_lettered(sheet)
    with Archive.open(archive_folder) as archive:
        return keep_sealed(archive, sheet, clock=clock)


def entered_sheet(document: Mapping[str, Any]) -> ListeningSheet:
    """The sheet of what was entered. Raises SessionError with every fault at once."""
    return sheet_of(document, vocabulary=heard_words(), where="the notes")


def _refuse_lettered(sheet: ListeningSheet) -> None:
    if sheet.letter is not None or sheet.blind_test is not None:
        raise InputError.of(
            "app.one_letter",
            where=f"letter {sheet.letter or 'not given'}, blind test {sheet.blind_test or 'not given'}",
        )


def keep_sealed(archive: Archive, sheet: ListeningSheet, *, clock: Clock = utc_now) -> SealedSheet:
    """Seal `sheet` and keep it. Raises ArchiveError and OutputError as the archive does."""
    made = seal(sheet, clock)
    entry = keep_sheet(
        archive,
        name=sheet.loudspeaker,
        maker=sheet.maker,
        facts=made.facts,
        sha256=made.sha256,
        sealed_at=made.sealed_at,
    )
    count = len(sheet.remarks)
    lines = [
        f"{sheet.maker} {sheet.loudspeaker}: {count} remark{'s' if count != 1 else ''} sealed at {entry.sealed_at}"
    ]
    if entry.sha256 != made.sha256:
        lines[0] = f"{sheet.maker} {sheet.loudspeaker}: this sheet was sealed already, at {entry.sealed_at}"
    lines.append(f"seal {entry.sha256}")
    if entry.is_after_data:
        lines.append("the data had been shown before: the sheet is marked as made with the data known")
    elif entry.opened_at is not None:
        lines.append(f"the data were first shown at {entry.opened_at}, after it was sealed")
    else:
        lines.append("the data have not been shown; give the seal to somebody else to prove the time as well")
    return SealedSheet(entry, count, tuple(lines))


def sealed_sheets(archive_folder: Path, *, name: str = "", maker: str = "") -> tuple[KeptSheet, ...]:
    """Sealed sheets in the order of sealing: of one loudspeaker, or of all without a name. No data are read for it.

    Raises ArchiveError where there is no archive, or a sheet does not fit its seal.
    """
    with Archive.open(archive_folder, create=False) as archive:
        entries = sheets_of(archive, name=name, maker=maker) if name else all_sheets(archive)
    return tuple(KeptSheet(entry, unsealed(entry.facts, entry.sealed_at, entry.sha256)) for entry in entries)


def data_shown_at(archive_folder: Path, *, name: str, maker: str) -> str | None:
    """When the data of a loudspeaker were first shown; None while they were not, as sealed notes want it."""
    with Archive.open(archive_folder, create=False) as archive:
        return opening(archive, name=name, maker=maker)


def heard_sheets(
    result: ReadResult, archive_folder: Path, findings: tuple[Finding, ...]
) -> tuple[HeardSheet, ...]:  # fmt: skip
    """Every sealed sheet of a loudspeaker held against its data, in the order of sealing.

    Raises ArchiveError where a sheet does not fit its seal.
    """
    loudspeaker = result.session.loudspeaker
    with Archive.open(archive_folder, create=False) as archive:
        entries = sheets_of(archive, name=loudspeaker.name, maker=loudspeaker.maker)
    return tuple(_heard(entry, result, findings) for entry in entries)


def _heard(entry: SheetEntry, result: ReadResult, findings: tuple[Finding, ...]) -> HeardSheet:
    sheet = unsealed(entry.facts, entry.sealed_at, entry.sha256)
    matching = matched(sheet, result.reading, findings)
    return HeardSheet(sheet, entry.sha256, entry.sealed_at, entry.opened_at, entry.is_after_data, matching)


def listeners_of(archive_folder: Path) -> tuple[str, ...]:
    """Names of all who sealed a sheet before the data, in the order of sealing."""
    kept = sealed_sheets(archive_folder)
    return tuple(dict.fromkeys(one.sheet.listener for one in kept if not one.entry.is_after_data))


def listeners_agree(heard: Sequence[HeardSheet]) -> Agreement | None:
    """How far several listeners agree on one loudspeaker; None where there are not two who said something."""
    said: dict[str, list[Remark]] = {}
    for one in heard:
        if not one.is_after_data:
            said.setdefault(one.sheet.listener, []).extend(m.remark for m in one.matching.remarks)
    found = agreement({name: remarks for name, remarks in said.items() if remarks})
    return None if isinstance(found, str) else found


def own_reliability(archive_folder: Path, *, listener: str | None = None) -> tuple[Reliability, ...]:
    """The first half of `own_record`."""
    return own_record(archive_folder, listener=listener)[0]


def own_record(
    archive_folder: Path, *, listener: str | None = None
) -> tuple[tuple[Reliability, ...], tuple[Noticed, ...]]:
    """How often remarks of all sheets sealed before the data agree with them, by region, and how many of the findings
    they spoke of; empty without any.

    listener : only that one's sheets, None for all. InputError for a name that sealed none.
    Sheets of loudspeakers that have no session in the archive wait until they have one.
    """
    if listener is not None:
        choice("listener", listener, listeners_of(archive_folder))
    with Archive.open(archive_folder, create=False) as archive:
        known = {(folded(one.name), folded(one.maker)): one for one in archive.loudspeakers()}
        names = dict.fromkeys(
            (sheet.loudspeaker, sheet.maker)
            for entry in all_sheets(archive)
            if not entry.is_after_data
            for sheet in (unsealed(entry.facts, entry.sealed_at, entry.sha256),)
        )
    remarks: list[MatchedRemark] = []
    seen: list[tuple[float, float, bool]] = []
    for name, maker in names:
        there = known.get((folded(name), folded(maker)))
        if there is None:
            continue
        result = read_loudspeaker(f"{there.maker} {there.name}", archive_folder)
        findings = findings_of(result, archive_folder)
        sheets = heard_sheets(result, archive_folder, findings)
        kept = [one for one in sheets if not one.is_after_data and listener in (None, one.sheet.listener)]
        remarks += [m for one in kept for m in one.matching.remarks]
        for one in kept:
            unheard = set(one.matching.unheard)
            seen += [(f.center_hz, f.margin_db, place not in unheard) for place, f in enumerate(findings) if f.q]
    return (reliability(remarks), noticed(seen)) if remarks else ((), ())
