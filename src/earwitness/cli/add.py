"""earwitness add."""

from pathlib import Path

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command, Failures, progress_bar


@click.command(cls=Command)
@click.argument("folders", metavar="FOLDER...", nargs=-1, required=True, type=click.Path(path_type=Path))
@archive_option
@click.pass_context
def command(ctx: click.Context, folders: tuple[Path, ...], archive: Path) -> None:
    """Take one session FOLDER or several into the archive and reduce their recordings.

    A folder holds session.toml and audio files; docs/session-folder.md tells how. Everything in it is
    checked before anything is taken in. Recordings are copied, never altered. Of several folders one that fails is
    told, and the others go on.
    """
    from earwitness.app.add import add_folder

    failures = Failures(alone=len(folders) == 1)
    for folder in folders:
        with failures.told(str(folder)), progress_bar("add") as progress:
            added = add_folder(folder, archive, progress=progress)
            click.echo(added.sentence)
            for flag in added.warnings:
                click.echo(f"  note: {flag}")
            click.echo(f'next: earwitness read "{added.name}"')
    failures.end(ctx)
