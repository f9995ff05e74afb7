"""What sealing says is true at the moment it is said; looking for sheets makes no archive."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from earwitness.app.listen import blind_test, data_shown_at, helper_card, seal_entered, sealed_sheets
from earwitness.archive.catalogue import Archive
from earwitness.archive.notes import record_opening
from earwitness.errors import ArchiveError

SHEET = {
    "format": 1,
    "loudspeaker": "Lantern 2",
    "maker": "Invented Works",
    "time": "2026-01-15T20:15:00",
    "blind": False,
    "equalizer": False,
    "level_db": 78.0,
    "aim_deg": 0.0,
    "distance_m": 2.5,
    "passage": [{"name": "Choir", "kind": "music"}],
    "remark": [{"word": "boomy", "strength": "clear"}],
}
SEALED = datetime(2026, 1, 15, 21, 0, tzinfo=UTC)


def test_sealed_again_after_the_data_were_shown_it_does_not_say_that_they_were_not(tmp_path: Path) -> None:
    first = seal_entered(SHEET, tmp_path, clock=lambda: SEALED)
    assert "the data have not been shown" in first.lines[-1]
    with Archive.open(tmp_path, clock=lambda: SEALED + timedelta(days=1)) as archive:
        record_opening(archive, name="Lantern 2", maker="Invented Works")
    again = seal_entered(SHEET, tmp_path, clock=lambda: SEALED + timedelta(days=2))
    assert "sealed already, at 2026-01-15T21:00:00" in again.lines[0]
    assert again.lines[-1] == "the data were first shown at 2026-01-16T21:00:00+00:00, after it was sealed"


@pytest.mark.parametrize(
    "look",
    [
        sealed_sheets,
        lambda folder: data_shown_at(folder, name="A", maker="B"),
        lambda folder: blind_test("0a1b2c3d", folder),
        lambda folder: helper_card("0a1b2c3d", folder),
    ],
)
def test_whoever_only_looks_makes_no_archive(tmp_path: Path, look: Callable[[Path], object]) -> None:
    with pytest.raises(ArchiveError, match="there is no archive here"):
        look(tmp_path / "mistyped")
    assert not (tmp_path / "mistyped").exists()
