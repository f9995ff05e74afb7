"""Write docs/advice-read.md: the advice on ten invented loudspeakers of different kind, as it reads.

    python docs/advice_read.py

A test compares the page with what this makes (tests/contract/test_advice_read.py). The loudspeakers are known by
formula and seen with 0.15 dB of uncertainty a direction and 0.25 dB shared, without errors.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from earwitness.demo.catalogue import catalogue, simulate
from earwitness.demo.world import true_pressure
from earwitness.exhibits.mend import band_words
from earwitness.exhibits.words import true_minus
from earwitness.figures.read import levels_of
from earwitness.figures.windows import windows
from earwitness.insight.findings import find
from earwitness.insight.mend.objective import problem_of
from earwitness.insight.mend.stop import choose, verdict_of
from earwitness.insight.mend.views import views_of
from earwitness.quantities import DirectionalResponse, Reading, cta_orbits, report_axis
from earwitness.quantities.arrays import ComplexArray

PAGE = Path(__file__).with_name("advice-read.md")
MEASURED = (
    ("thimble", "a small two-way"),
    ("causeway", "a three-way tower with two flaws of its own and a trim ring"),
    ("lantern", "a large horn"),
)
SIMULATED = (1, 2, 3, 7, 12, 20, 25)


def loudspeakers() -> Iterator[tuple[str, ComplexArray]]:
    """Title and pressure (D, F) of each."""
    axis, directions = report_axis(), cta_orbits()
    for key, words in MEASURED:
        yield f"{key.capitalize()}, {words}", true_pressure(key, directions, axis.hz)
    for number in SIMULATED:
        one = catalogue()[number]
        kind = f"{one.enclosure}, crossover at {one.crossover_hz:.0f} Hz"
        yield f"{one.name}, {one.type}, {kind}", np.asarray(simulate(one).response.pressure)


def advice_of(pressure: ComplexArray) -> tuple[str, list[str]]:
    """Headline, then sentences and bands."""
    axis = report_axis()
    u, common = np.full(pressure.shape, 0.15), np.full(len(axis), 0.25)
    response = DirectionalResponse(axis, cta_orbits(), pressure, u, common, np.ones(pressure.shape, dtype=bool))
    levels = levels_of(response)
    findings = find(Reading(windows(levels).curves, {}, {}, {}, {}), response)
    problem = problem_of(views_of(levels), findings=findings)
    choice = choose(problem)
    said = verdict_of(problem, choice, findings)
    bands = () if choice.design is None else choice.design.equalizer.bands
    lines = [true_minus(words) for words in said.sentences]
    for number, (band, role) in enumerate(zip(bands, said.bands, strict=True), 1):
        why = "sets the balance" if role.finding is None else f"mends finding {role.finding}"
        lines.append(f"Band {number}, {band_words(band)}, {why}.")
    return true_minus(said.headline), lines


def page() -> str:
    """The whole page."""
    parts = [
        "# Advice as it reads",
        "Made by `python docs/advice_read.py` from ten invented loudspeakers. "
        "What the sentences rest on: [mend.md](mend.md).",
    ]
    for title, pressure in loudspeakers():
        headline, lines = advice_of(pressure)
        parts += [f"## {title}", f"**{headline}** {' '.join(lines)}".rstrip()]
    return "\n\n".join(parts) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
