"""Horns for large rooms: from the front to the back row, and what is left there to the reference level."""

import math
from collections.abc import Mapping

from earwitness.files.data import table_of, worded
from earwitness.insight.compare import compare_figure
from earwitness.insight.kinds.reading import KindReading, Rows, figure_of, plus_minus
from earwitness.insight.match.plan_room import PlanRoom
from earwitness.insight.match.seats import SINE_PEAK_DB, seat_angles
from earwitness.quantities import Figure
from earwitness.session.room_plan import RoomPlan

# Dry enough and humid enough for most halls: 20 degrees Celsius, 50 % (ISO 9613-1, 105.3 dB/km at 8 kHz).
AIR_8_KHZ_DB_PER_M = 0.1053


def molloy_index_db(across_deg: float, upright_deg: float) -> float:
    """Directivity index of even coverage of these angles, nothing outside [dB]: Q = pi / asin(sin(a/2) sin(b/2))
    (Molloy, from memory)."""
    sines = math.sin(math.radians(across_deg / 2.0)) * math.sin(math.radians(upright_deg / 2.0))
    return 10.0 * math.log10(math.pi / math.asin(sines))


def reference_db(name: str, channels: int = 1) -> tuple[float, float]:
    """Level of a channel and reserve of peaks above it [dB] of a row of reference_levels.toml."""
    row = table_of("insight", "reference_levels")[name]
    return row["level_db"] - (10.0 * math.log10(channels) if row["all_together"] else 0.0), row["peak_db"]


def _coverage(figures: Mapping[str, Figure]) -> Rows:
    """The directivity index that the nominal coverage of both orbits would have, () where one is unknown."""
    known = [figures.get(f"nominal_coverage_{orbit}") for orbit in ("horizontal", "vertical")]
    (a, u_a), (b, u_b) = (((0.0, 0.0) if one is None else (one.value or 0.0, one.u or 0.0)) for one in known)
    if not (0.0 < a <= 180.0 and 0.0 < b <= 180.0):
        return ()
    index = molloy_index_db(a, b)
    u = math.hypot(molloy_index_db(a + u_a, b) - index, molloy_index_db(a, b + u_b) - index)
    where = f"{a:.0f}° by {b:.0f}°"
    return ((where, figure_of("index_of_coverage", index, u, where)),)


def horn(figures: Mapping[str, Figure], plan: RoomPlan | None, room: PlanRoom | None) -> KindReading:
    """From the levels at the seats of a plan with its room: fall to the back row, direct over reverberant sound and
    reserve there. A seat in the horn's coordinates is that of `seat_angles`: translate, yaw, pitch."""
    rows = _coverage(figures)
    judged = {} if room is None else {seat: one for seat, one in room.levels.items() if one["all"].value is not None}
    index = [worded("insight.index_of_coverage", where=one.caveats[0], index=plus_minus(one)) for _, one in rows]
    if plan is None or not judged:
        return KindReading("horn", rows, tuple(index))
    seats = sorted((one for one in seat_angles(plan) if one.seat in judged), key=lambda one: (one.row, one.distance_m))
    first, last = seats[0], seats[-1]
    (front, back), direct = (judged[one.seat]["all"] for one in (first, last)), judged[last.seat]["one"]
    fall, (more, u) = figure_of("front_to_back", *_less(front, back)), _less(back, direct)
    ratio, moved = (-10.0 * math.log10(10.0 ** (max(by, 0.05) / 10.0) - 1.0) for by in (more, more + u))
    share = figure_of("direct_to_reverberant", ratio, abs(moved - ratio))
    rows += ((f"{first.seat} less {last.seat}", fall), (last.seat, share))
    said = [
        worded("insight.horn_rows", first=first.seat, last=last.seat, fall=plus_minus(fall), ratio=plus_minus(share)),
        worded("insight.horn_air", last=last.seat, lost=AIR_8_KHZ_DB_PER_M * last.distance_m),
    ]
    clean = judged[last.seat].get("clean")
    if clean is not None and clean.value is not None:
        level_db, peak_db = reference_db("cinema")
        left = figure_of(
            "reference_reserve", clean.value + SINE_PEAK_DB - level_db - peak_db, clean.u or 0.0, clean.bound
        )
        rows += ((last.seat, left),)
        said.append(worded("insight.horn_reserve", last=last.seat, left=plus_minus(left), level_db=level_db))
    return KindReading("horn", rows, (*said, *index))


def _less(one: Figure, other: Figure) -> tuple[float, float]:
    """The difference and its standard uncertainty; what moves both seats alike cancels."""
    pair = compare_figure(one, other)
    return (0.0, 0.0) if pair is None else (pair.difference, pair.u)
