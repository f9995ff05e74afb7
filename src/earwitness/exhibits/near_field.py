"""Exhibit: the bass, from the near field of each cone and port to the joined response."""

from dataclasses import replace

import numpy as np

from earwitness.exhibits.chart import Chart, Panel, Trace, chart
from earwitness.exhibits.level_facts import joined, level_panel, level_span, splice_region, traces_of, valid_values
from earwitness.exhibits.words import band_words, number_words, sentence
from earwitness.files.data import worded
from earwitness.quantities import REFERENCE_PRESSURE_PA, Curve, DirectionalResponse, Measurement, NearField, Reading

_SHOWN_TO_HZ = 2000.0
_SHOWN_DB = 50.0
_DB_PER_DECADE = 50.0  # the other proportion of IEC 60263 (from memory)


def near_field(reading: Reading, measurement: Measurement) -> Chart | None:
    """Near-field responses beneath the joined on-axis response; None without a near-field take."""
    if not measurement.near_field:
        return None
    ports = frozenset(part.driver for part in measurement.near_field if "port" in part.driver.lower())
    parts = tuple(
        Trace(_curve_of(part, measurement.response), "before" if part.driver in ports else "plain", part.driver)
        for part in measurement.near_field
    )
    panels = []
    sums = traces_of(reading, (("on_axis", "direct", "on axis, joined", True),))
    if sums:
        span = level_span((sums[0].curve,), span_db=40.0)
        joined_panel = level_panel(sums, label="Level at 1 m", span=span, regions=splice_region(measurement))
        panels.append(replace(joined_panel, db_per_decade=_DB_PER_DECADE))
    shown = valid_values(tuple(trace.curve for trace in parts), high_hz=_SHOWN_TO_HZ)
    high = float(5.0 * np.ceil((float(shown.max(initial=100.0)) + 2.0) / 5.0))
    close = Panel("Level close to each part", parts[0].curve.reference, high - _SHOWN_DB, high, 10.0, traces=parts)
    panels.append(replace(close, db_per_decade=_DB_PER_DECADE))
    return chart("near_field", panels, finding=_finding(measurement), high_hz=_SHOWN_TO_HZ, decade_db=_DB_PER_DECADE)


def _finding(measurement: Measurement) -> str:
    splice = measurement.splice
    if splice is None:
        return "The near field was measured but not joined to the far field; the bass at 1 m is not stated from it."
    band = band_words((splice.low_hz, splice.high_hz))
    given = sentence(splice.sentence)
    off = splice.gain_db - splice.expected_gain_db
    return joined(
        worded("exhibits.bass_below_measured_close", from_words=band.split(" to ")[0], band=band),
        worded("exhibits.parts_their_level_fits", parts=_parts_words(measurement), off_db=number_words(abs(off), 1)),
        given,
    )


def _parts_words(measurement: Measurement) -> str:
    names = [part.driver for part in measurement.near_field]
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _curve_of(part: NearField, response: DirectionalResponse) -> Curve:
    hz = part.axis.hz
    level = part.level_db + 20 * np.log10(response.reference_v / REFERENCE_PRESSURE_PA)
    valid = (hz >= part.lowest_valid_hz) & (hz <= part.highest_valid_hz) & np.isfinite(level)
    key, name = f"near_field {part.driver}", f"near field of {part.driver}"
    return Curve.of(
        key, name, part.axis, level, valid, reference=f"dB SPL at the microphone, {response.reference or '2.83 V'}"
    )
