"""earwitness measure rig."""

from pathlib import Path

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command, options, progress_bar


@click.command(name="rig", cls=Command)
@options("rig")
@archive_option
def rig(check: str | None, since: int | None, because: str, archive: Path) -> None:
    """Microphones and calibrators by serial number, and the check loudspeaker's control chart.

    A small stable loudspeaker, kept for nothing else and measured on axis at a marked place at the start of each
    session, tells when microphone, gain or amplifier drift. Add each of its sessions as any other.
    """
    from earwitness.app.settings import keep_check, rig_lines, rig_told
    from earwitness.errors import InputError

    if since is not None and check is None:
        check = rig_told(archive).check or None
        if check is None:
            raise InputError("no loudspeaker is the rig's check yet", remedy='name it: --check "NAME"')
    if check is not None:
        keep_check(check, archive, since=since, because=because)
    with progress_bar("rig") as progress:
        told = rig_told(archive, progress=progress)
    for line in rig_lines(told):
        click.echo(line)
