"""earwitness bench."""

from __future__ import annotations

from pathlib import Path

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command


@click.command(cls=Command)
@click.option("--port", type=click.IntRange(1, 65535), help="Port on this machine; default: a free one.")
@click.option("--no-browser", is_flag=True, help="Print the address, open nothing.")
@archive_option
def command(port: int | None, no_browser: bool, archive: Path | None) -> None:
    """Open the web bench: the whole job in the browser of this machine, on the archive.

    It answers this machine alone. The address is good for one use. Stop it with Ctrl-C; all that was entered is kept.
    """
    from earwitness.app.config import archive_folder
    from earwitness.bench.server import serve

    def ready(address: str) -> None:
        click.echo(f"the bench is open at {address}")
        click.echo("the address is good for one use; stop the bench with Ctrl-C", err=True)
        if not no_browser:
            import webbrowser

            webbrowser.open(address)

    serve(archive_folder(archive), port=port, ready=ready)
