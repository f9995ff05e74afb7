"""earwitness site."""

from pathlib import Path
from typing import Any

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command, Failures, options, progress_bar


@click.command(cls=Command)
@options("site")
@archive_option
@click.pass_context
def command(ctx: click.Context, /, folder: Path, title: str | None, archive: Path, **wanted: Any) -> None:
    """Publish every loudspeaker of the archive as one site; only what changed is written anew.

    The index searches, sorts and compares without a server. Addresses are permanent. Data that are published count as
    shown: listening sheets sealed later are marked. A loudspeaker that cannot be read is told at the end; the others
    are published, and a former page of it stays.
    """
    from earwitness.app.site import TITLE, publish_site

    with progress_bar("site") as progress:
        report = publish_site(folder, archive, title=title or TITLE, progress=progress, **wanted)
    click.echo(
        f"{len(report.written)} loudspeaker{'s' * (len(report.written) != 1)} written, {report.unchanged} unchanged"
    )
    for name in report.kept:
        click.echo(f"  kept, though no longer in the archive, or set aside: {name}")
    click.echo(f"the site is in {report.page}")
    Failures().end(ctx, report.failed)
