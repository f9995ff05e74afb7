"""earwitness where."""

from pathlib import Path

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command


@click.command(cls=Command)
@archive_option
def command(archive: Path) -> None:
    """Tell where the archive lies."""

    click.echo(f"archive: {archive}" + ("" if archive.exists() else " (not there yet)"))
