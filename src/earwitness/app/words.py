"""The tester's own words on a loudspeaker, kept in the archive as Markdown: every state of them stays."""

from pathlib import Path

from earwitness.archive.catalogue import Archive
from earwitness.archive.latest import WORDS as KIND
from earwitness.errors import InputError, OutputError
from earwitness.files.durable import write_bytes
from earwitness.publish.own_words import NO_WORDS, OwnWords, own_words_of, template
from earwitness.quantities.lineage import step

_MOST_BYTES = 200_000


def words_of(name: str, archive_folder: Path) -> OwnWords:
    """The words on the loudspeaker called `name`. Raises as `Archive.find`."""
    with Archive.open(archive_folder, create=False) as archive:
        return own_words(archive, archive.find(name).id)


def own_words(archive: Archive, loudspeaker_id: int) -> OwnWords:
    """The words that were kept last, whichever session they were written for."""
    for session in reversed(archive.sessions_of(loudspeaker_id)):
        kept = [result for result in archive.results_of(session.id) if result.kind == KIND]
        if kept:
            document = archive.document(kept[-1].step_key, KIND) or {}
            return own_words_of(str(document.get("markdown", "")))
    return NO_WORDS


def keep_words(name: str, path: Path, archive_folder: Path) -> OwnWords:
    """Keep the Markdown file at `path` as the words on a loudspeaker; equal words are kept once.

    Raises InputError for a file that cannot be read, is no text or has other headings than the template's.
    """
    return keep_text(name, _read(path), archive_folder, where=str(path))


def keep_text(name: str, text: str, archive_folder: Path, *, where: str = "") -> OwnWords:
    """As `keep_words`, for text that was entered."""
    if len(text.encode("utf-8", "replace")) > _MOST_BYTES:
        raise InputError("the text is too long", where=where, expected=f"at most {_MOST_BYTES // 1000} kB")
    found = own_words_of(text, where=where)
    with Archive.open(archive_folder, create=False) as archive:
        owner = archive.find(name)
        if own_words(archive, owner.id) == found:
            return found
        session = archive.sessions_of(owner.id)[-1]
        number = 1 + sum(result.kind == KIND for result in archive.results_of(session.id))
        made = step(KIND, {"number": number}, (session.key,))
        archive.keep_document(session.id, made, KIND, {"markdown": found.markdown})
    return found


def write_words(name: str, path: Path, archive_folder: Path) -> Path:
    """Write the words on a loudspeaker to a new file, to be edited; the template where there are none.

    Raises OutputError where there is something at `path`.
    """
    if path.exists():
        raise OutputError("there is a file already, it was left as it is", where=str(path), remedy="give another name")
    with Archive.open(archive_folder, create=False) as archive:
        owner = archive.find(name)
        found = own_words(archive, owner.id)
    return write_bytes(path, (found.markdown or template(f"{owner.maker} {owner.name}")).encode())


def _read(path: Path) -> str:
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise InputError("the text is too long", where=str(path), expected=f"at most {_MOST_BYTES // 1000} kB")
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError.of("app.text_unreadable", where=str(path)) from error
