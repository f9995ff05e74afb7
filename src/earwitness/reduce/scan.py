"""A near-field scan becomes the loudspeaker's free-field response: separated below, gated above."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from earwitness.errors import InputError
from earwitness.formats.audio import Recording
from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.quantities import DirectionalResponse, FrequencyAxis, QualityFlag, report_axis
from earwitness.quantities.arrays import ComplexArray, FloatArray, IntArray, hz_words
from earwitness.quantities.directions import cta_orbits
from earwitness.reduce.flags import flag
from earwitness.reduce.scan_doubt import DISAGREE_TIMES, causes_of, disagreement, doubted
from earwitness.reduce.scan_gather import ScanData, gather_scan
from earwitness.reduce.separate import SeparatedField, Separation, combined, response, separate, separate_gated
from earwitness.reduce.separate.dense_route import order_cap
from earwitness.reduce.separate.field import HIGHEST_U_DB, pressure_at
from earwitness.reduce.separate.ring_route import order_caps
from earwitness.reduce.separate.robust import SMALLEST_DEPTH
from earwitness.reduce.separate.sampling import radial_depth
from earwitness.reduce.separate.scatter import BodyDoubt
from earwitness.reduce.separate.separation import Quality, longest_run
from earwitness.reduce.separate.solve import scan_about
from earwitness.session.record import Loudspeaker
from earwitness.session.responses import ScanSetup, ScanTake
from earwitness.session.session import Session

Progress = Callable[[float, str], None]

UNUSABLE_U_DB = 40.0
# How well a body's middle is known, stated or not; and how much of what an assumed body scatters may be wrong.
PLACED_M, UNPLACED_M, ASSUMED_SHAPE = 0.006, 0.02, 0.9
NEAREST_OCTAVES = 1 / 6
SPOKEN_HZ = (50.0, 200.0, 1000.0, 5000.0)
_BEYOND_ORDERS = 1.1
_BELOW_GATE = 0.8
_SILENT_DB = -300.0


@dataclass(frozen=True, slots=True, eq=False)
class ScanResult:
    """What a scan yields on `separation.field.axis`.

    response : over the 70 directions of ANSI/CTA-2034-A, at 1 m, far-field referred; separation : field (for any
    distance and direction), quality per frequency, bad points, centers; joint_hz : where gated sound takes over, None
    where one source serves alone; snr_db (D, F); sentence : plain words for the page.
    """

    response: DirectionalResponse
    separation: Separation
    joint_hz: float | None
    snr_db: FloatArray
    sentence: str
    flags: tuple[QualityFlag, ...]
    data: ScanData


def reduce_scan(
    session: Session,
    takes: Sequence[ScanTake],
    setup: ScanSetup,
    read: Callable[[str], Recording],
    *,
    correction: MicrophoneCorrection | None = None,
    progress: Progress | None = None,
    lineage: tuple[str, ...] = (),
) -> ScanResult:
    """Recordings of a scan to the response of the loudspeaker alone.

    AudioError for recordings that cannot be used; InputError for scans that cannot be (see separate/robust.py).
    """
    say: Progress = progress or (lambda _share, _words: None)
    data = gather_scan(
        session, takes, read, report_axis(), correction=correction,
        progress=lambda share, words: say(0.7 * share, words),
    )  # fmt: skip
    say(0.72, "separate the loudspeaker's sound from the room's")
    result = solve_scan(data, session.loudspeaker, setup, lineage=lineage)
    say(1.0, "separated")
    return result


def solve_scan(
    data: ScanData, loudspeaker: Loudspeaker, setup: ScanSetup, *, lineage: tuple[str, ...] = ()
) -> ScanResult:
    """Pressures of a scan to the response; InputError as reduce_scan."""
    cabinet = (loudspeaker.width_m, loudspeaker.height_m, loudspeaker.depth_m)
    center = setup.body_center_m or (-loudspeaker.depth_m / 2, 0.0, 0.0)
    if setup.body == "sphere" and setup.sphere_radius_m is not None:
        cabinet = (2 * setup.sphere_radius_m / np.sqrt(3),) * 3
        center = setup.body_center_m or (-setup.sphere_radius_m, 0.0, 0.0)
    doubt = doubted(data, setup, (cabinet[0], cabinet[1], cabinet[2]), np.array(center, dtype=float))
    data = doubt.data
    low = _separated(data, cabinet, center, setup)
    if low is not None and doubt.moved:
        nowhere = np.zeros(len(data.axis), dtype=bool)
        quality, field = replace(low.quality, valid=nowhere), replace(low.field, valid=nowhere)
        low = replace(low, quality=quality, field=field, valid_band_hz=None)
    high = _gated(data, cabinet, center)
    one = low if low is not None else high
    if one is None:
        raise InputError.of("reduce.one_surface_no_room")
    joint: float | None = None
    gate_u = np.zeros(len(data.axis))
    gate_u[data.rows] = data.gate_u_db
    if low is not None and high is not None:
        joined = combined(low, high, gate_u_db=gate_u)
        one, joint = joined.separation, joined.joint_hz
    share = _gated_share(one, low, high)
    answer = response(one.field, cta_orbits(), absolute=data.absolute, distance_m=_reach(data), lineage=lineage)
    flags = (*doubt.flags, *_flags(data, one, low))
    raised = np.ones(len(data.axis))
    if low is not None and high is not None:
        times = disagreement(doubt, low, high, gate_u)
        if times > DISAGREE_TIMES:
            flags = (flag("scan_and_gate", times, DISAGREE_TIMES), *flags)
            raised = 1 + (times - 1) * (1 - share)
    causes, u_db = causes_of(doubt, data.axis, answer.u_db, share)
    causes, u_db = tuple(replace(cause, pull_db=raised * cause.pull_db) for cause in causes), raised * u_db
    answer = replace(answer, u_db=np.hypot(u_db, share * gate_u), causes=causes)
    total = answer.u_total_db()
    answer = replace(answer, valid=answer.valid & (total <= HIGHEST_U_DB))
    told = np.where(one.quality.valid, np.sqrt(np.mean(total**2, axis=0)), one.quality.u_db)
    one = replace(one, quality=replace(one.quality, u_db=told))
    return ScanResult(answer, one, joint, _snr_db(data, len(cta_orbits())), _sentence(data, one, joint), flags, data)


def at_point(field: SeparatedField, distance_m: float, azimuth_deg: float, elevation_deg: float) -> ComplexArray:
    """(F,) pressure [Pa/V] at a distance and direction from the reference point; InputError inside the loudspeaker."""
    azimuth, elevation = np.radians(azimuth_deg), np.radians(elevation_deg)
    flat = np.cos(elevation)
    place = distance_m * np.array([flat * np.cos(azimuth), flat * np.sin(azimuth), np.sin(elevation)])
    return np.asarray(pressure_at(field, (place + field.reference_m)[None])[0], dtype=np.complex128)


def _reach(data: ScanData) -> float:
    return float(np.median(np.linalg.norm(data.points_m, axis=1)))


def highest_separable_hz(points_m: FloatArray, center_m: FloatArray, speed_m_s: float) -> float:
    """Frequency above which points (P, 3) are too few for the incoming waves: order k r_max + 3."""
    scan = scan_about(points_m, center_m)
    cap = order_cap(len(points_m), incoming=True)
    if scan.rings is not None:
        cap = min(cap, order_caps(scan.rings, incoming=True))
    reach = float(np.linalg.norm(points_m - center_m, axis=1).max())
    return max(cap - 3, 1) * speed_m_s / (2 * np.pi * reach)


def _separated(
    data: ScanData, cabinet: tuple[float, ...], center: tuple[float, float, float], setup: ScanSetup
) -> Separation | None:
    """The separation, on the whole axis; None where all points lie on one surface and a gate may serve instead."""
    middle = np.array(center)
    if not data.holds_room:
        return None
    if data.gated is not None and radial_depth(data.points_m - middle) < SMALLEST_DEPTH:
        return None
    hz = data.axis.hz[data.rows]
    top = _BEYOND_ORDERS * highest_separable_hz(data.points_m, middle, data.speed_m_s)
    chosen = np.flatnonzero(hz <= top)
    if chosen.size == 0:
        return None
    noise = data.noise_rms[chosen]
    found = separate(
        data.points_m, data.whole[:, chosen], hz[chosen],
        cabinet_m=(cabinet[0], cabinet[1], cabinet[2]), speed_of_sound=data.speed_m_s, cabinet_center_m=center,
        body=setup.body, sphere_radius_m=setup.sphere_radius_m, noise_rms=noise if noise.all() else None,
        body_doubt=_body_doubt(setup),
    )  # fmt: skip
    return on_axis(found, data.axis, data.rows[chosen])


def _body_doubt(setup: ScanSetup) -> BodyDoubt:
    """Of a body that was stated; one that was only assumed may be another, and stand elsewhere."""
    stated = "body" in setup.model_fields_set
    placed = setup.body_center_m is not None
    return BodyDoubt(PLACED_M if placed else UNPLACED_M, 0.0 if stated else ASSUMED_SHAPE)


def _gated(data: ScanData, cabinet: tuple[float, ...], center: tuple[float, float, float]) -> Separation | None:
    if data.gated is None or data.gate is None:
        return None
    hz = data.axis.hz[data.rows]
    chosen = np.flatnonzero(hz >= _BELOW_GATE * data.gate.lowest_valid_hz)
    if chosen.size == 0:
        return None
    found = separate_gated(
        data.points_m, data.gated[:, chosen], hz[chosen],
        cabinet_m=(cabinet[0], cabinet[1], cabinet[2]), speed_of_sound=data.speed_m_s, cabinet_center_m=center,
    )  # fmt: skip
    fine = hz[chosen] >= data.gate.lowest_valid_hz
    valid = found.quality.valid & fine
    found = replace(found, quality=replace(found.quality, valid=valid), field=replace(found.field, valid=valid))
    return on_axis(found, data.axis, data.rows[chosen])


def on_axis(found: Separation, axis: FrequencyAxis, rows: IntArray) -> Separation:
    """`found` on an axis of which `rows` (F',) are its own frequencies; nothing is valid elsewhere."""
    worst = {"residual_db": 0.0, "leave_out_db": 0.0, "gcv_db": 0.0, "tail_db": 0.0, "u_db": UNUSABLE_U_DB}
    values = {}
    for one in fields(Quality):
        own = getattr(found.quality, one.name)
        fill = worst.get(one.name, _SILENT_DB if one.name == "scattered_db" else -1 if one.name == "order_in" else 0)
        wide = np.full(len(axis), fill, dtype=own.dtype)
        wide[rows] = own
        values[one.name] = wide
    parts = tuple(replace(part, rows=rows[part.rows]) for part in found.field.parts)
    quality = Quality(**values)
    field = replace(found.field, axis=axis, parts=parts, valid=quality.valid)
    return replace(found, field=field, quality=quality, valid_band_hz=longest_run(axis.hz, quality.valid))


def _gated_share(one: Separation, low: Separation | None, high: Separation | None) -> FloatArray:
    """(F,) share of gated sound in the field."""
    share = np.zeros(len(one.field.axis))
    if high is None:
        return share
    first = len(low.field.parts) if low is not None and one is not high else 0
    for part in one.field.parts[first:] if one is not low else ():
        share[part.rows] += part.weight
    return np.clip(share, 0.0, 1.0)


def _snr_db(data: ScanData, directions: int) -> FloatArray:
    """(D, F) signal over noise in the whole responses, alike for all directions; 0 outside the stimulus's band."""
    level = np.sqrt(np.mean(np.abs(data.whole) ** 2, axis=0))
    ratio = np.full(len(data.axis), 0.0)
    told = np.where(data.noise_rms > 0, level / np.maximum(data.noise_rms, 1e-300), 10.0**1.5)
    ratio[data.rows] = np.clip(20 * np.log10(np.maximum(told, 1e-300)), 0.0, 120.0)
    return np.tile(ratio, (directions, 1))


def _sentence(data: ScanData, one: Separation, joint: float | None) -> str:
    count = len(data.points_m) - len(one.bad_points)
    scatters = "none" if not data.holds_room else one.body
    body = {"box": "a box model of the cabinet", "sphere": "a rigid sphere for the cabinet", "none": ""}[scatters]
    parts = [f"The sound at {count:,} points around the loudspeaker {_way_words(data)}"]
    if body:
        parts.append(f"what the cabinet scatters of the room's sound was taken off with {body}")
    if joint is not None and data.gate is not None:
        parts.append(
            f"above {hz_words(joint)} the sound before the first reflection ({1e3 * data.gate.end_s:.1f} ms) is used"
        )
    errors = []
    for hz in SPOKEN_HZ:
        row = int(np.argmin(np.abs(np.log(data.axis.hz / hz))))
        if one.quality.valid[row] and abs(np.log2(data.axis.hz[row] / hz)) <= NEAREST_OCTAVES:
            errors.append(f"{max(one.quality.u_db[row], 0.01):.2f} dB at {hz_words(hz)}")
    told = f" Expected error: {', '.join(errors)}." if errors else " No frequency came out well enough to be shown."
    return "; ".join(parts) + "." + told


def _way_words(data: ScanData) -> str:
    if data.holds_room or data.gate is None:
        return "was split into what it sends out and what the room sends back"
    held = "was measured in a free field" if data.gate.reflection_s is None else "holds no reflection of the room"
    return f"{held}: waves that leave the loudspeaker were fitted to it"


def _flags(data: ScanData, one: Separation, low: Separation | None) -> tuple[QualityFlag, ...]:
    flags = []
    if one.bad_points:
        share = 100 * len(one.bad_points) / len(data.points_m)
        named = tuple(data.ids[bad.row] for bad in one.bad_points)
        reasons = ", ".join(sorted({bad.reason for bad in one.bad_points}))
        told: dict[str, Any] = {"count": len(named), "all": len(data.points_m), "reasons": reasons}
        flags.append(flag("scan_points", share, 3.0, takes=named, **told))
    if data.clipped:
        flags.append(flag("scan_takes_clipped", len(data.clipped), takes=data.clipped))
    if low is None and data.holds_room:
        flags.append(flag("one_surface", 1.0, 2.0))
    hz = data.axis.hz
    inside = np.zeros(hz.size, dtype=bool)
    inside[data.rows] = True
    gap = inside & ~one.quality.valid
    if gap.any():
        band = (float(hz[gap][0]), float(hz[gap][-1]))
        share = 100 * float(gap.sum()) / float(inside.sum())
        flags.append(flag("scan_band", share, band_hz=band))
    if one.body == "none" and low is not None:
        flags.append(flag("scattering_left", 1.0))
    return tuple(flags)
