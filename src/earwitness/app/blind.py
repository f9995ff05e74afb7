"""Blind tests: loudspeakers under letters that only the helper knows until the notes are sealed.

The order of letters follows from a secret that is drawn when the test begins. Its hash is told at once and the secret
after sealing, so that anybody can check that the letters were not dealt anew to fit the notes.
"""

import hashlib
import hmac
import math
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from earwitness.app.listen import Clock, SealedSheet, keep_sealed, seal_sheet, utc_now
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import folded
from earwitness.archive.drafts import draft, save_draft
from earwitness.errors import InputError, OutputError
from earwitness.files.durable import write_bytes
from earwitness.insight.listening.vocabulary import heard_words
from earwitness.session.notes import ListeningSheet, load_sheet

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
        raise InputError(
            "these loudspeakers cannot be lettered",
            where=", ".join(f"{maker} {name}".strip() for name, maker in pairs)[:300],
            expected=f"{FEWEST} to {len(LETTERS)} different ones, each with name and maker",
        )
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
            raise InputError.of(
                "app.blind_test_whole",
                where=f"blind test {number}: {', '.join(letter or 'no letter' for letter in given) or 'no sheet'}",
                letters=", ".join(test.letters),
            )
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
    return BlindTest(number, promise, str(kept["begun_at"]), len(pairs), dealt_letters(secret, pairs), secret)
