"""What adding says of the sessions that are there already: which one will be read from now on."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path

import pytest

from earwitness.app import add as act
from earwitness.app.add import AddedSession, add_folder
from earwitness.app.settings import Chosen, choice_of, chosen_from, draft_key, keep_choice
from earwitness.archive.catalogue import Archive
from earwitness.archive.drafts import undo_draft
from earwitness.archive.integrity import check
from earwitness.demo.catalogue import catalogue, session_of, simulate, write_note
from earwitness.errors import ArchiveError
from earwitness.quantities import Measurement
from earwitness.reduce.plan import ReduceSettings
from earwitness.session.session import Session


@dataclass
class Folder:
    """A session folder of an invented loudspeaker, simulated, so that nothing needs to be reduced."""

    path: Path
    session: Session
    measurement: Measurement

    def add(self, archive: Path, monkeypatch: pytest.MonkeyPatch, *, date: str) -> AddedSession:
        session = Session.model_validate(self.session.model_dump(by_alias=True) | {"date": date})
        with monkeypatch.context() as patch:
            patch.setattr(act, "load_session", lambda _folder: session)
            patch.setattr(act, "measurement_of", lambda *_arguments, **_options: (self.measurement, True))
            return add_folder(self.path, archive)


@pytest.fixture
def folders(tmp_path: Path) -> tuple[Folder, Folder]:
    """Two measurements of one loudspeaker."""
    one, other = catalogue(2)
    spoken = session_of(one).loudspeaker.model_dump(by_alias=True)
    made = []
    for number, drawn in enumerate((one, other)):
        write_note(drawn, tmp_path / str(number))
        session = Session.model_validate(session_of(drawn).model_dump(by_alias=True) | {"loudspeaker": spoken})
        made.append(Folder(tmp_path / str(number), session, simulate(drawn, asdict(ReduceSettings()))))
    return made[0], made[1]


def test_an_older_measurement_says_that_the_later_one_stays_what_is_read(
    folders: tuple[Folder, Folder], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = folders
    assert first.add(tmp_path / "archive", monkeypatch, date="2026-03-02").warnings == ()
    told = second.add(tmp_path / "archive", monkeypatch, date="2024-03-02").warnings
    assert len(told) == 1
    assert "holds a session of 2026-03-02, later than this one of 2024-03-02" in told[0]
    assert second.add(tmp_path / "archive", monkeypatch, date="2026-04-02").warnings == ()


def test_a_mended_date_is_read_from_now_on_and_nothing_is_to_be_told(
    folders: tuple[Folder, Folder], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, _ = folders
    first.add(tmp_path / "archive", monkeypatch, date="2028-03-02")
    assert first.add(tmp_path / "archive", monkeypatch, date="2026-03-02").warnings == ()


def test_what_was_chosen_for_the_reduction_holds_for_the_mended_session_too(
    folders: tuple[Folder, Folder], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = folders
    before = first.add(tmp_path / "archive", monkeypatch, date="2026-03-02").session_id
    keep_choice(before, Chosen(gate_ms=5.0), tmp_path / "archive")
    mended = first.add(tmp_path / "archive", monkeypatch, date="2026-03-03")
    assert mended.warnings == (
        "As chosen for the session that this one takes the place of: gate after the direct sound 5 ms.",
    )
    chosen, draft = choice_of(mended.session_id, tmp_path / "archive")
    assert chosen == Chosen(gate_ms=5.0)
    with Archive.open(tmp_path / "archive") as archive:
        undone = undo_draft(archive, draft_key(mended.session_id), revision=draft.revision)
    assert chosen_from(undone.value).is_automatic
    # Another measurement has a room and a gate of its own.
    other = second.add(tmp_path / "archive", monkeypatch, date="2026-04-02")
    assert choice_of(other.session_id, tmp_path / "archive")[0].is_automatic


def test_added_again_a_lost_result_is_made_anew(
    folders: tuple[Folder, Folder], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The tester does what the check of a damaged archive says: add the session folder again."""
    place, drawn = tmp_path / "archive", catalogue(1)[0]
    monkeypatch.setattr(act, "load_session", lambda _folder: session_of(drawn))
    assert add_folder(folders[0].path, place).was_reduced
    (array,) = (place / "arrays").rglob("*.nc")
    array.unlink()
    assert add_folder(folders[0].path, place).was_reduced
    with Archive.open(place) as archive:
        assert check(archive).is_sound


def test_a_lost_recording_is_told_as_one_and_what_to_do(folders: tuple[Folder, Folder], tmp_path: Path) -> None:
    # The second note under the first name is no simulated loudspeaker, so it would have to be reduced.
    folder = folders[1]
    with Archive.open(tmp_path / "archive") as archive:
        number = archive.add_session(folder.session, folder.path).session_id
        for path in archive.files_of(number).values():
            path.unlink()
        with pytest.raises(ArchiveError, match="recordings of this session are lost") as told:
            act.measurement_of(archive, number)
    assert told.value.where == folder.session.takes[0].file
    assert "add the session folder again" in told.value.remedy
