"""Planning in the place Measure: gated takes in a room, and near-field scans, by the functions of the command line."""

from dataclasses import asdict
from typing import Any

from fastapi import APIRouter
from fastapi.responses import PlainTextResponse
from pydantic import Field

from earwitness.app.jobs import error_record
from earwitness.app.measure import gated_plan_lines, scan_plan, scan_plan_lines
from earwitness.bench.routes.measure import whole_path
from earwitness.bench.state import Body
from earwitness.errors import InputError
from earwitness.session.plan import GatedPlan, Robot, ScanPlan, plan_gated

router = APIRouter(prefix="/api/measure/plan", tags=["measure plan"])


class Cabinet(Body):
    """Outer size of the loudspeaker."""

    width_m: float = Field(ge=0.001, le=100.0)
    height_m: float = Field(ge=0.001, le=100.0)
    depth_m: float = Field(ge=0.001, le=100.0)

    def size(self) -> tuple[float, float, float]:
        """Width, height, depth."""
        return (self.width_m, self.height_m, self.depth_m)


class RoomPlaces(Body):
    """A room and what stands where in it; None for the usual place."""

    length_m: float = Field(ge=0.01, le=1000.0)
    width_m: float = Field(ge=0.01, le=1000.0)
    height_m: float = Field(ge=0.01, le=1000.0)
    stand_m: float | None = Field(default=None, ge=0.01, le=1000.0)
    front_wall_m: float | None = Field(default=None, ge=0.01, le=1000.0)
    side_wall_m: float | None = Field(default=None, ge=0.01, le=1000.0)
    distance_m: float = Field(default=2.0, ge=0.01, le=1000.0)
    driver_m: float | None = Field(default=None, ge=0.001, le=2.0)


class Scan(Body):
    """A near-field scan; None: highest_hz as plan_scan takes it, time_per_point_s as is usual."""

    highest_hz: float | None = Field(default=None, ge=1.0, le=100_000.0)
    robot: Robot = "rotating arc"
    time_per_point_s: float | None = Field(default=None, ge=0.001, le=10_000.0)


class ToPlan(Body):
    """What is to be planned."""

    cabinet: Cabinet
    room: RoomPlaces
    scan: Scan


class ToWrite(ToPlan):
    """to : file of this machine for the list of points; None to have it back as the answer."""

    to: str | None = Field(default=None, min_length=1, max_length=1000)


@router.post("")
def measure_plan(body: ToPlan) -> dict[str, Any]:
    """Both plans in plain lines and numbers; where one cannot be made, why."""
    out: dict[str, Any] = {"gated": None, "scan": None, "gated_fault": None, "scan_fault": None}
    gated: GatedPlan | None = None
    try:
        gated = _gated(body)
        out["gated"] = {**asdict(gated), "lines": list(gated_plan_lines(gated))}
    except InputError as error:
        out["gated_fault"] = error_record(error)
    try:
        found = _scan(body, gated)
        out["scan"] = {
            "lines": list(scan_plan_lines(found)), "points": len(found.points_m), "duration_s": found.duration_s,
            "shape": found.shape, "separable_hz": found.separable_hz,
        }  # fmt: skip
    except InputError as error:
        out["scan_fault"] = error_record(error)
    return out


@router.post("/points", response_class=PlainTextResponse)
def measure_plan_points(body: ToWrite) -> PlainTextResponse:
    """The list of coordinates of the scan as CSV, written to a file of this machine too where one is named."""
    try:
        gated = _gated(body)
    except InputError:
        gated = None
    found = _scan(body, gated, to=body.to)
    return PlainTextResponse(found.table(), media_type="text/csv")


def _gated(body: ToPlan) -> GatedPlan:
    room = body.room
    return plan_gated(
        (room.length_m, room.width_m, room.height_m),
        loudspeaker_height_m=room.height_m / 2 if room.stand_m is None else room.stand_m,
        distance_m=room.distance_m,
        cabinet_m=body.cabinet.size(),
        lowest_driver_diameter_m=room.driver_m,
        to_side_wall_m=room.side_wall_m,
        to_front_wall_m=room.front_wall_m,
    )


def _scan(body: ToPlan, gated: GatedPlan | None, *, to: str | None = None) -> ScanPlan:
    return scan_plan(
        body.cabinet.size(),
        body.scan.highest_hz,
        robot=body.scan.robot,
        time_per_point_s=body.scan.time_per_point_s,
        gate_s=None if gated is None else gated.gate_s,
        to=None if to is None else whole_path(to),
    )
