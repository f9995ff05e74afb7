"""Exhibits that only a kind of loudspeaker has, and what it is read for: a chart over frequency or a table."""

from dataclasses import replace

import numpy as np

from earwitness.exhibits.chart import Chart, Panel, Role, Table, Trace, chart, table
from earwitness.exhibits.level_facts import level_span, step_span, valid_values
from earwitness.exhibits.words import figure_words, sentence, true_minus, value_words
from earwitness.figures.kinds import BASS_BAND_HZ, DELAY_HZ
from earwitness.figures.registry import base_key, place_of
from earwitness.insight.kinds import INFO, KindReading
from earwitness.quantities import Curve, Figure, FrequencyAxis, Measurement, Reading

_ROLES: tuple[Role, ...] = ("first", "second", "third", "fourth")
_LOWEST_DB = -30.0
_TITLES = {
    "center": "Lobing over the seats",
    "coaxial": "Coaxial drivers",
    "in-wall": "In a wall",
    "on-wall": "On a wall",
    "dipole": "Dipole before a wall",
    "line source": "Level by distance",
    "soundbar": "Level by distance",
    "horn": "Coverage and rows",
}


def kind_exhibit(kind: KindReading) -> Chart | Table | None:
    """The one exhibit of the reading; None where it is a sentence alone."""
    said = true_minus(" ".join(kind.sentences))
    if not kind.curves:
        cells = tuple((_name(one), _words(one), words) for words, one in kind.rows)
        return table("kind", cells, note=said, title=_TITLES[kind.kind]) if cells else None
    low, high = step_span(valid_values(kind.curves), 5.0, low=-10.0, high=5.0)
    low = max(low, _LOWEST_DB)
    traces = tuple(
        Trace(replace(curve, values=np.maximum(curve.values, low)), role, curve.name, ribbon=True)
        for curve, role in zip(kind.curves, _ROLES, strict=False)
    )
    panel = Panel("Level", kind.curves[0].reference, low, high, 5.0, traces=traces, db_per_decade=None)
    hz = kind.curves[0].axis.hz
    low_hz, high_hz = max(30.0, float(hz[0])), min(20_000.0, float(hz[-1]))
    return chart(
        "kind-over-frequency", (panel,), finding=said, title=_TITLES[kind.kind], low_hz=low_hz, high_hz=high_hz
    )


def _name(figure: Figure) -> str:
    return INFO[figure.key].name[0].upper() + INFO[figure.key].name[1:]


def _words(figure: Figure) -> str:
    words = value_words(figure.judged_value, figure.judged_u, figure.unit, most=INFO[figure.key].decimals)
    return f"{figure.bound} {words}" if figure.bound else words


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
        return Curve.of(key, name, axis, values, values > _LOWEST_NOISE_DB, reference="dB SPL in third octaves")

    on, off = trace("noise_on", "switched on", found.on_db), trace("noise_off", "switched off", found.off_db)
    low, high = step_span(valid_values((on, off)), 10.0, low=_LOWEST_NOISE_DB, high=30.0)
    traces = (Trace(on, "direct", on.name), Trace(off, "before", off.name))
    finding = f"Without a signal it makes {figure_words(told)} A-weighted at 1 m ({'; '.join(told.caveats)})."
    return chart("noise", (Panel("Noise", on.reference, low, high, 10.0, traces=traces),), finding=finding, found=found)


def bass_delay(reading: Reading) -> Chart | None:
    """Group delay in the bass; None where it is not known."""
    curve = reading.curves.get("group_delay")
    if curve is None or not curve.valid.any():
        return None
    low, high = step_span(valid_values((curve,), DELAY_HZ[0], 200.0), 5.0, low=0.0, high=20.0)
    panel = Panel(
        "Group delay", "ms", low, high, step=5.0, traces=(Trace(curve, "direct", "on axis", True),), db_per_decade=None
    )
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
        (Panel("Filter", curve.reference, low, high, 5.0, traces=(Trace(curve, "plain", curve.name),)),),
        finding=f"Its own low-pass takes 6 dB off at {words(corner)} and then falls by {words(slope)}.",
        low_hz=10.0,
        high_hz=500.0,
    )
