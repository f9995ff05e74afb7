"""What the title of a column says: quantity, unit, direction. Words of several languages and ways to write a unit.

Nothing here guesses: a bare "dB" is level of unknown reference, a word that is not known is no quantity.
"""

import math
import re
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

from earwitness.files.data import table_of

Role = Literal[
    "frequency",
    "level",
    "magnitude",
    "real",
    "imaginary",
    "phase",
    "impedance",
    "distortion",
    "noise",
    "compression",
    "drive",
    "angle",
    "plane",
    "validity",
    "uncertainty",
    "common uncertainty",
    "other",
]
Plane = Literal["horizontal", "vertical"]

LEVEL_UNITS = ("dB SPL", "dB re 1 Pa", "dB re 1 Pa/V", "dB re 1 V", "dBFS", "dB relative")

LONGEST_TITLE = 160
_LEVELS, _LINEAR, _CURVES = (
    tuple((re.compile(pattern), meaning) for pattern, meaning in table_of("formats", "titles")[name])
    for name in ("levels", "linear", "curves")
)
_FREQUENCY = re.compile(r"(?<![a-z/])(k)?hz(?![a-z])|\bfreq\w*|\bfrequenz\b|\bfréquence\b|^f$|^f\s*[\[(/,]|rad/s")
_BARE_DB = re.compile(r"\bdb\b|\blevel\b|\bpegel\b|\bniveau\b")
_PREFIX = {"": 1.0, "m": 1e-3, "u": 1e-6, "k": 1e3}
_REAL = re.compile(r"^\W*(re|real|realteil|réel)\b(?!\s*\.?\s*(1|20)\b)")
_IMAGINARY = re.compile(r"^\W*(im|imag\w*)\b")
_ANGLE = re.compile(r"\bangle\b|\bwinkel\b|\bazimuth\b|\belevation\b|\btheta\b|\bdirection\b")
_DEGREES = re.compile(r"\bdeg(ree|rees)?\b|\bgrad\b|\bdegr[eé]s?\b")
_RADIANS = re.compile(r"\brad(ian|ians)?\b(?!\s*/)")
_PHASE = re.compile(r"\bphase\b|\barg\b|\bphi\b")
_OHM = re.compile(r"\bohms?\b|\bimpedance\b|\bimpedanz\b|^\W*\|?z\|?\b")
_DISTORTION = re.compile(
    r"\bthd\b|\b(hd\s?|h|k|d)(?P<order>[2-9])\b|\b(?P<nth>[2-9])(nd|rd|th|\.)?\s*(order\s*)?harmonic\w*"
    r"|\bharmonic\s*(?P<last>[2-9])\b|\b(total )?(harmonic )?distortion\b|\bresidue\b|\bklirr\w*|%"
)
_RATIO = re.compile(r"\bratio\b|\bfactor\b|\blinear\b")
_NOISE = re.compile(r"\bnoise(\s*floor)?\b")
_DRIVE = re.compile(
    r"^\W*((drive|input|terminal)\s*)?(voltage|volts?|drive|u)\W*(\(?\[?\bv(olts?)?(\s?rms)?\b\)?\]?)?\W*$|^\W*v(rms)?\W*$"
)
_AT_VOLTS = re.compile(r"(?<![\w.,/])(?P<volts>\d+([.,]\d+)?)\s*v(olts?)?(\s?rms)?\b(?!\s*/\s*[a-z])")
_AT_METERS = re.compile(r"[/,@]?\s*(?<![\w.,])\d+([.,]\d+)?\s*m\b")
_AT_LEVEL = re.compile(r"(@|\bat\b|\bbei\b)\s*(?P<level>\d+([.,]\d+)?)\s*db(\s*spl)?\b")
_COMPRESSION = re.compile(r"\bcompression\b|\bloss of level\b")
_INDEX = re.compile(r"\bdirectivity index\b|\bdi\b")
_OTHER = re.compile(r"\bcoherence\b|\bsnr\b|\bcount\b|\bindex\b|\bgroup\s*delay\b|\btime\b|\bms\b")
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

    unit : one of LEVEL_UNITS, "Pa", "Pa/V", "V", "FS", "Hz", "deg", "rad", "ohm", "%", or "" where it is not told
    scale : factor to that unit; angle_deg, plane : of a column that belongs to one direction
    unwrapped : the title says that the phase runs on beyond a turn
    order : of a harmonic, 0 for their total; drive_v, at_db : voltage or sound pressure level that the column belongs
    to; curve : key of an averaged curve, or ""
    """

    text: str
    role: Role
    unit: str = ""
    scale: float = 1.0
    angle_deg: float | None = None
    plane: Plane | None = None
    unwrapped: bool = False
    order: int = 0
    drive_v: float | None = None
    at_db: float | None = None
    curve: str = ""


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
    plain, drive_v, at_db = _condition(_folded(text))
    if _INDEX.search(plain):
        return Title(text, "other")
    curve, name = next(((key, said[0]) for one, key in _CURVES if (said := one.search(plain))), ("", ""))
    rest, found = _quantity(plain.replace(name, " ") if curve else plain, text)
    if curve and found.role in ("other", "level", "magnitude"):
        return replace(found, role="level" if found.role == "other" else found.role, curve=curve)
    direction = _direction(rest)
    found = replace(found, drive_v=drive_v, at_db=at_db)
    if drive_v is not None and found.role == "other":
        found = replace(found, role="level")
    if direction is None or found.role in ("frequency", "angle", "plane", "distortion"):
        return found
    return replace(found, angle_deg=direction[0], plane=direction[1])


def _condition(plain: str) -> tuple[str, float | None, float | None]:
    """The title without the voltage or the sound pressure level at which its values were taken, and these."""
    if _DRIVE.match(plain) or any(pattern.search(plain) for pattern, unit in _LEVELS if unit == "dB re 1 V"):
        return plain, None, None
    level, volts = _AT_LEVEL.search(plain), _AT_VOLTS.search(plain)
    for found in filter(None, (level, volts)):
        plain = plain.replace(found[0], " ")
    plain = re.sub(r"\s+", " ", _AT_METERS.sub(" ", plain)).strip()
    return plain, _number(volts and volts["volts"]), _number(level and level["level"])


def _number(text: str | None) -> float | None:
    return None if text is None else float(text.replace(",", "."))


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
    spl = next(((pattern, unit) for pattern, unit in _LEVELS if pattern.search(plain)), None)
    harmonic = _DISTORTION.search(plain)
    order = 0 if harmonic is None else int(next(filter(None, harmonic.group("order", "nth", "last")), 0))
    if _NOISE.search(plain) and not (harmonic and not order):
        return "", Title(text, "noise", spl[1] if spl else "", order=order)
    if harmonic:
        unit = "%" if "%" in plain else spl[1] if spl else "ratio" if _RATIO.search(plain) else ""
        return _DISTORTION.sub(" ", plain), Title(text, "distortion", unit, order=order)
    if _COMPRESSION.search(plain):
        return "", Title(text, "compression", "dB")
    if spl is not None:
        return spl[0].sub(" ", plain, count=1), Title(text, "level", spl[1])
    if _DRIVE.match(plain):
        return "", Title(text, "drive", "V")
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
