"""What a kind of loudspeaker cannot have, and what only it has: figures of subwoofers and of powered loudspeakers.

What the place of its measurement leaves of the rest (no wall behind an in-wall, a line too near) stands in kinds.toml.
"""

import math
from collections.abc import Mapping
from dataclasses import replace
from fnmatch import fnmatchcase
from typing import Literal

import numpy as np

from earwitness.figures.bandwidth import lower_limit, upper_limit
from earwitness.figures.highest_level import mean_burst_level
from earwitness.figures.registry import FIGURES, base_key, figure_infos
from earwitness.figures.sensitivity import band_level, band_means
from earwitness.figures.time_domain import excess_group_delay, group_delay_s, minimum_phase_rad
from earwitness.files.data import table_of, worded
from earwitness.quantities import Curve, DirectionalResponse, Figure, Measurement, Reading
from earwitness.quantities.measurement import LimiterReading, TimeConstant
from earwitness.session.record import Loudspeaker
from earwitness.standards.cta2010 import EXTENDED_HZ, ULTRA_LOW_HZ

Part = Literal["figures", "curves", "exhibits", "questions", "claims"]


def kinds_of(loudspeaker: Loudspeaker) -> tuple[str, ...]:
    """The kinds of the table that a loudspeaker is."""
    return (loudspeaker.type, *(("powered",) if loudspeaker.powered else ()))


def lacks(kinds: tuple[str, ...], part: Part, name: str, *, even_judged: bool = False) -> bool:
    """Whether a loudspeaker of these kinds goes without a figure, curve, exhibit, question or claim.

    even_judged : only what has another meaning for it, so that it is not shown where the data give it either
    """
    table = table_of("figures", "kinds")
    rows = [table["kinds"].get(kind, {}) for kind in kinds]
    ways = ("replaced",) if even_judged else ("replaced", "without")
    groups = {group for row in rows for way in ways for group in row.get(way, ())}
    patterns = [pattern for group in groups for pattern in table["groups"][group].get(part, ())]
    return any(fnmatchcase(name, pattern) for pattern in patterns)


def of_kind(reading: Reading, kinds: tuple[str, ...]) -> Reading:
    """The reading without refusals of what loudspeakers of these kinds cannot have."""
    return replace(
        reading,
        figures={
            key: figure
            for key, figure in reading.figures.items()
            if not lacks(kinds, "figures", base_key(key), even_judged=figure.is_judged)
        },
        missing={key: why for key, why in reading.missing.items() if not lacks(kinds, "curves", key)},
    )


SPEED_M_S = 343.0
_TREBLE_HZ = 10_000.0


def line_length_m(loudspeaker: Loudspeaker) -> float:
    """Length of the row of the most alike drivers along the height, along the width of a soundbar; the cabinet's where
    no row is stated."""
    side = 1 if loudspeaker.type == "soundbar" else 2
    rows: dict[tuple[str, float], list[float]] = {}
    for one in loudspeaker.drivers:
        beside_m = (one.count - 1) * one.diameter_m / 2.0
        places = [one.position_m[side] - beside_m, one.position_m[side] + beside_m]
        rows.setdefault((one.kind, one.diameter_m), []).extend(places)
    found = [(max(ends) - min(ends), size) for (kind, size), ends in rows.items() if kind != "port"]
    cabinet_m = loudspeaker.width_m if side == 1 else loudspeaker.height_m
    return max((apart + size for apart, size in found if apart > 0.0), default=cabinet_m)


def far_field_to_hz(loudspeaker: Loudspeaker, distance_m: float) -> float:
    """Up to where a line's far field holds at a distance: c d / H^2 [Hz]."""
    return SPEED_M_S * distance_m / line_length_m(loudspeaker) ** 2


def as_measured(reading: Reading, loudspeaker: Loudspeaker, response: DirectionalResponse) -> Reading:
    """The reading with refusals and notes where it was measured so that figures of its kind do not hold."""
    if loudspeaker.type == "in-wall" and not response.half_space:
        return _measured_free(reading, loudspeaker.type)
    note = ""
    if response.half_space:
        note = worded("figures.before_a_wall")
    elif loudspeaker.type in ("line source", "soundbar"):
        to_hz = far_field_to_hz(loudspeaker, response.distance_m)
        if to_hz < _TREBLE_HZ:
            note = worded("figures.line_too_near", distance_m=response.distance_m, to_hz=to_hz)
    if not note:
        return reading
    return replace(reading, figures={key: _noted(one, note) for key, one in reading.figures.items()})


def _noted(figure: Figure, note: str) -> Figure:
    is_acoustic = "on_axis" in FIGURES[base_key(figure.key)].curves
    return replace(figure, caveats=(*figure.caveats, note)) if is_acoustic and figure.is_judged else figure


def _measured_free(reading: Reading, kind: str) -> Reading:
    table, reason = table_of("figures", "kinds")["measured_free"][kind], worded("figures.measured_free")

    def silent(part: str, key: str) -> bool:
        return any(fnmatchcase(key, pattern) for pattern in table[part])

    figures = {
        key: FIGURES[base_key(key)].refused(reason, one.lineage) if silent("figures", base_key(key)) else one
        for key, one in reading.figures.items()
    }
    gone = dict.fromkeys((key for key in reading.curves if silent("curves", key)), reason)
    curves = {key: one for key, one in reading.curves.items() if key not in gone}
    return replace(reading, figures=figures, curves=curves, missing={**reading.missing, **gone})


BASS_FIGURES = figure_infos("bass")
BASS = {info.key: info for info in BASS_FIGURES}
BASS_BAND_HZ = (40.0, 80.0)
DELAY_HZ = (20.0, 30.0, 40.0, 60.0, 80.0)


def bass_levels(reading: Reading) -> Reading:
    """The reading with level and limits of a subwoofer, about the mean of its own band."""
    axis = reading.curves.get("on_axis")
    if axis is None:
        why = reading.missing.get("on_axis", "the level on axis was not measured")
        return replace(reading, figures={**reading.figures, "bass_level": BASS["bass_level"].refused(why)})
    found = [band_level(axis, band_hz=BASS_BAND_HZ, key="bass_level")]
    if found[0].value is not None:
        means, middle = band_means(axis, BASS_BAND_HZ), math.sqrt(BASS_BAND_HZ[0] * BASS_BAND_HZ[1])
        for drop in (3, 6, 10):
            found.append(lower_limit(axis, means, drop, key=f"bass_lower_{drop}db", start_hz=middle))
        found.append(upper_limit(axis, means, 6, key="bass_upper_6db", start_hz=middle))
    return replace(reading, figures={**reading.figures, **{figure.key: figure for figure in found}})


def bass_reading(measurement: Measurement, reading: Reading, liters: float | None) -> Reading:
    """The reading with a subwoofer's group delay, own filter and bursts. liters : outer volume of its cabinet."""
    curves = {curve.key: curve for curve in (group_delay(measurement), own_filter(measurement)) if curve is not None}
    found = _delays(curves.get("group_delay")) + _filter(curves.get("own_filter")) + _bursts(reading.figures, liters)
    return replace(
        reading,
        curves={**reading.curves, **curves},
        figures={**reading.figures, **{figure.key: figure for figure in found}},
    )


def group_delay(measurement: Measurement) -> Curve | None:
    """Group delay on axis [ms]: that of the minimum phase of the level, and what is beyond it, pure delay taken out."""
    excess = excess_group_delay(measurement)
    if excess is None:
        return None
    response, row = measurement.response, measurement.response.directions.on_axis_row()
    least = group_delay_s(response.axis.hz, np.abs(response.pressure[row]), response.valid[row])
    values = excess.values + 1000.0 * least
    return replace(excess, key="group_delay", name="group delay", values=values, reference="ms, pure delay taken out")


def _delays(curve: Curve | None) -> list[Figure]:
    found = []
    for hz in DELAY_HZ:
        row = -1 if curve is None else int(np.argmin(np.abs(np.log(curve.axis.hz / hz))))
        if curve is None or not curve.valid[row]:
            continue
        value, asked = float(curve.values[row]), BASS["bass_group_delay"].asked(curve.lineage, (hz, hz), at=f"{hz:g}hz")
        found.append(asked.judged(value, float(curve.u_total[row]), f"{value * hz / 1000.0:.2f} periods"))
    return found


def own_filter(measurement: Measurement) -> Curve | None:
    """Level with the loudspeaker's own filter switched in against that without, from two takes at one place [dB]."""
    filtered = next((one for one in measurement.harmonics if one.crossover), None)
    plain = next(
        (
            one
            for one in measurement.harmonics
            if filtered is not None and not one.crossover and one.in_series and one.distance_m == filtered.distance_m
        ),
        None,
    )
    if filtered is None or plain is None:
        return None
    values = filtered.fundamental_db - plain.fundamental_db - 20.0 * math.log10(filtered.drive_v / plain.drive_v)
    hz = plain.axis.hz
    noise = np.interp(hz, hz * filtered.orders[0], filtered.noise_db[0])
    valid = (filtered.fundamental_db > noise + 20.0) & (hz >= 15.0) & (hz <= 500.0)
    # Two takes at one place: what the recorder and the air moved between them (own choice).
    u = np.full(hz.size, 0.1)
    name = f"with {filtered.crossover}"
    return Curve.of("own_filter", name, plain.axis, values, valid, u=u, reference="dB against without it")


def _filter(curve: Curve | None) -> list[Figure]:
    """Corner, where it is 6 dB down against its own bass, and slope over the octave above one octave further."""
    if curve is None or not curve.valid.any():
        return []
    flat = float(np.median(curve.values[curve.valid & (curve.axis.hz <= 40.0)]))
    corner = upper_limit(curve, flat, 6.0, key="own_filter_corner", start_hz=40.0)
    if corner.value is None:
        return [corner]
    hz, info = curve.axis.hz, BASS["own_filter_slope"]
    part = curve.valid & (hz >= 1.6 * corner.value) & (hz <= 3.2 * corner.value)
    if np.count_nonzero(part) < 24:
        return [corner, info.refused("less than half an octave is known beyond the corner")]
    (slope, _), spread = np.polyfit(np.log2(hz[part]), curve.values[part], 1, cov=True)
    u = math.hypot(math.sqrt(float(spread[0, 0])) * 4.0, 0.2)
    return [corner, info.asked(curve.lineage).judged(float(slope), u)]


def _bursts(figures: Mapping[str, Figure], liters: float | None) -> list[Figure]:
    """Means of the lowest and the upper group, and output for its size."""
    found = []
    for key, group in (("burst_level_lowest", ULTRA_LOW_HZ), ("burst_level_upper", EXTENDED_HZ[:2])):
        ones = [figures[name] for hz in group if (name := f"burst_level@{hz:g}hz") in figures]
        if len(ones) == len(group):
            words = ", ".join(f"{hz:g}" for hz in group)
            found.append(replace(mean_burst_level(ones), key=key, method=BASS[key].method, caveats=(f"{words} Hz",)))
    mean, info = figures.get("burst_level_mean"), BASS["burst_level_for_size"]
    if mean is not None and mean.value is not None and liters is not None:
        value, caveat = (
            mean.value - 10.0 * math.log10(liters),
            f"{liters:.0f} liters outside, handles and feet left out",
        )
        found.append(replace(mean, key=info.key, value=value, method=info.method, caveats=(caveat, *mean.caveats)))
    return found


POWERED_FIGURES = figure_infos("powered")
POWERED = {info.key: info for info in POWERED_FIGURES}
LATENCY_BAND_HZ = (4000.0, 12_000.0)
DBU_DB = 20.0 * math.log10(0.6**0.5)
"""0 dBu re 1 V: 1 mW in 600 ohm."""
_WANTED_DB = 94.0
# A distance read off a tape to 5 mm, the air to 1 K (own choices); both move the time of flight.
_U_PLACE_S, _U_AIR = 0.005 / 343.0, 0.0017
_BRICK_WALL = 0.02
# In a room the sound that hangs on is weaker than a fall of 26 dB only close to the driver (own choice).
_CLOSE_M = 0.15
_BLURRED = "the room blurs it: the tone was recorded more than 15 cm from the driver, and not outdoors"


def powered_figures(measurement: Measurement, level: Figure, full_scale_dbu: float | None = None) -> dict[str, Figure]:
    """All of them by key, judged or with the reason why not; none for a loudspeaker that is driven at terminals.

    level : at 1 m for the input that the response is stated for; full_scale_dbu : of the converter before the input
    """
    if not measurement.response.reference:
        return {}
    found = [*_sensitivities(measurement, level, full_scale_dbu), _latency(measurement), _self_noise(measurement)]
    limiters = [one for one in measurement.limiters if not one.clipped]
    if not limiters:
        why = "the recording is clipped" if measurement.limiters else "the session has no limiter take"
        found.append(POWERED["limiter_threshold"].refused(why))
    found += [figure for one in limiters for figure in _limiter(one, measurement)]
    return {figure.key: figure for figure in found}


def _sensitivities(measurement: Measurement, level: Figure, full_scale_dbu: float | None) -> list[Figure]:
    response = measurement.response
    is_digital = response.reference.endswith("dBFS")
    volts_db = 20.0 * math.log10(response.reference_v)
    keys: tuple[str, ...] = ("input_sensitivity_digital",) if is_digital else ("input_sensitivity",)
    keys += ("input_sensitivity_digital",) if full_scale_dbu is not None and not is_digital else ()
    if level.value is None or level.u is None or not response.absolute:
        why = level.reason if response.absolute else "the level of the recordings is not calibrated"
        return [POWERED[key].refused(why) for key in keys]
    needed_db = volts_db + _WANTED_DB - level.value
    found = []
    for key in keys:
        full_db = 0.0 if is_digital else DBU_DB + (full_scale_dbu or 0.0 if key.endswith("digital") else 0.0)
        note = f"full scale set to {full_scale_dbu:g} dBu" if key.endswith("digital") and not is_digital else ""
        made = POWERED[key].asked(response.lineage).judged(needed_db - full_db, level.u, note)
        found.append(replace(made, band_hz=level.band_hz, shared=tuple((key, -pull) for key, pull in level.shared)))
    return found


def _latency(measurement: Measurement) -> Figure:
    """Slope of the excess phase on axis, with the lateness that the reduction took out; the way through the air is not
    in either."""
    info, response = POWERED["latency"], measurement.response
    if measurement.late_s is None or response.phase != "common":
        return info.refused("no loop-back was recorded, so when the sound was sent is not known", response.lineage)
    row, hz = response.directions.on_axis_row(), response.axis.hz
    inside = (hz >= LATENCY_BAND_HZ[0]) & (hz <= LATENCY_BAND_HZ[1])
    valid = response.valid[row] & (np.abs(response.pressure[row]) > 0.0)
    if not valid[inside].all():
        return info.refused("the response on axis is not known from 4 kHz to 12 kHz", response.lineage)
    whole = slice(int(np.flatnonzero(valid)[0]), int(np.flatnonzero(valid)[-1]) + 1)
    pressure = np.where(valid, response.pressure[row], 1e-12)[whole]
    excess = np.unwrap(np.angle(pressure)) - minimum_phase_rad(hz[whole], np.abs(pressure))
    turn = 2.0 * np.pi * hz[inside]
    (slope, _), spread = np.polyfit(turn, excess[inside[whole]], 1, cov=True)
    # Neighbors share what the loudspeaker does to them, about a third of an octave of it.
    u_s = math.hypot(math.sqrt(16.0 * spread[0, 0]), _U_PLACE_S, _U_AIR * response.distance_m / 343.0)
    asked = info.asked(response.lineage, LATENCY_BAND_HZ)
    return asked.judged(1000.0 * (measurement.late_s - float(slope)), 1000.0 * u_s)


def _self_noise(measurement: Measurement) -> Figure:
    info, noise = POWERED["self_noise"], measurement.self_noise
    if noise is None:
        why = "self-noise takes with the loudspeaker switched on and off, at one distance, are needed"
        return info.refused(why)
    if not measurement.response.absolute:
        return info.refused("the level of the recordings is not calibrated")
    lineage, to_1m = measurement.response.lineage, 20.0 * math.log10(noise.distance_m)
    on, off = (10.0 ** (level / 10.0) for level in (noise.on_dba, noise.off_dba))
    u_scale = float(np.interp(1000.0, measurement.response.axis.hz, measurement.response.u_shared_db()))
    where = f"recorded at {noise.distance_m:g} m, {noise.off_dba:.1f} dB with it switched off"
    far = "" if to_1m == 0.0 else "referred to 1 m as from one small source"
    if noise.on_dba - noise.off_dba < 3.0:
        # Less than 3 dB over the background: half of it or more may be the room's (as ISO 3746 bounds it, from memory).
        u = math.hypot(noise.u_on_db, u_scale)
        return info.asked(lineage).judged(noise.on_dba - 3.0 + to_1m, u, where, far, bound="at most")
    u = math.hypot(on * noise.u_on_db, off * noise.u_off_db) / (on - off)
    return info.asked(lineage).judged(10.0 * math.log10(on - off) + to_1m, math.hypot(u, u_scale), where, far)


def _limiter(one: LimiterReading, measurement: Measurement) -> list[Figure]:
    """Threshold as level at 1 m and at the input, ratio, knee, attack and release, at one frequency."""
    curve, hz, response = one.curve, one.frequency_hz, measurement.response
    lineage, row = response.lineage, response.directions.on_axis_row()
    place = int(np.argmin(np.abs(np.log(response.axis.hz / hz))))
    u_level_db = float(response.u_total_db()[row, place])
    at_1m_db, far = float(response.level_db(1.0)[row, place]), ""
    if not (response.valid[row, place] and response.absolute):
        # Below the threshold the take itself tells, by the distance law.
        at_1m_db, far = curve.gain_db + 20.0 * math.log10(one.distance_m), "by the distance from where it was recorded"
    asked = {
        key.removeprefix("limiter_"): info.asked(lineage, (hz, hz), at=f"{hz:g}hz")
        for key, info in POWERED.items()
        if key.startswith("limiter_")
    }
    in_room = measurement.gate.source != "anechoic" and one.distance_m > _CLOSE_M
    if curve.slope > 0.95 or curve.threshold_db > curve.in_db[-1]:
        top = float(curve.in_db[-1]) + at_1m_db
        note = "it did not limit up to the loudest step"
        return [asked["threshold"].judged(top, u_level_db, far, note, bound="at least")]
    u_gain, u_threshold, u_slope, u_knee = (float(u) for u in curve.u)
    whole = curve.used == curve.in_db.size
    left = "" if whole else f"above {curve.in_db[curve.used - 1] - DBU_DB:.1f} dBu something else sets in as well"
    level = at_1m_db + curve.threshold_db
    found = [
        asked["threshold"].judged(level, math.hypot(u_threshold, u_gain, u_level_db), far, left),
        asked["input"].judged(curve.threshold_db - DBU_DB, u_threshold),
    ]
    if curve.slope < max(_BRICK_WALL, 2.0 * u_slope):
        least = 1.0 / max(curve.slope + 2.0 * u_slope, _BRICK_WALL)
        found.append(asked["ratio"].judged(least, bound="at least"))
    else:
        found.append(asked["ratio"].judged(1.0 / curve.slope, u_slope / curve.slope**2))
    found.append(asked["knee"].judged(curve.knee_db, u_knee))
    times: tuple[tuple[str, TimeConstant | None], ...] = (("attack", curve.attack), ("release", curve.release))
    for name, time in times:
        if time is not None and in_room:
            found.append(asked[name].refused(_BLURRED))
        elif time is not None:
            law = f"the gain runs on as an exponential {'in dB' if time.law == 'dB' else 'on a linear scale'}"
            u_ms, bound = (1000.0 * time.u_s, "") if time.resolved else (0.0, "at most")
            found.append(asked[name].judged(1000.0 * time.time_s, u_ms, law, bound=bound))
    return found
