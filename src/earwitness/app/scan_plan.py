"""Plan a scan or gated takes before anything is set up."""

from pathlib import Path

from earwitness.errors import InputError
from earwitness.files.durable import write_bytes
from earwitness.quantities.axis import hz_words
from earwitness.session.plan import DRIFT_DB, GatedPlan, Robot, ScanPlan, plan_scan


def scan_plan(
    cabinet_m: tuple[float, float, float],
    highest_hz: float | None,
    *,
    robot: Robot,
    time_per_point_s: float | None = None,
    gate_s: float | None = None,
    drift_db: float = DRIFT_DB,
    to: Path | None = None,
) -> ScanPlan:
    """Plan a scan and write its table of positions to `to`. InputError as plan_scan; OutputError for the file."""
    plan = plan_scan(
        cabinet_m, highest_hz, robot=robot, time_per_point_s=time_per_point_s, room_gate_s=gate_s, drift_db=drift_db
    )
    if to is not None:
        if to.exists():
            raise InputError("the file is there already, it was left as it is", where=str(to), remedy="another name")
        write_bytes(to, plan.table().encode())
    return plan


def scan_plan_lines(plan: ScanPlan) -> tuple[str, ...]:
    """A scan's plan in plain lines."""
    hours, minutes = divmod(round(plan.duration_s / 60), 60)
    surface = f"two {plan.shape}s, radii {plan.radii_m[0]:.2f} and {plan.radii_m[1]:.2f} m"
    if plan.shape == "sphere":
        surface += ", radii alternate from ring to ring by 3 cm"
    else:
        surface += f", heights {plan.heights_m[0]:.2f} and {plan.heights_m[1]:.2f} m"
    errors = ", ".join(f"{error:.2f} dB at {hz_words(hz)}" for hz, error in plan.expected_error_db)
    lines = [
        f"surface: {surface}; {plan.rings} rings of {plan.azimuths} points on each",
        f"points: {len(plan.points_m):,}, {plan.visits} of them visits of the reference place, "
        f"about {hours} h {minutes:02d} min",
        f"the room is separated up to {hz_words(plan.separable_hz)}",
        f"error at most (19 of 20 frequencies, directions within 20 dB of the loudest): {errors}",
    ]
    if plan.gated_from_hz is not None:
        lines.insert(3, f"the gate serves from {hz_words(plan.gated_from_hz)} upward")
    return (*lines, *plan.buys, *plan.notes)


def gated_plan_lines(plan: GatedPlan) -> tuple[str, ...]:
    """A gated session's plan in plain lines."""
    return (
        f"gate: {1000 * plan.gate_s:.1f} ms, ended by the {plan.reflection}",
        f"lowest valid frequency: {hz_words(plan.lowest_valid_hz)}",
        f"far field: from {plan.far_field_m:.1f} m; planned: {plan.distance_m:g} m",
        f"near-field takes must cover all below {hz_words(plan.near_field_below_hz)}",
        *plan.notes,
    )
