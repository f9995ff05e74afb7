"""Findings in sentences. Each states region, size with uncertainty, place in space and what to do."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from earwitness.insight.findings.finding import Finding, Kind, Resonance
from earwitness.insight.words import region, usual_words

Heard = Literal["with music", "with noise", "hardly"]

_BROAD_Q, _NARROW_Q = 1.5, 5.0

_WHERE: dict[Kind, str] = {
    "source": "All measured angles show it alike, so it is in the source",
    "load": "All measured angles show it alike and the impedance has a wrinkle there, so it is a resonance of driver "
    "or cabinet",
    "port": "All measured angles show it alike and the port radiates it, so it is a resonance of the port",
    "near_axis": "Only angles near the axis show it, as diffraction or interference does",
    "partial": "The direct sound has it, the sound to other sides only in part",
    "off_axis": "The direct sound hardly has it: the loudspeaker's directivity changes there",
    "vertical": "Only angles above and below the axis show it, as the spacing of two drivers makes it",
    "tilt": "",
    "band_limit": "",
}
_OPPOSED = "The sound to other sides does the opposite there: the loudspeaker's directivity changes"
_REMEDY: dict[Kind, str] = {
    "source": "an equalizer can mend it",
    "load": "an equalizer can mend it",
    "port": "an equalizer can lower it, but the port still rings at high level",
    "near_axis": "only another aim can mend it, so do not equalize",
    "partial": "an equalizer mends the direct sound at the cost of the rest",
    "off_axis": "no equalizer can mend direct and reflected sound together",
    "vertical": "mind the height of the ears and do not equalize",
    "tilt": "",
    "band_limit": "",
}


def hertz(frequency_hz: float) -> str:
    """A frequency in words, two figures that count: 240 Hz, 6.5 kHz."""
    if frequency_hz < 1000.0:
        return f"{round(frequency_hz, -1 if frequency_hz >= 99.5 else 0):.0f} Hz"
    return f"{frequency_hz / 1000.0:.2g} kHz"


def shape_word(size_db: float, q: float) -> str:
    """Broad rise, peak, narrow peak; broad hollow, dip, narrow dip."""
    if q < _BROAD_Q:
        return "broad rise" if size_db > 0 else "broad hollow"
    narrow = "narrow " if q >= _NARROW_Q else ""
    return narrow + ("peak" if size_db > 0 else "dip")


def title_of(kind: Kind, center_hz: float, size_db: float, q: float, *, in_room: bool = True) -> str:
    """A few words: Broad rise of 2.5 dB at 240 Hz, in the source. in_room : found in the in-room prediction."""
    places: dict[Kind, str] = {
        "source": "in the source",
        "load": "a resonance",
        "port": "from the port",
        "near_axis": "near the axis only",
        "partial": "in the direct sound above all",
        # Found in the direct sound, it is there; then the rest of the sound goes the other way.
        "off_axis": "off the axis only" if in_room else "opposite off the axis",
        "vertical": "above and below the axis only",
    }
    shape = shape_word(size_db, q).capitalize()
    return f"{shape} of {abs(size_db):.1f} dB at {hertz(center_hz)}, {places[kind]}"


def sentence_of(
    kind: Kind,
    center_hz: float,
    band_hz: tuple[float, float],
    size_db: float,
    u_db: float,
    q: float,
    *,
    heard: Heard,
    is_equalizable: bool,
    in_room: bool,
    radiator: str = "",
) -> str:
    """Two or three sentences about a peak or dip. heard : by the thresholds of `audibility`; below them
    no word of sound. radiator : whose near field makes it, where one is known to."""
    where = "predicted in-room response" if in_room else "direct sound"
    kind_words = shape_word(size_db, q)
    article = "A" if kind_words[0] not in "aeiou" else "An"
    first = (
        f"{article} {kind_words} of {abs(size_db):.1f} dB (±{2 * u_db:.1f} dB) at {hertz(center_hz)} in the {where}, "
        f"from {hertz(band_hz[0])} to {hertz(band_hz[1])}, in {region(center_hz)}."
    )
    remedy = _REMEDY[kind]
    if kind in ("source", "load", "port") and not is_equalizable:
        remedy = "its phase is not that of a resonance, so do not equalize it"
    place = _OPPOSED if kind == "off_axis" and not in_room else _WHERE[kind]
    if radiator and kind in ("source", "load"):
        place = f"All measured angles show it alike and the near field of the {radiator} makes it"
        place += ", as the impedance shows too" if kind == "load" else ""
    second = f"{place}; {remedy}."
    if heard == "hardly":
        return f"{first} {second} It lies below the estimated threshold of hearing it."
    words = usual_words(center_hz, *band_hz, rises=size_db > 0)
    sound = " or ".join(one.name for one in words)
    if heard == "with noise":
        told = f"; there it may sound {sound}" if words else ""
        return (
            f"{first} {second} With most music it lies below the estimated threshold, with revealing sounds not{told}."
        )
    return f"{first} {second} It may sound {sound}." if words else f"{first} {second}"


def gate_sentence(one: Resonance) -> str:
    """That the gate hides part of a resonance, and how well it is known behind it."""
    known = f"Q at least {one.least_q:.2g}" if one.least_q is not None else f"Q {one.q:.2g}"
    source = f" with the {one.witness}" if one.witness else ""
    return (
        f"It rings longer than the gate: the curve shows {abs(one.seen_db):.1f} dB and Q {one.seen_q:.2g}, "
        f"the resonance itself has {known} (fitted behind the gate{source})."
    )


def tilt_sentence(slope: float, u_slope: float, band_hz: tuple[float, float]) -> str:
    """A tilt in words."""
    way = "rises" if slope > 0 else "falls"
    sound = "bright" if slope > 0 else "dark"
    return (
        f"The direct sound {way} by {abs(slope):.2f} dB/octave (±{2 * u_slope:.2f} dB/octave) from "
        f"{hertz(band_hz[0])} to {hertz(band_hz[1])}; it may sound {sound}."
    )


def limit_sentence(edge_hz: float, slope_db_per_octave: float, *, is_low: bool) -> str:
    """An end of the range in words."""
    way, side = ("Down at", "below") if is_low else ("Up at", "above")
    return (
        f"{way} {hertz(edge_hz)} the direct sound has fallen by 6 dB; {side} it falls on "
        f"with about {slope_db_per_octave:.0f} dB/octave."
    )


def sentences(findings: Iterable[Finding]) -> tuple[str, ...]:
    """The sentences of findings, in their order."""
    return tuple(finding.sentence for finding in findings)
