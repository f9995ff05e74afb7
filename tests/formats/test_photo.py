"""Photographs lose what a camera writes beside the pixels, and keep the pixels.

Sources: Exif 2.32 (tags of orientation and place) and JPEG, ITU-T T.81 annex B (markers), from memory; Pillow writes
the files and reads the result.
"""

from __future__ import annotations

import io
import struct
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms

from earwitness.errors import FormatError, MissingExtraError
from earwitness.formats.photo import SHOWN_PX, check_photo, picture_of

ORIENTATION, GPS, MAKE = 0x0112, 0x8825, 0x010F


def scene(width: int = 900, height: int = 600) -> Image.Image:
    """Red on the left, blue on the right, lighter toward the top."""
    up = np.linspace(255, 60, height)[:, None] * np.ones(width)
    left = np.arange(width) < width / 2
    return Image.fromarray(np.dstack([up * left, 0 * up, up * ~left]).astype(np.uint8))


def segments(data: bytes) -> list[int]:
    """The markers of a JPEG before its first scan."""
    assert data[:2] == b"\xff\xd8"
    found, at = [], 2
    while data[at + 1] != 0xDA:
        found.append(data[at + 1])
        at += 2 + struct.unpack(">H", data[at + 2 : at + 4])[0]
    return found


def test_camera_date_and_place_are_gone_and_the_picture_stands_upright(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[ORIENTATION], exif[MAKE] = 6, "Invented Camera"
    exif[GPS] = {1: "N", 2: (48.0, 8.0, 1.0), 3: "E", 4: (11.0, 34.0, 2.0)}
    # Orientation 6: the camera was turned; row 0 of the file is the right side of what was seen.
    scene().transpose(Image.Transpose.ROTATE_90).save(tmp_path / "a.jpg", exif=exif, quality=95, comment=b"at home")
    before = (tmp_path / "a.jpg").read_bytes()
    assert b"Exif" in before
    found = picture_of(tmp_path / "a.jpg")
    assert (tmp_path / "a.jpg").read_bytes() == before
    # APP1 holds Exif and XMP, APP2 profiles, APP13 captions, COM remarks.
    assert not {0xE1, 0xE2, 0xED, 0xFE} & set(segments(found.data))
    assert b"Invented" not in found.data
    assert (found.width_px, found.height_px) == (900, 600)
    seen = np.asarray(Image.open(io.BytesIO(found.data)).convert("RGB"), dtype=float)
    assert np.abs(seen - np.asarray(scene(), dtype=float))[:, 20:430].mean() < 6.0
    assert not Image.open(io.BytesIO(found.data)).getexif()


def test_large_pictures_become_as_large_as_they_are_shown_and_no_small_one_grows(tmp_path: Path) -> None:
    scene(4000, 1000).save(tmp_path / "wide.png")
    assert (lambda p: (p.width_px, p.height_px))(picture_of(tmp_path / "wide.png")) == (SHOWN_PX, SHOWN_PX // 4)
    scene(300, 240).save(tmp_path / "small.webp")
    assert picture_of(tmp_path / "small.webp").width_px == 300
    assert picture_of(tmp_path / "small.webp") == picture_of(tmp_path / "small.webp")


def test_what_is_clear_stands_on_white_and_colors_are_those_of_a_screen(tmp_path: Path) -> None:
    clear = Image.new("RGBA", (300, 300), (200, 30, 30, 0))
    clear.save(tmp_path / "clear.png")
    assert np.asarray(Image.open(io.BytesIO(picture_of(tmp_path / "clear.png").data))).min() > 250
    lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
    scene().save(tmp_path / "told.png", icc_profile=lab.tobytes())
    seen = np.asarray(Image.open(io.BytesIO(picture_of(tmp_path / "told.png").data)), dtype=float)
    assert np.abs(seen - np.asarray(scene(), dtype=float)).mean() < 6.0
    scene().save(tmp_path / "odd.png", icc_profile=b"no profile at all")
    assert picture_of(tmp_path / "odd.png").width_px == 900


@pytest.mark.parametrize("ending", ["txt", "gif", "part.jpg", "tiny.png", "empty.jpg", "part.png"])
def test_what_is_no_photograph_is_refused_in_words(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"a.{ending}"
    if ending == "txt":
        path.write_text("a picture, honestly")
    elif ending == "gif":
        scene().save(path)
    elif ending == "tiny.png":
        scene(100, 100).save(path)
    elif ending == "empty.jpg":
        path.touch()
    else:
        whole = io.BytesIO()
        scene().save(whole, "JPEG" if ending.endswith("jpg") else "PNG")
        path.write_bytes(whole.getvalue()[: len(whole.getvalue()) // 2])
    for read in (check_photo, picture_of):
        with pytest.raises(FormatError) as caught:
            read(path)
        assert str(path) in str(caught.value)
        assert "take it out of session.toml" in str(caught.value)


def test_damaged_photographs_are_read_or_refused(tmp_path: Path) -> None:
    whole = []
    for kind in ("JPEG", "PNG", "WEBP", "TIFF"):
        out = io.BytesIO()
        scene(220, 210).save(out, kind)
        whole.append(out.getvalue())
    random = np.random.default_rng(8)
    refused = 0
    for number in range(400):
        data = bytearray(whole[number % 4])
        for place in random.integers(0, len(data), int(random.integers(1, 12))):
            data[place] = random.integers(256)
        (tmp_path / "a").write_bytes(data)
        try:
            picture_of(tmp_path / "a")
        except FormatError:
            refused += 1
    assert 20 < refused < 400


def test_without_pillow_a_photograph_is_refused_with_what_brings_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "front.png"
    scene().save(path)
    monkeypatch.setitem(sys.modules, "PIL", None)
    with pytest.raises(MissingExtraError, match=r"pip install 'earwitness\[report\]'") as told:
        check_photo(path)
    assert told.value.where == str(path)
