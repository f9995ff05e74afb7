"""Pictures on the page: first one on top, all of them with their words, none with what the camera wrote."""

from __future__ import annotations

import io
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import html5lib
import numpy as np
from PIL import Image

from earwitness.formats.photo import picture_of, smaller
from earwitness.publish.review import ShownPhoto, photos_of, review_of
from earwitness.publish.site.index import ATOM, atom_feed, card_of, index_html
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


def test_a_row_and_the_feed_show_the_first_picture_with_its_words(
    measurement: Measurement, reading: Reading, session: Session, tmp_path: Path
) -> None:
    """Atom: an enclosure, and the picture in the content (RFC 4287, 4.1.3 and 4.2.7.2, from memory)."""
    noise = np.random.default_rng(2).integers(0, 255, (900, 600, 3)).astype(np.uint8)
    Image.fromarray(noise).save(tmp_path / "front.png")
    photo = ShownPhoto("photos/1.jpg", picture_of(tmp_path / "front.png"), 'a "white" <box>', "")
    review = replace(review_of(reading, measurement, session), photos=(photo,))
    card = card_of(review, address="larch", name_key="larch", updated="2026-03-14T00:00:00+00:00", made_from="x")
    row = html5lib.parse(index_html([card], title="Site", base_url=""))
    image = next(row.iter(HTML + "img"))
    assert (image.get("src"), image.get("alt")) == ("loudspeakers/larch/photos/row.jpg", 'a "white" <box>')
    feed = ET.fromstring(atom_feed([card], title="Site", base_url="https://example.org/", author="A. Tester"))
    link = next(one for one in feed.iter(f"{{{ATOM}}}link") if one.get("rel") == "enclosure")
    assert link.get("href") == "https://example.org/loudspeakers/larch/photos/1.jpg"
    content = html5lib.parse(next(feed.iter(f"{{{ATOM}}}content")).text)
    assert next(content.iter(HTML + "img")).get("alt") == 'a "white" <box>'
    small = smaller(photo.picture, 192)
    assert (small.width_px, small.height_px) == (128, 192)
    assert Image.open(io.BytesIO(small.data)).getexif() == {}


def test_the_tiny_curve_is_drawn_at_25_db_a_decade(
    measurement: Measurement, reading: Reading, session: Session
) -> None:
    """IEC 60263: 30 px a decade, so 1.2 px a decibel, 0 dB (mean, 300 Hz to 3 kHz) at 12 px."""
    curve = reading.curves["listening_window"]
    review = review_of(reading, measurement, session)
    card = card_of(review, address="larch", name_key="larch", updated="", made_from="x")
    points = [tuple(map(float, point.split())) for point in card.curve.removeprefix("M").split("L")]
    hz = [20.0 * 10.0 ** (x / 30.0) for x, _ in points]
    level = np.interp(np.log(hz), np.log(curve.axis.hz), curve.values)
    inside = [300.0 <= f <= 3000.0 for f in hz]
    expected = np.clip(level - level[inside].mean(), -20.0, 10.0)
    drawn = np.array([(12.0 - y) / 1.2 for _, y in points])
    assert np.abs(drawn - expected).max() < 0.4
