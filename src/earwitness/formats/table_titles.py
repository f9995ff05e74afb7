"""What the title of a column says: quantity, unit, direction. Words of several languages and ways to write a unit.

Nothing here guesses: a bare "dB" is level of unknown reference, a word that is not known is no quantity.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

Role = Literal[
    "frequency",
    "level",
    "magnitude",
    "real",
    "imaginary",
    "phase",
    "impedance",
    "distortion",
    "angle",
    "plane",
    "validity",
    "uncertainty",
    "common uncertainty",
    "other",
]
Plane = Literal["horizontal", "vertical"]

LEVEL_UNITS = ("dB SPL", "dB re 1 Pa", "dB re 1 Pa/V", "dB re 1 V", "dBFS", "dB relative")
LINEAR_UNITS = ("Pa", "Pa/V", "V", "FS")
SAID = {
    "dB SPL": "dB re 20 µPa",
    "dB re 1 Pa": "dB re 1 Pa",
    "dB re 1 Pa/V": "dB re 1 Pa/V",
    "dB re 1 V": "dB re 1 V of the microphone's signal",
    "dBFS": "dB re full scale of the recording",
    "dB relative": "dB, level not known",
    "Pa": "pascal",
    "Pa/V": "pascal per volt",
    "V": "volt of the microphone's signal",
    "FS": "share of full scale",
}

LONGEST_TITLE = 160
_FREQUENCY = re.compile(r"(?<![a-z/])(k)?hz(?![a-z])|\bfreq\w*|\bfrequenz\b|\bfréquence\b|^f$|^f\s*[\[(/,]|rad/s")
_LEVELS: tuple[tuple[re.Pattern[str], str], ...] = (
    (re.compile(r"db\s*(re|rel\.?( to)?)?\s*[:/]?\s*\(?\s*1\s*pa\s*(/|per)\s*v(olt)?\b"), "dB re 1 Pa/V"),
    (re.compile(r"db\s*\(?\s*pa\s*/\s*v\s*\)?"), "dB re 1 Pa/V"),
    (re.compile(r"db\s*(re|rel\.?( to)?)?\s*[:/]?\s*\(?\s*20\s*(u|micro)pa\b"), "dB SPL"),
    (re.compile(r"db\s*(re|rel\.?( to)?)?\s*[:/]?\s*\(?\s*2(\.0*)?e-0?5\s*pa\b"), "dB SPL"),
    (re.compile(r"db\s*(re|rel\.?( to)?)?\s*[:/]?\s*\(?\s*1\s*pa\b"), "dB re 1 Pa"),
    (re.compile(r"db\s*(re|rel\.?( to)?)?\s*[:/]?\s*\(?\s*1\s*v(olt)?\b|\bdbv\b"), "dB re 1 V"),
    (re.compile(r"\bdb[\s_(\[]*spl\b|\bspl\b"), "dB SPL"),
    (re.compile(r"\bdb[\s_]*fs\b"), "dBFS"),
    (re.compile(r"\bdb[\s_(]*(rel|norm)\w*|\b(relative|normali[sz]ed)\b.*\bdb\b"), "dB relative"),
)
_BARE_DB = re.compile(r"\bdb\b|\blevel\b|\bpegel\b|\bniveau\b")
_LINEAR: tuple[tuple[re.Pattern[str], str], ...] = (
    (re.compile(r"(?<![a-z])(?P<p>[um]?)pa\s*(/|per)\s*v(olt)?\b"), "Pa/V"),
    (re.compile(r"(?<![a-z])(?P<p>[um]?)pa(scal)?(?![a-z/])"), "Pa"),
)
_PREFIX = {"": 1.0, "m": 1e-3, "u": 1e-6, "k": 1e3}
_REAL = re.compile(r"^\W*(re|real|realteil|réel)\b(?!\s*\.?\s*(1|20)\b)")
_IMAGINARY = re.compile(r"^\W*(im|imag\w*)\b")
_ANGLE = re.compile(r"\bangle\b|\bwinkel\b|\bazimuth\b|\belevation\b|\btheta\b|\bdirection\b")
_DEGREES = re.compile(r"\bdeg(ree|rees)?\b|\bgrad\b|\bdegr[eé]s?\b")
_RADIANS = re.compile(r"\brad(ian|ians)?\b(?!\s*/)")
_PHASE = re.compile(r"\bphase\b|\barg\b|\bphi\b")
_OHM = re.compile(r"\bohms?\b|\bimpedance\b|\bimpedanz\b|^\W*\|?z\|?\b")
_DISTORTION = re.compile(r"\bthd\b|\bhd\s?[2-9]\b|\bh[2-9]\b|\bdistortion\b|\bklirr\w*|%")
_OTHER = re.compile(r"\bcoherence\b|\bsnr\b|\bnoise\b|\bcount\b|\bindex\b|\bgroup\s*delay\b|\btime\b|\bms\b")
_VALIDITY = re.compile(r"\bvalid(ity)?\b")
_UNCERTAINTY = re.compile(
    r"\buncertainty\b\W*((?P<named>db|ohm|deg)\w*)?|\bu\s?(95)?\b[\s(\[,/]*(?P<unit>db|ohm|deg)\w*|^\W*u\s?95\W*$"
)
_COMMON = re.compile(r"\bcommon\b")
_COVERAGE_FACTOR = 2.0
_PLANE_TITLE = re.compile(r"^\W*(plane|orbit|ebene|plan)\W*$")
_DIRECTION = re.compile(
    r"(?<![a-z0-9.])(?P<plane>h|hor|horiz|horizontal|v|ver|vert|vertical)?[\s_:]*(?P<angle>[+-]?\d{1,3}(\.\d+)?)\s*(deg\w*)?(?![\d.])"
)
_SIDES = {"left": 1.0, "right": -1.0, "up": 1.0, "down": -1.0}


@dataclass(frozen=True, slots=True)
class Title:
    """What a column holds.

    unit : one of LEVEL_UNITS or LINEAR_UNITS, "Hz", "deg", "rad", "ohm", "%", or "" where it is not told
    scale : factor to that unit; angle_deg, plane : of a column that belongs to one direction
    unwrapped : the title says that the phase runs on beyond a turn
    """

    text: str
    role: Role
    unit: str = ""
    scale: float = 1.0
    angle_deg: float | None = None
    plane: Plane | None = None
    unwrapped: bool = False


def plane_of(word: str) -> Plane | None:
    """The plane that a word or letter names, or None."""
    plain = word.strip().lower()
    if plain in ("h", "hor", "horiz", "horizontal"):
        return "horizontal"
    return "vertical" if plain in ("v", "ver", "vert", "vertical") else None


@lru_cache(maxsize=4096)
def title_of(text: str) -> Title:
    """What a title says; role "other" where it names no quantity known here."""
    if len(text) > LONGEST_TITLE:
        return Title(text[:LONGEST_TITLE], "other")
    plain = _folded(text)
    rest, found = _quantity(plain, text)
    direction = _direction(rest)
    if direction is None or found.role in ("frequency", "angle", "plane"):
        return found
    return replace(found, angle_deg=direction[0], plane=direction[1])


def _folded(text: str) -> str:
    plain = text.strip().strip("\"'").lower()
    for old, new in (("µ", "u"), ("μ", "u"), ("°", " deg"), ("º", " deg"), ("\u2212", "-"), ("_", " "), ("ω", "ohm")):
        plain = plain.replace(old, new)
    return re.sub(r"\s+", " ", plain).strip()


def _quantity(plain: str, text: str) -> tuple[str, Title]:
    """The title without its quantity (where a direction may stand), and the quantity."""
    if _PLANE_TITLE.match(plain):
        return "", Title(text, "plane")
    frequency = _FREQUENCY.search(plain)
    if frequency and not _BARE_DB.search(plain):
        factor = 1e3 if "khz" in plain else 0.5 / math.pi if "rad/s" in plain else 1.0
        unit = "Hz" if re.search(r"hz|rad/s", plain) else ""
        return plain[: frequency.start()] + plain[frequency.end() :], Title(text, "frequency", unit, factor)
    if trust := _trust(plain, text):
        return trust
    for pattern, unit in _LEVELS:
        if pattern.search(plain):
            return pattern.sub(" ", plain, count=1), Title(text, "level", unit)
    if _DISTORTION.search(plain):
        rest = _DISTORTION.sub(" ", plain)
        return rest, Title(text, "distortion", "%" if "%" in plain else "dB" if "db" in plain else "")
    if _OHM.search(plain):
        return _OHM.sub(" ", plain), Title(text, "impedance", "ohm")
    part: Role | None = "real" if _REAL.match(plain) else "imaginary" if _IMAGINARY.match(plain) else None
    for pattern, unit in _LINEAR:
        if found := pattern.search(plain):
            scale = _PREFIX[found["p"]]
            return pattern.sub(" ", plain), Title(text, part or "magnitude", unit, scale)
    if part:
        return re.sub(r"^\W*\w+", " ", plain), Title(text, part)
    if _BARE_DB.search(plain):
        return _BARE_DB.sub(" ", plain), Title(text, "level")
    if _ANGLE.search(plain):
        return "", Title(text, "angle", "rad" if _RADIANS.search(plain) else "deg")
    if _PHASE.search(plain) or _DEGREES.fullmatch(plain) or _RADIANS.search(plain) or re.match(_DEGREES, plain):
        unit = "rad" if _RADIANS.search(plain) else "deg" if _DEGREES.search(plain) else ""
        rest = _DEGREES.sub(" ", plain)
        return rest, Title(text, "phase", unit, unwrapped="unwrap" in plain)
    if _OTHER.search(plain):
        return "", Title(text, "other")
    return plain, Title(text, "other")


def _trust(plain: str, text: str) -> tuple[str, Title] | None:
    """Whether a value may be used (1 or 0), or its uncertainty; U95 is twice the standard uncertainty."""
    if _VALIDITY.search(plain):
        return _VALIDITY.sub(" ", plain), Title(text, "validity")
    found = _UNCERTAINTY.search(plain)
    if found is None:
        return None
    role: Role = "common uncertainty" if _COMMON.search(plain) else "uncertainty"
    scale = 1 / _COVERAGE_FACTOR if "95" in found[0] else 1.0
    unit = {"ohm": "ohm", "deg": "deg"}.get(found["unit"] or found["named"] or "", "dB")
    return _UNCERTAINTY.sub(" ", plain, count=1), Title(text, role, unit, scale)


def _direction(rest: str) -> tuple[float, Plane | None] | None:
    found = _DIRECTION.search(rest)
    if found is None:
        return None
    angle = float(found["angle"])
    side = next((sign for word, sign in _SIDES.items() if re.search(rf"\b{word}\b", rest)), 1.0)
    plane = plane_of(found["plane"] or "")
    if plane is None and re.search(r"\bvert\w*\b", rest):
        plane = "vertical"
    elif plane is None and re.search(r"\bhor\w*\b", rest):
        plane = "horizontal"
    return angle * side, plane
