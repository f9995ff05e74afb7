"""Exhibits that only a kind of loudspeaker has: limiter and self-noise of a powered one, delay and filter of a
subwoofer."""

import numpy as np

from earwitness.exhibits.chart import Chart, Panel, Table, Trace
from earwitness.exhibits.level_facts import level_span, step_span, valid_values
from earwitness.exhibits.texts import chart, table
from earwitness.exhibits.words import figure_words, sentence
from earwitness.figures.bass import BASS_BAND_HZ, DELAY_HZ
from earwitness.figures.registry import base_key, place_of
from earwitness.quantities import Curve, Figure, FrequencyAxis, Measurement, Reading

_LIMITER = ("limiter_threshold", "limiter_input", "limiter_ratio", "limiter_attack", "limiter_release")
_LOWEST_NOISE_DB = -10.0


def own_kind(reading: Reading, measurement: Measurement) -> list[Chart | Table | None]:
    """All of them, in the order of the page, None for each that the data do not give."""
    return [bass_delay(reading), own_filter(reading), limiters(reading), noise(reading, measurement)]


def limiters(reading: Reading) -> Table | None:
    """One row a frequency; None without a limiter take."""
    places = [key.partition("@")[2] for key in reading.figures if key.startswith("limiter_threshold@")]
    rows = []
    for place in places:
        ones = [reading.figures.get(f"{key}@{place}") for key in _LIMITER]
        rows.append(
            (place_of(f"limiter_threshold@{place}"), *("" if one is None else figure_words(one) for one in ones))
        )
    told = [
        note for one in reading.figures.values() if base_key(one.key) == _LIMITER[0] for note in one.caveats if note
    ]
    return table("limiters", rows, note=" ".join(map(sentence, dict.fromkeys(told)))) if rows else None


def noise(reading: Reading, measurement: Measurement) -> Chart | None:
    """Third octaves with the loudspeaker switched on and off; None without such takes."""
    found, told = measurement.self_noise, reading.figures.get("self_noise")
    if found is None or told is None or not measurement.response.absolute:
        return None
    axis = FrequencyAxis(found.band_hz)

    def trace(key: str, name: str, values: np.typing.NDArray[np.float64]) -> Curve:
        return Curve.bare(key, name, axis, values, values > _LOWEST_NOISE_DB, reference="dB SPL in third octaves")

    on, off = trace("noise_on", "switched on", found.on_db), trace("noise_off", "switched off", found.off_db)
    low, high = step_span(valid_values((on, off)), 10.0, low=_LOWEST_NOISE_DB, high=30.0)
    traces = (Trace(on, "direct", on.name), Trace(off, "before", off.name))
    finding = f"Without a signal it makes {figure_words(told)} A-weighted at 1 m ({'; '.join(told.caveats)})."
    return chart("noise", (Panel("Noise", on.reference, low, high, 10.0, traces),), finding=finding, found=found)


def bass_delay(reading: Reading) -> Chart | None:
    """Group delay in the bass; None where it is not known."""
    curve = reading.curves.get("group_delay")
    if curve is None or not curve.valid.any():
        return None
    low, high = step_span(valid_values((curve,), DELAY_HZ[0], 200.0), 5.0, low=0.0, high=20.0)
    panel = Panel("Group delay", "ms", low, high, 5.0, (Trace(curve, "direct", "on axis", True),), db_per_decade=None)
    found = [one for key, one in reading.figures.items() if base_key(key) == "bass_group_delay"]
    told = "; ".join(f"{place_of(one.key)} {figure_words(one)} ({one.caveats[0]})" for one in found)
    return chart("bass_delay", (panel,), finding=f"{told}." if told else "", low_hz=10.0, high_hz=500.0)


def own_filter(reading: Reading) -> Chart | None:
    """What the filter that is built in does; None without a take of it."""
    curve = reading.curves.get("own_filter")
    if curve is None or not curve.valid.any():
        return None
    low, high = level_span((curve,), span_db=45.0, low_hz=BASS_BAND_HZ[0])
    corner, slope = (reading.figures.get(key) for key in ("own_filter_corner", "own_filter_slope"))

    def words(figure: Figure | None) -> str:
        return "not told" if figure is None else figure_words(figure)

    return chart(
        "own_filter",
        (Panel("Filter", curve.reference, low, high, 5.0, (Trace(curve, "plain", curve.name),)),),
        finding=f"Its own low-pass takes 6 dB off at {words(corner)} and then falls by {words(slope)}.",
        low_hz=10.0,
        high_hz=500.0,
    )
