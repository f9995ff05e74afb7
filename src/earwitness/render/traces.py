"""Curves as paths: full where valid, pale and dashed where not, with a ribbon of uncertainty."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from earwitness.exhibits.chart import Trace
from earwitness.quantities import BoolArray, Curve, FloatArray, IntArray, runs
from earwitness.render.frame import Frame, points, text
from earwitness.render.palette import INKS, Ground, Theme

MOST_POINTS = 600


def role_class(role: str) -> str:
    """Class name of a role in the style sheet."""
    return "role-" + role.replace(" ", "-")


def trace_paths(trace: Trace, frame: Frame, theme: Theme) -> Iterator[str]:
    """Ribbon, part outside the valid band, part inside it: at most one path each."""
    ink, curve = INKS[trace.role], trace.curve
    color, kind, name = ink.color(theme), role_class(trace.role), text(curve.key)
    if trace.ribbon:
        yield from _ribbon(curve, frame, f'class="ribbon {kind}" data-curve="{name}" fill="{color}"')
    style = f'fill="none" stroke="{color}" stroke-width="{ink.width_px}" stroke-linejoin="round"'
    outside, inside = line_paths(curve, frame)
    if outside:
        pale = 'stroke-dasharray="3 4" stroke-opacity="0.45"'
        yield f'<path class="trace {kind} outside" data-curve="{name}" d="{outside}" {style} {pale}/>'
    if inside:
        dash = f' stroke-dasharray="{ink.dash}"' if ink.dash else ""
        yield f'<path class="trace {kind}" data-curve="{name}" d="{inside}" {style}{dash}/>'


def edge_paths(curve: Curve, frame: Frame, ground: Ground) -> Iterator[str]:
    """A coverage edge over a map: its line over a halo of the paper."""
    outside, inside = line_paths(curve, frame)
    for d, part, pale in ((outside, " outside", ' stroke-opacity="0.6"'), (inside, "", "")):
        if not d:
            continue
        name, under = text(curve.key), f'fill="none" stroke="{ground.paper}" stroke-width="5" stroke-opacity="0.8"'
        yield f'<path class="halo{part}" data-curve="{name}" d="{d}" {under}/>'
        style = f'fill="none" stroke="{ground.ink}" stroke-width="2" stroke-dasharray="7 4"{pale}'
        yield f'<path class="edge{part}" data-curve="{name}" d="{d}" {style}/>'


def line_paths(curve: Curve, frame: Frame) -> tuple[str, str]:
    """Path data of the part outside and of the part inside the valid band; "" for none."""
    x, y = frame.x(curve.axis.hz), frame.y(curve.values)
    finite = np.isfinite(curve.values)
    kept = thinned(y, curve.valid, finite)
    x, y, finite, valid = x[kept], y[kept], finite[kept], curve.valid[kept]
    outside, inside = [], []
    for run in runs(~valid & finite):
        # One valid neighbor on each side, so that the pale line meets the full one.
        start = run.start - 1 if run.start > 0 and finite[run.start - 1] else run.start
        stop = run.stop + 1 if run.stop < x.size and finite[run.stop] else run.stop
        outside.append("M" + points(x[start:stop], y[start:stop]))
    for run in runs(valid & finite):
        inside.append("M" + points(x[run], y[run]))
    return "".join(outside), "".join(inside)


def _ribbon(curve: Curve, frame: Frame, attributes: str) -> Iterator[str]:
    x = frame.x(curve.axis.hz)
    upper, lower = frame.y(curve.values + 2 * curve.u_total), frame.y(curve.values - 2 * curve.u_total)
    there = np.isfinite(upper) & np.isfinite(lower)
    kept = thinned(frame.y(curve.values), curve.valid, there)
    x, upper, lower, there = x[kept], upper[kept], lower[kept], (there & curve.valid)[kept]
    areas = [
        "M" + points(np.r_[x[run], x[run][::-1]], np.r_[upper[run], lower[run][::-1]]) + "Z" for run in runs(there)
    ]
    if areas:
        yield f'<path {attributes} d="{"".join(areas)}" fill-opacity="0.16"/>'


def thinned(y: FloatArray, valid: BoolArray, finite: BoolArray, most: int = MOST_POINTS) -> IntArray:
    """Rows to draw of a line y (F,): all up to `most`, else the lowest and highest of each of most/2 stretches.

    The ends of the line and of every valid or finite run stay, so that no edge of the valid band moves.
    """
    rows = np.arange(y.size)
    if y.size <= most:
        return rows
    kept = {0, y.size - 1}
    for stretch in np.array_split(rows, most // 2):
        seen = stretch[finite[stretch]]
        if seen.size:
            kept.update((int(seen[np.argmin(y[seen])]), int(seen[np.argmax(y[seen])])))
    for mask in (valid, finite):
        changes = np.flatnonzero(np.diff(mask.astype(np.int8)))
        kept.update(int(k) for k in np.r_[changes, changes + 1])
    return np.array(sorted(kept), dtype=np.int64)


# 30 px a decade and as many for 25 dB (IEC 60263), +10 to -20 dB about its mean from 300 Hz to 3 kHz.
_DECADE_PX: Final = 30.0
_TOP_DB, _LOW_DB = 10.0, -20.0
_HZ = 1000.0 * 2.0 ** (np.arange(-67, 52, 2) / 12)


def tiny_curve(curve: Curve | None) -> str:
    """The path of a level curve in an SVG of 90 x 36 px, 20 Hz to 20 kHz; "" where there is nothing to draw."""
    if curve is None:
        return ""
    at, had = np.log(_HZ), np.log(curve.axis.hz)
    valid = np.interp(at, had, curve.valid.astype(float), left=0.0, right=0.0) > 1.0 - 1e-9
    level_db = np.where(valid, np.interp(at, had, curve.values), np.nan)
    middle = level_db[(_HZ >= 300) & (_HZ <= 3000)]
    if not np.isfinite(middle).any():
        return ""
    level_db = np.clip(level_db - np.nanmean(middle), _LOW_DB, _TOP_DB)
    x, y = _DECADE_PX * np.log10(_HZ / 20.0), _DECADE_PX / 25.0 * (_TOP_DB - level_db)
    there = np.isfinite(y)
    return ("M" + points(x[there], y[there])) if there.sum() > 1 else ""
