"""earwitness measure."""

from pathlib import Path
from typing import Any

import click

from earwitness.cli import archive_option, from_files, record
from earwitness.cli.show import Command, options, progress_bar


class Lengths(click.ParamType):  # type: ignore[type-arg]
    """Three lengths in meters, with commas between."""

    name = "A,B,C"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> object:
        if isinstance(value, tuple):
            return value
        try:
            parts = tuple(float(part) for part in str(value).split(","))
        except ValueError:
            parts = ()
        if len(parts) != 3:
            self.fail(f"{value!r} is not three lengths in meters such as 0.22,0.38,0.28", param, ctx)
        return parts


@click.command(name="plan", cls=Command)
@options("plan", lengths=Lengths())
def plan(
    cabinet: tuple[float, float, float], highest_hz: float | None, robot: str, time_per_point: float | None,
    drift_db: float, room: tuple[float, float, float] | None, stand_height: float | None, distance: float,
    side_wall: float | None, front_wall: float | None, driver: float | None, to: Path | None,
) -> None:  # fmt: skip
    """Plan a near-field scan; with --room, gated takes in that room as well.

    Prints surfaces, number of points, duration, what error to expect, and what to heed.
    """
    from earwitness.app.measure import gated_plan_lines, scan_plan, scan_plan_lines
    from earwitness.session.plan import ROBOTS, plan_gated

    gated = None
    if room is not None:
        height = room[2] / 2 if stand_height is None else stand_height
        gated = plan_gated(
            room, loudspeaker_height_m=height, distance_m=distance, cabinet_m=cabinet,
            lowest_driver_diameter_m=driver, to_side_wall_m=side_wall, to_front_wall_m=front_wall,
        )  # fmt: skip
    found = scan_plan(
        cabinet,
        highest_hz,
        robot=ROBOTS[ROBOTS.index(robot)],
        time_per_point_s=time_per_point,
        gate_s=None if gated is None else gated.gate_s,
        drift_db=drift_db,
        to=to,
    )
    click.echo("scan:")
    for line in scan_plan_lines(found):
        click.echo(f"  {line}")
    if to is not None:
        click.echo(f"  points written: {to}")
    if gated is not None:
        click.echo("gated takes:")
        for line in gated_plan_lines(gated):
            click.echo(f"  {line}")


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
    click.echo("\n".join(rig_lines(told)))


@click.group()
def command() -> None:
    """Session folders, test signals, and live measuring through the sound card."""


@command.command(name="new-folder", cls=Command)
@click.argument("folder", type=click.Path(path_type=Path))
@options("new-folder")
def new_folder(folder: Path, rehearsal: bool) -> None:
    """Write a commented session.toml to fill in into FOLDER."""
    from earwitness.app.measure import new_rehearsal
    from earwitness.session.form_fields import write_template

    if rehearsal:
        new_rehearsal(folder)
        click.echo(f"rehearse without any sound: earwitness measure record {folder} --input simulated")
        return
    path = write_template(folder)
    click.echo(f"fill in {path}, put the recordings beside it, then: earwitness add {folder}")


@command.command(name="signals", cls=Command)
@click.argument("folder", type=click.Path(path_type=Path))
@options("signals")
def signals(folder: Path, peak_dbfs: float, **wanted: Any) -> None:
    """Write every test signal into FOLDER: sweep, multitone, two tones, bursts, noise, calibration tone.

    Each WAV file has a sidecar that says what it is. Nothing is louder than --peak, everything fades
    at both ends, and no file that is there is overwritten. Nothing is played.
    """
    from earwitness.app.measure import write_test_signals

    done = write_test_signals(folder, peak_dbfs=peak_dbfs, **wanted)
    click.echo(f"{len(done.files)} test signals in {folder}, peak {peak_dbfs:g} dB re full scale:")
    for path in done.files:
        click.echo(f"  {path.name}")
    click.echo("before you play one:")
    for caution in done.cautions:
        click.echo(f"  {caution}")


for _live in (
    record.devices, record.calibrate, record.level, record.loopback, record.record, record.resume, record.turntable,
    plan, from_files.from_files, rig,
):  # fmt: skip
    command.add_command(_live)
