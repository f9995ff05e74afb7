"""earwitness read."""

from pathlib import Path
from typing import Any

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command, options, pick_options, progress_bar, terminal_width


@click.command(cls=Command)
@click.argument("name")
@pick_options
@archive_option
@options("read")
@options("distance")
@options("read-2")
def command(
    name: str, archive: Path, as_json: bool, splice_hz: tuple[float, float] | None, keep: bool, automatic: bool,
    place: str | None, all_units: bool, how: str | None, rear_wall: str, listening_distance_m: float | None,
    **window: float | None,
) -> None:  # fmt: skip
    """Show the figures of the loudspeaker NAME, each with its 95 % uncertainty.

    Gate and splice are chosen by the program unless told; what is told holds for this once, or with --keep for good.
    """
    told = (as_json, splice_hz, keep, automatic, place, all_units, how, listening_distance_m, *window.values())
    if all(one is None or one is False for one in told):
        from earwitness.app.printed import USUAL_REAR_WALL, kept_lines

        if rear_wall == USUAL_REAR_WALL and (lines := kept_lines(name, archive, terminal_width())):
            click.echo("\n".join(lines))
            return
    from earwitness.app.evidence import evidence_lines, evidence_of
    from earwitness.app.read import document_text, figure_lines, keep_chosen, read_loudspeaker
    from earwitness.app.settings import AUTOMATIC, Chosen
    from earwitness.errors import InputError

    low, high = splice_hz or (None, None)
    chosen = Chosen(splice_low_hz=low, splice_high_hz=high, **window)
    wanted: dict[str, Any] = {"rear_wall": rear_wall, "listening_distance_m": listening_distance_m}
    if (automatic and chosen != AUTOMATIC) or (keep and (automatic or chosen == AUTOMATIC)):
        raise InputError.of("cli.kept_unclear")
    if all_units:
        click.echo(_units(name, archive, as_json=as_json))
        return
    if place is not None:
        click.echo(_at(name, place, archive, as_json=as_json))
        return
    with progress_bar("read") as progress:
        if keep or automatic:
            result = keep_chosen(name, chosen, archive, progress=progress, **wanted)
        else:
            tried = None if chosen == AUTOMATIC else chosen
            result = read_loudspeaker(name, archive, chosen=tried, progress=progress, **wanted)
    if how is not None:
        click.echo("\n".join(evidence_lines(evidence_of(result, how))))
        return
    click.echo(document_text(result) if as_json else "\n".join(figure_lines(result, terminal_width())))


def _at(name: str, place: str, archive: Path, *, as_json: bool) -> str:
    from earwitness.app.match import at_document, at_lines, level_at

    try:
        at = dict(zip(("distance_m", "azimuth_deg", "elevation_deg"), map(float, place.split(",")), strict=True))
    except ValueError:
        raise click.BadParameter(
            f"{place!r} is not a distance in meters and two angles in degrees, such as 2,30,0", param_hint="--at"
        ) from None
    with progress_bar("read") as progress:
        found = level_at(name, archive, progress=progress, **at)
    return at_document(found) if as_json else "\n".join(at_lines(found))


def _units(name: str, archive: Path, *, as_json: bool) -> str:
    import json

    from earwitness.app.read import units_document, units_lines, units_of

    with progress_bar("read") as progress:
        found = units_of(name, archive, progress=progress)
    if as_json:
        return json.dumps(units_document(found), ensure_ascii=False, allow_nan=False, indent=1)
    return "\n".join(units_lines(found, terminal_width()))
