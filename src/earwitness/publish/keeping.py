"""A folder of pages that is written again: only what the program wrote there itself gives way.

A record in the folder names every file that was written, by its hash. What the record does not name is the tester's,
and so is a file that was edited since: it stays, under its name where that is free, else in a folder beside.
"""

import hashlib
import json
import os
import shutil
from collections.abc import Callable, Collection, Iterator
from contextlib import suppress
from pathlib import Path

from earwitness.errors import OutputError
from earwitness.files.durable import clear_dead, replace_folder, temporary_name

RECORD = "made.json"
FORMAT = 1
KEPT = "kept"
_MOST_BYTES = 4_000_000
_TOLD = 5
# Files in which the time of writing stands: the same page would have another record each time.
_STAMPED = (".sofa",)


def put_folder(folder: Path, fill: Callable[[Path], None], *, usual: Collection[str]) -> tuple[str, ...]:
    """Make `folder` anew by `fill`, beside it first; what is the tester's in it stays. Sentences that tell of that.

    usual : as in `carry_over`. Nothing of the folder changes until all is written. Raises as `carry_over`.
    """
    folder.parent.mkdir(parents=True, exist_ok=True)
    clear_dead(folder.parent)
    fresh = folder.with_name(temporary_name())
    try:
        fresh.mkdir()
        fill(fresh)
        write_record(fresh)
        lines = carry_over(folder, fresh, usual=usual)
        replace_folder(fresh, folder)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    return lines


def write_record(folder: Path) -> None:
    """Write which files `folder` holds, all of them being the program's. OSError where the disk refuses."""
    files = {
        path.relative_to(folder).as_posix(): "" if path.suffix in _STAMPED else _hash_of(path)
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
    text = json.dumps({"format": FORMAT, "files": files}, indent=1, sort_keys=True)
    (folder / RECORD).write_text(text + "\n", encoding="utf-8")


def carry_over(folder: Path, fresh: Path, *, usual: Collection[str]) -> tuple[str, ...]:
    """Put what is the tester's in `folder` into `fresh`, which takes its place; sentences that tell of it.

    Files are linked where the disk can, so that they are in both; nothing of `folder` changes. usual : names that the
    program gives, for a folder that an earlier version wrote without a record. Raises OutputError for a damaged
    record, OSError where the disk refuses.
    """
    if not folder.is_dir():
        return ()
    made = _made(folder)
    theirs: dict[str, Path] = {}
    for path in _files_below(folder):
        name = path.relative_to(folder).as_posix()
        if name != RECORD and not (name in usual if made is None else _is_as_made(path, made.get(name))):
            theirs[name] = path
    # What has its place goes first, so that nothing that was put beside earlier has to give way.
    stayed = [name for name, path in theirs.items() if _put(path, fresh / name, fresh)]
    moved = [_put_beside(path, name, fresh) for name, path in theirs.items() if name not in set(stayed)]
    lines = []
    if stayed:
        more = f" and {len(stayed) - _TOLD} more" if len(stayed) > _TOLD else ""
        lines.append(f"your own files in the folder stayed: {', '.join(stayed[:_TOLD])}{more}")
    lines += [f"a page that you had changed gave way to the new one; yours is now {one}" for one in moved if one]
    return tuple(lines)


def _made(folder: Path) -> dict[str, str] | None:
    """Hashes of the files that the program wrote into `folder`, None where no record is."""
    path = folder / RECORD
    if not path.is_file():
        return None
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise ValueError("it is too long")
        document = json.loads(path.read_text(encoding="utf-8"))
        files = document["files"]
        if document["format"] != FORMAT or not all(isinstance(one, str) for one in files.values()):
            raise ValueError("it holds something else")
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise OutputError.of("publish.record_unreadable", where=str(path), error=error) from None
    return {str(name): digest for name, digest in files.items()}


def _files_below(folder: Path) -> Iterator[Path]:
    """Files, links and empty folders below `folder`, links not followed."""
    for place, folders, files in os.walk(folder, onerror=_refuse):
        here = Path(place)
        yield from (here / name for name in sorted(files))
        yield from (here / name for name in sorted(folders) if (here / name).is_symlink())
        if not folders and not files and here != folder:
            yield here


def _refuse(error: OSError) -> None:
    raise error


def _is_as_made(path: Path, digest: str | None) -> bool:
    if digest is None or path.is_symlink() or not path.is_file():
        return False
    return digest in ("", _hash_of(path))


def _put(path: Path, target: Path, fresh: Path) -> bool:
    """Whether `path` could be put at `target`, where nothing of the program's is."""
    above = target.parent
    while above != fresh:
        if above.is_symlink() or (above.exists() and not above.is_dir()):
            return False
        above = above.parent
    if target.exists() or target.is_symlink():
        return target.is_dir() and path.is_dir() and not path.is_symlink() and not target.is_symlink()
    target.parent.mkdir(parents=True, exist_ok=True)
    if path.is_symlink():
        target.symlink_to(path.readlink())
    elif path.is_dir():
        target.mkdir()
    else:
        try:
            os.link(path, target)
        except OSError:
            with suppress(FileNotFoundError):
                target.unlink()
            shutil.copy2(path, target)
    return True


def _put_beside(path: Path, name: str, fresh: Path) -> str:
    """Put `path` into the first folder beside that has room for its name; where it is now, "" where it was already."""
    number = 1
    while True:
        beside = f"{KEPT}{'' if number == 1 else f'-{number}'}/{name}"
        target = fresh / beside
        if _put(path, target, fresh):
            return beside
        if path.is_file() and target.is_file() and _hash_of(path) == _hash_of(target):
            return ""
        number += 1


def _hash_of(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
