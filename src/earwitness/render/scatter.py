"""Points of two scales: what the chart is about, what is on the frontier, and all others, with their uncertainty."""

from collections.abc import Iterator, Sequence

from earwitness.exhibits.chart import Point
from earwitness.render.frame import CHARACTER_PX, Frame, number, text
from earwitness.render.labels import halo
from earwitness.render.palette import INKS, Ground, Theme

_ORDER = ("other", "near", "frontier", "own")
_RADIUS_PX = {"other": 3.0, "near": 3.5, "frontier": 4.5, "own": 9.0}
_MOST_ARMS = 60


def point_shapes(points: Sequence[Point], frame: Frame, ground: Ground, theme: Theme) -> Iterator[str]:
    """Steps through the frontier, arms of 95 % uncertainty, shapes, and the name of what the chart is about.

    Kinds differ in size and filling, not in color alone. Where there are very many, only those that matter have arms.
    """
    if not points:
        return
    own_ink = INKS["first"].color(theme)
    yield from _steps(points, frame, ground)
    ordered = sorted(points, key=lambda p: (_ORDER.index(p.kind), p.at, p.name))
    for point in ordered:
        if point.kind == "other" and len(points) > _MOST_ARMS:
            continue
        color = own_ink if point.kind == "own" else ground.muted
        x, low, high = frame.x_of(point.at), *(_inside(point.value + k * 2.0 * point.u, frame) for k in (-1, 1))
        width = 2 if point.kind == "own" else 1
        yield (
            f'<path class="point-arm {point.kind}" d="M{number(x)} {number(low)}V{number(high)}" fill="none" '
            f'stroke="{color}" stroke-width="{width}" stroke-opacity="{0.9 if point.kind == "own" else 0.45}"/>'
        )
    for point in ordered:
        fill = {"own": own_ink, "frontier": ground.ink}.get(point.kind, ground.paper)
        edge = {"own": ground.paper, "other": ground.muted}.get(point.kind, ground.ink)
        words = text(", ".join((point.name, *point.words)))
        style = f'fill="{fill}" stroke="{edge}" stroke-width="1.5"'
        yield f'<path class="point {point.kind}" d="{_shape(point, frame)}" {style}><title>{words}</title></path>'
    yield from (_label(point, points, frame, ground) for point in points if point.kind == "own")


def _shape(point: Point, frame: Frame) -> str:
    """A circle; for what the chart is about a diamond."""
    x, y, r = frame.x_of(point.at), _inside(point.value, frame), _RADIUS_PX[point.kind]
    if point.kind == "own":
        corners = ((x - r, y), (x, y - r), (x + r, y), (x, y + r))
        return "M" + "L".join(f"{number(a)} {number(b)}" for a, b in corners) + "Z"
    size = number(r)
    return f"M{number(x - r)} {number(y)}a{size} {size} 0 1 0 {number(2 * r)} 0a{size} {size} 0 1 0 {number(-2 * r)} 0Z"


def _steps(points: Sequence[Point], frame: Frame, ground: Ground) -> Iterator[str]:
    """The highest value to be had for a price, as steps from one on the frontier to the next."""
    corners = sorted((p.at, p.value) for p in points if p.kind == "frontier" or (p.kind == "own" and _leads(p, points)))
    if not corners:
        return
    d = f"M{number(frame.x_of(corners[0][0]))} {number(_inside(corners[0][1], frame))}"
    for at, value in corners[1:]:
        d += f"H{number(frame.x_of(at))}V{number(_inside(value, frame))}"
    d += f"H{number(frame.right)}"
    style = f'fill="none" stroke="{ground.muted}" stroke-width="1.5" stroke-dasharray="5 3"'
    yield f'<path class="point-step" d="{d}" {style}/>'


def _leads(own: Point, points: Sequence[Point]) -> bool:
    rivals = [p for p in points if p is not own]
    return not any((p.at <= own.at and p.value > own.value) or (p.at < own.at and p.value >= own.value) for p in rivals)


def _label(point: Point, points: Sequence[Point], frame: Frame, ground: Ground) -> str:
    """The name beside its point, where it hides the fewest others."""
    x, y, wide = frame.x_of(point.at), _inside(point.value, frame), len(point.name) * (CHARACTER_PX + 1.0)
    others = [(frame.x_of(p.at), _inside(p.value, frame)) for p in points if p is not point]
    places: list[tuple[int, int, float, float]] = []
    for rise in (-16.0, 20.0, -34.0, 38.0):
        for left in (x + 12.0, x - 12.0 - wide, x - wide / 2):
            left = min(max(left, frame.left + 4.0), frame.right - wide - 4.0)
            base = y + rise
            hidden = sum(left - 6 < a < left + wide + 6 and base - 18 < b < base + 8 for a, b in others)
            outside = not frame.top + 14 <= base <= frame.bottom - 6
            places.append((hidden + 100 * outside, len(places), left, base))
    _, _, left, base = min(places)
    place = f'x="{number(left)}" y="{number(base)}" font-weight="600"'
    return f'<text class="point-label" {place} fill="{ground.ink}" {halo(ground)}>{text(point.name)}</text>'


def _inside(value: float, frame: Frame) -> float:
    return min(max(frame.y_of(value), frame.top), frame.bottom)
