"""Faults that no single key shows: what the parts of a session say about each other."""

import datetime
import difflib
import itertools
import math
import re
import unicodedata
from collections.abc import Iterator

from earwitness.errors import Fault
from earwitness.files.data import table_of
from earwitness.session.draft import PlacedTake, SessionDraft
from earwitness.session.record import Claim
from earwitness.session.responses import (
    RESPONSE_TAKES,
    ImpulseTake,
    LimiterTake,
    ResponseTake,
    ScanPressuresTake,
    ScanTake,
)
from earwitness.session.session import (
    DATE,
    BurstTake,
    Environment,
    FarFieldTake,
    ImpedanceTableTake,
    ImpedanceTake,
    LevelTake,
    MultitoneTake,
    NearFieldTake,
    NoiseRunTake,
    SweepStimulus,
    TwoToneTake,
)
from earwitness.session.toml_text import Keys

_CLAIM_UNITS: dict[str, list[str]] = table_of("session", "words")["claim_units"]
# How far a stated area may be off the stated diameter's circle.
AREA_ALLOWANCE = 0.05
# The capital omega and the ohm sign become a small omega where case does not count.
_OHM_SIGNS = ("ohm", "ohms", "\u03c9")


def check_cabinet(draft: SessionDraft) -> Iterator[Fault]:
    """What the facts of the loudspeaker say against each other, in the order of the file."""
    yield from _claims(draft)
    yield from _drivers(draft)
    yield from _enclosure(draft)


def _claims(draft: SessionDraft) -> Iterator[Fault]:
    for index, claim in enumerate(draft.loudspeaker.claims if draft.loudspeaker else ()):
        place = ("loudspeaker", "claim", index)
        if not _unit_fits(claim):
            allowed = " or ".join(f'"{u}"' for u in _CLAIM_UNITS[claim.quantity])
            yield draft.fault("claim_unit", (*place, "unit"), claim=claim, allowed=allowed, expected=allowed)
        if claim.quantity == "frequency range" and claim.value_to is None:
            yield draft.fault("range_one_end", (*place, "value"))
        if claim.value_to is not None and claim.value_to <= claim.value:
            yield draft.fault("range_falls", (*place, "value_to"), claim=claim)


def _unit_fits(claim: Claim) -> bool:
    allowed = _CLAIM_UNITS[claim.quantity]
    if allowed == ["ohm"]:
        return claim.unit.casefold() in _OHM_SIGNS
    return claim.unit in allowed or (allowed == ["dB"] and claim.unit == "dB SPL")


def _drivers(draft: SessionDraft) -> Iterator[Fault]:
    if draft.loudspeaker is not None and not draft.drivers and draft.responses is None:
        yield draft.fault("no_driver", ("loudspeaker",))
    for index, name in enumerate(draft.drivers):
        if name in draft.drivers[:index]:
            place = ("loudspeaker", "driver", index, "name")
            yield draft.fault("driver_name_twice", place, name=name)
    for index, driver in enumerate(draft.loudspeaker.drivers if draft.loudspeaker else ()):
        circle_m2 = math.pi * driver.diameter_m**2 / 4.0
        if driver.area_m2 is not None and abs(driver.area_m2 / circle_m2 - 1.0) > AREA_ALLOWANCE:
            yield draft.fault(
                "area_not_circle", ("loudspeaker", "driver", index, "area_m2"), driver=driver, circle_m2=circle_m2
            )


def _enclosure(draft: SessionDraft) -> Iterator[Fault]:
    """A port in a closed box, and drivers that the cabinet cannot hold."""
    told = draft.loudspeaker
    if told is None or not told.drivers:
        return
    for index, driver in enumerate(told.drivers):
        if told.enclosure == "closed" and driver.kind == "port":
            yield draft.fault("port_in_closed_box", ("loudspeaker", "driver", index, "kind"), driver=driver)
    for side, axis, length in (("width_m", 1, told.width_m), ("height_m", 2, told.height_m)):
        ends = [
            (d.position_m[axis] - 0.5 * d.diameter_m, d.position_m[axis] + 0.5 * d.diameter_m) for d in told.drivers
        ]
        span = max(end for _, end in ends) - min(end for end, _ in ends)
        if span > 1.02 * length + 0.01:
            yield draft.fault("drivers_beyond_cabinet", ("loudspeaker", side), span=span, side=side, length=length)


EARLIEST_YEAR = 1950
SHORTEST_REFLECTION_MS = 0.7
# What a tape and a turntable allow for.
DISTANCE_ALLOWANCE_M, DISTANCE_ALLOWANCE_SHARE = 0.1, 0.1


def check(draft: SessionDraft) -> Iterator[Fault]:
    """Every contradiction between the parts of a session, in the order of the file."""
    yield from _date(draft)
    yield from _names(draft)
    yield from check_cabinet(draft)
    yield from _microphone(draft)
    yield from _stimulus(draft)
    yield from _surroundings(draft)
    yield from _room(draft)
    yield from _turntable(draft)
    yield from _same_ids(draft)
    yield from _same_angles(draft)
    yield from _behind_wall(draft)
    yield from _same_recordings(draft)
    yield from _level_series(draft)
    yield from _bursts(draft)
    yield from _one_impedance(draft)
    yield from _one_scan(draft)
    yield from _responses_alone(draft)
    yield from _something_to_reduce(draft)
    for placed in draft.takes:
        yield from _take(draft, placed)


def _date(draft: SessionDraft) -> Iterator[Fault]:
    if draft.date is None or not re.fullmatch(DATE, draft.date):
        return
    try:
        day = datetime.date.fromisoformat(draft.date)
    except ValueError:
        yield draft.fault("no_day", ("date",), draft=draft)
        return
    # The latest session is the one that is read: a slip into the future would outlast all others. Somewhere on earth
    # it is a day later than here.
    today = datetime.date.today()
    if day.year < EARLIEST_YEAR or day > today + datetime.timedelta(days=1):
        yield draft.fault(
            "day_far_off",
            ("date",),
            draft=draft,
            where="in the future" if day > today else "before anybody measured so",
            today=today,
        )


def _names(draft: SessionDraft) -> Iterator[Fault]:
    """Names that nobody could type or tell apart: nothing can be found under them again."""
    told = draft.loudspeaker
    for key, name in (("name", told.name), ("maker", told.maker)) if told is not None else ():
        strange = sorted({char for char in name if unicodedata.category(char)[0] == "C" or char in "\u2028\u2029"})
        if strange:
            listed = ", ".join(f"U+{ord(char):04X}" for char in strange[:4])
            yield draft.fault("name_unseen", ("loudspeaker", key), key=key, listed=listed)
        elif not any(char.isalnum() for char in name):
            yield draft.fault("name_without_letter", ("loudspeaker", key), key=key, name=name)


def _microphone(draft: SessionDraft) -> Iterator[Fault]:
    found = draft.microphone
    if draft.responses is not None:
        return
    if found and found.sensitivity_fs_per_pa is None and found.calibrator is None:
        yield draft.fault("loudness_not_told", ("microphone",))


_NEED_LOOP = NoiseRunTake | LimiterTake | ScanTake


def reads_reference(draft: SessionDraft, placed: PlacedTake) -> int | None:
    """The reference channel that a take is reduced with, or None."""
    take = placed.take
    if not isinstance(
        take,
        FarFieldTake | NearFieldTake | LevelTake | MultitoneTake | TwoToneTake | BurstTake | _NEED_LOOP,
    ):
        return None
    if take.reference_channel is not None:
        return take.reference_channel
    # The others are reduced without one, so a recording of the microphone alone will do.
    needs = isinstance(take, FarFieldTake | NearFieldTake | LevelTake | _NEED_LOOP)
    return draft.reference.channel if draft.reference and needs else None


def _stimulus(draft: SessionDraft) -> Iterator[Fault]:
    for path, one in draft.stimuli():
        if isinstance(one, SweepStimulus):
            yield from _sweep(draft, path, one)
    names = [one.name for _, one in draft.other_stimulus]
    for number, (place, one) in enumerate(draft.other_stimulus):
        if one.name in names[:number]:
            where = ("other_stimulus", place, "name")
            yield draft.fault("stimulus_name_twice", where, one=one)
    for placed in draft.takes:
        name = getattr(placed.take, "stimulus", None)
        if name is not None and name not in names:
            yield draft.take_fault(
                "stimulus_unknown",
                placed,
                "stimulus",
                name=name,
                expected="one of " + ", ".join(map(repr, names)) if names else "an [[other_stimulus]] of that name",
            )


def _sweep(draft: SessionDraft, path: Keys, sweep: SweepStimulus) -> Iterator[Fault]:
    if sweep.stop_hz <= sweep.start_hz:
        yield draft.fault("sweep_falls", (*path, "stop_hz"), sweep=sweep)
    if sweep.fade_in_s + sweep.fade_out_s > sweep.duration_s:
        yield draft.fault("fades_too_long", (*path, "duration_s"), least_s=sweep.fade_in_s + sweep.fade_out_s)


def _surroundings(draft: SessionDraft) -> Iterator[Fault]:
    around = draft.environment
    far = [p for p in draft.takes if _is_far(p)]
    if around is None or not far:
        return
    given = [
        name
        for name, is_given in (
            ("anechoic = true", around.anechoic),
            ("[environment.room]", around.room is not None),
            ("first_reflection_ms", around.first_reflection_ms is not None),
        )
        if is_given
    ]
    if len(given) == 1:
        yield from _first_reflection(draft, around)
        return
    if given:
        yield draft.fault("surroundings_twice", ("environment",), listed=" and ".join(given))
    else:
        yield draft.fault("no_surroundings", ("environment",))


def _first_reflection(draft: SessionDraft, around: Environment) -> Iterator[Fault]:
    if around.first_reflection_ms is not None and around.first_reflection_ms <= SHORTEST_REFLECTION_MS:
        yield draft.fault(
            "reflection_too_early",
            ("environment", "first_reflection_ms"),
            around=around,
            shortest_reflection_ms=SHORTEST_REFLECTION_MS,
        )


def _is_far(placed: PlacedTake) -> bool:
    take = placed.take
    return isinstance(take, FarFieldTake) or (isinstance(take, LevelTake) and take.driver is None)


def _room(draft: SessionDraft) -> Iterator[Fault]:
    room = draft.environment.room if draft.environment else None
    if room is None:
        return
    size = (room.length_m, room.width_m, room.height_m)
    if all(
        p < limit for place in (room.loudspeaker_m, room.microphone_m) for p, limit in zip(place, size, strict=True)
    ):
        yield from _same_distance(draft, math.dist(room.loudspeaker_m, room.microphone_m))
        return
    for key, place in (("loudspeaker_m", room.loudspeaker_m), ("microphone_m", room.microphone_m)):
        for position, limit, side in zip(place, size, ("length", "width", "height"), strict=True):
            if position >= limit:
                yield draft.fault(
                    "outside_room", ("environment", "room", key), key=key, position=position, side=side, limit=limit
                )


def _same_distance(draft: SessionDraft, apart_m: float) -> Iterator[Fault]:
    """The room's table sets the gate and the take's distance the level: where they differ one of them is wrong.

    Off the axis a distance may differ by what the loudspeaker itself turns aside.
    """
    told = draft.loudspeaker
    size_m = math.hypot(told.width_m, told.depth_m, told.height_m) if told is not None else 0.0
    allowed_m = DISTANCE_ALLOWANCE_M + DISTANCE_ALLOWANCE_SHARE * apart_m
    wrong: dict[float, list[PlacedTake]] = {}
    for placed, take in draft.of(FarFieldTake):
        more_m = 0.0 if take.angle_deg % 360.0 == 0.0 else size_m
        if abs(take.distance_m - apart_m) > allowed_m + more_m:
            wrong.setdefault(take.distance_m, []).append(placed)
    for distance_m, every in wrong.items():
        more = f" (and in {len(every) - 1} more takes)" if len(every) > 1 else ""
        yield draft.take_fault(
            "distances_differ", every[0], "distance_m", distance_m=distance_m, more=more, apart_m=apart_m
        )


def _turntable(draft: SessionDraft) -> Iterator[Fault]:
    """Where the table's axis is told, every angle's distance follows from the one at 0 degrees."""
    if draft.turntable is None:
        return
    far = draft.of(FarFieldTake)
    if not far and draft.all_sound:
        yield draft.fault("no_turntable_take", ("turntable",))
    first: dict[str, tuple[PlacedTake, FarFieldTake]] = {}
    for placed, take in far:
        before, start = first.setdefault(take.orbit, (placed, take))
        if take.distance_m != start.distance_m:
            yield draft.take_fault(
                "turntable_distance", placed, "distance_m", before=before, line=draft.line_of_take(before)
            )
    yield from _axis_outside(draft)


def _axis_outside(draft: SessionDraft) -> Iterator[Fault]:
    """An axis that misses the loudspeaker by far is a slip of the sign or the unit."""
    told, table = draft.loudspeaker, draft.turntable
    if told is None or table is None:
        return
    reach_m = math.hypot(told.width_m, told.height_m, told.depth_m)
    for key, place in (("axis_m", table.axis_m), ("vertical_axis_m", table.vertical_axis_m)):
        if place is not None and math.hypot(*place) > reach_m:
            yield draft.fault(
                "turntable_axis_far", ("turntable", key), key=key, away_m=math.hypot(*place), reach_m=reach_m
            )


def _same_ids(draft: SessionDraft) -> Iterator[Fault]:
    seen: dict[str, PlacedTake] = {}
    for placed in draft.takes:
        first = seen.setdefault(placed.take.id, placed)
        if first is not placed:
            yield draft.take_fault("take_id_twice", placed, "id", line=draft.line_of_take(first))


def _same_angles(draft: SessionDraft) -> Iterator[Fault]:
    seen: dict[tuple[object, ...], PlacedTake] = {}
    for placed in draft.takes:
        take = placed.take
        if not isinstance(take, FarFieldTake | ResponseTake | ImpulseTake):
            continue
        first = seen.setdefault((take.orbit, round(take.angle_deg % 360.0, 6) % 360.0), placed)
        if first is not placed:
            yield draft.take_fault("angle_twice", placed, "angle_deg", first=first, line=draft.line_of_take(first))


def _behind_wall(draft: SessionDraft) -> Iterator[Fault]:
    around = draft.environment
    if around is None:
        return
    if around.baffle_m is not None and not around.half_space:
        yield draft.fault("baffle_alone", ("environment", "baffle_m"))
    if not around.half_space:
        return
    if around.room is not None:
        yield draft.fault("room_in_wall", ("environment", "room"))
    for placed in draft.takes:
        take = placed.take
        if isinstance(take, FarFieldTake) and abs((take.angle_deg + 180.0) % 360.0 - 180.0) > 90.0:
            yield draft.take_fault("behind_wall", placed, "angle_deg")
            return
        if isinstance(take, ScanTake | ScanPressuresTake):
            yield draft.take_fault("scan_in_wall", placed, "kind")
            return


def _same_recordings(draft: SessionDraft) -> Iterator[Fault]:
    seen: dict[str, list[PlacedTake]] = {}
    for placed in draft.takes:
        earlier = seen.setdefault(placed.take.sha256, [])
        clash = next((e for e in earlier if not _same_position(e, placed)), None)
        if clash is not None and set(placed.take.sha256) != {"0"}:
            yield draft.take_fault("recording_twice", placed, "file", clash=clash, line=draft.line_of_take(clash))
        earlier.append(placed)


def _same_position(one: PlacedTake, other: PlacedTake) -> bool:
    """Whether two takes may share a recording: both orbits cross at 0 and at 180 degrees, and a level series
    may use the recording on the axis. Tables of one side are often written for the other too."""
    if isinstance(one.take, ResponseTake) and isinstance(other.take, ResponseTake):
        mirrored = (one.take.angle_deg + other.take.angle_deg) % 360.0 == 0
        if mirrored and one.take.orbit == other.take.orbit == "horizontal":
            return True
    axes = []
    for take in (one.take, other.take):
        if isinstance(take, FarFieldTake) and take.angle_deg % 180.0 == 0:
            axes.append((take.angle_deg % 360.0, take.distance_m, getattr(take, "orbit", "")))
        elif isinstance(take, ResponseTake | ImpulseTake) and take.angle_deg % 180.0 == 0:
            axes.append((take.angle_deg % 360.0, 0.0, take.orbit))
        elif isinstance(take, LevelTake) and take.driver is None:
            axes.append((0.0, take.distance_m, "level"))
    return len(axes) == 2 and axes[0][:2] == axes[1][:2] and axes[0][2] != axes[1][2]


def _level_series(draft: SessionDraft) -> Iterator[Fault]:
    series: dict[tuple[object, ...], list[tuple[PlacedTake, LevelTake]]] = {}
    for placed, take in draft.of(LevelTake):
        series.setdefault((take.driver, take.distance_m), []).append((placed, take))
    for steps in series.values():
        for (before, quiet), (after, loud) in itertools.pairwise(steps):
            if loud.drive_v <= quiet.drive_v and not loud.note:
                yield draft.take_fault("level_series_falls", after, "drive_v", before=before)


def _bursts(draft: SessionDraft) -> Iterator[Fault]:
    """Bursts of one frequency and place rise, as the first that fails tells how loud the one before may be."""
    last: dict[tuple[float, float], tuple[PlacedTake, BurstTake]] = {}
    for placed, take in draft.of(BurstTake):
        place = (take.frequency_hz, take.distance_m)
        before = last.get(place)
        if before is not None and take.drive_v <= before[1].drive_v:
            yield draft.take_fault("bursts_fall", placed, "drive_v", before=before[0])
        last[place] = (placed, take)


def _one_impedance(draft: SessionDraft) -> Iterator[Fault]:
    tables = [placed for placed, _ in draft.of(ImpedanceTableTake)]
    loads = [placed for placed, take in draft.of(ImpedanceTake) if take.role == "load"]
    for placed in tables[1:] if not loads else tables:
        other = loads[0] if loads else tables[0]
        yield draft.take_fault("impedance_twice", placed, "kind", line=draft.line_of_take(other))


def _one_scan(draft: SessionDraft) -> Iterator[Fault]:
    """A session is a scan or orbits; a scan is recordings or one file of pressures."""
    scans, whole = draft.of(ScanTake), draft.of(ScanPressuresTake)
    if not scans and not whole:
        return
    orbits = [placed for placed in draft.takes if isinstance(placed.take, FarFieldTake | NearFieldTake)]
    if orbits:
        other = draft.line_of_take((*scans, *whole)[0][0])
        yield draft.take_fault("scan_and_orbits", orbits[0], "kind", other=other)
    for placed, take in whole:
        if take.sound == "gated" and take.lowest_valid_hz is None:
            yield draft.take_fault("gated_without_valid_hz", placed, "sound")
        if take.sound != "gated" and take.lowest_valid_hz is not None:
            yield draft.take_fault("valid_hz_without_gate", placed, "sound")
    for placed, _ in whole[1:] if not scans else whole:
        yield draft.take_fault("scan_twice", placed, "kind")


def _responses_alone(draft: SessionDraft) -> Iterator[Fault]:
    """Responses say what a loudspeaker radiates; recordings of the same would say it twice."""
    given = [placed for placed in draft.takes if isinstance(placed.take, RESPONSE_TAKES)]
    recorded = [
        p for p in draft.takes if isinstance(p.take, FarFieldTake | NearFieldTake | ScanTake | ScanPressuresTake)
    ]
    if given and recorded:
        yield draft.take_fault("responses_and_recordings", recorded[0], "kind", line=draft.line_of_take(given[0]))


def _something_to_reduce(draft: SessionDraft) -> Iterator[Fault]:
    """Near fields, levels and the load are all held against the sound at a distance."""
    every = (FarFieldTake, ScanTake, ScanPressuresTake, *RESPONSE_TAKES)
    kinds = {placed.written.table.get("kind") for placed in draft.takes}
    if draft.takes and draft.all_sound and not any(isinstance(placed.take, every) for placed in draft.takes):
        only = ", ".join(f'"{kind}"' for kind in sorted(map(str, kinds)))
        yield draft.fault("no_sound_at_distance", ("take",), only=only)


def _monitor(draft: SessionDraft, placed: PlacedTake, take: ScanTake) -> Iterator[Fault]:
    """A monitor is a third channel, and hears every point of the scan or none."""
    channel = take.monitor_channel
    if channel is not None and channel in (take.microphone_channel, reads_reference(draft, placed)):
        yield draft.take_fault("monitor_channel_twice", placed, "monitor_channel", channel=channel)
    first = next(one.take for one in draft.takes if isinstance(one.take, ScanTake))
    if isinstance(first, ScanTake) and (channel is None) != (first.monitor_channel is None):
        yield draft.take_fault("monitor_missing", placed, "monitor_channel", first=first)


def _take(draft: SessionDraft, placed: PlacedTake) -> Iterator[Fault]:
    take = placed.take
    if isinstance(take, TwoToneTake):
        yield from _two_tones(draft, placed, take)
    if isinstance(take, NoiseRunTake) and take.duration_s < 2.0 * take.length_s:
        yield draft.take_fault("noise_too_short", placed, "duration_s", least_s=2.0 * take.length_s)
    if isinstance(take, NearFieldTake | LevelTake) and take.driver is not None and draft.drivers:
        yield from _named_driver(draft, placed, take.driver)
    if reads_reference(draft, placed) == take.microphone_channel:
        yield draft.take_fault("microphone_is_reference", placed, "microphone_channel")
    if isinstance(take, ScanTake):
        yield from _monitor(draft, placed, take)
    if isinstance(take, ImpedanceTake):
        if take.channel_a == take.channel_b:
            yield draft.take_fault("same_channels", placed, "channel_b")
        if take.role == "open" and take.circuit == "over load and resistor":
            yield draft.take_fault("open_in_circuit", placed, "role")
        if take.role == "reference" and take.reference_ohm is None:
            yield draft.take_fault("reference_without_ohm", placed, "role")
    if isinstance(take, MultitoneTake) and take.stimulus_file == take.file:
        yield draft.take_fault("stimulus_is_take", placed, "stimulus_file")


def _two_tones(draft: SessionDraft, placed: PlacedTake, take: TwoToneTake) -> Iterator[Fault]:
    if take.high_hz <= 2.0 * take.low_hz:
        yield draft.take_fault("tones_too_close", placed, "high_hz", least_hz=2.0 * take.low_hz)
    for key, hz in (("low_hz", take.low_hz), ("high_hz", take.high_hz)):
        turns = hz * take.length_s
        if abs(turns - round(turns)) > 1e-3:
            yield draft.take_fault("tones_not_whole", placed, "length_s", turns=turns, hz=hz, key=key)


def _named_driver(draft: SessionDraft, placed: PlacedTake, name: str) -> Iterator[Fault]:
    if name in draft.drivers:
        return
    near = difflib.get_close_matches(name.lower(), [d.lower() for d in draft.drivers], n=1, cutoff=0.5)
    meant = next((d for d in draft.drivers if near and d.lower() == near[0]), None)
    yield draft.take_fault(
        "driver_unknown",
        placed,
        "driver",
        name=name,
        listed=", ".join(repr(d) for d in draft.drivers),
        remedy=f"did you mean {meant!r}?" if meant else "add it as [[loudspeaker.driver]] or correct the name",
    )
