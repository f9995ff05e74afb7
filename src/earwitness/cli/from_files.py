"""earwitness measure from-files, archive add-list, archive export-responses: data that was measured already."""

from pathlib import Path
from typing import Any

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command, options, progress_bar, terminal_width


@click.command(name="from-files", cls=Command)
@click.argument("folder", type=click.Path(path_type=Path))
@options("from-files")
def from_files(folder: Path, write: bool, again: bool, **facts: Any) -> None:
    """Look at the files in FOLDER, say what each seems to be, and write a session.toml that says so.

    Tables of responses (one file a direction, or one with a column a direction), impulse responses
    (WAV, FLAC), SOFA directivities and impedance tables. What neither names nor contents tell is asked
    for; the options above answer. With --write the session is written; then: earwitness add FOLDER
    """
    from earwitness.app.add import questions, telling, write_session
    from earwitness.render.columns import two_columns
    from earwitness.session.from_files import Stated, survey

    found = survey(folder)
    for line in two_columns(list(telling(found)), terminal_width()):
        click.echo(line)
    for remark in found.told:
        click.echo(f"note: {remark}")
    names = ("width_m", "height_m", "depth_m", "axis_azimuth_deg", "axis_elevation_deg")
    size, axis = facts.pop("size_m") or [None] * 3, facts.pop("axis") or [None] * 2
    facts |= zip(names, (*size, *axis), strict=True)
    stated = Stated(**{key: value for key, value in facts.items() if value is not None})
    for question in questions(found):
        click.echo(f"to settle: {question}")
    if not write:
        click.echo(f"nothing was written; with --write the session goes to {folder / 'session.toml'}")
        return
    path = write_session(found, stated, again=again)
    click.echo(f'written: {path}; fill in what is still "" or 0, then: earwitness add {folder}')


@click.command(name="add-list", cls=Command)
@click.argument("table", type=click.Path(path_type=Path))
@archive_option
def add_list(table: Path, archive: Path) -> None:
    """Take in many loudspeakers at once: TABLE has a line for each, with its folder and what is known of it.

    The first line names the columns: folder, name, maker, type, enclosure, width_m, height_m, depth_m,
    price, currency, voltage_v, and any other fact of a session of responses. Folders stand beside the
    table. A folder with a session.toml keeps it. What cannot be taken in is told and the others go on;
    run again, it goes on where it stopped.
    """
    from earwitness.app.add import failed, take_in_all

    with progress_bar("take in") as progress:
        done = take_in_all(table, archive, progress=progress)
    wrong = failed(done)
    click.echo(f"{len(done) - len(wrong)} of {len(done)} loudspeakers are in the archive")
    for one in wrong:
        click.echo(f"line {one.line}, {one.name} ({one.folder}):")
        for line in one.why.splitlines():
            click.echo(f"  {line}")
    if wrong:
        raise SystemExit(2)


@click.command(name="export-responses", cls=Command)
@click.argument("name")
@options("export-responses")
@archive_option
def export_responses(name: str, folder: Path, form: str, archive: Path) -> None:
    """Write the responses of the loudspeaker NAME into a new folder, with a session.toml that describes them.

    The folder can be added to any archive again, and its files read by other programs.
    """
    from earwitness.app.archive import export_responses as export

    written = export(archive, name, folder, form)
    click.echo(f"{len(written)} files in {folder}; they come back with: earwitness add {folder}")
