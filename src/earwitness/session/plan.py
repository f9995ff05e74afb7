"""Plans a measuring session before anything is set up: a near-field scan, or gated takes in a room.

Expected errors of a scan are bounds of the project (no source), fitted to simulated scans and held against loudspeakers
drawn afterwards: at least 19 of 20 frequencies stay below them (docs/accuracy.md, "Planned scans").
Counted are directions within 20 dB of the loudest; a scan's own result tells what it reached.
"""

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from earwitness.errors import InputError, choice
from earwitness.files.data import worded
from earwitness.formats.positions_table import REFERENCE, positions_text
from earwitness.quantities import FloatArray, Locked

Robot = Literal["rotating arc", "linear axes", "by hand", "turntable and arm"]
ROBOTS: tuple[Robot, ...] = get_args(Robot)

SPEED_OF_SOUND_M_S = 343.0
CLEARANCE_M = 0.06
BETWEEN_M = 0.05
# What rings of one pass are farther out than the pass's first: radii that alternate cross each other, so that a gain or
# a radius that one pass has wrong can be seen in the scan itself.
WAVES_M = {"inner": (0.0, 0.03), "outer": (0.08, 0.05)}
DRIFT_DB = 0.1
FEWEST_VISITS, MOST_VISITS = 8, 60
VISIT_U_DB = 0.02
VISIT_TIMES = 2.0
SEPARABLE_MARGIN, RING_SHARE = 3, 0.95
MOST_POINTS = 20_000
FEWEST_RINGS = 6
GATE_MARGIN_S = 0.2e-3
LOWEST_TIMES_LENGTH = 1.2
# Without a wish: what is separated, up to where the gate tells all directions, with how much to spare, and points that
# a day may bear. The margin is checked on drawn loudspeakers, no source.
DEFAULT_HZ, TOP_HZ, TOP_MARGIN, MOST_ASKED = 2000.0, 10_000.0, 1.25, 4400
SAFETY = worded("session.plan_is_loud")
# Jitter of the points [m] that each way of moving the microphone reaches (common practice, no source).
JITTER_M = {"turntable and arm": 0.0007, "rotating arc": 0.0007, "linear axes": 0.0005, "by hand": 0.004}
# Fitted to simulated scans, no source: see _expected. Times the jitter's error, by share of the highest told frequency.
_EXPECTED_AT_HZ = (50.0, 200.0, 1000.0, 2000.0, 5000.0, 10_000.0)
_FLOOR_DB, _BASS_DB, GATE_DB, _SEPARATED_TIMES, _NEAR_PER_M = 0.03, 0.45, 0.2, 2.3, 14.0
_SCATTERED_DB, _SCATTERED_FROM_HZ = 0.15, 500.0
_GATED_AT_SHARE = (0.2, 0.35, 0.45, 0.6, 0.75, 1.0)
_GATED_TIMES = (0.6, 0.8, 0.9, 1.3, 2.2, 5.5)
_SETTLE_S = {"turntable and arm": 2.5, "rotating arc": 2.0, "linear axes": 4.0, "by hand": 15.0}


@dataclass(frozen=True, slots=True, eq=False)
class ScanPlan(Locked):
    """points_m (P, 3) from the reference point in the order of travel; surfaces (P,) names.

    shape : "sphere" or "cylinder"; radii_m : of the two surfaces, from the cabinet's middle; heights_m : of cylinders;
    rings, azimuths : of each surface; separable_hz : up to which the room's sound can be told from the loudspeaker's;
    gated_from_hz : from where a gate may take over, None where the room is not told; duration_s; expected_error_db :
    (frequency, 95 % bound of the rms error over directions within 20 dB of the loudest) pairs; visits : of the
    reference place; buys : what each precaution costs and brings, sentences; notes : sentences.
    """

    points_m: FloatArray
    surfaces: tuple[str, ...]
    shape: Literal["sphere", "cylinder"]
    radii_m: tuple[float, float]
    heights_m: tuple[float, float]
    rings: int
    azimuths: int
    separable_hz: float
    gated_from_hz: float | None
    duration_s: float
    expected_error_db: tuple[tuple[float, float], ...]
    visits: int
    buys: tuple[str, ...]
    notes: tuple[str, ...]

    def table(self) -> str:
        """The list of coordinates as a table of positions."""
        note = f"planned scan, {len(self.points_m)} points, separable up to {self.separable_hz:.0f} Hz"
        return positions_text(self.points_m, self.surfaces, note=note)


@dataclass(frozen=True, slots=True)
class GatedPlan:
    """gate_s : usable length after the direct sound; reflection : which wall limits it; lowest_valid_hz;
    far_field_m : distance that the far field asks for; distance_m : planned; near_field_below_hz : what near-field
    takes must cover; notes : sentences."""

    gate_s: float
    reflection: str
    lowest_valid_hz: float
    far_field_m: float
    distance_m: float
    near_field_below_hz: float
    notes: tuple[str, ...]


def plan_scan(
    cabinet_m: tuple[float, float, float],
    highest_hz: float | None,
    *,
    robot: Robot = "rotating arc",
    time_per_point_s: float | None = None,
    body_center_m: tuple[float, float, float] | None = None,
    room_gate_s: float | None = None,
    drift_db: float = DRIFT_DB,
) -> ScanPlan:
    """A scan on two nested surfaces around a cabinet (width, height, depth), visited in turns.

    highest_hz : up to which the room's sound shall be separated, None: 2 kHz, or with a gate as much higher as makes
    its points tell 10 kHz, but no more than MOST_ASKED points; time_per_point_s : sweep and moving, None: usual for
    the robot; body_center_m : middle of the cabinet from the reference point, None: half its depth behind it;
    room_gate_s : length of a gate before the first reflection, where known; drift_db : standard deviation of the
    gain's drift to be expected over the scan, which says how often the reference place is visited.

    Points follow from the orders of the incoming waves, k r + 3 (rings: 2 x (N + 1) over 0.95, azimuths: 2 N + 1).
    InputError for sizes, frequencies or times that make no scan.
    """
    choice("robot", robot, ROBOTS)
    for name, value, least, most in (
        *((side, size, 0.03, 3.0) for side, size in zip(("width_m", "height_m", "depth_m"), cabinet_m, strict=True)),
        ("highest_hz", DEFAULT_HZ if highest_hz is None else highest_hz, 100.0, 20_000.0),
        ("time_per_point_s", time_per_point_s or 1.0, 0.1, 600.0),
        ("drift_db", drift_db, 0.001, 3.0),
    ):
        if not (math.isfinite(value) and least <= value <= most):
            unit = "m" if name.endswith("_m") else "Hz" if name.endswith("hz") else "dB" if name == "drift_db" else "s"
            raise InputError(
                f"{name} is {value:g} {unit}", expected=f"{least:g} to {most:g} {unit}",
                remedy="lengths are in meters: 200 mm are 0.2" if unit == "m" else "correct the number",
            )  # fmt: skip
    width, height, depth = cabinet_m
    shape: Literal["sphere", "cylinder"] = "cylinder" if robot in ("turntable and arm", "linear axes") else "sphere"
    flat = math.hypot(width, depth) / 2 + CLEARANCE_M
    inner = flat if shape == "cylinder" else math.dist((0, 0, 0), cabinet_m) / 2 + CLEARANCE_M
    half = height / 2 + CLEARANCE_M
    between = BETWEEN_M if shape == "cylinder" else max(WAVES_M["outer"])
    reach = math.hypot(flat + between, half + between) if shape == "cylinder" else inner + between
    asks, most_hz = _asked(cabinet_m, reach)
    if highest_hz is None:
        highest_hz = DEFAULT_HZ if room_gate_s is None else max(DEFAULT_HZ, min(asks[1], most_hz))
    order = math.ceil(2 * math.pi * highest_hz / SPEED_OF_SOUND_M_S * reach) + SEPARABLE_MARGIN
    rings, azimuths = max(FEWEST_RINGS, math.ceil((order + 1) / RING_SHARE)), 2 * order + 2
    center = np.array(body_center_m if body_center_m is not None else (-depth / 2, 0.0, 0.0))
    passes = [
        _sphere(inner, rings, azimuths, second=second)
        if shape == "sphere"
        else _cylinder(flat + second * between, half + second * between, rings, azimuths, second=second)
        for second in (False, True)
    ]
    count = sum(len(ring) for one in passes for ring, _name in one)
    if count > MOST_POINTS:
        raise InputError.of("session.too_many_points", highest_hz=highest_hz, count=count, most_points=MOST_POINTS)
    visits = visits_for(drift_db)
    # Beside the cabinet the level changes slowly.
    points, names = _travelled(passes, np.array([0.0, inner, 0.0]), visits)
    each = _SETTLE_S[robot] + 1.5 if time_per_point_s is None else time_per_point_s
    gated = None if room_gate_s is None else LOWEST_TIMES_LENGTH / room_gate_s
    # Up to where outgoing waves alone are told around the whole cabinet: k times its half diagonal.
    gated_to = azimuths * SPEED_OF_SOUND_M_S / (math.pi * math.hypot(*cabinet_m))
    return ScanPlan(
        points_m=points + center, surfaces=names, shape=shape, radii_m=(inner, inner + between),
        heights_m=(2 * half, 2 * (half + between)) if shape == "cylinder" else (0.0, 0.0), rings=len(passes[0]),
        azimuths=azimuths, separable_hz=_separable(order, reach),
        gated_from_hz=gated, duration_s=(count + VISIT_TIMES * visits) * each,
        expected_error_db=_expected(highest_hz, JITTER_M[robot], gated, gated_to), visits=visits,
        buys=_buys(shape, len(passes[0]), visits, drift_db, each),
        notes=_notes(robot=robot, count=count, highest_hz=highest_hz, gated_hz=gated, gated_to_hz=gated_to, asks=asks),
    )  # fmt: skip


def plan_gated(
    room_m: tuple[float, float, float],
    *,
    loudspeaker_height_m: float,
    distance_m: float,
    cabinet_m: tuple[float, float, float],
    lowest_driver_diameter_m: float | None = None,
    to_side_wall_m: float | None = None,
    to_front_wall_m: float | None = None,
) -> GatedPlan:
    """Gated takes in a room (length, width, height): the gate, and what it leaves to near-field takes.

    loudspeaker_height_m : of the reference point; distance_m : of the microphone at the same height;
    to_side_wall_m, to_front_wall_m : of the loudspeaker, None: in the middle of the width, a third into the length.

    Echo by the mirror image: 2 sqrt((d/2)^2 + h^2) - d. Far field: the larger of three cabinet lengths and
    a^2 / wavelength at 10 kHz with a half the largest front dimension (common practice, no source).
    InputError for a room that does not hold them.
    """
    length, width, height = room_m
    side = width / 2 if to_side_wall_m is None else to_side_wall_m
    front = length / 3 if to_front_wall_m is None else to_front_wall_m
    beside = (distance_m, loudspeaker_height_m, side, front)
    outside = loudspeaker_height_m >= height or side >= width or front + distance_m >= length
    if min(*room_m, *beside, *cabinet_m) <= 0 or outside:
        raise InputError.of("session.room_too_small")
    echoes = {
        "floor": _echo(distance_m, loudspeaker_height_m),
        "ceiling": _echo(distance_m, height - loudspeaker_height_m),
        "side wall": _echo(distance_m, min(side, width - side)),
        "wall behind the loudspeaker": 2 * front,
        "wall behind the microphone": 2 * (length - front - distance_m),
    }
    nearest = min(echoes, key=lambda name: echoes[name])
    gate = echoes[nearest] / SPEED_OF_SOUND_M_S - GATE_MARGIN_S
    if gate < 1e-3:
        raise InputError.of("session.reflection_too_early", nearest=nearest, after_ms=1e3 * (gate + GATE_MARGIN_S))
    lowest = LOWEST_TIMES_LENGTH / gate
    largest = max(cabinet_m[:2])
    far = max(3 * largest, (largest / 2) ** 2 / (SPEED_OF_SOUND_M_S / 10_000.0))
    # Near a cone the pressure follows the volume velocity up to k a = 1 (Keele 1974, from memory).
    reach = SPEED_OF_SOUND_M_S / (math.pi * lowest_driver_diameter_m) if lowest_driver_diameter_m else None
    notes = [
        worded("session.gate_limited", nearest=nearest),
        worded("session.near_field_covers", below_hz=1.5 * lowest),
    ]
    if distance_m < far:
        notes.append(worded("session.not_far", distance_m=distance_m, far=far))
    if reach is not None and reach < 1.5 * lowest:
        notes.append(worded("session.near_field_gap", reach=reach))
    return GatedPlan(gate, nearest, lowest, far, distance_m, near_field_below_hz=1.5 * lowest, notes=(*notes, SAFETY))


def _echo(distance_m: float, away_m: float) -> float:
    return 2 * math.hypot(distance_m / 2, away_m) - distance_m


def _asked(cabinet_m: tuple[float, float, float], reach_m: float) -> tuple[tuple[int, int], int]:
    """What TOP_HZ asks for, points and separable frequency [Hz], and the frequency of MOST_ASKED points [Hz].

    With a gate k times the half diagonal may be as large as the azimuths are many, twice the orders and two.
    """
    top = math.ceil(TOP_MARGIN * math.pi * TOP_HZ * math.hypot(*cabinet_m) / 2 / SPEED_OF_SOUND_M_S)
    most = math.isqrt(round(MOST_ASKED * RING_SHARE / 4))
    wanted_hz, most_hz = (int(_separable(count - 1, reach_m)) for count in (top, most))
    return (4 * top * math.ceil(top / RING_SHARE), wanted_hz), most_hz


def _separable(order: int, reach_m: float) -> float:
    """Frequency up to which the room's waves are told by orders up to `order`."""
    return (order - SEPARABLE_MARGIN) * SPEED_OF_SOUND_M_S / (2 * math.pi * reach_m)


def visits_for(drift_db: float) -> int:
    """How often the reference place is visited: a random walk of `drift_db` at its end leaves drift / sqrt(6 K) between
    K visits, which is to be no more than one visit tells."""
    return min(max(math.ceil(drift_db**2 / (6 * VISIT_U_DB**2)), FEWEST_VISITS), MOST_VISITS)


Ring = tuple[FloatArray, str]


def _sphere(radius_m: float, rings: int, azimuths: int, *, second: bool) -> list[Ring]:
    """Both passes share the heights of twice the rings, in turn: outgoing waves see one surface twice as dense."""
    z = np.polynomial.legendre.leggauss(2 * rings)[0][int(second) :: 2]
    name = "outer" if second else "inner"
    found = []
    for n, one in enumerate(z):
        radius = radius_m + WAVES_M[name][n % 2]
        place = (radius * math.sqrt(1 - one * one), radius * float(one))
        found.append((_ring(*place, azimuths, second=second), f"{name} {n % 2 + 1}"))
    return found


def _cylinder(radius_m: float, half_m: float, rings: int, azimuths: int, *, second: bool) -> list[Ring]:
    """Rings on the wall and on both caps, as many on each as their length along the meridian asks for."""
    length = 2 * (half_m + radius_m)
    at = (np.arange(rings) + (0.75 if second else 0.25)) / rings * length
    places = []
    for one in at:
        if one < radius_m:
            places.append((one, -half_m))
        elif one < radius_m + 2 * half_m:
            places.append((radius_m, one - radius_m - half_m))
        else:
            places.append((length - one, half_m))
    name = "outer" if second else "inner"
    return [(_ring(*one, azimuths, second=second), name) for one in places]


def _travelled(passes: list[list[Ring]], reference_m: FloatArray, visits: int) -> tuple[FloatArray, tuple[str, ...]]:
    """Points in the order of travel: a ring of one pass, back on its neighbor of the other, the reference between."""
    points, names = [], []
    every = sum(len(ring) for one in passes for ring, _name in one) / (visits - 1)
    seen, due = 0, 0.0
    for pair in zip(*passes, strict=True):
        for way, (ring, name) in enumerate(pair):
            for place in ring[::-1] if way else ring:
                if seen >= due:
                    points.append(reference_m)
                    names.append(REFERENCE)
                    due += every
                points.append(place)
                names.append(name)
                seen += 1
    return np.array([*points, reference_m]), (*names, REFERENCE)


def _ring(rho: float, z: float, azimuths: int, *, second: bool) -> FloatArray:
    """(A, 3), half a step beside on the second surface."""
    angle = 2 * np.pi * (np.arange(azimuths) + (0.5 if second else 0.0)) / azimuths
    return np.stack([rho * np.cos(angle), rho * np.sin(angle), np.full(azimuths, z)], axis=1)


def _expected(
    highest_hz: float, jitter_m: float, gated_hz: float | None, gated_to_hz: float
) -> tuple[tuple[float, float], ...]:
    """95 % bounds of the rms error over directions within 20 dB of the loudest.

    A floor that rises toward the bass, where noise counts; the points' jitter, which acts as noise k times its size
    along the sound; the room's sound scattered at a cabinet that is told to some millimeters; the gate, whose error
    falls with frequency; and how near the orders come to what points can tell.
    """
    out = []
    for hz in _EXPECTED_AT_HZ:
        separated = hz <= highest_hz
        if not separated and (gated_hz is None or hz < gated_hz or hz > gated_to_hz):
            continue
        wave = 2 * math.pi * hz / SPEED_OF_SOUND_M_S
        jitter = 20 / math.log(10) * wave * jitter_m / math.sqrt(6)
        floor = _FLOOR_DB + _BASS_DB * (50.0 / hz) ** 2
        if separated or gated_hz is None:
            # Close to a driver the pressure changes by distance, however long the wave.
            near = jitter * math.hypot(1.0, _NEAR_PER_M / wave)
            scattered = _SCATTERED_DB * min(1.0, (hz / _SCATTERED_FROM_HZ) ** 1.5)
            out.append((hz, round(math.hypot(floor, _SEPARATED_TIMES * near, scattered), 2)))
            continue
        times = float(np.interp(hz / gated_to_hz, _GATED_AT_SHARE, _GATED_TIMES))
        out.append((hz, round(math.hypot(floor, times * jitter, GATE_DB * gated_hz / hz), 2)))
    return tuple(out)


def _buys(shape: str, rings: int, visits: int, drift_db: float, each_s: float) -> tuple[str, ...]:
    """What each precaution costs and brings; shares from simulated scans of 1,300 points, no source."""
    left, minutes = drift_db / 20, visits * VISIT_TIMES * each_s / 60
    bought = [
        worded("session.surfaces_in_turns", rings=rings, drift_db=drift_db, left=left),
        worded("session.place_visited", visits=visits, minutes=minutes, visit_u_db=VISIT_U_DB, drift_db=drift_db),
    ]
    bought.append(worded("session.radii_alternate") if shape == "sphere" else worded("session.caps_tell_gain"))
    bought.append(worded("session.second_microphone", visit_u_db=VISIT_U_DB, few=FEWEST_VISITS))
    return (*bought, worded("session.thermometer"))


def _notes(
    robot: Robot, count: int, highest_hz: float, gated_hz: float | None, gated_to_hz: float, asks: tuple[int, int]
) -> tuple[str, ...]:
    notes = [worded("session.both_surfaces"), worded("session.keep_still"), worded("session.bounds_for_boxes")]
    if robot == "by hand":
        notes.append(worded("session.by_hand"))
    if robot == "turntable and arm":
        notes.append(worded("session.turntable_turns"))
    if gated_hz is not None:
        sure_hz = gated_to_hz / TOP_MARGIN
        notes.append(worded("session.gated_to", gated_to_khz=gated_to_hz / 1000, sure_khz=sure_hz / 1000))
        if sure_hz < TOP_HZ:
            notes[-1] += worded("session.to_tell_top", top_khz=TOP_HZ / 1000, points=asks[0], separate_hz=asks[1])
    if gated_hz is not None and gated_hz > highest_hz:
        notes.append(worded("session.nothing_between", highest_hz=highest_hz, gated_hz=gated_hz))
    if count > 5000:
        notes.append(worded("session.takes_long", count=count))
    return (*notes, SAFETY)
