"""The invented loudspeakers that are simulated at response level, taken into an archive."""

import tempfile
from dataclasses import asdict
from pathlib import Path

from earwitness.app.jobs import Progress, silent
from earwitness.app.summary import keep_summary
from earwitness.archive.catalogue import Archive
from earwitness.demo.catalogue import COUNT, catalogue, session_of, simulate, write_note
from earwitness.reduce.plan import ReduceSettings


def add_catalogue(archive_folder: Path, *, count: int = COUNT, progress: Progress = silent) -> int:
    """Take the first `count` invented loudspeakers into the archive; how many were not in it before.

    Raises InputError for a count below 0, ArchiveError and OutputError as the archive does.
    """
    settings = asdict(ReduceSettings())
    new = 0
    with Archive.open(archive_folder) as archive, tempfile.TemporaryDirectory() as name:
        for place, one in enumerate(catalogue(count)):
            progress(place / max(count, 1), one.name)
            folder = Path(name) / str(one.number)
            write_note(one, folder)
            added = archive.add_session(session_of(one), folder)
            new += not added.reused
            # Kept as if reduced with the present settings, so that a reading finds it.
            measurement = simulate(one, settings)
            archive.keep_measurement(added.session_id, measurement)
            keep_summary(archive, archive.find(f"{one.maker} {one.name}").id, added.session_id, measurement)
    progress(1.0, "kept")
    return new
