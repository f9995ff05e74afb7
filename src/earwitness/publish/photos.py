"""The tester's pictures of the loudspeaker as a page shows them."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from earwitness.formats.photo import Picture, picture_of
from earwitness.session.session import Session

FOLDER = "photos"


@dataclass(frozen=True, slots=True)
class ShownPhoto:
    """name : in the page's folder; alt : what is seen; caption : beneath it, or ""."""

    name: str
    picture: Picture
    alt: str
    caption: str


def photos_of(session: Session, files: Mapping[str, Path]) -> tuple[ShownPhoto, ...]:
    """The pictures that a session names, in its order, made anew. files : where its files lie, by their names.

    FormatError for a picture that cannot be read.
    """
    return tuple(
        ShownPhoto(f"{FOLDER}/{number}.jpg", picture_of(files[one.file]), one.alt, one.caption or "")
        for number, one in enumerate(session.photos, 1)
    )
