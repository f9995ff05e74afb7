"""Reads a finding's title and sentences back into claims, and holds them against its evidence.

Written from the English alone: nothing of the module that makes the sentences is used. A sentence that no pattern
here reads is an objection too, so that no new claim goes unread.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from math import hypot, log2, pi

from earwitness.insight.findings import Finding
from earwitness.insight.findings.finding import Sized

PLACES = {
    "on axis": "on_axis",
    "in the listening window": "listening_window",
    "in the horizontal window": "horizontal_window",
    "in the early reflections": "early_reflections",
    "in the sound power": "sound_power",
    "in the predicted in-room response": "in_room",
}
PLACE = "(" + "|".join(PLACES) + ")"
DB = r"([+\N{MINUS SIGN}]?\d+\.\d) dB"
HZ = r"(\d+(?:\.\d+)?) (Hz|kHz)"
SHAPE = r"(broad rise|broad dip|narrow peak|narrow dip|peak|dip)"
ROUNDING_DB = 0.051
Sizes = Mapping[str, Sized]


def number(text: str) -> float:
    return float(text.replace("\N{MINUS SIGN}", "-"))


def hz_of(value: str, unit: str) -> float:
    return float(value) * (1000.0 if unit == "kHz" else 1.0)


def objections(one: Finding) -> list[str]:
    """What the evidence denies of a finding's words; empty for true words."""
    found = [f"title: {why}" for why in _title(one)]
    for text in re.findall(r"[^.]+(?:\.\d[^.]*)*\.", one.sentence):
        told = text.strip()
        for pattern, check in CHECKS:
            met = re.fullmatch(pattern, told[0].lower() + told[1:]) or re.fullmatch(pattern, told)
            if met:
                found += [f"{told}: {why}" for why in check(one, met)]
                break
        else:
            found.append(f"unread: {told}")
        if len(told.split()) > 25:
            found.append(f"more than 25 words: {told}")
    return found


def _title(one: Finding) -> list[str]:
    title = one.title[0].lower() + one.title[1:]
    met = re.fullmatch(rf"{SHAPE} of (\d+\.\d) dB at {HZ}(?:, (.*))?", title)
    if met is None:
        return [f"unread: {one.title}"]
    rest = (met[5] or "").split(", ")
    place = next((part for part in rest if part in PLACES), "")
    found = _largest(one, met[1], float(met[2]), place, hz_of(met[3], met[4]))
    if "in all directions" in rest and not _alike(one):
        found.append("not alike in all curves")
    return found


def _largest(one: Finding, shape: str, size_db: float, place: str, hz: float) -> list[str]:
    """The printed size is signed by its shape word, and nowhere surely exceeded."""
    found = []
    signed = size_db if ("rise" in shape or "peak" in shape) else -size_db
    if abs(log2(hz / one.center_hz)) > 0.075:
        found.append(f"frequency {hz} against {one.center_hz}")
    if place and abs(one.sizes[PLACES[place]].size_db - signed) > ROUNDING_DB:
        found.append(f"{signed} dB against {one.sizes[PLACES[place]].size_db}")
    if not place and abs(one.size_db - signed) > ROUNDING_DB:
        found.append(f"{signed} dB against {one.size_db}")
    if not place and one.sizes and one.resonance is None and not _alike(one):
        found.append("no place, but the curves differ")
    if place and any(abs(size.size_db) > size_db + ROUNDING_DB for size in one.sizes.values()):
        found.append("larger elsewhere")
    return found


def _alike(one: Finding) -> bool:
    """One sign in all curves, and nowhere under half or over one and a half times, nor surely off by a quarter."""
    sizes = [size.size_db / one.size_db for size in one.sizes.values()]
    doubt = max((2 * size.u_own_db for size in one.sizes.values()), default=0.0)
    room = max(0.25, max(doubt, 0.3) / abs(one.size_db))
    return bool(sizes) and all(share > 0.45 and abs(share - 1) <= room + 1e-9 for share in sizes)


def _what(one: Finding, met: re.Match[str]) -> list[str]:
    found = _largest(one, met[1], float(met[2]), met[6] or "", hz_of(met[4], met[5]))
    size = one.sizes[PLACES[met[6]]] if met[6] else None
    u = one.u_db if size is None else size.u_db
    if abs(2 * u - float(met[3])) > ROUNDING_DB:
        found.append(f"±{met[3]} against {2 * u}")
    low, high = hz_of(met[7], met[8]), hz_of(met[9], met[10])
    if abs(log2(low / one.low_hz)) > 0.075 or abs(log2(high / one.high_hz)) > 0.075:
        found.append("the band")
    return found


def _is(one: Finding, place: str, told_db: str) -> list[str]:
    size = one.sizes.get(PLACES[place])
    if size is None:
        return [f"{place} is not known"]
    return [] if abs(size.size_db - number(told_db)) <= ROUNDING_DB else [f"{place} it is {size.size_db}"]


def _off(one: Finding, place: str) -> list[str]:
    """What is said of "off axis" must be said of the larger of the two off-axis curves."""
    off = [key for key in ("early_reflections", "sound_power") if key in one.sizes]
    largest = max(off, key=lambda key: abs(one.sizes[key].size_db), default="")
    return [] if PLACES[place] == largest else [f"off axis is told by {place}, the larger is {largest}"]


def _surely_larger(one: Finding, place: str, other: str) -> list[str]:
    first, second = one.sizes[PLACES[place]], one.sizes[PLACES[other]]
    apart = abs(first.size_db) - abs(second.size_db)
    enough = apart > 2 * hypot(first.u_own_db, second.u_own_db) and apart > 0
    return [] if enough else [f"{place} is not surely larger than {other}"]


def _sure(one: Finding, place: str) -> bool:
    size = one.sizes[PLACES[place]]
    return abs(size.size_db) > 2 * size.u_db


def _all_alike(one: Finding, met: re.Match[str]) -> list[str]:
    sizes = [abs(size.size_db) for size in one.sizes.values()]
    low, high = float(met[1]), float(met[2] or met[1])
    found = [] if _alike(one) else ["the curves are not alike"]
    if abs(min(sizes) - low) > ROUNDING_DB or abs(max(sizes) - high) > ROUNDING_DB:
        found.append(f"{min(sizes)} to {max(sizes)}")
    return found


def _opposite(one: Finding, met: re.Match[str]) -> list[str]:
    on, first, here, second, there, off = met.groups()
    found = [*_is(one, on, here), *_is(one, off, there), *_off(one, off)]
    if (number(here) > 0) != (first == "peak") or (number(there) > 0) != (second == "peak"):
        found.append("signs")
    if not (_sure(one, on) and _sure(one, off)) or number(here) * number(there) >= 0:
        found.append("not surely opposite")
    return found


def _stronger(one: Finding, place: str, size: str, other: str, other_size: str) -> list[str]:
    found = [*_is(one, place, size), *_is(one, other, other_size), *_surely_larger(one, place, other)]
    off = place if place in ("in the early reflections", "in the sound power") else other
    return found + _off(one, off)


def _mostly(one: Finding, place: str, size: str, other: str, other_size: str) -> list[str]:
    found = _stronger(one, place, size, other, other_size)
    if _sure(one, other) and abs(number(other_size)) > 0.25 * abs(number(size)) + ROUNDING_DB:
        found.append(f"{other} it is not little")
    return found


def _level(one: Finding, met: re.Match[str]) -> list[str]:
    on, here, there, off = met.groups()
    found = [*_is(one, on, here), *_is(one, off, there), *_off(one, off)]
    if not _surely_larger(one, on, off) or not _surely_larger(one, off, on):
        apart = abs(abs(number(here)) - abs(number(there)))
        if apart > 0.3 + 2 * ROUNDING_DB:
            found.append("the difference is beyond the uncertainty")
    return found


def _certain(one: Finding, place: str, size: str, other: str, other_size: str) -> list[str]:
    found = [*_is(one, place, size), *_is(one, other, other_size)]
    if not _sure(one, place) or _sure(one, other):
        found.append("which of the two is certain")
    return found


def _neither(one: Finding, met: re.Match[str]) -> list[str]:
    on, here, there, off = met.groups()
    found = [*_is(one, on, here), *_is(one, off, there)]
    return found + (["one of the two is certain"] if _sure(one, on) or _sure(one, off) else [])


def _vertical(one: Finding, met: re.Match[str]) -> list[str]:
    up, across = one.evidence["vertical_db"], one.evidence["horizontal_db"]
    found = [] if abs(number(met[1]) - up) <= ROUNDING_DB and abs(number(met[2]) - across) <= ROUNDING_DB else ["sizes"]
    return found + ([] if abs(across) < abs(up) else ["it is not larger vertically"])


def _shared(one: Finding, met: re.Match[str]) -> list[str]:
    sizes = [size.size_db for size in one.sizes.values()]
    found = [] if len({size > 0 for size in sizes}) == 1 else ["signs differ"]
    return found + ([] if abs(min(map(abs, sizes)) - float(met[1])) <= ROUNDING_DB else [f"{min(map(abs, sizes))}"])


def _sizes(one: Finding) -> tuple[float, float]:
    """On axis, and the larger of both off-axis curves."""
    off = [one.sizes[key].size_db for key in ("early_reflections", "sound_power") if key in one.sizes]
    on = next(one.sizes[key] for key in ("on_axis", "listening_window", "horizontal_window") if key in one.sizes)
    return on.size_db, max(off, key=abs)


def _spoils(one: Finding, met: re.Match[str]) -> list[str]:
    on, off = _sizes(one)
    larger = on if met[1] == "axis" else off
    return [] if abs(larger) == max(abs(on), abs(off)) and not one.is_equalizable else ["the other one is larger"]


def _harms(one: Finding, _: re.Match[str]) -> list[str]:
    on, off = _sizes(one)
    return [] if on * off < 0 and not one.is_equalizable else ["signs are one"]


def _can(one: Finding, _: re.Match[str]) -> list[str]:
    return [] if one.is_equalizable and one.kind in ("source", "load", "port") else ["it is not equalizable"]


def _cannot(one: Finding, _: re.Match[str]) -> list[str]:
    return ["it is equalizable"] if one.is_equalizable else []


def _phase(one: Finding, _: re.Match[str]) -> list[str]:
    return [] if one.evidence["excess_phase_deg"] > 20 and not one.is_equalizable else ["its phase is minimum phase"]


def _threshold_db(one: Finding, sign: float) -> float:
    """What findings.md states: 1 dB at Q 1, 5 dB at Q 10, 10 dB at Q 50, straight in log Q; for dips twice that."""
    assert one.q is not None
    knots = ((0.0, 1.0), (log2(10.0), 5.0), (log2(50.0), 10.0))
    x = max(log2(one.q), 0.0)
    (a, low), (b, high) = knots[:2] if x < knots[1][0] else knots[1:]
    return (low + (high - low) * min((x - a) / (b - a), 1.0)) * (1.0 if sign > 0 else 2.0)


def _heard_db(one: Finding) -> list[float]:
    """Sizes that a listener may meet."""
    keys = ("on_axis", "listening_window", "horizontal_window", "in_room")
    return [one.size_db, *(size.size_db for key, size in one.sizes.items() if key in keys)]


def _inaudible(one: Finding, met: re.Match[str]) -> list[str]:
    share = 1.0 if "most music" in met[0] else 0.25
    sure = [one.sizes[key].size_db for key in ("on_axis", "listening_window", "in_room")
            if key in one.sizes and abs(one.sizes[key].size_db) > 2 * one.sizes[key].u_db]  # fmt: skip
    loud = [size for size in sure if abs(size) > 1.02 * share * _threshold_db(one, size)]
    return ["it is above the threshold"] if loud and one.resonance is None and not _alike(one) else _words(one, met)


def _audible(one: Finding, met: re.Match[str]) -> list[str]:
    loud = [size for size in _heard_db(one) if abs(size) > 0.98 * _threshold_db(one, size)]
    return ([] if loud else ["it is below the threshold"]) + _words(one, met)


TOO_MUCH = {"rumbling", "boomy", "bloated", "warm", "full", "chesty", "muddy", "boxy", "honky", "nasal", "canny",
            "forward", "hard", "bright", "edgy", "sibilant", "splashy", "brilliant", "airy"}  # fmt: skip
TOO_LITTLE = {"without depth", "without punch", "lean", "thin", "hollow", "recessed", "without presence", "dark",
              "closed-in"}  # fmt: skip


def _words(one: Finding, met: re.Match[str]) -> list[str]:
    """Words of too much go with a rise, of too little with a fall, of the size that is heard."""
    told = re.search(r"may sound ([a-z -]+?)(?: \(([^ )]+) dB (.*)\))?\.", met[0])
    if told is None:
        return []
    words = set(told[1].split(" or "))
    rises = number(told[2]) > 0 if told[2] else one.told.size_db > 0
    found = [] if words <= (TOO_MUCH if rises else TOO_LITTLE) else [f"{words} for a {'rise' if rises else 'fall'}"]
    return found + (_is(one, told[3], told[2]) if told[2] else [])


def _origin(name: str) -> Callable[[Finding, re.Match[str]], list[str]]:
    def check(one: Finding, met: re.Match[str]) -> list[str]:
        origin = next((o for o in one.origins if o.name == name), None)
        return ["no such evidence"] if origin is None else ORIGINS[name](one, origin.facts, met)

    return check


def _made(one: Finding, _facts: Mapping[str, float], met: re.Match[str]) -> list[str]:
    shares = {key.removeprefix("share of "): v for key, v in one.evidence.items() if key.startswith("share of ")}
    best = max(shares, key=lambda key: shares[key], default="")
    return [] if best == met[1] and shares[best] > -9.0 else [f"the near fields say {shares}"]


def _breaks_up(one: Finding, facts: Mapping[str, float], met: re.Match[str]) -> list[str]:
    return _made(one, facts, met) + ([] if float(met[2]) >= 0.95 and (one.q or 0) >= 3 else ["the cone is small"])


def _stands(one: Finding, _: Mapping[str, float], met: re.Match[str]) -> list[str]:
    hz, expected = one.center_hz, 343.0 / (2 * float(met[1]) / 100)
    near = abs(log2(hz / expected)) < 0.2 and abs(log2(hz_of(met[2], met[3]) / expected)) < 0.1
    return [] if near else [f"{met[1]} cm give {expected:.0f} Hz, it is at {hz:.0f} Hz"]


def _steps(one: Finding, _: Mapping[str, float], met: re.Match[str]) -> list[str]:
    step, on, power = 115.0 / (float(met[1]) / 100), one.sizes["on_axis"], one.sizes["sound_power"]
    found = [] if abs(on.size_db) > abs(power.size_db) else ["it is larger in the sound power"]
    above = log2(one.center_hz / step)
    return found + ([] if (above > -0.1) == (on.size_db > 0) or abs(above) < 0.1 else ["it is on the wrong side"])


def _diffracts(one: Finding, _: Mapping[str, float], met: re.Match[str]) -> list[str]:
    on, off = one.sizes["on_axis"].size_db, _sizes(one)[1]
    expected = (0.5 if on > 0 else 1.0) * 343.0 / (float(met[1]) / 100)
    found = [] if abs(log2(one.center_hz / expected)) < 0.25 else [f"{met[1]} cm give {expected:.0f} Hz"]
    return found + ([] if abs(on) > abs(off) else ["it is larger off axis"])


def _lobes(one: Finding, _: Mapping[str, float], met: re.Match[str]) -> list[str]:
    waves = float(met[1]) / 100 * one.center_hz / 343.0
    found = [] if abs(waves - float(met[2])) < 0.1 + 0.1 * waves else [f"{waves} wavelengths"]
    return found + ([] if abs(one.evidence["vertical_db"]) > abs(one.evidence["horizontal_db"]) else ["not vertical"])


def _beams(one: Finding, facts: Mapping[str, float], met: re.Match[str]) -> list[str]:
    on, off = _sizes(one)
    found = [] if off < 0 and abs(off) > abs(on) and one.evidence["horizontal_db"] < 0 else ["no dip off axis"]
    diameter = 2 * 343.0 / (pi * facts["expected_hz"])
    return found + ([] if 0.02 < diameter < 1 and -0.6 < log2(one.center_hz / hz_of(met[2], met[3])) < 1.6 else ["ka"])


ORIGINS = {
    "port": _made,
    "driver": _made,
    "breakup": _breaks_up,
    "standing wave": _stands,
    "baffle step": _steps,
    "edge diffraction": _diffracts,
    "crossover lobe": _lobes,
    "beaming": _beams,
}
_SOUND = rf"(?:it may sound [a-z -]+|revealing material may show it)(?: \({DB} {PLACE}\))?"
CHECKS: tuple[tuple[str, Callable[[Finding, re.Match[str]], list[str]]], ...] = (
    (
        rf"An? {SHAPE} of (\d+\.\d) dB \(±(\d+\.\d) dB\) at {HZ}(?: {PLACE})?, from {HZ} to {HZ}, in the [a-z ]+\.",
        _what,
    ),
    (r"All curves show it alike, (\d+\.\d)(?: to (\d+\.\d))? dB\.", _all_alike),
    (rf"{PLACE} it is a (peak|dip) \({DB}\), off axis a (peak|dip) \({DB} {PLACE}\)\.", _opposite),
    (rf"It is mostly {PLACE}: {DB}, off axis {DB} {PLACE}\.", lambda o, m: _mostly(o, m[1], m[2], m[4], m[3])),
    (rf"It is mostly off axis: {DB} {PLACE}, {DB} {PLACE}\.", lambda o, m: _mostly(o, m[2], m[1], m[4], m[3])),
    (
        rf"It is stronger {PLACE} \({DB}\) than off axis \({DB} {PLACE}\)\.",
        lambda o, m: _stronger(o, m[1], m[2], m[4], m[3]),
    ),
    (
        rf"It is stronger off axis \({DB} {PLACE}\) than {PLACE} \({DB}\)\.",
        lambda o, m: _stronger(o, m[2], m[1], m[3], m[4]),
    ),
    (rf"{PLACE} it is {DB}, off axis {DB} {PLACE}; the difference is within the uncertainty\.", _level),
    (
        rf"It is certain {PLACE} \({DB}\); off axis \({DB} {PLACE}\) it is within its uncertainty\.",
        lambda o, m: _certain(o, m[1], m[2], m[4], m[3]),
    ),
    (
        rf"It is certain off axis \({DB} {PLACE}\); {PLACE} \({DB}\) it is within its uncertainty\.",
        lambda o, m: _certain(o, m[2], m[1], m[3], m[4]),
    ),
    (rf"Both {PLACE} \({DB}\) and off axis \({DB} {PLACE}\) it is within its uncertainty\.", _neither),
    (rf"Vertically off axis it is {DB}, horizontally {DB}\.", _vertical),
    (r"All curves share (\d+\.\d) dB of it; EQ can mend no more than that\.", _shared),
    (r"EQ that mends the (axis|reflections) would spoil the (?:axis|reflections)\.", _spoils),
    (r"EQ cannot mend it: what helps on axis harms off axis\.", _harms),
    (r"EQ can mend it\.", _can),
    (r"EQ can lower it, but the port still rings at high level\.", _can),
    (r"EQ cannot mend it in all directions\.", _cannot),
    (r"Do not equalize it: its phase is not that of a resonance\.", _phase),
    (r"Only another aim can mend it; do not equalize it\.", _cannot),
    (r"Mind the height of your ears; do not equalize it\.", _cannot),
    (rf"Probably inaudible(?: on most music; (?:on revealing material )?{_SOUND})?\.", _inaudible),
    (rf"It (?:may sound [a-z -]+|is probably audible)(?: \({DB} {PLACE}\))?\.", _audible),
    (
        r"To fill it whole takes \d+ times the amplifier's power there\.",
        lambda o, _: [] if o.size_db < -6 else ["size"],
    ),
    (r"The near field of the (.+) makes it: it is a resonance of the port\.", _origin("port")),
    (
        r"The near field of the (.+) makes it where the cone is large against the wavelength \(ka (\d+\.\d)\), "
        r"as breakup does\.",
        _origin("breakup"),
    ),
    (r"The near field of the (.+) makes it\.", _origin("driver")),
    (
        rf"It fits a standing wave in the cabinet: (\d+) cm inside is half a wavelength at {HZ}\.",
        _origin("standing wave"),
    ),
    (rf"It fits the baffle step: the front is (\d+) cm wide, which puts the step near {HZ}\.", _origin("baffle step")),
    (rf"It fits edge diffraction: (\d+) cm from the .+ to the edge gives {HZ}\.", _origin("edge diffraction")),
    (
        r"It fits a crossover lobe: the drivers stand (\d+) cm apart, (\d+\.\d) wavelengths there\.",
        _origin("crossover lobe"),
    ),
    (rf"It fits beaming of the (.+), which begins at {HZ} \(ka 2\)\.", _origin("beaming")),
)
