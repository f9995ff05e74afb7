"""earwitness measure plan."""

from pathlib import Path

import click

from earwitness.cli.show import Command, options


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
    cabinet: tuple[float, float, float],
    highest_hz: float | None,
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
