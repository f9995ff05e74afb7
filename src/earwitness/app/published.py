"""Where reviews were published to, and their files, to look at them."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from earwitness.archive.catalogue import Archive
from earwitness.archive.drafts import draft, save_draft
from earwitness.errors import InputError
from earwitness.publish.site.cards import address_of
from earwitness.publish.site.write import PAGE

FOLDER = "publications"
_KINDS = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".jpg": "image/jpeg",
    ".json": "application/json",
    ".csv": "text/csv; charset=utf-8",
    ".txt": "text/plain; charset=utf-8",
    ".md": "text/plain; charset=utf-8",
    ".pdf": "application/pdf",
    ".zip": "application/zip",
    ".sofa": "application/octet-stream",
    ".wav": "audio/wav",
}


@dataclass(frozen=True, slots=True)
class PublishedPlace:
    """folder : of the page; files : the products beside it."""

    folder: Path
    files: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class PublishedFile:
    """path : on the disk; kind : media type; is_page : a page or what it is made of, rather than a download."""

    path: Path
    kind: str
    is_page: bool


def usual_folder(title: str, archive_folder: Path) -> Path:
    """Where a review goes when the tester names no place: in the archive's folder. title : maker and name."""
    return archive_folder.absolute() / FOLDER / address_of(title, [])


def folder_from(text: str, usual: Path) -> Path:
    """The folder that was typed; a relative one lies where the usual one does. InputError for one that cannot be."""
    wanted = text.strip()
    if not wanted:
        return usual
    try:
        path = Path(wanted).expanduser()
        return (path if path.is_absolute() else usual.parent / path).resolve()
    except (OSError, ValueError, RuntimeError) as error:
        raise InputError.of("app.folder_unusable", where=wanted[:200]) from error


def keep_place(loudspeaker_id: int, page: Path, files: Sequence[Path], archive_folder: Path) -> None:
    """Remember where the review of a loudspeaker was published last."""
    value = {"folder": str(page.parent), "files": [str(path) for path in files]}
    with Archive.open(archive_folder) as archive:
        save_draft(archive, _key(loudspeaker_id), value, revision=draft(archive, _key(loudspeaker_id)).revision)


def place_of(loudspeaker_id: int, archive_folder: Path) -> PublishedPlace | None:
    """Where it was published last, None where it was not, or where the page is gone."""
    with Archive.open(archive_folder) as archive:
        kept = draft(archive, _key(loudspeaker_id)).value
    if kept is None or not (Path(kept["folder"]) / PAGE).is_file():
        return None
    return PublishedPlace(Path(kept["folder"]), tuple(path for path in map(Path, kept["files"]) if path.is_file()))


def published_file(loudspeaker_id: int, name: str, archive_folder: Path) -> PublishedFile | None:
    """A file of the published page by its relative path; None for what is not in its folder, is a link out of it, is
    hidden or of a kind that a page has not."""
    place = place_of(loudspeaker_id, archive_folder)
    return None if place is None else page_file(place.folder, name)


def page_file(folder: Path, name: str) -> PublishedFile | None:
    """A file of the page in `folder`, or None, as `published_file`."""
    if "\0" in name or "\\" in name:
        return None
    parts = (name or PAGE).split("/")
    kind = _KINDS.get(Path(parts[-1]).suffix.lower())
    if kind is None or any(part in ("", "..") or part.startswith(".") for part in parts):
        return None
    root = folder.resolve()
    try:
        path = root.joinpath(*parts).resolve()
        if root not in path.parents or not path.is_file():
            return None
    except (OSError, ValueError):
        return None
    return PublishedFile(path, kind, path.suffix.lower() in (".html", ".css", ".js", ".svg", ".png", ".jpg"))


def product_file(loudspeaker_id: int, place: int, archive_folder: Path) -> PublishedFile | None:
    """A product by its place in the list; None where there is none."""
    known = place_of(loudspeaker_id, archive_folder)
    if known is None or not 0 <= place < len(known.files):
        return None
    path = known.files[place]
    return PublishedFile(path, _KINDS.get(path.suffix.lower(), "application/octet-stream"), is_page=False)


def _key(loudspeaker_id: int) -> str:
    # With blanks, so that no address of the bench's drafts reaches it and names another folder.
    return f"published folder of {loudspeaker_id}"
