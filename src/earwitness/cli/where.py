"""earwitness where."""

from __future__ import annotations

from pathlib import Path

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command


@click.command(cls=Command)
@archive_option
def command(archive: Path | None) -> None:
    """Tell where the archive lies."""
    from earwitness.app.config import archive_folder

    folder = archive_folder(archive)
    click.echo(f"archive: {folder}" + ("" if folder.exists() else " (not there yet)"))
