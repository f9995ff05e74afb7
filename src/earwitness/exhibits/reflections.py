"""Exhibit: the parts that make the early reflections."""

from earwitness.exhibits.chart import Chart
from earwitness.exhibits.level_facts import joined, level_panel, splice_region, traces_of, valid_part
from earwitness.exhibits.texts import chart
from earwitness.exhibits.words import band_words, is_beyond, short_reason, value_words
from earwitness.figures.linearity import LINEARITY_BAND_HZ
from earwitness.figures.sampling import band_grid, sampled
from earwitness.files.data import worded
from earwitness.quantities import Curve, Measurement, Reading

PARTS = {
    "floor": "floor",
    "ceiling": "ceiling",
    "front_wall": "front wall",
    "side_wall": "side walls",
    "rear_wall": "rear wall",
}


def reflections(reading: Reading, measurement: Measurement) -> Chart | None:
    """Early reflections and the floor, ceiling and wall parts they are the mean of; None without any part."""
    parts = traces_of(reading, tuple((key, "reflected part", label, False) for key, label in PARTS.items()))
    if not parts:
        return None
    traces = traces_of(reading, (("early_reflections", "reflected", "early reflections", True),)) + parts
    has_mean = "early_reflections" in reading.curves
    missing = [
        f"{label} ({short_reason(reading.missing[key])})" for key, label in PARTS.items() if key in reading.missing
    ]
    return chart(
        "reflections",
        (level_panel(traces, regions=splice_region(measurement)),),
        finding=_finding(reading),
        reading=joined(
            "Each line is what one surface of a typical room sends back first; the solid line is their mean on energy."
            if has_mean
            else "Each line is what one surface of a typical room sends back first.",
            "A line that dips where the others do not shows a direction in which the drivers cancel.",
            f"Not shown: {'; '.join(missing)}." if missing else "",
        ),
    )


def _finding(reading: Reading) -> str:
    window = reading.curves.get("listening_window")
    found = []
    for key, label in PARTS.items():
        part = reading.curves.get(key)
        mean = _mean_difference(part, window) if part is not None and window is not None else None
        if mean is not None:
            found.append((mean[0], mean[1], label, mean[2]))
    if not found:
        return "How much weaker a reflection is than the direct sound cannot be stated without the listening window."
    value, u, label, band = max(found, key=lambda part: abs(part[0]))
    if not is_beyond(value, u):
        return worded("exhibits.no_surface_first_reflection", zero=value_words(0.0, u, "dB"), band=band_words(band))
    side = "weaker" if value < 0 else "stronger"
    return (
        f"The {label.removesuffix('s')} reflection differs most from direct sound: "
        f"{value_words(abs(value), u, 'dB')} {side} on average, {band_words(band)}."
    )


def _mean_difference(part: Curve, window: Curve) -> tuple[float, float, tuple[float, float]] | None:
    """Mean of part minus window in dB over the band both cover, its uncertainty (all frequencies together), band."""
    shared = valid_part(part, LINEARITY_BAND_HZ)
    shared = valid_part(window, shared) if shared else None
    if shared is None:
        return None
    difference = part.minus(window, key="difference", name="difference", reference="listening window")
    values, u, _, valid = sampled(difference, band_grid(*shared))
    if not valid.any():
        return None
    return float(values[valid].mean()), float(u[valid].mean()), shared
