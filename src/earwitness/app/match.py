"""Match a loudspeaker with what stands around it, and its maker's claims; the level of a scanned one at any place."""

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np

from earwitness.app.add import measurement_of
from earwitness.app.jobs import Progress, part, silent
from earwitness.app.read import ReadResult, alike
from earwitness.archive.catalogue import Archive
from earwitness.archive.notes import record_opening
from earwitness.errors import InputError
from earwitness.exhibits.advice import MatchAdvice, SeatsAdvice
from earwitness.figures.distortion import Distortion
from earwitness.figures.kinds import kinds_of, lacks
from earwitness.figures.level_series import level_series_reading
from earwitness.files.data import worded
from earwitness.insight.claims import ClaimVerdict, judge_claims, over_units
from earwitness.insight.findings import Finding
from earwitness.insight.for_whom import Said, for_whom, said_of_use
from earwitness.insight.kinds import reading_of_kind
from earwitness.insight.match.amplifier import AmplifierMatch, amplifier_of, match_amplifier
from earwitness.insight.match.in_room import AtSeats, ListeningRoom, at_seats, match_room, whose_part
from earwitness.insight.match.plan_room import Boundary, PlanRoom, enclosed_by, on_desk, plan_room, wall_behind
from earwitness.insight.match.seats import (
    CINEMA_DB,
    CINEMA_PEAK_DB,
    best_aims,
    distance_sentences,
    seat_angles,
    seat_headroom,
    seat_levels,
    seat_sentences,
    seat_spread,
    vertical_window,
)
from earwitness.insight.match.subwoofer import (
    CORNERS_HZ,
    RECEIVER,
    SCHEMES,
    SLOPES,
    Scheme,
    SubwooferMatch,
    match_subwoofer,
    subwoofer_response,
    with_ideal,
)
from earwitness.insight.match.window import BalanceWindow, balance_window
from earwitness.quantities import (
    REFERENCE_PRESSURE_PA,
    REFERENCE_VOLTAGE_V,
    Asked,
    Curve,
    DirectionalResponse,
    Directions,
)
from earwitness.quantities.arrays import BoolArray, FloatArray, hz_words
from earwitness.quantities.directions import Orbit
from earwitness.reduce.doubt.level import doubt_of_level
from earwitness.reduce.scan import at_point
from earwitness.reduce.scan_measurement import scan_field
from earwitness.session.amplifier_sheet import AmplifierSheet
from earwitness.session.room_plan import RoomPlan

T = TypeVar("T")
_HIGHEST = "highest_clean_level"


def match_loudspeaker(
    result: ReadResult,
    findings: tuple[Finding, ...],
    *,
    amplifier: AmplifierSheet | None = None,
    room: RoomPlan | None = None,
    distance_m: float | None = None,
    goal_db: float = CINEMA_DB,
    peak_db: float = CINEMA_PEAK_DB,
    corner_hz: float | None = None,
    scheme: Scheme | None = None,
    measured_subwoofer: ReadResult | None = None,
    enclosed: ListeningRoom | None = None,
    window_db: float | None = None,
    crossover_hz: float | None = None,
    wall_m: float | None = None,
    desk_m: tuple[float, float] | None = None,
    beside: ReadResult | None = None,
) -> MatchAdvice:
    """Claims, amplifier, subwoofer, seats and for whom, as far as data and what is given allow; the rest says why.

    distance_m : of the seat, None for the listening distance that the loudspeaker was read for;
    goal_db, peak_db : rms level wanted at the seats and the peaks above it, by default the cinema reference;
    corner_hz, scheme : of the crossover to a subwoofer, None for what the search finds best; measured_subwoofer : the
    one of the archive that it is, None for an ideal one; enclosed : the room by its sizes, for the level in it;
    window_db : change of the balance through the crossover that rows and heights may have, None for no window;
    crossover_hz : of the drivers, None to read it off the data; wall_m : of a wall behind the reference point;
    desk_m : of a desk below reference point and ears; beside : another loudspeaker with takes at the same seats.
    """
    reading, loudspeaker = result.reading, result.session.loudspeaker
    distance_m = result.listening_distance_m if distance_m is None else distance_m
    absent: dict[str, str] = {}

    def judged(one: ReadResult) -> tuple[ClaimVerdict, ...]:
        return judge_claims(loudspeaker.claims, one.reading, level_doubt=doubt_of_level(one.measurement.flags))

    kinds = kinds_of(loudspeaker)
    claims = tuple(
        one
        for one in over_units(judged(result), [[judged(one) for one in rows] for rows in alike(result)])
        if one.verdict != "cannot be judged" or not lacks(kinds, "claims", one.claim.quantity)
    )
    if not claims:
        absent["claims"] = "the session states no claim of the maker"
    matched = None
    if amplifier is not None:
        matched = amplifier_for(result, amplifier, distance_m=distance_m, goal_db=goal_db, peak_db=peak_db)
    else:
        absent["amplifier"] = "no amplifier was given"
    subwoofer = subwoofer_for(result, absent, corner_hz=corner_hz, scheme=scheme, measured=measured_subwoofer)
    seats = None
    if room is not None:
        seats = seats_for(result, room, matched, goal_db=goal_db, peak_db=peak_db)
    else:
        absent["seats"] = "no room plan was given"
    said = for_whom(
        reading,
        claims=claims,
        findings=findings,
        amplifier=matched,
        subwoofer=subwoofer,
        distance_m=distance_m,
        rated_impedance_ohm=loudspeaker.rated_impedance_ohm,
    )
    said += said_of_use(loudspeaker, result.session.tester, reading.figures, findings)
    reached = None if matched is None else matched.figures["amplifier_highest_level"]
    in_room = None if enclosed is None else match_room(reading, enclosed, distance_m=distance_m, amplifier=reached)
    windows = () if window_db is None else _windows(result, absent, window_db, crossover_hz)
    near = _near(result, absent, distance_m, wall_m, desk_m)
    plan = None if room is None else room_for(result, room, matched, absent)
    heard = None if room is None else seats_heard(result, room, absent, beside)
    kind = reading_of_kind(
        loudspeaker, result.measurement.response, reading, distance_m=distance_m, plan=room, room=plan
    )
    if isinstance(kind, str):
        absent[f"what a {loudspeaker.type} is read for"], kind = kind, None
    if result.measurement.response.half_space:
        said = tuple(replace(one, text=one.text.replace("in free field", "before a wall")) for one in said)
    if kind is not None:
        said = (*(Said("kind", words, ("kind",)) for words in kind.sentences[:2]), *said)
    asked = {part: why for part, why in absent.items() if not lacks(kinds, "questions", part)}
    return MatchAdvice(claims, matched, subwoofer, seats, said, asked, in_room, windows, near, plan, heard, kind)


def _near(
    result: ReadResult, absent: dict[str, str], distance_m: float, wall_m: float | None,
    desk_m: tuple[float, float] | None,
) -> tuple[tuple[Boundary, tuple[str, ...]], ...]:  # fmt: skip
    response, depth_m = result.measurement.response, result.session.loudspeaker.depth_m
    asked: dict[str, Callable[[], tuple[Boundary, tuple[str, ...]]]] = {}
    if wall_m is not None:
        asked["near a wall"] = lambda: wall_behind(response, wall_m, distance_m, depth_m)
    if desk_m is not None:
        asked["on a desk"] = lambda: on_desk(response, *desk_m, distance_m)
    return tuple(one for words, answer in asked.items() if (one := _or_absent(answer, absent, words)) is not None)


def _or_absent(answer: Callable[[], T], absent: dict[str, str], words: str) -> T | None:
    """The answer, or why there is none under `words`."""
    try:
        return answer()
    except InputError as error:
        absent[words] = error.what
        return None


def seats_heard(
    result: ReadResult, plan: RoomPlan, absent: dict[str, str], beside: ReadResult | None = None
) -> AtSeats | None:
    """The prediction against takes at the plan's seats; None, with why in `absent`, without them or the room's size."""
    size, words = plan.room, "takes at seats"
    if size is None or not result.measurement.seats:
        absent[words] = "the session holds none" if size is not None else "the plan states no size of the room"
        return None

    def heard(one: ReadResult) -> AtSeats:
        return at_seats(one.reading, one.measurement.response, one.measurement.seats, plan, enclosed_by(size))

    found = _or_absent(lambda: heard(result), absent, words)
    other = None if beside is None else _or_absent(lambda: heard(beside), absent, f"{words} beside")
    if found is None or other is None or beside is None:
        return found
    said = whose_part(found, other, beside.session.loudspeaker.title)
    return replace(found, sentences=(*found.sentences, said))


def room_for(
    result: ReadResult, plan: RoomPlan, amplifier: AmplifierMatch | None, absent: dict[str, str]
) -> PlanRoom | None:
    """What the room of a plan does, where it states its size; else None, with why in `absent`."""
    if plan.room is None:
        absent["room"] = "the plan states no size of the room"
        return None
    size, figures = plan.room, result.reading.figures
    reaches = {"clean": figures.get(_HIGHEST)}
    if amplifier is not None:
        reaches["amplifier"] = amplifier.figures["amplifier_highest_level"]
    known = {name: one for name, one in reaches.items() if one is not None and one.is_judged}
    response = result.measurement.response
    return _or_absent(lambda: plan_room(result.reading, response, plan, enclosed_by(size), known), absent, "room")


def _windows(
    result: ReadResult, absent: dict[str, str], change_db: float, crossover_hz: float | None
) -> tuple[BalanceWindow, ...]:
    response = result.measurement.response
    orbits: tuple[tuple[Orbit, str], ...] = (("vertical", "window in height"), ("horizontal", "window across"))

    def window(orbit: Orbit) -> BalanceWindow:
        return balance_window(response, orbit=orbit, change_db=change_db, crossover_hz=crossover_hz)

    found = [_or_absent(partial(window, orbit), absent, words) for orbit, words in orbits]
    return tuple(one for one in found if one is not None)


def amplifier_for(
    result: ReadResult,
    sheet: AmplifierSheet,
    *,
    distance_m: float | None = None,
    goal_db: float = CINEMA_DB,
    peak_db: float = CINEMA_PEAK_DB,
) -> AmplifierMatch:
    """What an amplifier can do with this load. distance_m : as in `match_loudspeaker`."""
    return match_amplifier(
        amplifier_of(sheet),
        result.reading,
        result.measurement.impedance,
        distance_m=result.listening_distance_m if distance_m is None else distance_m,
        goal_db=goal_db,
        peak_db=peak_db,
    )


def _bass_of(measured: ReadResult, main: ReadResult) -> Curve:
    """The on-axis level of a subwoofer of the archive. InputError where it has none, or none to set a level by."""
    name = measured.session.loudspeaker.title
    if "on_axis" not in measured.reading.curves:
        raise InputError(f"{name} cannot be matched: its level on axis was not measured")
    if measured.measurement.response.absolute != main.measurement.response.absolute:
        raise InputError.of("app.level_uncalibrated", name=name)
    curve = measured.reading.curves["on_axis"]
    subwoofer_response(curve)
    return curve


def scheme_of(words: str) -> Scheme:
    """A pair of filters as a user writes it, main/subwoofer: "BW2/LR4", "none/LR4". InputError for another."""
    main, _, sub = words.partition("/")
    high = "" if main.lower() == "none" else main.upper()
    if (high and high not in SLOPES) or sub.upper() not in SLOPES:
        raise InputError.of("app.slopes_unknown", words=words[:40], listed=", ".join(SLOPES))
    return Scheme(high, sub.upper())


def subwoofer_for(
    result: ReadResult,
    absent: dict[str, str],
    *,
    corner_hz: float | None = None,
    scheme: Scheme | None = None,
    measured: ReadResult | None = None,
) -> SubwooferMatch | None:
    """The best crossover to a subwoofer by the slopes of usual receivers, and last what free slopes would add; or the
    best of a corner or a scheme. None, with why in `absent`, for a subwoofer itself, or without a bass to cross over.

    measured : the subwoofer of the archive, None for an ideal one; InputError where it has no level to match.
    """
    reading = result.reading
    if result.session.loudspeaker.type == "subwoofer":
        absent["subwoofer"] = "this is a subwoofer"
        return None
    if "on_axis" not in reading.curves:
        absent["subwoofer"] = reading.missing.get("on_axis", "the level on axis was not measured")
        return None
    found = level_series_reading(result.measurement, reading)
    bass = None if measured is None else _bass_of(measured, result)
    try:

        def matched(schemes: tuple[Scheme, ...]) -> SubwooferMatch:
            return match_subwoofer(
                reading.curves["on_axis"],
                highest_level=found.clean,
                distortion_percent=_distortion_percent(found.distortions),
                corners_hz=CORNERS_HZ if corner_hz is None else (corner_hz,),
                schemes=schemes,
                subwoofer=bass,
                name="" if measured is None else measured.session.loudspeaker.title,
            )

        return matched((scheme,)) if scheme is not None else with_ideal(matched((RECEIVER,)), matched(SCHEMES))
    except InputError as error:
        absent["subwoofer"] = error.what
        return None


def _distortion_percent(distortions: tuple[Distortion, ...]) -> Curve | None:
    """Total distortion of the loudest level [%]; None without levels."""
    if not distortions:
        return None
    total = distortions[-1].total
    percent = 100.0 * 10.0 ** (np.where(total.valid, total.values, -200.0) / 20.0)
    slope = percent * np.log(10.0) / 20.0
    return replace(total, values=percent, u=slope * total.u, u_common=slope * total.u_common, unit="%")


def seats_for(
    result: ReadResult,
    room: RoomPlan,
    amplifier: AmplifierMatch | None = None,
    *,
    goal_db: float = CINEMA_DB,
    peak_db: float = CINEMA_PEAK_DB,
) -> SeatsAdvice:
    """What every seat of a plan gets; headroom by the highest clean level, else by the amplifier's."""
    response, figures = result.measurement.response, result.reading.figures
    unknown = Asked(_HIGHEST, "dB", "").refused("no highest level was measured")
    highest = figures.get(_HIGHEST, unknown)
    if not highest.is_judged and amplifier is not None:
        highest = amplifier.figures["amplifier_highest_level"]
    angles = seat_angles(room)
    spreads = seat_spread(response, room)
    headroom = seat_headroom(highest, room, goal_db=goal_db, peak_db=peak_db)
    return SeatsAdvice(
        angles=angles,
        spreads=spreads,
        aims=best_aims(response, room),
        levels=seat_levels(figures.get("sensitivity", unknown), room),
        headroom=headroom,
        sentences=(*seat_sentences(vertical_window(angles), spreads, headroom), *distance_sentences(angles)),
    )


# Rows of the printed table: every third octave and the ends.
_EVERY = 16
_NEIGHBORS = 3


@dataclass(frozen=True, slots=True, eq=False)
class LevelAt:
    """Free-field level of a loudspeaker at one place, driven with 2.83 V where levels are absolute.

    hz, level_db, phase_deg, u_db, valid (F,); absolute : dB SPL, else dB re 1 Pa/V; u_db : standard uncertainty, the
    largest of the three directions of the two orbits that are nearest.
    """

    name: str
    distance_m: float
    azimuth_deg: float
    elevation_deg: float
    hz: FloatArray
    level_db: FloatArray
    phase_deg: FloatArray
    u_db: FloatArray
    valid: BoolArray
    absolute: bool


def level_at(
    name: str,
    archive_folder: Path,
    *,
    distance_m: float,
    azimuth_deg: float,
    elevation_deg: float,
    progress: Progress = silent,
) -> LevelAt:
    """The level at a distance and direction from the reference point, from the latest session's scan.

    InputError for an unknown name, a session that is no scan, or a place inside the loudspeaker; ArchiveError as
    read_loudspeaker.
    """
    with Archive.open(archive_folder, create=False) as archive:
        entry = archive.find(name)
        number = archive.counting_session(entry.id).id
        session = archive.session(number)
        measurement, _ = measurement_of(archive, number, progress=part(progress, 0.0, 0.9))
        record_opening(archive, name=session.loudspeaker.name, maker=session.loudspeaker.maker)
    if measurement.scan is None:
        raise InputError.of("app.not_scanned", entry=entry)
    axis = measurement.response.axis
    pressure = at_point(scan_field(measurement.scan, axis), distance_m, azimuth_deg, elevation_deg)
    absolute = measurement.response.absolute
    scale = REFERENCE_VOLTAGE_V / REFERENCE_PRESSURE_PA if absolute else 1.0
    # As heard there: the sound's travel from the reference point counts.
    level = 20 * np.log10(np.maximum(np.abs(pressure) * scale, 1e-12))
    progress(1.0, "read")
    return LevelAt(
        name=entry.name,
        distance_m=distance_m,
        azimuth_deg=azimuth_deg,
        elevation_deg=elevation_deg,
        hz=axis.hz,
        level_db=level,
        phase_deg=np.degrees(np.angle(pressure)),
        u_db=_u_db(measurement.response, azimuth_deg, elevation_deg),
        valid=measurement.scan.valid,
        absolute=absolute,
    )


def _u_db(response: DirectionalResponse, azimuth_deg: float, elevation_deg: float) -> FloatArray:
    look = Directions(np.radians([azimuth_deg]), np.radians([elevation_deg])).unit_vectors()[0]
    nearest = np.argsort(-(response.directions.unit_vectors() @ look), kind="stable")[:_NEIGHBORS]
    return np.asarray(np.hypot(response.u_apart_db()[nearest].max(axis=0), response.u_shared_db()), dtype=float)


def at_lines(found: LevelAt) -> tuple[str, ...]:
    """A table for reading, in third octaves."""
    unit = "dB SPL for 2.83 V" if found.absolute else "dB re 1 Pa/V"
    lines = [worded("app.microphone_of_orbit", found=found), f"{'frequency':>10}  {unit:>18}  {'95 %':>10}"]
    for row in range(0, found.hz.size, _EVERY):
        if found.valid[row]:
            told = f"{found.level_db[row]:18.1f}  {'± ' + format(max(2 * found.u_db[row], 0.1), '.1f') + ' dB':>10}"
        else:
            told = f"{'not known':>18}"
        lines.append(f"{hz_words(float(found.hz[row])):>10}  {told}".rstrip())
    return tuple(lines)


def at_document(found: LevelAt) -> str:
    """All frequencies as JSON; what is not valid is null."""

    def numbers(values: FloatArray) -> list[float | None]:
        return [round(float(value), 4) if fine else None for value, fine in zip(values, found.valid, strict=True)]

    record = {
        "loudspeaker": found.name,
        **{key: getattr(found, key) for key in ("distance_m", "azimuth_deg", "elevation_deg")},
        "level_is": "dB SPL for 2.83 V" if found.absolute else "dB re 1 Pa/V",
        "frequency_hz": [round(float(value), 4) for value in found.hz],
        **{key: numbers(getattr(found, key)) for key in ("level_db", "phase_deg", "u_db")},
    }
    return json.dumps(record, indent=1, ensure_ascii=False)
