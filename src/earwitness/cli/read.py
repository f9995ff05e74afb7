"""earwitness read."""

from __future__ import annotations

from pathlib import Path

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command, progress_bar


@click.command(cls=Command)
@click.argument("name")
@archive_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document with every curve and figure.")
@click.option(
    "--rear-wall",
    type=click.Choice(["all 19", "3"]),
    default="all 19",
    show_default=True,
    help="Reading of ANSI/CTA-2034-A: positions of the rear wall.",
)
def command(name: str, archive: Path | None, as_json: bool, rear_wall: str) -> None:
    """Show the figures of the loudspeaker NAME, each with its 95 % uncertainty."""
    from earwitness.app.config import archive_folder
    from earwitness.app.read import document_text, figure_lines, read_loudspeaker

    with progress_bar("read") as progress:
        result = read_loudspeaker(name, archive_folder(archive), rear_wall=rear_wall, progress=progress)
    click.echo(document_text(result) if as_json else "\n".join(figure_lines(result)))
