"""earwitness archive listening-distance, and the option of the same name."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command


def distance_option(*other_flags: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """The option --listening-distance, for this once."""
    return click.option(
        "--listening-distance",
        *other_flags,
        "listening_distance_m",
        type=float,
        default=None,
        metavar="M",
        help="For levels at the seat, 0.5 to 10 m, this once [default: the archive's; 3 m at first].",
    )


# A number below 0 is to be refused as what it is, not as an option that is not known.
@click.command(name="listening-distance", cls=Command, context_settings={"ignore_unknown_options": True})
@click.argument("meters", type=float, required=False)
@archive_option
def listening_distance(meters: float | None, archive: Path) -> None:
    """Tell how far from a loudspeaker you listen, or keep METERS as that from now on.

    Levels at the seat are for this distance, in figures, advice and reviews: 0.5 to 10 m, 3 m at first.
    """
    from earwitness.app.settings import distance_in, keep_distance

    if meters is None:
        click.echo(f"listening distance: {distance_in(archive):g} m")
        return
    click.echo(f"listening distance: {keep_distance(meters, archive):g} m, from now on")
    click.echo("search and comparisons follow with: earwitness archive rebuild")
