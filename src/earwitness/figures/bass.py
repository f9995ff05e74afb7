"""Figures that only a subwoofer has: level and limits about its own band, group delay, own filter, size and bursts."""

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from earwitness.figures.bandwidth import lower_limit, upper_limit
from earwitness.figures.highest_level import mean_burst_level
from earwitness.figures.registry import figure_infos
from earwitness.figures.sensitivity import band_level, band_means
from earwitness.figures.time_domain import excess_group_delay, group_delay_s
from earwitness.quantities import Curve, Figure, Measurement, Reading
from earwitness.standards.cta2010 import EXTENDED_HZ, ULTRA_LOW_HZ

BASS_FIGURES = figure_infos("bass")
INFO = {info.key: info for info in BASS_FIGURES}
BASS_BAND_HZ = (40.0, 80.0)
DELAY_HZ = (20.0, 30.0, 40.0, 60.0, 80.0)


def bass_levels(reading: Reading) -> Reading:
    """The reading with level and limits of a subwoofer, about the mean of its own band."""
    axis = reading.curves.get("on_axis")
    if axis is None:
        why = reading.missing.get("on_axis", "the level on axis was not measured")
        return replace(reading, figures={**reading.figures, "bass_level": INFO["bass_level"].refused(why)})
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
        value, asked = float(curve.values[row]), INFO["bass_group_delay"].asked(curve.lineage, (hz, hz), at=f"{hz:g}hz")
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
    hz, info = curve.axis.hz, INFO["own_filter_slope"]
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
            found.append(replace(mean_burst_level(ones), key=key, method=INFO[key].method, caveats=(f"{words} Hz",)))
    mean, info = figures.get("burst_level_mean"), INFO["burst_level_for_size"]
    if mean is not None and mean.value is not None and liters is not None:
        value, caveat = (
            mean.value - 10.0 * math.log10(liters),
            f"{liters:.0f} liters outside, handles and feet left out",
        )
        found.append(replace(mean, key=info.key, value=value, method=info.method, caveats=(caveat, *mean.caveats)))
    return found
