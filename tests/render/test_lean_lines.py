"""Lines of a page that are thinned stay where they were: by geometry, and against plain recursion written out here."""

from __future__ import annotations

import re

import numpy as np
import pytest

from earwitness.render.html import lean

TOLERANCE_PX, ROUNDING_PX = 0.3, 0.075


def line(seed: int, count: int) -> np.ndarray:
    """(count, 2) a wavering line in tenths of a pixel, with stretches that are straight or stand still."""
    random = np.random.default_rng(seed)
    x = np.sort(random.uniform(0.0, 700.0, count))
    y = 150.0 + np.cumsum(random.normal(0.0, random.choice([0.05, 0.3, 2.0]), count))
    straight = slice(count // 3, count // 2)
    y[straight] = np.interp(x[straight], x[[straight.start, straight.stop]], y[[straight.start, straight.stop]])
    return np.round(np.stack([x, y], axis=1), 1)


def thinned(points: np.ndarray, kind: str) -> np.ndarray:
    """The points of a path of that class after `lean`."""
    d = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    found = re.search(r' d="([^"]+)"', lean(f'<path class="{kind} one" d="{d}"/>'))
    assert found is not None
    numbers = [float(one) for one in re.findall(r"-?(?:\d+\.?\d*|\.\d+)", found[1])]
    return np.cumsum(np.array(numbers).reshape(-1, 2), axis=0)


def recursion(points: np.ndarray, tolerance: float) -> list[int]:
    """Rows that Douglas and Peucker (1973, from memory) keep, written plainly."""
    if len(points) < 3:
        return list(range(len(points)))
    way, off = points[-1] - points[0], points[1:-1] - points[0]
    size = np.hypot(*way)
    away = np.abs(way[0] * off[:, 1] - way[1] * off[:, 0]) / size if size else np.hypot(off[:, 0], off[:, 1])
    worst = int(np.argmax(away))
    if away[worst] <= tolerance:
        return [0, len(points) - 1]
    split = worst + 1
    return [*recursion(points[: split + 1], tolerance)[:-1],
            *(split + row for row in recursion(points[split:], tolerance))]  # fmt: skip


@pytest.mark.parametrize("seed", range(30))
@pytest.mark.parametrize(("kind", "tolerance_px"), [("trace", TOLERANCE_PX), ("ribbon", 2 * TOLERANCE_PX)])
def test_a_thinned_line_stays_where_it_was(seed: int, kind: str, tolerance_px: float) -> None:
    points = line(seed, 5 + 40 * seed)
    kept = thinned(points, kind)
    assert len(kept) < len(points) or seed < 2
    np.testing.assert_allclose(kept[[0, -1]], points[[0, -1]], atol=ROUNDING_PX)
    for point in points:
        start, way = kept[:-1], np.diff(kept, axis=0)
        size = np.maximum((way**2).sum(axis=1), 1e-12)
        part = np.clip(((point - start) * way).sum(axis=1) / size, 0.0, 1.0)
        assert np.hypot(*(start + part[:, None] * way - point).T).min() <= tolerance_px + ROUNDING_PX


@pytest.mark.parametrize("seed", range(30))
def test_the_same_points_are_kept_as_by_plain_recursion(seed: int) -> None:
    points = line(100 + seed, 5 + 40 * seed)
    rows = recursion(np.rint(10 * points), 10 * TOLERANCE_PX)
    np.testing.assert_allclose(thinned(points, "trace"), points[rows], atol=1e-6)


def test_points_that_return_to_where_they_began() -> None:
    """A closed line has no direction from its first to its last point: the farthest point counts."""
    turn = np.linspace(0.0, 2 * np.pi, 200)
    circle = np.round(100.0 + 50.0 * np.stack([np.cos(turn), np.sin(turn)], axis=1), 1)
    kept = thinned(circle, "trace")
    assert 8 < len(kept) < 60
    assert np.abs(np.hypot(*(kept - 100.0).T) - 50.0).max() < 0.2
    assert len(thinned(np.full((9, 2), 7.0), "trace")) == 2
