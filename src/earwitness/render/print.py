"""Charts for paper and picture: our own typeface, drawn at the width they are printed at."""

from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Final

from earwitness.exhibits.chart import Chart
from earwitness.render.svg import svg_of

TYPEFACE: Final = "DejaVu Sans"
_SCREEN_FAMILY: Final = 'font-family="system-ui, sans-serif"'


def fonts_folder() -> Path:
    """Where the typeface lies that comes with the program."""
    return Path(str(files("earwitness.render").joinpath("fonts")))


def in_our_typeface(svg: str) -> str:
    """A drawing of ours with the shipped typeface in place of the screen's."""
    return svg.replace(_SCREEN_FAMILY, f'font-family="{TYPEFACE}"', 1)


def print_svg(chart: Chart, width_px: int) -> str:
    """The chart without its title, which the page sets itself, `width_px` wide at 96 px an inch (25.4 mm).

    Raises InputError as `svg_of`.
    """
    return in_our_typeface(svg_of(replace(chart, title="", subtitle=""), width_px, variant="print"))
