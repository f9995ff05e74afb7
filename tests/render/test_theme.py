"""The style sheet against the rules of CSS: custom properties are defined before they count, later rules win."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from earwitness.exhibits.chart import Caption, Chart, ChartRegion, Mark, Panel, Trace
from earwitness.quantities import Curve, log_axis
from earwitness.render.palette import GROUNDS, INKS, MAP_BANDS
from earwitness.render.svg import svg_of
from earwitness.render.theme import theme_css

BLOCKS = {
    "light": r":root\{color-scheme:light;([^}]*)\}",
    "dark by system": r"@media \(prefers-color-scheme:dark\)\{:root:not\(\[data-theme=light\]\)"
    r"\{color-scheme:dark;([^}]*)\}",
    "dark by choice": r":root\[data-theme=dark\]\{color-scheme:dark;([^}]*)\}",
    "print": r"@media print\{:root,:root\[data-theme\],:root:not\(\[data-theme\]\)\{color-scheme:light;([^}]*)\}",
}


def tokens(block: str) -> dict[str, str]:
    found = re.search(BLOCKS[block], theme_css())
    assert found is not None
    return dict(pair.split(":") for pair in found.group(1).split(";"))


@pytest.mark.parametrize("block", BLOCKS)
def test_every_theme_defines_the_same_tokens(block: str) -> None:
    assert tokens(block).keys() == tokens("light").keys()


def test_print_is_light_and_comes_last() -> None:
    assert tokens("print") == tokens("light") != tokens("dark by choice") == tokens("dark by system")
    places = [re.search(pattern, theme_css()) for pattern in BLOCKS.values()]
    starts = [place.start() for place in places if place is not None]
    assert starts == sorted(starts)


def test_tokens_hold_the_palette() -> None:
    dark = tokens("dark by choice")
    assert dark["--paper"] == GROUNDS["dark"].paper
    assert dark["--role-all-directions"] == INKS["all directions"].dark
    assert dark["--map-12"] == MAP_BANDS["dark"][12]


def test_every_used_token_is_defined() -> None:
    used = set(re.findall(r"var\((--[a-z0-9-]+)\)", theme_css()))
    assert used
    assert used <= tokens("light").keys()


def test_braces_are_balanced() -> None:
    assert theme_css().count("{") == theme_css().count("}")


def test_every_colored_element_has_a_class_that_the_sheet_knows() -> None:
    # Otherwise one SVG could not serve both themes: a light attribute would stay on the dark page.
    axis = log_axis(20.0, 20_000.0, 12)
    values, none = np.full(axis.hz.shape, 85.0), np.zeros(axis.hz.shape)
    curve = Curve("a", "a", axis, values, none, none, axis.hz > 100, "dB", "")
    kinds = ("window", "splice", "target", "heard")
    regions = tuple(ChartRegion(kind, 200.0, 2000.0, label=kind) for kind in kinds)
    panel = Panel("l", "dB", 50, 100, 5, (Trace(curve, "window", "w", True),), regions, (Mark(1, 1000, 85, "m"),))
    chart = Chart("k", "t", "s", Caption("f", "r"), (panel,), note="n")
    known = set(re.findall(r"[a-z][a-z0-9-]+", " ".join(re.findall(r"([^{}]*)\{", theme_css()))))
    for width_px in (900, 390):
        for node in ElementTree.fromstring(svg_of(chart, width_px)).iter():
            if any(str(node.get(name, "")).startswith("#") for name in ("fill", "stroke")):
                assert set(node.get("class", "").split()) & known, ElementTree.tostring(node)
