"""The whole job on invented loudspeakers."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from earwitness import __version__
from earwitness.app.add import add_folder
from earwitness.app.jobs import Progress, part, silent
from earwitness.app.publish import write_result
from earwitness.app.read import read_loudspeaker
from earwitness.demo.recorder import write_session
from earwitness.demo.world import loudspeaker, loudspeakers

_WRITTEN = "recordings-complete.txt"


@dataclass(frozen=True, slots=True)
class DemoResult:
    """lines : what was done and what was used again; page : the review's first page."""

    lines: tuple[str, ...]
    page: Path


def run_demo(
    folder: Path, key: str | None, *, everything: bool = False, progress: Progress = silent
) -> tuple[DemoResult, ...]:
    """Write, add, read and publish one invented loudspeaker, or all; `folder` holds recordings, archive, reviews.

    Raises InputError for an unknown key, OutputError when the folder can't be written.
    """
    every = loudspeakers()
    chosen = every if everything else (loudspeaker(key) if key else every[0],)
    share = 1.0 / len(chosen)
    return tuple(
        _run_one(folder, one.key, one.name, part(progress, row * share, (row + 1) * share))
        for row, one in enumerate(chosen)
    )


def _run_one(folder: Path, key: str, name: str, progress: Progress) -> DemoResult:
    recordings = folder / "recordings" / key
    lines = [f"{name}, an invented loudspeaker"]
    if _is_complete(recordings):
        lines.append(f"  recordings used again: {recordings}")
    else:
        write_session(key, recordings, progress=part(progress, 0.0, 0.55))
        (recordings / _WRITTEN).write_text(_state(recordings), encoding="utf-8")
        lines.append(f"  recordings written: {recordings}")
    archive = folder / "archive"
    added = add_folder(recordings, archive, progress=part(progress, 0.55, 0.9))
    lines.append(f"  {added.sentence}")
    result = read_loudspeaker(added.name, archive, progress=part(progress, 0.9, 0.93))
    judged = sum(figure.is_judged for figure in result.reading.figures.values())
    lines.append(f"  {judged} of {len(result.reading.figures)} figures judged, {len(result.reading.curves)} curves")
    page = write_result(result, folder / "review" / key, progress=part(progress, 0.93, 1.0))
    return DemoResult(tuple(lines), page)


def _state(recordings: Path) -> str:
    """Names and sizes of what was written, and the version that wrote it."""
    files = sorted(p for p in recordings.rglob("*") if p.is_file() and p.name != _WRITTEN)
    listing = "\n".join(f"{p.relative_to(recordings).as_posix()} {p.stat().st_size}" for p in files)
    return f"earwitness {__version__} {hashlib.sha256(listing.encode()).hexdigest()}\n"


def _is_complete(recordings: Path) -> bool:
    """True where an earlier run of this version wrote everything, and nothing changed its size since."""
    marker = recordings / _WRITTEN
    return marker.is_file() and marker.read_text(encoding="utf-8") == _state(recordings)
