"""Publishing one loudspeaker with all its products, and the tester's words on it, through the command line."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import zipfile
from pathlib import Path

import html5lib
import pytest
from click.testing import CliRunner

from earwitness.app import publish
from earwitness.app.settings import words_of
from earwitness.app.shelf import search_archive
from earwitness.archive.catalogue import Archive
from earwitness.archive.search import SearchQuery
from earwitness.cli import main
from earwitness.errors import OutputError, ProgramFaultError
from made_once import MadeOnce

NAME = "Ostrevant Acoustics Alder 1 (invented)"
WORDS = """# Alder

## Verdict

Clear, with *thin* bass. <script>alert(1)</script>

## Likes

- Voices sound `true`

## Disclosure

None.

## How it was obtained

Lent by nobody, as it is invented.
"""


@pytest.fixture(scope="module")
def made(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("publishing")
    shutil.copytree(made_once.catalogue(2), folder / "archive")
    (folder / "words.md").write_text(WORDS, encoding="utf-8")
    code, out = run(folder, "--words", folder / "words.md", "--to", folder / "page", "--all", "CC-BY-4.0")
    assert code == 0, out
    return folder


def run(folder: Path, *arguments: object) -> tuple[int, str]:
    asked = ["publish", NAME, "--archive", folder / "archive", *arguments]
    result = CliRunner().invoke(main, [str(a) for a in asked])
    return result.exit_code, result.output


def text_of(pdf: Path) -> str:
    text = subprocess.run(["pdftotext", str(pdf), "-"], check=True, capture_output=True, text=True).stdout
    return " ".join(text.split())


def test_every_product_is_there_and_outside_the_folder_of_the_page(made: Path) -> None:
    place = made / "page-material"
    assert {p.suffix for p in place.iterdir() if not p.name.startswith(".")} == {
        ".pdf",
        ".md",
        ".vtt",
        ".srt",
        ".txt",
        ".zip",
        "",
    }
    assert not list((made / "page").rglob("talk*"))
    sizes = {"wide": (1920, 1080), "tall": (1080, 1920)}
    for still in (place / "stills").iterdir():
        wide, high = sizes[still.stem.rsplit("-", 1)[-1]]
        assert still.read_bytes()[16:24] == wide.to_bytes(4) + high.to_bytes(4)
    (data,) = place.glob("*.zip")
    assert "CC-BY-4.0" in zipfile.ZipFile(data).read(f"{data.stem}/CITATION.cff").decode()


def test_the_words_stand_on_page_report_and_talk_and_run_nowhere(made: Path) -> None:
    page = (made / "page" / "index.html").read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(page)
    assert "<p>Clear, with <em>thin</em> bass. &lt;script&gt;" in page
    assert "Lent by nobody, as it is invented." in page
    text = text_of(made / "page-material" / "report-a4.pdf")
    assert "Clear, with thin bass." in text
    assert "Voices sound true" in text
    assert "Voices sound true" in (made / "page-material" / "talk.md").read_text(encoding="utf-8")


def test_the_words_are_found_by_the_search_at_once(made: Path) -> None:
    assert [row.title for row in search_archive(SearchQuery(text="thin bass"), made / "archive").rows] == [NAME]


def test_words_are_kept_once_each_state_stays_and_the_last_counts(made: Path, tmp_path: Path) -> None:
    shutil.copytree(made / "archive", tmp_path / "archive")
    (tmp_path / "words.md").write_text(WORDS, encoding="utf-8")
    (tmp_path / "other.md").write_text(WORDS.replace("Clear", "Dull"), encoding="utf-8")
    for name in ("words.md", "words.md", "other.md", "words.md"):
        assert run(tmp_path, "--words", tmp_path / name)[0] == 0
    with Archive.open(tmp_path / "archive") as archive:
        kinds = [r.kind for r in archive.results_of(archive.sessions_of(archive.find(NAME).id)[-1].id)]
    assert kinds.count("own words") == 3
    assert words_of(NAME, tmp_path / "archive").parts["verdict"].startswith("Clear")
    assert run(tmp_path, "--write-words", tmp_path / "out.md")[0] == 0
    assert (tmp_path / "out.md").read_text(encoding="utf-8") == WORDS
    assert run(tmp_path, "--write-words", tmp_path / "out.md")[0] == 7


def test_an_edited_talk_is_kept_when_published_again(made: Path, tmp_path: Path) -> None:
    shutil.copytree(made, tmp_path / "w")
    talk = tmp_path / "w" / "page-material" / "talk.md"
    talk.write_text(
        talk.read_text(encoding="utf-8").replace("## The verdict again", "## My own closing"), encoding="utf-8"
    )
    code, out = run(tmp_path / "w", "--to", tmp_path / "w" / "page", "--talk")
    assert code == 0, out
    assert "## My own closing" in talk.read_text(encoding="utf-8")


def test_published_again_without_a_change_the_revision_stays(made: Path) -> None:
    with Archive.open(made / "archive") as archive:
        assert len(archive.publications_of(archive.find(NAME).id)) == 1
    assert re.search(r"revision 1\b", (made / "page" / "index.html").read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("arguments", "code"),
    [((), 2), (("--to", "p", "--data", "MINE"), 2), (("--to", "p", "--talk", "--material", "p/in"), 2)],
)
def test_what_cannot_be_done_is_refused(made: Path, arguments: tuple[str, ...], code: int) -> None:
    given = [made / a if a.startswith("p") else a for a in arguments]
    assert run(made, *given)[0] == code
    assert not (made / "p").exists()


def test_the_reason_stands_on_the_page_beside_the_numbers_that_changed(made: Path, tmp_path: Path) -> None:
    """A figure that a former publication stated otherwise: both values, the reason, and the file of changes."""
    shutil.copytree(made / "archive", tmp_path / "archive")
    shutil.copytree(made / "page", tmp_path / "page")
    with Archive.open(tmp_path / "archive") as archive:
        owner = archive.find(NAME)
        last = json.loads(archive.publications_of(owner.id)[-1].document)
        last["figures"]["sensitivity"]["words"] = "99.9 ± 0.1 dB"
        archive.keep_publication(owner.id, "page", last)
    code, out = run(tmp_path, "--to", tmp_path / "page", "--because", "The calibrator <b>was</b> set to 114 dB.")
    assert code == 0, out
    page = (tmp_path / "page" / "index.html").read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(page)
    assert "The calibrator &lt;b&gt;was&lt;/b&gt; set to 114 dB." in page
    assert "99.9 ± 0.1 dB" in page
    assert "What revision 3 changed" in page
    rows = (tmp_path / "page" / "downloads" / "corrections.csv").read_text(encoding="utf-8")
    assert "99.9 ± 0.1 dB" in rows
    assert "114 dB" in rows
    code, out = run(tmp_path, "--to", tmp_path / "page", "--because", "Another reason.")
    assert code == 0
    assert "your reason was not kept: nothing that a correction tells of changed since revision 3" in out
    assert "Another reason" not in (tmp_path / "page" / "index.html").read_text(encoding="utf-8")


def test_a_photo_beside_the_page_survives_the_next_publication(made: Path, tmp_path: Path) -> None:
    shutil.copytree(made / "archive", tmp_path / "archive")
    assert run(tmp_path, "--to", tmp_path / "pp")[0] == 0
    (tmp_path / "pp" / "my-photo.jpg").write_bytes(b"\xff\xd8 a photo")
    (tmp_path / "pp" / "downloads" / "extra.txt").write_text("mine")
    code, out = run(tmp_path, "--to", tmp_path / "pp")
    assert code == 0
    assert "your own files in the folder stayed: my-photo.jpg, downloads/extra.txt" in out
    assert (tmp_path / "pp" / "my-photo.jpg").read_bytes() == b"\xff\xd8 a photo"
    assert (tmp_path / "pp" / "downloads" / "extra.txt").read_text() == "mine"


def test_a_product_that_fails_does_not_stop_the_others(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("of the report")

    shutil.copytree(made / "archive", tmp_path / "archive")
    monkeypatch.setattr(publish, "write_report", broken)
    code, out = run(tmp_path, "--to", tmp_path / "page", "--report", "--talk", "--data", "CC-BY-4.0")
    assert code == ProgramFaultError.exit_code
    assert "not done: report" in out
    assert {p.suffix for p in (tmp_path / "page-material").iterdir() if p.is_file()} == {
        ".md",
        ".vtt",
        ".srt",
        ".txt",
        ".zip",
    }


@pytest.mark.parametrize("place", ["objects/x", "arrays", "."])
def test_nothing_is_written_into_the_archives_own_folders(made: Path, place: str) -> None:
    archive = made / "archive"
    before = sorted(archive.rglob("*"))
    code, out = run(made, "--to", made / "elsewhere", "--talk", "--material", archive / place)
    assert code == OutputError.exit_code
    assert "into the archive itself" in out
    exported = CliRunner().invoke(
        main, ["archive", "export", NAME, str(archive / "objects" / "bag"), "--archive", str(archive)]
    )
    assert exported.exit_code == OutputError.exit_code
    assert sorted(archive.rglob("*")) == before
