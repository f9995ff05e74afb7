"""Findings in sentences, made from signed evidence and nowhere else.

Signs, order and significance of the sizes on axis and off axis choose the words; the size that is printed is the one
of the place where it is largest. A claim that the evidence does not hold is not made.
"""

from collections.abc import Iterable, Mapping
from typing import Literal

from earwitness.files.data import worded
from earwitness.insight.findings.finding import (
    DIRECT,
    OFF_AXIS,
    PLACES,
    SOURCES,
    Finding,
    Kind,
    Origin,
    Placed,
    Resonance,
    Sized,
    is_alike,
    margin_db,
)
from earwitness.insight.words import region, usual_words

Pattern = Literal["alike", "opposite", "on axis", "off axis", "level", "unsure", "one place"]

_BROAD_Q, _NARROW_Q = 1.5, 5.0
_HARDLY_SHARE = 0.25
MINUS = "\N{MINUS SIGN}"
LEAST_SHARED_DB = 0.5
"""From this size on what all directions share is worth saying. Own choice, that of the findings' least size."""


def hertz(frequency_hz: float) -> str:
    """A frequency in words, two figures that count: 240 Hz, 6.5 kHz."""
    if frequency_hz < 1000.0:
        return f"{round(frequency_hz, -1 if frequency_hz >= 99.5 else 0):.0f} Hz"
    return f"{frequency_hz / 1000.0:.2g} kHz"


def shape_word(size_db: float, q: float | None) -> str:
    """Broad rise, peak, narrow peak; broad dip, dip, narrow dip."""
    if q is None or q < _BROAD_Q:
        return "broad rise" if size_db > 0 else "broad dip"
    narrow = "narrow " if q >= _NARROW_Q else ""
    return narrow + ("peak" if size_db > 0 else "dip")


def pattern_of(sizes: Mapping[str, Sized], size_db: float) -> tuple[Pattern, str, str]:
    """How on-axis and off-axis sizes stand to each other, and the keys of the two curves that tell it.

    The off-axis one is the larger of early reflections and sound power.
    """
    off = max((key for key in OFF_AXIS if key in sizes), key=lambda key: abs(sizes[key].size_db), default="")
    on = next((key for key in (DIRECT, "listening_window", "horizontal_window") if key in sizes), "")
    if not on or not off:
        return "one place", on, off
    here, there = sizes[on], sizes[off]
    if is_alike(sizes, size_db):
        return "alike", on, off
    if here.is_sure and there.is_sure and here.size_db * there.size_db < 0:
        return "opposite", on, off
    if not here.is_sure and not there.is_sure:
        return "unsure", on, off
    if here.is_larger(there):
        return "on axis", on, off
    if there.is_larger(here):
        return "off axis", on, off
    if here.is_sure and there.is_sure:
        return "level", on, off
    return "unsure", on, off


def title_of(kind: Kind, center_hz: float, told: Placed, q: float | None) -> str:
    """A few words: Broad rise of 2.5 dB at 240 Hz, in all directions."""
    shape = f"{shape_word(told.size_db, q).capitalize()} of {abs(told.size_db):.1f} dB at {hertz(center_hz)}"
    place = PLACES[told.place] if told.place else "in all directions" if kind in SOURCES else ""
    extra = {"load": "resonance", "port": "from the port", "vertical": "vertical"}.get(kind, "")
    return ", ".join(part for part in (shape, place, extra) if part)


def sentences_of(one: Finding) -> str:
    """What it is, where, from what cause, what to do, and whether it is heard; each a short sentence."""
    parts = [_what(one), *_where(one), *(origin_sentence(origin) for origin in one.origins), _remedy(one)]
    return " ".join((*parts, *_sound(one)))


def _what(one: Finding) -> str:
    told = one.told
    place = f" {PLACES[told.place]}" if told.place else ""
    return (
        f"A {shape_word(told.size_db, one.q)} of {abs(told.size_db):.1f} dB (±{2 * told.u_db:.1f} dB) at "
        f"{hertz(one.center_hz)}{place}, from {hertz(one.low_hz)} to {hertz(one.high_hz)}, in {region(one.center_hz)}."
    )


def _where(one: Finding) -> list[str]:
    """On axis against off axis, with signed sizes."""
    pattern, on, off = pattern_of(one.sizes, one.size_db)
    told = [] if pattern == "one place" else [_WHERE[pattern](one.sizes, on, off)]
    if one.kind == "vertical" and {"horizontal_db", "vertical_db"} <= one.evidence.keys():
        up, across = (signed_db(one.evidence[key]) for key in ("vertical_db", "horizontal_db"))
        told.append(f"Vertically off axis it is {up}, horizontally {across}.")
    return told


def signed_db(size_db: float) -> str:
    """ "+1.3 dB", with a minus sign that is none of typewriters, and none before zero."""
    rounded = round(size_db, 1)
    return f"{rounded:+.1f} dB".replace("-", MINUS) if rounded else "0.0 dB"


def _at(sizes: Mapping[str, Sized], key: str) -> str:
    """ "+1.3 dB in the sound power"."""
    return f"{signed_db(sizes[key].size_db)} {PLACES[key]}"


def _alike(sizes: Mapping[str, Sized], _on: str, _off: str) -> str:
    low, high = (f"{pick(abs(one.size_db) for one in sizes.values()):.1f}" for pick in (min, max))
    return f"All curves show it alike, {low} dB." if low == high else f"All curves show it alike, {low} to {high} dB."


def _opposite(sizes: Mapping[str, Sized], on: str, off: str) -> str:
    here, there = ("a peak" if sizes[key].size_db > 0 else "a dip" for key in (on, off))
    ahead = f"{PLACES[on].capitalize()} it is {here} ({signed_db(sizes[on].size_db)})"
    return f"{ahead}, off axis {there} ({_at(sizes, off)})."


def _on_axis(sizes: Mapping[str, Sized], on: str, off: str) -> str:
    if not sizes[off].is_sure or abs(sizes[off].size_db) < _HARDLY_SHARE * abs(sizes[on].size_db):
        return f"It is mostly {PLACES[on]}: {signed_db(sizes[on].size_db)}, off axis {_at(sizes, off)}."
    return f"It is stronger {PLACES[on]} ({signed_db(sizes[on].size_db)}) than off axis ({_at(sizes, off)})."


def _off_axis(sizes: Mapping[str, Sized], on: str, off: str) -> str:
    if not sizes[on].is_sure or abs(sizes[on].size_db) < _HARDLY_SHARE * abs(sizes[off].size_db):
        return f"It is mostly off axis: {_at(sizes, off)}, {_at(sizes, on)}."
    return f"It is stronger off axis ({_at(sizes, off)}) than {PLACES[on]} ({signed_db(sizes[on].size_db)})."


def _level(sizes: Mapping[str, Sized], on: str, off: str) -> str:
    ahead = f"{PLACES[on].capitalize()} it is {signed_db(sizes[on].size_db)}, off axis {_at(sizes, off)}"
    return f"{ahead}; the difference is within the uncertainty."


def _unsure(sizes: Mapping[str, Sized], on: str, off: str) -> str:
    sure = [key for key in (on, off) if sizes[key].is_sure]
    here, there = f"{PLACES[on]} ({signed_db(sizes[on].size_db)})", f"off axis ({_at(sizes, off)})"
    if not sure:
        return f"Both {here} and {there} it is within its uncertainty."
    first, second = (here, there) if sure == [on] else (there, here)
    return f"It is certain {first}; {second} it is within its uncertainty."


_WHERE = {
    "alike": _alike,
    "opposite": _opposite,
    "on axis": _on_axis,
    "off axis": _off_axis,
    "level": _level,
    "unsure": _unsure,
}


def shared_db(sizes: Mapping[str, Sized]) -> float:
    """What all curves show of it with one sign [dB], signed; 0 where a sign differs or a size is within its u."""
    rows = tuple(sizes.values())
    if len(rows) < 2 or not all(one.is_sure and one.size_db * rows[0].size_db > 0 for one in rows):
        return 0.0
    return min((one.size_db for one in rows), key=abs)


def _remedy(one: Finding) -> str:
    if one.kind == "port" and one.is_equalizable:
        return "EQ can lower it, but the port still rings at high level."
    if one.is_equalizable:
        return "EQ can mend it."
    if one.kind in SOURCES:
        return "Do not equalize it: its phase is not that of a resonance."
    if one.kind == "near_axis":
        return "Only another aim can mend it; do not equalize it."
    if one.kind == "vertical":
        return "Mind the height of your ears; do not equalize it."
    shared = abs(shared_db(one.sizes))
    if one.kind == "partial" and shared >= LEAST_SHARED_DB:
        return f"All curves share {shared:.1f} dB of it; EQ can mend no more than that."
    pattern = pattern_of(one.sizes, one.size_db)[0]
    return {
        "on axis": "EQ that mends the axis would spoil the reflections.",
        "off axis": "EQ that mends the reflections would spoil the axis.",
        "opposite": "EQ cannot mend it: what helps on axis harms off axis.",
    }.get(pattern, "EQ cannot mend it in all directions.")


def _sound(one: Finding) -> list[str]:
    """Whether it is heard, by the thresholds of `audibility`, and as what; no word of sound below them."""
    heard, q = one.heard, 1.0 if one.q is None else one.q
    if margin_db(heard.size_db, q, sensitive=True) <= 0:
        return ["Probably inaudible."]
    words = usual_words(one.center_hz, one.low_hz, one.high_hz, rises=heard.size_db > 0)
    sound = " or ".join(word.name for word in words)
    where = "" if heard.place == one.told.place or not heard.place else f" {PLACES[heard.place]}"
    size = f" ({signed_db(heard.size_db)}{where})" if where else ""
    if margin_db(heard.size_db, q) <= 0:
        may = f"on revealing material it may sound {sound}{size}" if words else f"revealing material may show it{size}"
        return [f"Probably inaudible on most music; {may}."]
    return [f"It may sound {sound}{size}."] if words else [f"It is probably audible{size}."]


def origin_sentence(one: Origin) -> str:
    """A cause with the evidence for it."""
    fact = one.facts
    if one.name == "port":
        return f"The near field of the {one.part} makes it: it is a resonance of the port."
    if one.name == "driver":
        return f"The near field of the {one.part} makes it."
    if one.name == "breakup":
        return worded("insight.cone_is_large", one=one, ka=fact["ka"])
    if one.name == "standing wave":
        return (
            f"It fits a standing wave in the cabinet: {100 * fact['length_m']:.0f} cm inside "
            f"is half a wavelength at {hertz(fact['expected_hz'])}."
        )
    if one.name == "baffle step":
        return worded("insight.baffle_step", width_cm=100 * fact["width_m"], expected_hz=hertz(fact["expected_hz"]))
    if one.name == "edge diffraction":
        return (
            f"It fits edge diffraction: {100 * fact['distance_m']:.0f} cm from the {one.part} to the edge "
            f"gives {hertz(fact['expected_hz'])}."
        )
    if one.name == "crossover lobe":
        return (
            f"It fits a crossover lobe: the drivers stand {100 * fact['distance_m']:.0f} cm apart, "
            f"{fact['wavelengths']:.1f} wavelengths there."
        )
    return f"It fits beaming of the {one.part}, which begins at {hertz(fact['expected_hz'])} (ka 2)."


def gate_sentence(one: Resonance) -> str:
    """That the gate hides part of a resonance, and how well it is known behind it."""
    known = f"Q at least {one.least_q:.2g}" if one.least_q is not None else f"Q {one.q:.2g}"
    source = f" with the {one.witness}" if one.witness else ""
    return worded("insight.rings_past_gate", seen_db=abs(one.seen_db), one=one, known=known, source=source)


def tilt_sentence(slope: float, u_slope: float, band_hz: tuple[float, float], place: str) -> str:
    """A tilt in words. place : key of its curve."""
    way = "rises" if slope > 0 else "falls"
    sound = "bright" if slope > 0 else "dark"
    return (
        f"{PLACES[place].capitalize()} the level {way} by {abs(slope):.2f} dB/octave (±{2 * u_slope:.2f} dB/octave) "
        f"from {hertz(band_hz[0])} to {hertz(band_hz[1])}. It may sound {sound}."
    )


def limit_sentence(edge_hz: float, slope_db_per_octave: float, place: str, *, is_low: bool) -> str:
    """An end of the range in words. place : key of its curve."""
    side = "below" if is_low else "above"
    return (
        f"{PLACES[place].capitalize()} the level is 6 dB down at {hertz(edge_hz)} and rolls off at "
        f"about {slope_db_per_octave:.0f} dB/octave {side} that."
    )


def sentences(findings: Iterable[Finding]) -> tuple[str, ...]:
    """The sentences of findings, in their order."""
    return tuple(finding.sentence for finding in findings)
