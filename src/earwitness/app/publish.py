"""Publish a loudspeaker's review."""

from __future__ import annotations

from pathlib import Path

from earwitness.app.jobs import Progress, part, silent
from earwitness.app.read import ReadResult, read_loudspeaker
from earwitness.publish.review import review_of
from earwitness.publish.site.write import write_review


def publish_review(name: str, folder: Path, archive_folder: Path, *, progress: Progress = silent) -> Path:
    """Write the review of the loudspeaker called `name` to `folder`; the path of its first page.

    Raises as `read_loudspeaker`, and OutputError when the folder can't be written.
    """
    result = read_loudspeaker(name, archive_folder, progress=part(progress, 0.0, 0.6))
    return write_result(result, folder, progress=part(progress, 0.6, 1.0))


def write_result(result: ReadResult, folder: Path, *, progress: Progress = silent) -> Path:
    """Write the review of a reading to `folder`; the path of its first page."""
    progress(0.0, "write the pages")
    page = write_review(review_of(result.reading, result.measurement, result.session), folder)
    progress(1.0, "written")
    return page
