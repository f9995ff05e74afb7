"""Figures that only a powered loudspeaker has: input sensitivity, latency, its own noise, and its limiter."""

import math
from dataclasses import replace

import numpy as np

from earwitness.figures.registry import figure_infos
from earwitness.figures.time_domain import minimum_phase_rad
from earwitness.quantities import Figure, Measurement
from earwitness.quantities.loud_takes import LimiterReading, TimeConstant

POWERED_FIGURES = figure_infos("powered")
INFO = {info.key: info for info in POWERED_FIGURES}
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
        found.append(INFO["limiter_threshold"].refused(why))
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
        return [INFO[key].refused(why) for key in keys]
    needed_db = volts_db + _WANTED_DB - level.value
    found = []
    for key in keys:
        full_db = 0.0 if is_digital else DBU_DB + (full_scale_dbu or 0.0 if key.endswith("digital") else 0.0)
        note = f"full scale set to {full_scale_dbu:g} dBu" if key.endswith("digital") and not is_digital else ""
        made = INFO[key].asked(response.lineage).judged(needed_db - full_db, level.u, note)
        found.append(replace(made, band_hz=level.band_hz, shared=tuple((key, -pull) for key, pull in level.shared)))
    return found


def _latency(measurement: Measurement) -> Figure:
    """Slope of the excess phase on axis, with the lateness that the reduction took out; the way through the air is not
    in either."""
    info, response = INFO["latency"], measurement.response
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
    info, noise = INFO["self_noise"], measurement.self_noise
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
        for key, info in INFO.items()
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
