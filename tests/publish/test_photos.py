"""Pictures on the page: first one on top, all of them with their words, none with what the camera wrote."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import html5lib
import numpy as np
from PIL import Image

from earwitness.publish.photos import photos_of
from earwitness.publish.review import review_of
from earwitness.publish.site.write import write_review
from earwitness.quantities import Measurement, Reading
from earwitness.session.session import Photo, Session

HTML = "{http://www.w3.org/1999/xhtml}"


def test_pictures_stand_on_the_page_with_their_words(
    measurement: Measurement, reading: Reading, session: Session, tmp_path: Path
) -> None:
    review = review_of(reading, measurement, session)
    exif = Image.Exif()
    exif[0x010F] = "Invented Camera"
    noise = np.random.default_rng(1).integers(0, 255, (900, 600, 3)).astype(np.uint8)
    for name in ("front.jpg", "back.jpg"):
        Image.fromarray(noise).save(tmp_path / name, exif=exif)
    told = (Photo(file="front.jpg", alt='a "white" box'), Photo(file="back.jpg", alt="terminals", caption="Back"))
    photos = photos_of(
        session.model_copy(update={"photos": told}), {name: tmp_path / name for name in ("front.jpg", "back.jpg")}
    )
    place = tmp_path / "page"
    write_review(replace(review, photos=photos), place)

    page = html5lib.parse((place / "index.html").read_text(encoding="utf-8"))
    images = [one for one in page.iter(HTML + "img") if one.get("src", "").startswith("photos/")]
    assert [(one.get("src"), one.get("alt")) for one in images] == [
        ("photos/1.jpg", 'a "white" box'),
        ("photos/1.jpg", 'a "white" box'),
        ("photos/2.jpg", "terminals"),
    ]
    (caption,) = (one for one in page.iter(HTML + "figcaption") if one.text == "Back")
    assert caption.text == "Back"
    for number in (1, 2):
        data = (place / "photos" / f"{number}.jpg").read_bytes()
        assert b"Invented" not in data
        assert Image.open(io.BytesIO(data)).size == (600, 900)

    write_review(review, place)
    assert not (place / "photos").exists()
    assert "photos/" not in (place / "index.html").read_text(encoding="utf-8")
