"""Pictures that a session names: kept by their hash, refused in words where they are none."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image
from session_folders import TOML, write

from earwitness.errors import SessionError
from earwitness.session.load import load_session

PHOTO = '[[photo]]\nfile = "photos/front.jpg"\nalt = "a box with one cone"\ncaption = "Front"\n'


def told(folder: Path) -> str:
    with pytest.raises(SessionError) as caught:
        load_session(folder)
    return str(caught.value)


def test_pictures_are_named_with_what_is_seen_and_kept_by_their_hash(tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    Image.new("RGB", (400, 300), "gray").save(tmp_path / "photos" / "front.jpg")
    session = load_session(write(tmp_path, TOML + PHOTO))
    assert [(one.file, one.alt, one.caption) for one in session.photos] == [
        ("photos/front.jpg", "a box with one cone", "Front")
    ]
    assert "photos/front.jpg" in session.file_hashes


def test_slips_are_told(tmp_path: Path) -> None:
    write(tmp_path, TOML + PHOTO)
    assert "photos/front.jpg" in told(tmp_path)
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "front.jpg").write_text("no picture")
    assert "the file is no picture that can be read" in told(tmp_path)
    Image.new("RGB", (400, 300), "gray").save(tmp_path / "photos" / "front.jpg")
    write(tmp_path, TOML + PHOTO.replace('alt = "a box with one cone"\n', ""))
    assert "alt" in told(tmp_path)
    write(tmp_path, TOML + PHOTO.replace("[[photo]]", "[[photos]]"))
    assert "[[photo]]" in told(tmp_path)
