"""earwitness measure from-files, archive add-list, archive export-responses: data that was measured already."""

from pathlib import Path
from typing import Any

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command, progress_bar, terminal_width

_TYPES = ("stand-mount", "floor-stander", "in-wall", "center", "subwoofer", "monitor", "horn", "other")
_ENCLOSURES = ("closed", "vented", "passive radiator", "open", "other")


@click.command(name="from-files", cls=Command)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--write", is_flag=True, help="Write session.toml; without it nothing is written.")
@click.option("--again", is_flag=True, help="Write over a session.toml that is there.")
@click.option("--name", default="", help="Model name of the loudspeaker.")
@click.option("--maker", default="", help="Its maker.")
@click.option("--type", "type", type=click.Choice(_TYPES), default=None, help="What it is.")
@click.option("--enclosure", type=click.Choice(_ENCLOSURES), default=None, help="How its box works.")
@click.option("--size", "size_m", type=float, nargs=3, default=None, help="Width, height, depth, m.")
@click.option("--reference-axis", default="", help="Where 0 degrees lies, in words.")
@click.option("--rated", "rated_impedance_ohm", type=float, default=None, help="Rated impedance, ohm.")
@click.option("--date", default="", help="Day of the measurement, such as 2026-11-01.")
@click.option("--relative", is_flag=True, help="The levels are not calibrated.")
@click.option("--voltage", "voltage_v", type=float, default=None, help="Voltage that the levels belong to, V.")
@click.option("--distance", "reference_distance_m", type=float, default=None, help="Distance levels are stated for, m.")
@click.option("--measured-at", "measured_distance_m", type=float, default=None, help="Where the microphone stood, m.")
@click.option(
    "--space",
    type=click.Choice(("gated", "anechoic", "ground plane", "scan", "room", "unknown")),
    default=None,
    help="Where it was measured.",
)
@click.option("--gate", "gate_ms", type=float, default=None, help="Length of the gate, ms.")
@click.option("--good-from", "lowest_hz", type=float, default=None, help="Frequency from which the data are good, Hz.")
@click.option("--smoothing", default="", help='"none", or a width such as 1/24.')
@click.option(
    "--phase",
    type=click.Choice(("none", "one time reference", "each direction its own")),
    default=None,
    help="Whether the directions share one time.",
)
@click.option("--measured-by", default="", help="Who measured.")
@click.option("--u", "u_db", type=float, default=None, help="Standard uncertainty of the levels, dB.")
@click.option(
    "--unit",
    type=click.Choice(("dB SPL", "dB re 1 Pa", "dB re 1 Pa/V", "dB relative")),
    default=None,
    help="What the decibels are, where the tables do not say.",
)
@click.option("--plane", type=click.Choice(("horizontal", "vertical")), default=None, help="Where files do not say.")
@click.option("--data", type=click.Choice(("Pa/V", "Pa", "relative")), default=None, help="Values of SOFA files.")
@click.option("--axis", type=float, nargs=2, default=None, help="Azimuth and elevation of the reference axis in SOFA.")
@click.option(
    "--samples", type=click.Choice(("Pa/V", "Pa/V per second", "relative")), default=None, help="Impulse responses."
)
@click.option(
    "--positions",
    type=click.Choice(("radiated directions", "places of the source")),
    default=None,
    help="Source positions of SOFA files.",
)
@click.option("--harmonics", default="", help="Spherical harmonics of SOFA files: orthonormal, N3D or SN3D.")
@click.option("--invented", is_flag=True, help="The loudspeaker exists only for demonstration.")
def from_files(folder: Path, write: bool, again: bool, **facts: Any) -> None:
    """Look at the files in FOLDER, say what each seems to be, and write a session.toml that says so.

    Tables of responses (one file a direction, or one with a column a direction), impulse responses
    (WAV, FLAC), SOFA directivities and impedance tables. What neither names nor contents tell is asked
    for; the options above answer. With --write the session is written; then: earwitness add FOLDER
    """
    from earwitness.app.columns import two_columns
    from earwitness.app.from_files import questions, telling, write_session
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
    from earwitness.app.from_files import failed, take_in_all

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
@click.option("--to", "folder", type=click.Path(path_type=Path), required=True, help="A new folder.")
@click.option(
    "--form",
    type=click.Choice(("tables", "wide tables", "impulse responses", "sofa", "spherical harmonics")),
    default="tables",
    show_default=True,
    help="How the responses are written.",
)
@archive_option
def export_responses(name: str, folder: Path, form: str, archive: Path) -> None:
    """Write the responses of the loudspeaker NAME into a new folder, with a session.toml that describes them.

    The folder can be added to any archive again, and its files read by other programs.
    """
    from earwitness.app.export_responses import export_responses as export

    written = export(archive, name, folder, form)
    click.echo(f"{len(written)} files in {folder}; they come back with: earwitness add {folder}")
