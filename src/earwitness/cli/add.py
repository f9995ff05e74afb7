"""earwitness add."""

from __future__ import annotations

from pathlib import Path

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command, progress_bar


@click.command(cls=Command)
@click.argument("folder", type=click.Path(path_type=Path))
@archive_option
def command(folder: Path, archive: Path | None) -> None:
    """Take the session FOLDER into the archive and reduce its recordings.

    The folder holds session.toml and audio files; docs/session-folder.md tells how. Everything is
    checked before anything is taken in. Recordings are copied, never altered.
    """
    from earwitness.app.add import add_folder
    from earwitness.app.config import archive_folder

    with progress_bar("add") as progress:
        added = add_folder(folder, archive_folder(archive), progress=progress)
    click.echo(added.sentence)
    for flag in added.warnings:
        click.echo(f"  note: {flag}")
    click.echo(f'next: earwitness read "{added.name}"')
