"""Listening: sheets begun, sealed and held against the data; the findings they are held against; blind tests."""

from __future__ import annotations

import hashlib
import hmac
import math
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ConfigDict, TypeAdapter

from earwitness.app.read import ReadResult, read_loudspeaker
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import folded
from earwitness.archive.drafts import draft, save_draft
from earwitness.archive.notes import SheetEntry, all_sheets, keep_sheet, opening, sheets_of
from earwitness.errors import InputError, OutputError, choice
from earwitness.exhibits.advice import HeardSheet
from earwitness.exhibits.record import record
from earwitness.figures.read import levels_of
from earwitness.files.durable import write_bytes
from earwitness.insight.findings import Finding, find
from earwitness.insight.findings.finding import AIMED
from earwitness.insight.findings.narrow import gated_impulse
from earwitness.insight.findings.origins import Cabinet
from earwitness.insight.listening.matching import MatchedRemark, matched
from earwitness.insight.listening.remark import Remark, heard_words, seal, unsealed
from earwitness.insight.listening.trials import Agreement, Noticed, Reliability, agreement, noticed, reliability
from earwitness.insight.mend.aim import AimStudy, aim_study, with_aim, without_aim
from earwitness.quantities import Step, step
from earwitness.session.form_fields import write_new
from earwitness.session.notes import SHEET_FILE, ListeningSheet, load_sheet, sheet_of, sheet_template

if TYPE_CHECKING:
    from earwitness.quantities import Orbit, Reading


FINDINGS = "findings"
RULES = 9
"""Raised whenever the rules of finding change, so that kept findings of older rules are not used."""
_KEPT_FINDINGS = TypeAdapter(tuple[Finding, ...], config=ConfigDict(defer_build=True))
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
    return _KEPT_FINDINGS.validate_python(kept["findings"])


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
    return {
        **{field.name: getattr(one, field.name) for field in fields(one)},
        "curves": list(one.curves),
        "evidence": dict(one.evidence),
        "aim": one.aim and asdict(one.aim),
        "resonance": one.resonance and asdict(one.resonance),
        "told": asdict(one.told),
        "sizes": {key: asdict(size) for key, size in one.sizes.items()},
        "origins": [asdict(origin) for origin in one.origins],
    }


Clock = Callable[[], datetime]
utc_now: Clock = partial(datetime.now, UTC)


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
    return _sealed_alone(load_sheet(path, vocabulary=heard_words()), archive_folder, clock)


def seal_entered(document: Mapping[str, Any], archive_folder: Path, *, clock: Clock = utc_now) -> SealedSheet:
    """Seal a sheet that was entered: the same keys as in a file, as plain values. Raises as `seal_sheet`."""
    return _sealed_alone(entered_sheet(document), archive_folder, clock)


def entered_sheet(document: Mapping[str, Any]) -> ListeningSheet:
    """The sheet of what was entered. Raises SessionError with every fault at once."""
    return sheet_of(document, vocabulary=heard_words(), where="the notes")


def _sealed_alone(sheet: ListeningSheet, archive_folder: Path, clock: Clock) -> SealedSheet:
    """A sheet that belongs to no blind test."""
    if sheet.letter is not None or sheet.blind_test is not None:
        where = f"letter {sheet.letter or 'not given'}, blind test {sheet.blind_test or 'not given'}"
        raise InputError.of("app.one_letter", where=where)
    with Archive.open(archive_folder) as archive:
        return keep_sealed(archive, sheet, clock=clock)


def keep_sealed(archive: Archive, sheet: ListeningSheet, *, clock: Clock = utc_now) -> SealedSheet:
    """Seal `sheet` and keep it. Raises ArchiveError and OutputError as the archive does."""
    made = seal(sheet, clock)
    entry = keep_sheet(archive, name=sheet.loudspeaker, maker=sheet.maker, **asdict(made))
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


def heard_sheets(result: ReadResult, archive_folder: Path, findings: tuple[Finding, ...]) -> tuple[HeardSheet, ...]:
    """Every sealed sheet of a loudspeaker held against its data, in the order of sealing.

    Raises ArchiveError where a sheet does not fit its seal.
    """
    own = result.session.loudspeaker
    return tuple(
        HeardSheet(
            sheet=one.sheet,
            matching=matched(one.sheet, result.reading, findings),
            **record(one.entry, "sha256 sealed_at opened_at is_after_data"),
        )
        for one in sealed_sheets(archive_folder, name=own.name, maker=own.maker)
    )


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


LETTERS = "ABCDEFGH"
FEWEST = 2
Draw = Callable[[], str]


@dataclass(frozen=True, slots=True)
class BlindTest:
    """A test as the tester may see it.

    promise : SHA-256 of the secret; count : loudspeakers; revealed : (name, maker) by letter and the secret once the
    notes are sealed, None before.
    """

    number: str
    promise: str
    begun_at: str
    count: int
    revealed: Mapping[str, tuple[str, str]] | None = None
    secret: str = ""

    @property
    def letters(self) -> str:
        return LETTERS[: self.count]


def draw_secret() -> str:
    """32 random bytes as hex, from the operating system."""
    return secrets.token_hex(32)


def begin_test(loudspeakers: Sequence[tuple[str, str]], archive_folder: Path, *, draw: Draw = draw_secret) -> BlindTest:
    """Deal letters to loudspeakers (name, maker); the archive keeps the secret, and is made where there is none.

    Raises InputError for fewer than two, more than eight or two equal ones.
    """
    pairs = [(" ".join(name.split()), " ".join(maker.split())) for name, maker in loudspeakers]
    same = {(folded(name), folded(maker)) for name, maker in pairs}
    if not FEWEST <= len(pairs) <= len(LETTERS) or len(same) != len(pairs) or not all(n and m for n, m in pairs):
        where = ", ".join(f"{maker} {name}".strip() for name, maker in pairs)[:300]
        raise InputError.of("app.not_lettered", where=where, fewest=FEWEST, most=len(LETTERS))
    secret = draw()
    number = hashlib.sha256(f"number {secret}".encode()).hexdigest()[:8]
    with Archive.open(archive_folder) as archive:
        kept = {"secret": secret, "loudspeakers": sorted(pairs), "begun_at": archive.now(), "sealed": False}
        save_draft(archive, _key(number), kept, revision=0)
    return _seen(number, kept)


def blind_test(number: str, archive_folder: Path) -> BlindTest:
    """A test by its number; InputError for an unknown one, ArchiveError without an archive."""
    with Archive.open(archive_folder, create=False) as archive:
        return _seen(number, _kept(archive, number)[0])


def helper_card(number: str, archive_folder: Path) -> tuple[str, ...]:
    """Which letter is which, as lines for the helper who switches; the tester must not see them."""
    with Archive.open(archive_folder, create=False) as archive:
        kept, _ = _kept(archive, number)
    dealt = dealt_letters(kept["secret"], kept["loudspeakers"])
    return (
        f"Blind test {number}. For the helper alone: keep this from the listener until the notes are sealed.",
        *(f"{letter}: {maker} {name}" for letter, (name, maker) in dealt.items()),
        "Switch when the listener asks for a letter; set the gain that the listener reads out; say nothing else.",
    )


def dealt_letters(secret: str, loudspeakers: Sequence[Sequence[str]]) -> dict[str, tuple[str, str]]:
    """(name, maker) by letter: in the order of HMAC-SHA256 over name and maker, keyed with the secret."""
    pairs = [(str(name), str(maker)) for name, maker in loudspeakers]

    def drawn(pair: tuple[str, str]) -> str:
        return hmac.new(bytes.fromhex(secret), "\n".join(pair).encode(), hashlib.sha256).hexdigest()

    return dict(zip(LETTERS, sorted(pairs, key=drawn), strict=False))


def matching_gains(levels_db: Mapping[str, float]) -> dict[str, float]:
    """Gain for each letter that brings all to the quietest, in dB, at most 0; levels_db : measured at the seat."""
    quietest = min(levels_db.values())
    return {letter: round(quietest - level, 2) for letter, level in levels_db.items()}


def gains_of(levels: Sequence[str]) -> dict[str, float]:
    """As `matching_gains`, from texts such as "A=78.2". Raises InputError for other texts or a letter twice."""
    found: dict[str, float] = {}
    for text in levels:
        letter, _, number = text.partition("=")
        try:
            level_db = float(number)
        except ValueError:
            level_db = math.nan
        if letter not in LETTERS or len(letter) != 1 or letter in found or not 20.0 <= level_db <= 130.0:
            raise InputError.of("app.level_unusable", text=text[:40])
        found[letter] = level_db
    return matching_gains(found)


def write_card(number: str, path: Path, archive_folder: Path) -> Path:
    """Write the helper's card to a new file. Raises OutputError where there is something at `path`."""
    if path.exists():
        raise OutputError("there is a file already, it was left as it is", where=str(path), remedy="give another name")
    return write_bytes(path, ("\n".join(helper_card(number, archive_folder)) + "\n").encode())


def seal_test(
    number: str, sheets: Sequence[ListeningSheet], archive_folder: Path, *, clock: Clock = utc_now
) -> tuple[SealedSheet, ...]:
    """Seal the sheets of all letters at once, each under what its letter stands for, and reveal the letters.

    Raises InputError where a letter is missing, stands twice or is none of the test's, or where the test is sealed.
    """
    with Archive.open(archive_folder, create=False) as archive:
        kept, revision = _kept(archive, number)
        test = _seen(number, kept)
        given = [sheet.letter or "" for sheet in sheets]
        if test.revealed is not None:
            raise InputError.of("app.letters_known", where=f"blind test {number}")
        if sorted(given) != list(test.letters):
            where = f"blind test {number}: {', '.join(letter or 'no letter' for letter in given) or 'no sheet'}"
            raise InputError.of("app.blind_test_whole", where=where, letters=", ".join(test.letters))
        dealt = dealt_letters(kept["secret"], kept["loudspeakers"])
        made = []
        for sheet in sorted(sheets, key=lambda one: one.letter or ""):
            name, maker = dealt[sheet.letter or ""]
            named = {"loudspeaker": name, "maker": maker, "is_blind": True, "blind_test": number}
            made.append(keep_sealed(archive, sheet.model_copy(update=named), clock=clock))
        save_draft(archive, _key(number), {**kept, "sealed": True}, revision=revision)
    return tuple(made)


def seal_files(
    paths: Sequence[Path], archive_folder: Path, *, clock: Clock = utc_now
) -> tuple[tuple[SealedSheet, ...], BlindTest | None]:
    """Seal sheets from files; those of one blind test as a whole. The test is None where there is none.

    Raises as `load_sheet` and `seal_test`, and InputError for sheets of several tests, or of one and of none.
    """
    sheets = [load_sheet(path, vocabulary=heard_words()) for path in paths]
    numbers = {sheet.blind_test for sheet in sheets}
    if numbers == {None}:
        return tuple(seal_sheet(path, archive_folder, clock=clock) for path in paths), None
    number = next(iter(numbers))
    if len(numbers) != 1 or number is None:
        raise InputError.of("app.sheets_of_several_tests", where=", ".join(str(path) for path in paths)[:300])
    made = seal_test(number, sheets, archive_folder, clock=clock)
    return made, blind_test(number, archive_folder)


def _key(number: str) -> str:
    # With a blank, so that no address of the bench's drafts reaches it.
    return f"blind test {number}"


def _kept(archive: Archive, number: str) -> tuple[dict[str, Any], int]:
    found = draft(archive, _key(number)) if number.isalnum() else None
    if found is None or not found.revision:
        raise InputError(f"there is no blind test {number[:20]!r}", remedy="check the number, or begin one")
    return found.value, found.revision


def _seen(number: str, kept: Mapping[str, Any]) -> BlindTest:
    secret, pairs = str(kept["secret"]), kept["loudspeakers"]
    promise = hashlib.sha256(secret.encode()).hexdigest()
    if not kept["sealed"]:
        return BlindTest(number, promise, str(kept["begun_at"]), len(pairs))
    return BlindTest(number, promise, str(kept["begun_at"]), len(pairs), dealt_letters(secret, pairs), secret=secret)
