"""earwitness measure plan."""

from pathlib import Path

import click

from earwitness.cli.show import Command


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
@click.option("--cabinet", type=Lengths(), required=True, help="Width, height, depth of the cabinet, m.")
@click.option("--highest", "highest_hz", type=float, default=2000.0, show_default=True, help="Separate up to, Hz.")
@click.option(
    "--robot",
    type=click.Choice(["rotating arc", "linear axes", "by hand", "turntable and arm"]),
    default="rotating arc",
    show_default=True,
    help="What moves the microphone.",
)
@click.option("--time-per-point", type=float, default=None, help="Seconds for one point; default: usual for the robot.")
@click.option(
    "--drift", "drift_db", type=float, default=0.1, show_default=True, help="Gain's drift to be expected over it, dB."
)
@click.option("--room", type=Lengths(), default=None, help="Length, width, height of the room, m: plans the gate too.")
@click.option("--stand-height", type=float, default=None, help="Height of the reference point, m; default: half.")
@click.option("--distance", type=float, default=2.0, show_default=True, help="Microphone distance of gated takes, m.")
@click.option("--side-wall", type=float, default=None, help="Loudspeaker to the nearer side wall, m; default: middle.")
@click.option("--front-wall", type=float, default=None, help="Loudspeaker to the wall behind it, m; default: a third.")
@click.option("--driver", type=float, default=None, help="Diameter of the largest cone, m.")
@click.option(
    "--to", type=click.Path(dir_okay=False, path_type=Path), default=None, help="Write the points to this CSV."
)
def plan(
    cabinet: tuple[float, float, float],
    highest_hz: float,
    robot: str,
    time_per_point: float | None,
    drift_db: float,
    room: tuple[float, float, float] | None,
    stand_height: float | None,
    distance: float,
    side_wall: float | None,
    front_wall: float | None,
    driver: float | None,
    to: Path | None,
) -> None:
    """Plan a near-field scan; with --room, gated takes in that room as well.

    Prints surfaces, number of points, duration, what error to expect, and what to heed.
    """
    from earwitness.app.scan_plan import gated_plan_lines, scan_plan, scan_plan_lines
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
