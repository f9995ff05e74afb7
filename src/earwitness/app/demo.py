"""The whole job on invented loudspeakers."""

import hashlib
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from earwitness import __version__
from earwitness.app.add import add_catalogue, add_folder
from earwitness.app.advice import advice_on
from earwitness.app.compare import family_of
from earwitness.app.jobs import Progress, part, silent
from earwitness.app.listen import seal_sheet
from earwitness.app.publish import write_result
from earwitness.app.read import read_loudspeaker
from earwitness.app.settings import keep_text
from earwitness.demo.catalogue import COUNT
from earwitness.demo.lineup import DEFAULT, members
from earwitness.demo.recorder import write_member, write_session
from earwitness.demo.rig import SEALED_AT, words_text, write_sheet
from earwitness.demo.scan import write_scan_session
from earwitness.demo.world import loudspeaker, loudspeakers

_WRITTEN = "recordings-complete.txt"


@dataclass(frozen=True, slots=True)
class DemoResult:
    """lines : what was done and what was used again; page : the review's first page."""

    lines: tuple[str, ...]
    page: Path


def run_demo(
    folder: Path,
    key: str | None,
    *,
    everything: bool = False,
    scan_points: int | None = None,
    positions: Path | None = None,
    progress: Progress = silent,
) -> tuple[DemoResult, ...]:
    """Write, listen to, add, read and publish one invented loudspeaker, or all.

    folder : holds recordings, notes, archive and reviews; scan_points : a near-field scan with about so many points in
    place of orbits, in an archive of its own; positions : a planned table of its points in their place.

    Raises InputError for an unknown key, OutputError when the folder can't be written.
    """
    every = tuple(one for one in loudspeakers() if scan_points is None or not one.box)
    chosen = every if everything else (loudspeaker(key or DEFAULT.key),)
    share = (0.9 if everything else 1.0) / len(chosen)
    return tuple(
        _run_one(
            folder, one.key, one.name, scan_points, positions, progress=part(progress, row * share, (row + 1) * share)
        )
        for row, one in enumerate(chosen)
    )


def add_simulated(folder: Path, *, progress: Progress = silent) -> str:
    """Take the loudspeakers that are simulated at response level into the demo's archive; a line that says so."""
    new = add_catalogue(folder / "archive", progress=progress)
    return f"{COUNT} more invented loudspeakers, simulated at response level and marked so: {new} new in the archive"


def _run_one(
    folder: Path, key: str, name: str, scan_points: int | None, positions: Path | None, progress: Progress
) -> DemoResult:
    called = key if scan_points is None else f"{key}-scan-{scan_points}"
    if positions is not None:
        called = f"{key}-scan-{hashlib.sha256(positions.read_bytes()).hexdigest()[:8]}"
    recordings = folder / "recordings" / called
    lines = [f"{name}, an invented loudspeaker"]

    def write(place: Path, told: Progress) -> None:
        if scan_points is None:
            write_session(key, place, progress=told)
        else:
            write_scan_session(key, place, points=scan_points, positions=positions, progress=told)

    lines.append(f"  {_written(recordings, partial(write, told=part(progress, 0.0, 0.5)))}")
    # The latest session of a loudspeaker is the one that is read: scans stay by themselves.
    archive = folder / ("archive" if scan_points is None else "archive-scan")
    sheet = write_sheet(key, folder / "notes" / key)
    sealed = seal_sheet(sheet, archive, clock=lambda: SEALED_AT)
    when = "with the data known" if sealed.entry.is_after_data else "before the data"
    lines.append(f"  {sealed.remarks} invented remarks sealed {when}: {sheet}")
    for member in members(key) if scan_points is None else ():
        beside = folder / "recordings" / member.key
        lines.append(f"  {_written(beside, partial(write_member, member))}")
        lines.append(f"  {add_folder(beside, archive).sentence}")
    added = add_folder(recordings, archive, progress=part(progress, 0.6, 0.9))
    lines.append(f"  {added.sentence}")
    result = read_loudspeaker(added.name, archive, progress=part(progress, 0.9, 0.93))
    judged = sum(figure.is_judged for figure in result.reading.figures.values())
    lines.append(f"  {judged} of {len(result.reading.figures)} figures judged, {len(result.reading.curves)} curves")
    advice = advice_on(result, archive)
    lines.append(f"  {len(advice.findings)} findings")
    family = family_of(result, archive)
    words = keep_text(added.name, words_text(key), archive)
    told = part(progress, 0.95, 1.0)
    page = write_result(
        result, folder / "review" / called, advice=advice, family=family, own_words=words, progress=told
    )
    return DemoResult(tuple(lines), page)


def _written(recordings: Path, write: Callable[[Path], None]) -> str:
    """What became of the recordings: written, or used again where they are whole."""
    marker = recordings / _WRITTEN
    # By this version, and nothing changed its size since.
    if marker.is_file() and marker.read_text(encoding="utf-8") == _state(recordings):
        return f"recordings used again: {recordings}"
    write(recordings)
    marker.write_text(_state(recordings), encoding="utf-8")
    return f"recordings written: {recordings}"


def _state(recordings: Path) -> str:
    """Names and sizes of what was written, and the version that wrote it."""
    files = sorted(p for p in recordings.rglob("*") if p.is_file() and p.name != _WRITTEN)
    listing = "\n".join(f"{p.relative_to(recordings).as_posix()} {p.stat().st_size}" for p in files)
    return f"earwitness {__version__} {hashlib.sha256(listing.encode()).hexdigest()}\n"


def bring_in_demo(archive_folder: Path, *, progress: Progress = silent) -> tuple[str, ...]:
    """Take all invented loudspeakers into an archive: the measured ones with their listening sheets, and those that
    are simulated at response level. The names of the measured ones.

    Raises as `add_folder` and `add_catalogue` do.
    """
    every = loudspeakers()
    share = 0.9 / len(every)
    names = []
    for row, one in enumerate(every):
        told = part(progress, row * share, (row + 1) * share)
        with tempfile.TemporaryDirectory() as name:
            recordings = Path(name) / "recordings"
            write_session(one.key, recordings, progress=part(told, 0.0, 0.6))
            for member in members(one.key):
                write_member(member, Path(name) / member.key)
                add_folder(Path(name) / member.key, archive_folder)
            seal_sheet(write_sheet(one.key, Path(name) / "notes"), archive_folder, clock=lambda: SEALED_AT)
            names.append(add_folder(recordings, archive_folder, progress=part(told, 0.6, 1.0)).name)
            keep_text(names[-1], words_text(one.key), archive_folder)
    add_catalogue(archive_folder, progress=part(progress, 0.9, 1.0))
    return tuple(names)
