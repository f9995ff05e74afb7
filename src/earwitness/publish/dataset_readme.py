"""What a stranger must know to read a data set: columns, definitions, and a script that rebuilds figures."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

from earwitness.publish.review import Review
from earwitness.quantities import on_orbit

_TABLES: Final = (
    "Tables are CSV in UTF-8 with decimal points; an empty cell means that there is no value. Columns `u` are standard "
    "uncertainties (k = 1; the number printed behind ± is twice that). `u_common` is the part that all curves and "
    "directions share: it cancels where two of them are compared. `valid` is 1 where a value may be used, and 0 where "
    "it is only shown."
)
_FILES: Final = {
    "curves.csv": "`curves.csv`: the first rows start with `#` and say what each curve is and what its level is held "
    "against. Then comes a row of names, then one row a frequency. A curve has four columns: its key and unit "
    "(`on_axis_dB`), `_u`, `_u_common` and `_valid`.",
    "differences.csv": "`differences.csv`: as `curves.csv`, one curve for each other session; the first rows say which "
    "less which. What one device moved in both is out of `u`.",
    "directivity.csv": "`directivity.csv`: one row a direction and frequency. Azimuth counts counter-clockwise seen "
    "from above, so plus is to the loudspeaker's left; elevation counts upward. The vertical orbit passes over the "
    "top: 100° on it is azimuth 180°, elevation 80°. The phase is in degrees, for a time factor exp(+jωt).",
    "figures.csv": "`figures.csv`: `value` with `u` in `unit`; `bound` says `at most` or `at least` where the value is "
    "only a limit; `reason` says why there is no value.",
    "impedance.csv": "`impedance.csv`: magnitude in ohms and phase in degrees, one row a frequency.",
    "distortion.csv": "`distortion.csv`: one row a recording, order and frequency of the fundamental. Levels are rms "
    "in dB SPL at the microphone, at the distance in the row, for the voltage in the row.",
}
_DEFINITIONS: Final = (
    "Means over directions are energy means, 10 lg of the mean of 10^(L/10). Between frequencies levels run straight "
    "in dB over the logarithm of frequency. What needs a direction that is not there is missing.",
    "- Listening window: on axis, ±10°, ±20° and ±30° across, ±10° above and below.",
    "- Early reflections: the mean of five parts with equal weight: floor (20°, 30°, 40° below), ceiling (40°, 50°, "
    "60° above), front wall (0° to ±30° across), side walls (±40° to ±80° across), rear wall (±90° to 180° across; "
    "`choices` in `metadata.json` says which of them).",
    "- Sound power: every direction of both orbits weighted by its share of the sphere, (F(θ + 5°) − F(θ − 5°)) / 2π "
    "with F(t) = −arcsin(cos t / √2) at an angle θ from the axis, and 4 (F(5°) − F(0°)) / 2π on axis "
    "and behind, unless `choices` names another multiple; the sum is divided by that of the weights.",
    "- Predicted in-room response: energies 0.12 listening window, 0.44 early reflections, 0.44 sound power.",
    "- Directivity indices: listening window less early reflections, and less sound power.",
    "- Sensitivity: energy mean of the on-axis level at 300 Hz × 2^(m/20), m from 0 to 66.",
    "- F3, F6, F10: the highest frequency below 300 Hz at which the on-axis level falls 3, 6 or 10 dB under the "
    "sensitivity; a dip narrower than 1/9 octave does not count.",
)
_SCRIPT: Final = """import csv
from math import log, log10


def table(name):
    with open(name, encoding="utf-8", newline="") as file:
        return [row for row in csv.reader(file) if not row[0].startswith("#")]


def energy_mean(levels):
    return 10 * log10(sum(10 ** (level / 10) for level in levels) / len(levels))


def at(points, hz):
    (f, a), (g, b) = next(pair for pair in zip(points, points[1:]) if pair[0][0] <= hz <= pair[1][0])
    return a + (b - a) * log(hz / f) / log(g / f)


head, *rows = table("curves.csv")
column = head.index("on_axis_dB")
axis = [(float(row[0]), float(row[column])) for row in rows if row[column]]
sensitivity = energy_mean([at(axis, 300 * 2 ** (m / 20)) for m in range(67)])
print(f"sensitivity {sensitivity:.2f} dB")

limit = sensitivity - 3
falls = [(p, q) for p, q in zip(axis, axis[1:]) if q[0] <= 300 and p[1] < limit <= q[1]]
(f, a), (g, b) = falls[-1]
print(f"F3 {f * (g / f) ** ((limit - a) / (b - a)):.2f} Hz")

window = {(h, 0.0) for h in range(-30, 31, 10)} | {(0.0, v) for v in (-10.0, 10.0)}
levels = {}
for azimuth, elevation, hz, level, *_ in table("directivity.csv")[1:]:
    if (float(azimuth), float(elevation)) in window:
        levels.setdefault(float(hz), []).append(float(level))
listening_window = {hz: energy_mean(found) for hz, found in levels.items()}
nearest = min(listening_window, key=lambda hz: abs(log(hz / 1000)))
print(f"listening window {listening_window[nearest]:.2f} dB at {nearest:g} Hz")
"""


def how_to_read(review: Review, names: Collection[str]) -> list[str]:
    """Lines of Markdown for the README. names : of the files in the data set."""
    lines = ["## How to read the tables", "", _TABLES, ""]
    lines += [f"- {words}" for name, words in _FILES.items() if name in names]
    lines += ["", "## What the curves and figures are", "", _DEFINITIONS[0], "", *_DEFINITIONS[1:], ""]
    if _can_be_rebuilt(review):
        lines += ["## Try it", "", "Python, in the folder of the data set, without other packages. It prints what "]
        lines[-1] += "`figures.csv` and `curves.csv` say of the same."
        lines += ["", "```python", *_SCRIPT.splitlines(), "```", ""]
    return lines


def _can_be_rebuilt(review: Review) -> bool:
    """Whether the script's figures are judged, and its directions were measured."""
    figures = (review.reading.figures.get(key) for key in ("sensitivity", "f3"))
    judged = all(figure is not None and figure.is_judged and not figure.bound for figure in figures)
    directions = review.measurement.response.directions
    across = {round(angle) for angle in on_orbit(directions, "horizontal")[1]}
    above = {round(angle) for angle in on_orbit(directions, "vertical")[1]}
    return judged and {0, 10, -10, 20, -20, 30, -30} <= across and {10, -10} <= above
