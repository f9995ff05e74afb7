"""What a stranger must know to read a data set: columns, definitions, and a script that rebuilds figures."""

from __future__ import annotations

from collections.abc import Collection
from importlib.resources import files

from earwitness.publish.review import Review
from earwitness.quantities import on_orbit


def how_to_read(review: Review, names: Collection[str]) -> list[str]:
    """Lines of Markdown for the README. names : of the files in the data set."""
    from jinja2 import Environment, StrictUndefined

    text = files("earwitness.publish").joinpath("dataset_readme.md.jinja").read_text(encoding="utf-8")
    template = Environment(undefined=StrictUndefined, keep_trailing_newline=True).from_string(text)
    return template.render(names=names, can_be_rebuilt=_can_be_rebuilt(review)).splitlines()


def _can_be_rebuilt(review: Review) -> bool:
    """Whether the script's figures are judged, and its directions were measured."""
    figures = (review.reading.figures.get(key) for key in ("sensitivity", "f3"))
    judged = all(figure is not None and figure.is_judged and not figure.bound for figure in figures)
    directions = review.measurement.response.directions
    across = {round(angle) for angle in on_orbit(directions, "horizontal")[1]}
    above = {round(angle) for angle in on_orbit(directions, "vertical")[1]}
    return judged and {0, 10, -10, 20, -20, 30, -30} <= across and {10, -10} <= above
