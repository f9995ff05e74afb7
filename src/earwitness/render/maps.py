"""Level over angle and frequency as filled bands of 3 dB with named contours."""

from collections.abc import Iterator
from math import ceil
from typing import Final, cast

import numpy as np

from earwitness.quantities import BoolArray, DirectivityMap, FloatArray, IntArray
from earwitness.render.frame import CHARACTER_PX, Frame, number, points, signed
from earwitness.render.labels import halo
from earwitness.render.palette import MAP_BANDS, Ground, Theme

BAND_STEPS_DB: Final = tuple(float(level) for level in range(-30, 4, 3))
CONTOURS_DB: Final = (-3.0, -6.0, -10.0)
_COLUMN_PX = 2.5
_Filled = tuple[list[FloatArray], list[IntArray]]
_LABEL_HEIGHT_PX = 14


def map_shapes(drawn: DirectivityMap, frame: Frame, key: str, ground: Ground, theme: Theme) -> Iterator[str]:
    """The map in the plot rectangle: hatch where it is not valid, bands, contour lines.

    Each band is the area of every level above its lower step, painted over the one before: no seams, and the
    lowest is open downward, the highest upward.
    """
    import contourpy

    x, y, level_db = _grid(drawn, frame)
    yield f'<rect class="invalid" {frame.box} fill="url(#{key}-hatch)"/>'
    if min(level_db.shape) < 2 or level_db.mask.all():
        return
    contours = contourpy.contour_generator(x, y, level_db, fill_type="OuterOffset", corner_mask=True)
    for band, low_db in enumerate((-1e9, *BAND_STEPS_DB)):
        polygons, offsets = cast(_Filled, contours.filled(low_db, 1e9))
        path = "".join(
            "M" + _shortened(ring) + "Z"
            for polygon, starts in zip(polygons, offsets, strict=True)
            for ring in np.split(polygon, starts[1:-1])
        )
        if path:
            fill = f'fill="{MAP_BANDS[theme][band]}" fill-rule="evenodd"'
            yield f'<path class="map-band band-{band}" d="{path}" {fill}/>'
    for contour_db in CONTOURS_DB:
        path = "".join("M" + _shortened(line) for line in cast(list[FloatArray], contours.lines(contour_db)))
        if path:
            width = 2.2 if contour_db == -6 else 1.1
            under = f'stroke="{ground.paper}" stroke-width="{width + 2.4}" stroke-opacity="0.65"'
            yield f'<path class="halo" d="{path}" fill="none" {under}/>'
            yield f'<path class="contour" d="{path}" fill="none" stroke="{ground.ink}" stroke-width="{width}"/>'


def contour_labels(drawn: DirectivityMap, frame: Frame, ground: Ground) -> Iterator[str]:
    """The level of each contour beside its longest line, on a halo, none over another."""
    import contourpy

    x, y, level_db = _grid(drawn, frame)
    if min(level_db.shape) < 2 or level_db.mask.all():
        return
    contours = contourpy.contour_generator(x, y, level_db, corner_mask=True)
    lines = {level: cast(list[FloatArray], contours.lines(level)) for level in CONTOURS_DB}
    taken: list[tuple[float, float]] = []
    for contour_db in CONTOURS_DB:
        words = f"{signed(contour_db)} dB"
        others = [line for level, each in lines.items() if level != contour_db for line in each]
        place = _label_place(lines[contour_db], others, frame, len(words) * CHARACTER_PX, taken)
        if place is None:
            continue
        taken.append(place)
        weight = ' font-weight="600"' if contour_db == -6 else ""
        at = f'x="{number(place[0])}" y="{number(place[1] + 4)}" text-anchor="middle"'
        yield f'<text class="contour-label" {at} fill="{ground.ink}"{weight} {halo(ground)}>{words}</text>'


def color_bar(frame: Frame, ground: Ground, theme: Theme, *, every_db: int) -> Iterator[str]:
    """The scale of the map above the right end of its plot, with a number every `every_db`."""
    colors = MAP_BANDS[theme]
    cell = min(20.0, frame.width * 0.55 / len(colors))
    left, top = frame.right - cell * len(colors), frame.top - 34
    for band, color in enumerate(colors):
        at = f'x="{number(left + band * cell)}" y="{number(top)}" width="{number(cell)}" height="9"'
        yield f'<rect class="map-band band-{band}" {at} fill="{color}"/>'
    box = f'x="{number(left)}" y="{number(top)}" width="{number(cell * len(colors))}" height="9"'
    yield f'<rect class="bar" {box} fill="none" stroke="{ground.muted}"/>'
    for step, level_db in enumerate(BAND_STEPS_DB, 1):
        if level_db % every_db == 0:
            words = signed(level_db) + (" dB" if level_db == 0 else "")
            at = f'x="{number(left + step * cell)}" y="{number(top + 22)}" text-anchor="middle"'
            yield f'<text class="tick" {at} fill="{ground.muted}">{words}</text>'


def _grid(drawn: DirectivityMap, frame: Frame) -> tuple[FloatArray, FloatArray, np.ma.MaskedArray]:
    """x (F,) and y (A,) [px] and the masked levels (A, F), thinned; a full turn is closed at -180 degrees."""
    hz = drawn.axis.hz
    seen = np.flatnonzero((hz >= frame.low_hz / 1.1) & (hz <= frame.high_hz * 1.1))
    stride = max(1, ceil(seen.size * _COLUMN_PX / frame.width))
    seen = seen[::stride]
    angle_deg, level_db, valid = drawn.angle_deg, drawn.level_db[:, seen], drawn.valid[:, seen]
    if _is_full_turn(angle_deg):
        angle_deg = np.r_[angle_deg[-1] - 360.0, angle_deg]
        level_db, valid = np.vstack([level_db[-1:], level_db]), np.vstack([valid[-1:], valid])
    hidden: BoolArray = ~valid | ~np.isfinite(level_db)
    levels = np.ma.masked_array(np.where(hidden, 0.0, level_db), mask=hidden)
    return frame.x(hz[seen]), frame.y(angle_deg), levels


def _is_full_turn(angle_deg: FloatArray) -> bool:
    if angle_deg.size < 3:
        return False
    seam = float(angle_deg[0] + 360.0 - angle_deg[-1])
    return 0.0 < seam <= 1.5 * float(np.median(np.diff(angle_deg)))


def _shortened(ring: FloatArray) -> str:
    """Points of a line to 0.1 px, without those that rounding made equal."""
    rounded = np.round(ring, 1)
    kept = np.r_[True, (np.diff(rounded, axis=0) != 0).any(axis=1)]
    return points(rounded[kept, 0], rounded[kept, 1])


def _label_place(
    lines: list[FloatArray], others: list[FloatArray], frame: Frame, wide: float, taken: list[tuple[float, float]]
) -> tuple[float, float] | None:
    """A free point of the longest line, where it runs flat and far from the other contours [px]."""
    crowd = np.concatenate(others)[::2] if others else np.empty((0, 2))
    for line in sorted(lines, key=lambda each: -float(np.hypot(*np.diff(each, axis=0).T).sum())):
        if line.shape[0] < 3:
            continue
        slope = np.abs(np.gradient(line[:, 1])) / (np.abs(np.gradient(line[:, 0])) + 0.1)
        # Words are wider than high: a neighbor above counts for more than one beside.
        away = (line[:, None, :] - crowd[None]) * [0.4, 1.0]
        room = np.hypot(away[..., 0], away[..., 1]).min(axis=1, initial=30.0)
        for row in np.argsort(np.minimum(slope, 3.0) - room / 5.0, kind="stable"):
            x, y = float(line[row, 0]), float(line[row, 1])
            inside = frame.left + wide < x < frame.right - wide and frame.top + 10 < y < frame.bottom - 10
            free = all(abs(x - a) > wide + 8 or abs(y - b) > _LABEL_HEIGHT_PX for a, b in taken)
            if inside and free:
                return x, y
    return None
