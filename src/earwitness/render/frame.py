"""The plot rectangle of one panel: its two scales, its axes and grid."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape
from math import ceil, floor, log10

import numpy as np

from earwitness.exhibits.chart import Panel
from earwitness.quantities import FloatArray
from earwitness.render.palette import Ground

LABELED_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000, 100_000, 200_000)
LINE_PX = 16
CHARACTER_PX = 6.4
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True, slots=True)
class Frame:
    """The plot rectangle of one panel [px] and its two scales; linear : the horizontal one is in milliseconds."""

    left: float
    top: float
    width: float
    height: float
    low_hz: float
    high_hz: float
    low: float
    high: float
    linear: bool = False

    @property
    def right(self) -> float:
        return self.left + self.width

    @property
    def bottom(self) -> float:
        return self.top + self.height

    @property
    def box(self) -> str:
        """Place and size as SVG attributes."""
        sides = (("x", self.left), ("y", self.top), ("width", self.width), ("height", self.height))
        return " ".join(f'{name}="{number(side)}"' for name, side in sides)

    def x(self, hz: FloatArray) -> FloatArray:
        """(F,) [Hz, or ms] -> (F,) [px]."""
        if self.linear:
            return np.asarray(self.left + self.width * (hz - self.low_hz) / (self.high_hz - self.low_hz))
        return np.asarray(self.left + self.width * np.log10(hz / self.low_hz) / log10(self.high_hz / self.low_hz))

    def y(self, values: FloatArray) -> FloatArray:
        """(F,) [unit of the panel] -> (F,) [px]."""
        # A value far off the panel is clipped anyway; bounding it keeps the numbers short.
        share = np.clip((self.high - values) / (self.high - self.low), -10.0, 11.0)
        return np.asarray(self.top + self.height * share)

    def x_of(self, hz: float) -> float:
        """[Hz] -> [px], held inside the rectangle."""
        return float(self.x(np.array([min(max(hz, self.low_hz), self.high_hz)]))[0])

    def y_of(self, value: float) -> float:
        """[unit of the panel] -> [px]."""
        return float(self.y(np.array([value]))[0])


def grid_lines(panel: Panel, frame: Frame, ground: Ground) -> Iterator[str]:
    """A line at every 1 to 9 of each decade, and at every step of the vertical axis."""
    every, labeled = _frequencies(frame)
    for hz in every:
        x, kind = number(frame.x_of(hz)), "decade" if hz in labeled else "minor"
        color = ground.grid if hz in labeled else ground.minor
        yield f'<path class="{kind}" d="M{x} {number(frame.top)}V{number(frame.bottom)}" stroke="{color}"/>'
    for value in _steps(panel):
        at, left = number(frame.y_of(value)), number(frame.left)
        yield f'<path class="level" d="M{left} {at}H{number(frame.right)}" stroke="{ground.grid}"/>'


def grid_labels(panel: Panel, frame: Frame, ground: Ground) -> Iterator[str]:
    """Numbers at 1-2-5 of each decade, the first with its unit, and at every step of the vertical axis."""
    unit = "" if panel.points else "\N{NO-BREAK SPACE}ms" if frame.linear else "\N{NO-BREAK SPACE}Hz"
    for row, hz in enumerate(_frequencies(frame)[1]):
        label = f"{hz / 1000:g}k" if hz >= 1000 and not frame.linear else f"{hz:g}"
        label += "" if row else unit
        place = f'x="{number(frame.x_of(hz))}" y="{number(frame.bottom + 15)}" text-anchor="middle"'
        yield f'<text class="hz" {place} fill="{ground.muted}">{label}</text>'
    for value in _steps(panel):
        place = f'x="{number(frame.left - 6)}" y="{number(frame.y_of(value) + 4)}" text-anchor="end"'
        yield f'<text class="tick" {place} fill="{ground.muted}">{signed(value)}</text>'


def _frequencies(frame: Frame) -> tuple[list[float], list[float]]:
    if frame.linear:
        return _milliseconds(frame)
    powers = range(floor(log10(frame.low_hz)), floor(log10(frame.high_hz)) + 1)
    every = [d * 10.0**p for p in powers for d in range(1, 10) if frame.low_hz <= d * 10.0**p <= frame.high_hz]
    labeled = [hz for hz in every if hz in LABELED_HZ]
    return every, labeled if len(labeled) >= 2 else every


def _milliseconds(frame: Frame) -> tuple[list[float], list[float]]:
    """Lines and numbers of a time axis: about eight numbers at 1, 2 or 5 times a power of ten, a line between two."""
    span = frame.high_hz - frame.low_hz
    sizes = [digit * 10.0**power for power in range(-3, 4) for digit in (1.0, 2.0, 5.0)]
    step = next((size for size in sizes if span <= 9.0 * size), sizes[-1])
    first, last = ceil(2.0 * frame.low_hz / step), floor(2.0 * frame.high_hz / step)
    every = [round(k * step / 2.0, 6) for k in range(first, last + 1)]
    return every, [value for k, value in zip(range(first, last + 1), every, strict=True) if k % 2 == 0]


def _steps(panel: Panel) -> list[float]:
    count = floor((panel.high - panel.low) / panel.step + 1e-9)
    return [panel.low + k * panel.step for k in range(count + 1)]


def signed(value: float) -> str:
    """A tick with a true minus sign."""
    return f"{round(value, 6) + 0.0:g}".replace("-", "\u2212")


def number(value: float) -> str:
    """A coordinate to 0.1 px."""
    return f"{round(value, 1) + 0.0:.1f}".removesuffix(".0")


_WHOLE = re.compile(r"\.0(?=[ L]|$)")
_NO_MINUS = re.compile(r"-0\.0(?=[ L]|$)")


def points(x: FloatArray, y: FloatArray) -> str:
    """Coordinates of a line through (x, y), without the first command letter."""
    # All numbers in one go: a page has a hundred thousand of them.
    digits = "L".join(["%.1f %.1f"] * len(x)) % tuple(np.column_stack([x, y]).ravel().tolist())
    return _WHOLE.sub("", _NO_MINUS.sub("0.0", digits))


def text(words: str) -> str:
    """Words as XML character data: escaped, forbidden characters replaced."""
    return escape(_NOT_XML.sub("\ufffd", words))


def identifier(key: str) -> str:
    """An id that is unique for the key."""
    return "chart-" + re.sub("[^A-Za-z0-9-]", lambda found: f"_{ord(found.group()):x}_", key)
