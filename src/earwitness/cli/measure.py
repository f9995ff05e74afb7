"""earwitness measure."""

from __future__ import annotations

from pathlib import Path

import click

from earwitness.cli.show import Command


@click.group()
def command() -> None:
    """Prepare and write session folders."""


@command.command(name="new-folder", cls=Command)
@click.argument("folder", type=click.Path(path_type=Path))
def new_folder(folder: Path) -> None:
    """Write a commented session.toml to fill in into FOLDER."""
    from earwitness.app.measure import new_session_folder

    path = new_session_folder(folder)
    click.echo(f"fill in {path}, put the recordings beside it, then: earwitness add {folder}")
