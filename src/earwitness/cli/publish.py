"""earwitness publish."""

from __future__ import annotations

from pathlib import Path

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command, progress_bar


@click.command(cls=Command)
@click.argument("name")
@click.option("--to", "folder", type=click.Path(path_type=Path), required=True, help="Folder to write; made anew.")
@archive_option
def command(name: str, folder: Path, archive: Path | None) -> None:
    """Write the review of the loudspeaker NAME: static pages that open from disk, with downloads."""
    from earwitness.app.config import archive_folder
    from earwitness.app.publish import publish_review

    with progress_bar("publish") as progress:
        page = publish_review(name, folder, archive_folder(archive), progress=progress)
    click.echo(f"the review is in {page}")
