"""An archive of version 0.2 with a published site: opened, read, published again, and nothing of it lost.

Made by this version without units, then given the tables of 0.2 (schema 0005), which knew no sessions set aside.
"""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from earlier_catalogues import at_revision, copied_rows, rows_of, tables_of

from earwitness.app.add import add_folder
from earwitness.app.publish import publish_review
from earwitness.app.site import publish_site
from earwitness.archive.catalogue import CATALOGUE, Archive
from earwitness.archive.integrity import check
from made_once import MadeOnce

KEPT = ("loudspeaker", "session", "session_file", "take", "recording", "publication", "listening_sheet", "data_opening")
UNIT = re.compile(r"^\[(?:unit|variant)\]\n(?:(?!\[).*\n)*", re.MULTILINE)


@pytest.fixture(scope="module")
def earlier(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the archive and a site as 0.2 left them. Copy it, do not write to it."""
    folder = tmp_path_factory.mktemp("earlier")
    shutil.copytree(made_once.recordings("thimble"), folder / "session")
    written = folder / "session" / "session.toml"
    written.write_text(UNIT.sub("", written.read_text()))
    add_folder(folder / "session", folder / "new")
    publish_site(folder / "site", folder / "new", workers=1)
    newest = folder / "new" / CATALOGUE
    path = at_revision(folder / "archive", "0005")
    copied_rows(newest, path)
    for part in (folder / "new").iterdir():
        if part.name not in (CATALOGUE, f"{CATALOGUE}-wal", f"{CATALOGUE}-shm"):
            part.rename(folder / "archive" / part.name)
    shutil.rmtree(folder / "new")
    return folder


def kept_rows(archive: Path) -> dict[str, list[tuple[object, ...]]]:
    path = archive / CATALOGUE
    columns = tables_of(path)
    return {name: rows_of(path, name, sorted(columns[name])) for name in KEPT}


@pytest.mark.slow
def test_it_opens_reads_and_publishes_again_and_keeps_what_was_there(earlier: Path, tmp_path: Path) -> None:
    shutil.copytree(earlier, tmp_path / "world")
    archive = tmp_path / "world" / "archive"
    before = kept_rows(archive)
    report = publish_site(tmp_path / "world" / "site", archive, workers=1)
    assert (report.written, report.unchanged, report.failed) == ((), 1, ())
    publish_review("thimble", tmp_path / "page", archive, because="read by a later program")
    with Archive.open(archive, create=False) as opened:
        assert check(opened).findings == ()
        entry = opened.find("thimble")
        assert [one.number for one in opened.publications_of(entry.id)] == [1, 2]
        assert [(one.unit, one.variant) for one in opened.sessions_of(entry.id)] == [("", "")]
    for name, rows in kept_rows(archive).items():
        assert set(map(repr, before[name])) <= set(map(repr, rows)), name


def test_killed_while_it_is_brought_up_it_is_whole(earlier: Path, tmp_path: Path) -> None:
    """The migration is one transaction; a kill at any of its instants leaves the former tables or the new ones."""
    before = kept_rows(earlier / "archive")
    script = "import sys; from pathlib import Path; from earwitness.archive.catalogue import Archive\n"
    script += "print('now', flush=True); Archive.open(Path(sys.argv[1]), create=False).close()"
    for number in range(4):
        archive = tmp_path / str(number)
        archive.mkdir()
        shutil.copy(earlier / "archive" / CATALOGUE, archive / CATALOGUE)
        with subprocess.Popen([sys.executable, "-c", script, str(archive)], stdout=subprocess.PIPE) as child:
            assert child.stdout is not None
            assert child.stdout.readline() == b"now\n"
            time.sleep(0.04 * number)
            child.send_signal(signal.SIGKILL)
        Archive.open(archive, create=False).close()
        assert kept_rows(archive) == before
