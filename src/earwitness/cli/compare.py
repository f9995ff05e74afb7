"""earwitness compare."""

from pathlib import Path
from typing import Any

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command, Failures, options, progress_bar


@click.command(cls=Command)
@click.argument("names", nargs=-1, required=True, metavar="NAME NAME...")
@options("compare")
@archive_option
@click.pass_context
def command(
    ctx: click.Context, /, names: tuple[str, ...], match: tuple[float, float], curve: str, among: bool,
    folder: Path | None, as_json: bool, archive: Path, **group_of: Any,
) -> None:  # fmt: skip
    """Set two to four loudspeakers beside each other: figures, curves, and what cannot be told apart.

    Curves are level-matched by their mean over the band of --match. --curve takes on_axis, early_reflections, in_room,
    sound_power, sound_power_di and early_reflections_di too. One that cannot be read is told at the end, and the
    others are compared.

    \b
    One loudspeaker with itself, another unit, state or day of it:
      earwitness compare "Name @ unit A12" "Name @ unit B7"
      earwitness compare "Name @ variant grille on" "Name @ session 3"
    """
    from earwitness.app import compare as acts

    limits = acts.Group(**group_of)
    group = limits if among or limits != acts.Group() else None
    with progress_bar("compare") as progress:
        found = acts.compare_loudspeakers(names, archive, match_hz=match, curve=curve, group=group, progress=progress)
    if as_json:
        import json

        click.echo(json.dumps(acts.comparison_document(found), ensure_ascii=False, allow_nan=False, indent=1))
    else:
        click.echo("\n".join(acts.comparison_lines(found)))
    if folder is not None:
        click.echo(f"the page is in {acts.write_comparison(found, folder)}", err=as_json)
    Failures().end(ctx, found.missing)
