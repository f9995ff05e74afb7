"""Numbers to words: value and uncertainty with a precision that follows the uncertainty.

What is printed after the sign ± is the expanded uncertainty for a coverage of 95 % (k = 2); GUM clause 7.2.6 asks for
two significant digits of it at most (from memory). We print one, or two where the first is a 1.
"""

import re
from math import floor, isfinite, log10

from earwitness.figures.registry import LEVEL_FIGURES, base_key, info_of
from earwitness.quantities import Figure

COVERAGE_FACTOR = 2.0
COVERAGE_SENTENCE = (
    "The number behind ± is the expanded uncertainty (k\N{NO-BREAK SPACE}=\N{NO-BREAK SPACE}2), and a range in "
    "brackets stands where it is not the same up and down: about 95 % of all cases lie inside."
)
MINUS = "\N{MINUS SIGN}"
PLUS_MINUS = "±"
_MOST_DECIMALS = 6
_EXACT = frozenset({"rated_impedance_supported", "amplifier_load", "impedance_wrinkles"})
# Finer digits than these are never printed, however small the uncertainty.
_MOST_BY_UNIT = {
    "dB": 1,
    "dB/octave": 2,
    "deg": 0,
    "Hz": 0,
    "kHz": 3,
    "%": 0,
    "octaves": 1,
    "dBu": 1,
    "dBFS": 1,
    "ms": 2,
}
_POSITIONS = re.compile(r"(\d+ of \d+ positions were not measured): [^;)]*")
_PLAIN_UNITS = {"deg": "°", "ohm": "Ω", "dB/octave": "dB/oct"}


def number_words(value: float, decimals: int, *, sign: bool = False) -> str:
    """`value` with `decimals` digits after the point (negative: rounded to tens, hundreds, ...), a true minus sign
    and no minus zero; sign : a plus sign before positive numbers."""
    rounded = round(value, decimals) + 0.0
    text = f"{abs(rounded):.{max(decimals, 0)}f}"
    if rounded < 0:
        return MINUS + text
    return "+" + text if sign and rounded > 0 else text


def decimals_of(uncertainty: float) -> int:
    """Digits after the point to which a value with this (expanded) uncertainty is written; negative: tens, ..."""
    if uncertainty <= 0 or not isfinite(uncertainty):
        raise ValueError(f"an uncertainty is a positive number, not {uncertainty}")
    # Rounding first: 0.096 is 0.10 with two digits, not 0.1 with one.
    lead = floor(log10(float(f"{uncertainty:.1e}")))
    first = int(f"{uncertainty:.1e}"[0])
    return min((1 if first == 1 else 0) - lead, _MOST_DECIMALS)


def unit_words(unit: str) -> str:
    """A unit as it stands behind a number, with the space that belongs before it."""
    if unit in ("", "deg"):
        return _PLAIN_UNITS.get(unit, "")
    return "\N{NO-BREAK SPACE}" + _PLAIN_UNITS.get(unit, unit)


def value_words(value: float, u: float, unit: str, *, sign: bool = False, most: int | None = None) -> str:
    """ "87.4 ± 0.3 dB" from a value and its standard uncertainty; 1 kHz and more in kHz where the unit is Hz.

    most : decimals that are not exceeded, however small the uncertainty (None: those usual for the unit); what would
    then round to ± 0 is rounded up.
    """
    if unit == "Hz" and abs(value) >= 1000.0:
        value, u, unit = value / 1000.0, u / 1000.0, "kHz"
        most = None if most is None else most + 3
    expanded = COVERAGE_FACTOR * u
    finest = _MOST_BY_UNIT.get(unit, _MOST_DECIMALS) if most is None else most
    decimals = min(decimals_of(expanded), finest) if expanded > 0 else finest
    expanded = max(expanded, 10.0**-decimals)
    text = f"{number_words(value, decimals, sign=sign)} {PLUS_MINUS} {number_words(expanded, decimals)}"
    return text.replace(" ", "\N{NO-BREAK SPACE}") + unit_words(unit)


def exact_words(value: float, unit: str, *, sign: bool = False, most: int | None = None) -> str:
    """ "8 Ω": a number that has no uncertainty of its own, as a count, a rating or the edge of what was judged."""
    if unit == "Hz" and abs(value) >= 1000.0:
        value, unit = value / 1000.0, "kHz"
        most = None if most is None else most + 3
    decimals = min(_MOST_BY_UNIT.get(unit, _MOST_DECIMALS) if most is None else most, _MOST_DECIMALS)
    text = number_words(value, decimals, sign=sign)
    if "." in text and (value == round(value) or unit == "kHz"):
        text = text.rstrip("0").rstrip(".")
    return text + unit_words(unit)


def frequency_words(frequency_hz: float, *, digits: int = 2) -> str:
    """ "48 Hz", "150 Hz", "3.2 kHz": `digits` significant digits."""
    if float(f"{frequency_hz:.{digits - 1}e}") >= 1000.0:
        return f"{_significant(frequency_hz / 1000.0, digits, trim=True)}\N{NO-BREAK SPACE}kHz"
    return f"{_significant(frequency_hz, digits, trim=True)}\N{NO-BREAK SPACE}Hz"


def band_words(band_hz: tuple[float, float] | None) -> str:
    """ "300 Hz to 3 kHz", or "40 Hz" for a band of one; empty without a band."""
    if band_hz is None:
        return ""
    low, high = (frequency_words(hz, digits=3) for hz in band_hz)
    return low if low == high else f"{low} to {high}"


def figure_words(figure: Figure, *, sign: bool = False) -> str:
    """A figure as it is printed: value ± uncertainty unit, value unit where exact, or "not judged: reason"."""
    if figure.value is None or figure.u is None:
        return f"not judged: {figure.reason}"
    known = info_of(figure.key)
    most = None if known is None else known.decimals
    if figure.u == 0 and figure.interval is None and _is_exact(figure):
        text = exact_words(figure.value, figure.unit, sign=sign, most=most)
    elif figure.interval is None or figure.interval[1] <= figure.interval[0]:
        text = value_words(figure.value, figure.u, figure.unit, sign=sign, most=most)
    else:
        text = _interval_words(figure.value, figure.interval, figure.unit, sign=sign, most=most)
    return f"{figure.bound} {text}" if figure.bound else text


def _is_exact(figure: Figure) -> bool:
    """Counts and ratings, and limits of a level series, which are the edge of what was judged."""
    key = base_key(figure.key)
    return key in _EXACT or (bool(figure.bound) and key in LEVEL_FIGURES)


def is_beyond(value: float, u: float) -> bool:
    """True if a difference is larger than its expanded uncertainty, so that a sentence may speak of it."""
    return abs(value) > COVERAGE_FACTOR * u


def true_minus(text: str) -> str:
    """`text` with a minus sign in place of a hyphen before a number, and the sign of the ohm behind one."""
    return re.sub(r"(?<![\w.,])-(?=\d)", MINUS, re.sub(r"(?<=\d) ohm\b", unit_words("ohm"), text))


def one_line(text: str) -> str:
    """Somebody's own words on one line, without control characters or marks that turn the direction."""
    return " ".join(re.sub("[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]", " ", text).split())


def short_reason(reason: str, *, whole: bool = True) -> str:
    """A reason without its lists of positions; `whole` False: its first part alone, for where little room is."""
    short = true_minus(_POSITIONS.sub(r"\1", reason))
    first, more, _ = short.partition("; ")
    return short if whole or not more else f"{first}, and more"


def listed(words: tuple[str, ...]) -> str:
    """ "a, b and c"."""
    return " and ".join(part for part in (", ".join(words[:-1]), *words[-1:]) if part)


def sentence(text: str) -> str:
    """`text` with a capital first letter and a full stop."""
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text.endswith((".", "?")) else ".")


def _interval_words(value: float, interval: tuple[float, float], unit: str, *, sign: bool, most: int | None) -> str:
    """A value with its coverage interval: with ± where both arms are equal as printed, else with the range."""
    low, high = interval
    half = (high - low) / 2
    if unit == "Hz" and abs(value) >= 1000.0:
        value, low, high, half, unit = value / 1000.0, low / 1000.0, high / 1000.0, half / 1000.0, "kHz"
        most = None if most is None else most + 3
    decimals = min(decimals_of(half), _MOST_BY_UNIT.get(unit, _MOST_DECIMALS) if most is None else most)
    arms = {number_words(arm, decimals) for arm in (value - low, high - value)}
    if len(arms) == 1 or max(high - value, value - low) < 10.0**-decimals:
        return value_words(value, half / COVERAGE_FACTOR, unit, sign=sign, most=most)
    middle, *ends = (number_words(part, decimals, sign=sign) for part in (value, low, high))
    spread = f"({ends[0]} to {ends[1]})".replace(" ", "\N{NO-BREAK SPACE}")
    return f"{middle} {spread}{unit_words(unit)}"


def _significant(value: float, digits: int, *, sign: bool = False, trim: bool = False) -> str:
    if value == 0:
        return "0"
    decimals = digits - 1 - floor(log10(abs(float(f"{value:.{digits - 1}e}"))))
    text = number_words(value, decimals, sign=sign)
    return text.rstrip("0").rstrip(".") if trim and "." in text else text
