"""The front to scale, in the place of a photo: where drivers stand whose places nobody stated."""

from __future__ import annotations

import re
from importlib.resources import files
from types import SimpleNamespace

import pytest
from jinja2 import Environment


def circles(width_m: float, height_m: float) -> list[tuple[float, float, float]]:
    """(x, y, radius) [mm] of the drivers as drawn: two cones of 130 mm and a dome of 25 mm."""
    drivers = [
        SimpleNamespace(kind=kind, diameter_m=size, count=1)
        for kind, size in (("cone", 0.13), ("cone", 0.13), ("dome", 0.025))
    ]
    it = SimpleNamespace(
        width_m=width_m, height_m=height_m, depth_m=0.3, shape="box", reference_below_top_m=None, drivers=drivers
    )
    page = (files("earwitness.publish.site") / "page.html").read_text(encoding="utf-8")
    macro = page[: page.index("<!doctype html>")] + "{{ cabinet(it) }}"
    text = Environment(autoescape=True).from_string(macro).render(it=it)
    found = re.findall(r'cx="([\d.]+)" cy="([\d.]+)" r="([\d.]+)"', text)
    return [(float(x), float(y), float(radius)) for x, y, radius in found]


def test_a_standing_cabinet_has_its_smallest_driver_on_top() -> None:
    drawn = circles(0.2, 0.5)
    assert {x for x, _, _ in drawn} == {100.0}
    assert [radius for _, _, radius in sorted(drawn, key=lambda one: one[1])] == pytest.approx([12.5, 65, 65], abs=0.6)


def test_a_lying_cabinet_has_its_smallest_driver_in_the_middle() -> None:
    drawn = circles(0.5, 0.2)
    assert {y for _, y, _ in drawn} == {100.0}
    across = sorted(drawn)
    assert [radius for _, _, radius in across] == pytest.approx([65, 12.5, 65], abs=0.6)
    assert across[1][0] == pytest.approx(250.0, abs=1.0)
