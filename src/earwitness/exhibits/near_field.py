"""Exhibit: the bass, from the near field of each cone and port to the joined response."""

from __future__ import annotations

import numpy as np

from earwitness.exhibits.chart import Caption, Chart, Panel, Trace
from earwitness.exhibits.level_facts import (
    joined,
    level_span,
    splice_region,
    traces_of,
    valid_values,
)
from earwitness.exhibits.words import band_words, number_words, sentence
from earwitness.quantities import (
    REFERENCE_PRESSURE_PA,
    REFERENCE_VOLTAGE_V,
    Curve,
    Measurement,
    NearField,
    Reading,
)

_SHOWN_TO_HZ = 2000.0
_SHOWN_DB = 50.0
_DB_PER_DECADE = 50.0  # the other proportion of IEC 60263 (from memory)


def near_field(reading: Reading, measurement: Measurement) -> Chart | None:
    """Near-field responses beneath the joined on-axis response; None without a near-field take."""
    if not measurement.near_field:
        return None
    ports = _ports(measurement.near_field)
    parts = tuple(
        Trace(_curve_of(part), "before" if part.driver in ports else "plain", part.driver)
        for part in measurement.near_field
    )
    panels = []
    sums = traces_of(reading, (("on_axis", "direct", "on axis, joined", True),))
    if sums:
        low, high = level_span((sums[0].curve,), span_db=40.0)
        panels.append(
            Panel(
                "Level at 1 m",
                sums[0].curve.reference or "dB",
                low,
                high,
                5.0,
                traces=sums,
                regions=splice_region(measurement),
                db_per_decade=_DB_PER_DECADE,
            )
        )
    shown = valid_values(tuple(trace.curve for trace in parts), high_hz=_SHOWN_TO_HZ)
    high = 5.0 * np.ceil((float(shown.max(initial=100.0)) + 2.0) / 5.0)
    panels.append(
        Panel(
            "Level close to each part",
            f"dB SPL at the microphone, {REFERENCE_VOLTAGE_V:g} V",
            float(high) - _SHOWN_DB,
            float(high),
            10.0,
            traces=parts,
            db_per_decade=_DB_PER_DECADE,
        )
    )
    return Chart(
        key="near_field",
        title="Near field",
        subtitle="Near-field responses and the response joined from them",
        caption=Caption(
            _finding(measurement),
            joined(
                "Close to a cone or port the room is not heard, so the bass can be measured indoors; the parts are "
                "added by area and phase and brought to 1 m.",
                "Levels in the lower panel are as close to each part and may not be compared with those at 1 m.",
                f"A decade of frequency is as long as {_DB_PER_DECADE:g} dB are high, twice that of the other charts.",
            ),
        ),
        panels=tuple(panels),
        high_hz=_SHOWN_TO_HZ,
    )


def _finding(measurement: Measurement) -> str:
    splice = measurement.splice
    if splice is None:
        return "The near field was measured but not joined to the far field; the bass at 1 m is not stated from it."
    band = band_words((splice.low_hz, splice.high_hz))
    given = sentence(splice.sentence)
    off = splice.gain_db - splice.expected_gain_db
    return joined(
        f"The bass below {band.split(' to ')[0]} is measured close to each part and joined to the far field from "
        f"{band}.",
        f"The parts are {_parts_words(measurement)}; their level fits the far field to "
        f"{number_words(abs(off), 1)}\N{NO-BREAK SPACE}dB of what geometry expects.",
        given,
    )


def _parts_words(measurement: Measurement) -> str:
    names = [part.driver for part in measurement.near_field]
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _ports(parts: tuple[NearField, ...]) -> frozenset[str]:
    return frozenset(part.driver for part in parts if "port" in part.driver.lower())


def _curve_of(part: NearField) -> Curve:
    hz = part.axis.hz
    level = part.level_db + 20 * np.log10(REFERENCE_VOLTAGE_V / REFERENCE_PRESSURE_PA)
    none = np.zeros_like(level)
    return Curve(
        key=f"near_field {part.driver}",
        name=f"near field of {part.driver}",
        axis=part.axis,
        values=level,
        u=none,
        u_common=none,
        valid=(hz >= part.lowest_valid_hz) & (hz <= part.highest_valid_hz) & np.isfinite(level),
        unit="dB",
        reference=f"dB SPL at the microphone, {REFERENCE_VOLTAGE_V:g} V",
    )
