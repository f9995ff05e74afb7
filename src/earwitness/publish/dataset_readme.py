"""What a stranger must know to read a data set: columns, definitions, and a script that rebuilds figures."""

from importlib.resources import files

from earwitness.publish.review import Review
from earwitness.quantities import on_orbit


def filled(template: str, **values: object) -> str:
    """A text of the data set from its template."""
    from jinja2 import Environment, StrictUndefined

    text = files("earwitness.publish").joinpath(template).read_text(encoding="utf-8")
    made = Environment(undefined=StrictUndefined, keep_trailing_newline=True, trim_blocks=True)
    return made.from_string(text).render(**values)


def can_be_rebuilt(review: Review) -> bool:
    """Whether the script's figures are judged, and its directions were measured."""
    figures = (review.reading.figures.get(key) for key in ("sensitivity", "f3"))
    judged = all(figure is not None and figure.is_judged and not figure.bound for figure in figures)
    directions = review.measurement.response.directions
    across = {round(angle) for angle in on_orbit(directions, "horizontal")[1]}
    above = {round(angle) for angle in on_orbit(directions, "vertical")[1]}
    return judged and {0, 10, -10, 20, -20, 30, -30} <= across and {10, -10} <= above
