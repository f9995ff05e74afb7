"""A page written again touches only what the program wrote: photos, notes and edited pages of the tester stay."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from earwitness.errors import OutputError
from earwitness.publish.review import Review, review_of
from earwitness.publish.site.write import RECORD, _made, carry_over, write_record, write_review
from earwitness.quantities import Measurement, Reading
from earwitness.session.session import Session

PHOTO = bytes(range(256)) * 40


@pytest.fixture
def review(measurement: Measurement, reading: Reading, session: Session) -> Review:
    return review_of(reading, measurement, session)


def content(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_photo_and_extra_text_stay_where_they_were_put(review: Review, tmp_path: Path) -> None:
    place = tmp_path / "page"
    assert write_review(review, place).lines == ()
    (place / "my-photo.jpg").write_bytes(PHOTO)
    (place / "downloads" / "extra.txt").write_text("mine")
    (place / "pictures" / "empty").mkdir(parents=True)
    (place / "pictures" / "one.png").write_bytes(PHOTO[:9])
    (place / "link").symlink_to("my-photo.jpg")
    for revision in ("2", "3"):
        (told,) = write_review(replace(review, revision=revision), place).lines
        assert "downloads/extra.txt" in told
        assert "my-photo.jpg" in told
        assert f"revision {revision}" in (place / "index.html").read_text(encoding="utf-8")
        assert (place / "my-photo.jpg").read_bytes() == PHOTO
        assert (place / "downloads" / "extra.txt").read_text() == "mine"
        assert (place / "pictures" / "empty").is_dir()
        assert (place / "pictures" / "one.png").read_bytes() == PHOTO[:9]
        assert (place / "link").readlink() == Path("my-photo.jpg")
    assert [p.name for p in tmp_path.iterdir()] == ["page"]
    assert _made(place).keys() == content(place).keys() - {
        RECORD, "my-photo.jpg", "downloads/extra.txt", "pictures/one.png", "link"
    }  # fmt: skip


def test_a_page_that_was_edited_is_kept_beside_the_new_one(review: Review, tmp_path: Path) -> None:
    place = tmp_path / "page"
    page = write_review(review, place).page
    edited = page.read_bytes().replace(b"</body>", b"<p>my own line</p></body>")
    page.write_bytes(edited)
    (told,) = write_review(replace(review, revision="2"), place).lines
    assert told.endswith("yours is now kept/index.html")
    assert b"my own line" not in page.read_bytes()
    assert (place / "kept" / "index.html").read_bytes() == edited
    page.write_bytes(edited + b"<!-- again -->")
    write_review(replace(review, revision="3"), place)
    assert (place / "kept" / "index.html").read_bytes() == edited
    assert (place / "kept-2" / "index.html").read_bytes() == edited + b"<!-- again -->"


def test_a_page_of_a_version_without_a_record_keeps_what_no_version_wrote(review: Review, tmp_path: Path) -> None:
    place = tmp_path / "page"
    write_review(review, place)
    (place / RECORD).unlink()
    (place / "my-photo.jpg").write_bytes(PHOTO)
    write_review(review, place)
    assert (place / "my-photo.jpg").read_bytes() == PHOTO
    assert not (place / "kept").exists()


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"format": 2, "files": {}}', '{"format": 1, "files": []}', "[" * 100_000,
             '{"format": 1, "files": {"a": 1}}']
)  # fmt: skip
def test_a_damaged_record_is_refused_and_nothing_is_touched(review: Review, tmp_path: Path, text: str) -> None:
    place = tmp_path / "page"
    write_review(review, place)
    (place / "my-photo.jpg").write_bytes(PHOTO)
    (place / RECORD).write_text(text)
    before = content(place)
    with pytest.raises(OutputError, match="cannot be told from your own files") as caught:
        write_review(review, place)
    assert "move your own files" in caught.value.remedy
    assert content(place) == before
    assert [p.name for p in tmp_path.iterdir()] == ["page"]


@pytest.mark.parametrize("can_link", [True, False])
def test_nothing_of_the_testers_is_lost_whatever_names_it_has(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, can_link: bool
) -> None:
    """A folder where the program's file now is, a file where its folder is, a name that a later version gives."""
    if not can_link:

        def refuse(*_: object) -> None:
            raise OSError("no links on this disk")

        monkeypatch.setattr(os, "link", refuse)
    old, fresh = tmp_path / "old", tmp_path / "fresh"
    for folder, names in ((old, ("index.html", "style.css")), (fresh, ("index.html", "style.css", "new/a", "b"))):
        for name in names:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_text(f"{folder.name} {name}")
    write_record(old)
    (old / "style.css").unlink()
    (old / "style.css").mkdir()
    (old / "style.css" / "mine").write_text("1")
    (old / "new").write_text("2")
    (old / "b").write_text("3")
    (old / RECORD).parent.joinpath("free").write_text("4")
    write_record(fresh)
    made = content(fresh)
    carry_over(old, fresh, usual=())
    after = content(fresh)
    assert made.items() <= after.items()
    assert {name: text for name, text in after.items() if name not in made} == {
        "kept/style.css/mine": b"1", "kept/new": b"2", "kept/b": b"3", "free": b"4"
    }  # fmt: skip
    shutil.rmtree(old)
    assert content(fresh) == after
