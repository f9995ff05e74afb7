"""Numbers and written words made ready to be spoken: rounded for the ear, without a symbol that has no sound."""

import re
import tomllib
from importlib.resources import files
from math import floor, log10
from typing import Any, Final

from earwitness.insight.findings.sentences import hertz
from earwitness.quantities import Figure

PLAN: Final[dict[str, Any]] = tomllib.loads(files("earwitness.publish").joinpath("talk.toml").read_text("utf-8"))
_SAID: Final = tuple((re.compile(pattern), words) for pattern, words in PLAN["said"].items())
_UNITS: Final = {"ohm": " ohms", "V": " volts", "W": " watts", "A": " amperes", "": ""}


def spoken(text: str) -> str:
    """Written words on one line as they are said; what has no sound is left out."""
    for pattern, words in _SAID:
        text = pattern.sub(words, text)
    return text.strip()


def decibels(size_db: float) -> str:
    """A size in steps that an ear follows: half a decibel up to 4 dB, whole ones above."""
    size = abs(size_db)
    if size < 0.75:
        return "half a decibel" if size >= 0.25 else "less than half a decibel"
    steps = round(2.0 * size) / 2.0 if size < 4.0 else round(size)
    return f"{steps:g} decibel{'' if steps == 1 else 's'}"


def frequency(hz: float) -> str:
    """ "240 hertz", "3.8 kilohertz": two figures that count."""
    return hertz(hz).replace("kHz", "kilohertz").replace("Hz", "hertz")


def figure_said(figure: Figure) -> str:
    """The size of a figure without its sign and bound: levels to whole decibels, angles to 5 degrees, others to two
    digits that count; "" where it is not judged or its unit is not said."""
    if figure.value is None:
        return ""
    value, unit = abs(figure.value), figure.unit
    if unit in ("dB", "dB/octave"):
        return decibels(value) + (" per octave" if unit == "dB/octave" else "")
    if unit == "Hz":
        return frequency(value)
    if unit == "deg":
        return f"{5 * round(value / 5)} degrees"
    if unit == "%":
        return "less than 0.1 percent" if value < 0.095 else f"{value:.{1 if value < 2.95 else 0}f} percent"
    return f"{rounded(value)}{_UNITS[unit]}" if unit in _UNITS else ""


def rounded(value: float) -> str:
    """Two digits that count, never as a power of ten."""
    return f"{round(value, 1 - floor(log10(value))) if value > 0 else 0.0:.10g}"
