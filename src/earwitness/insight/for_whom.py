"""For whom a loudspeaker is: short sentences built from figures, claims and advice; no praise, nothing beyond 2 u.

The intended use is held against the data in the same kind of sentence; limits that are no physics are own choices or
the tester's.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from earwitness.errors import InputError
from earwitness.files.data import worded
from earwitness.insight.claims import ClaimVerdict
from earwitness.insight.findings import Finding
from earwitness.insight.findings.sentences import hertz
from earwitness.insight.match.amplifier import PAIR_IN_ROOM_DB, AmplifierMatch, voltage_for_level
from earwitness.insight.match.subwoofer import SubwooferMatch, spread_words
from earwitness.insight.words import value_and_spread
from earwitness.quantities import Figure, Reading, hz_words
from earwitness.session.record import Loudspeaker, Use
from earwitness.session.session import Tester

K = 2.0
# Fundamentals in equal temperament, a' = 440 Hz: 440 * 2^(semitones / 12).
LOW_NOTES = (
    ("the lowest pipe of a 32 foot organ stop (C0)", 440.0 * 2.0 ** (-57 / 12)),
    ("the lowest piano note (A0)", 440.0 * 2.0 ** (-48 / 12)),
    ("the low B of a five-string bass (B0)", 440.0 * 2.0 ** (-46 / 12)),
    ("the lowest string of a double bass (E1)", 440.0 * 2.0 ** (-41 / 12)),
    ("the lowest string of a cello (C2)", 440.0 * 2.0 ** (-33 / 12)),
    ("the lowest string of a guitar (E2)", 440.0 * 2.0 ** (-29 / 12)),
)
GOAL_DB, PEAK_DB = 85.0, 20.0


@dataclass(frozen=True, slots=True)
class Said:
    """One sentence and the keys of the figures, claims or advice it rests on."""

    topic: str
    text: str
    keys: tuple[str, ...]


def for_whom(
    reading: Reading,
    *,
    figures: Mapping[str, Figure] | None = None,
    claims: Sequence[ClaimVerdict] = (),
    findings: Sequence[Finding] = (),
    amplifier: AmplifierMatch | None = None,
    subwoofer: SubwooferMatch | None = None,
    distance_m: float = 3.0,
    rated_impedance_ohm: float | None = None,
) -> tuple[Said, ...]:
    """What this loudspeaker asks of music, room, seat and amplifier; only what the figures given can carry.

    figures : of load and highest level, where they are not in the reading; distance_m : of the seat, free field;
    InputError unless it is above 0.
    """
    if not (distance_m > 0.0 and math.isfinite(distance_m)):
        raise InputError(f"a seat at {distance_m} m", expected="a distance above 0 m", remedy="correct it")
    known = {**reading.figures, **(figures or {})}
    # The sentence on the load is not the first where it cannot be told.
    told = ("",) if amplifier is None else amplifier.sentences
    drive = next((one for one in told if " drive " in one), told[0])
    said: list[Said | None] = [
        _bass(known),
        _bass_and_subwoofer(subwoofer),
        _loudness(known, distance_m, rated_impedance_ohm),
        _clean(known, distance_m),
        _load(known),
        Said("amplifier", drive, ("amplifier_load_margin",)) if drive else None,
        _seats(known),
        *_deviations(findings),
        _claims(claims),
    ]
    return tuple(one for one in said if one is not None)


def judged(known: Mapping[str, Figure], key: str) -> tuple[float, float] | None:
    """Value and twice the standard uncertainty, or None."""
    one = known.get(key)
    return None if one is None or one.value is None or one.u is None else (one.value, K * one.u)


def _two_digits(value: float) -> str:
    """Two digits that count, never as a power of ten."""
    return f"{float(f'{value:.1e}'):g}"


def _bass(known: Mapping[str, Figure]) -> Said | None:
    found = judged(known, "f6")
    if found is None:
        return None
    limit, u = found
    if known["f6"].bound:
        return Said("music", f"Bass reaches below {limit:.0f} Hz, where the data end (6 dB down).", ("f6",))
    text = f"Bass reaches to {value_and_spread(limit, u)} Hz (6 dB down)"
    reached = [name for name, hz in LOW_NOTES if hz >= limit + u]
    missed = [name for name, hz in LOW_NOTES if hz <= limit - u]
    if reached:
        text += f": the fundamental of {reached[0]} is within it"
    if missed:
        text += f"{', ' if reached else ': '}that of {missed[-1]} is not"
    return Said("music", f"{text}.", ("f6",))


def _bass_and_subwoofer(match: SubwooferMatch | None) -> Said | None:
    if match is None:
        return None
    best, u = match.best, match.figures["crossover_sum_above"].judged_u
    gain = match.figures["high_pass_level"]
    text = worded(
        "insight.crossed_over", subwoofer=match.subwoofer or "an ideal subwoofer", best=best, u=spread_words(u)
    )
    if gain.value is not None and gain.u is not None and gain.value > K * gain.u:
        text += f", and the main then plays cleanly to {gain.caveats[0]}"
    return Said("music", f"{text}.", ("crossover_frequency", "crossover_sum_above", "crossover_sum_below"))


def _loudness(known: Mapping[str, Figure], distance_m: float, rated_ohm: float | None) -> Said | None:
    found = judged(known, "sensitivity")
    if found is None:
        return None
    level, u = found
    volts = voltage_for_level(GOAL_DB, level, distance_m=distance_m)
    part = volts * math.log(10.0) / 20.0 * u
    text = f"{GOAL_DB:g} dB at {distance_m:g} m in free field take {value_and_spread(volts, part)} V"
    if rated_ohm is not None:
        peak = volts * 10.0 ** (PEAK_DB / 20.0)
        power = _two_digits(peak**2 / 2.0 / rated_ohm)
        text += f"; peaks {PEAK_DB:g} dB above ask for an amplifier rated {power} W into {rated_ohm:g} ohm"
        least, most = (_two_digits(peak**2 / 2.0 / rated_ohm / 10 ** (gain / 10.0)) for gain in PAIR_IN_ROOM_DB[::-1])
        text += f", for one in free field; two in a room need about {least} to {most} W each"
    return Said("level", f"{text}.", ("sensitivity",))


def _clean(known: Mapping[str, Figure], distance_m: float) -> Said | None:
    found = judged(known, "highest_clean_level")
    if found is None:
        return None
    one = known["highest_clean_level"]
    level, u = found[0] - 20.0 * math.log10(distance_m), found[1]
    bound = f"{one.bound} " if one.bound else ""
    return Said(
        "level",
        f"One loudspeaker stays clean to {bound}{value_and_spread(level, u)} dB at {distance_m:g} m in free field "
        "(rms).",
        ("highest_clean_level",),
    )


def _load(known: Mapping[str, Figure]) -> Said | None:
    lowest, at, least = (known.get(key) for key in ("impedance_minimum", "impedance_minimum_at", "amplifier_load"))
    if lowest is None or lowest.value is None or lowest.u is None or least is None or least.value is None:
        return None
    if least.bound == "at most":
        text = f"It asks for an amplifier rated below {least.value:g} ohm"
    else:
        text = f"It asks for an amplifier that is rated for {least.value:g} ohm"
    if least.interval is not None:
        text += f" ({least.caveats[0]})" if least.caveats else ""
    place = f" at {hz_words(at.value)}" if at is not None and at.value is not None else ""
    text += f": its impedance falls to {value_and_spread(lowest.value, K * lowest.u)} ohm{place}."
    return Said("amplifier", text, ("amplifier_load", "impedance_minimum"))


def _seats(known: Mapping[str, Figure]) -> Said | None:
    parts, keys = [], []
    for key, words in (
        ("nominal_coverage_horizontal", "from left to right"),
        ("nominal_coverage_vertical", "in height"),
    ):
        found = judged(known, key)
        if found is None or known[key].bound:
            continue
        over = next((note.partition(" over the band")[0] for note in known[key].caveats if "over the band" in note), "")
        part = f"{value_and_spread(found[0], max(found[1], 1.0))} degrees {words}"
        parts.append(f"{part} ({over})" if over else part)
        keys.append(key)
    if not parts:
        return None
    text = f"The direct sound stays within 6 dB over {' and '.join(parts)}, both sides together: "
    text += "the median over 1 kHz to 10 kHz" + (", in brackets how it varies there" if "(" in text else "")
    text += ". It counts from the axis, or from the mean at 10° and 20° to either side where that is louder"
    return Said("seats", f"{text}.", tuple(keys))


def _deviations(findings: Sequence[Finding]) -> list[Said]:
    """The two most audible deviations that exceed their uncertainty and the heuristic of audibility."""
    sure = [one for one in findings if abs(one.size_db) > K * one.u_db and one.margin_db > 0.0]
    worst = sorted(sure, key=lambda one: -one.margin_db)[:2]
    keys = "findings"
    said = [Said("sound", one.sentence, (keys,)) for one in worst]
    mended = sum(one.is_equalizable for one in sure)
    if sure:
        count = "One deviation" if len(sure) == 1 else f"{len(sure)} deviations"
        them, each = ("it", "it") if len(sure) == 1 else ("any of them", "all of them")
        can = {0: f"no equalizer can mend {them}", len(sure): f"an equalizer can mend {each}"}
        text = f"{count} of the response may be audible; {can.get(mended, f'an equalizer can mend {mended} of them')}."
        said.append(Said("sound", text, (keys,)))
    return said


def _claims(claims: Sequence[ClaimVerdict]) -> Said | None:
    if not claims:
        return None
    by = {verdict: [one for one in claims if one.verdict == verdict] for verdict in
          ("holds", "falls short", "cannot be judged")}  # fmt: skip
    text = f"Of {len(claims)} claim{'s' if len(claims) != 1 else ''} of the maker {len(by['holds'])} hold"
    text += f"{'s' if len(by['holds']) == 1 else ''}, {len(by['falls short'])} fall"
    text += f"{'s' if len(by['falls short']) == 1 else ''} short"
    text += f", {len(by['cannot be judged'])} cannot be judged" if by["cannot be judged"] else ""
    short = [
        f"{one.claim.quantity} by {value_and_spread(one.short_by, K * one.u)} {one.unit}"
        for one in by["falls short"]
        if one.short_by is not None and one.u is not None
    ]
    text += f" ({'; '.join(short)})" if short else ""
    return Said("claims", f"{text}.", ("claims",))


OCTAVE_COST_DB = 30.0 * math.log10(2.0)
# Reference efficiency at most eta = k f3^3 V (f3 in Hz, V in m^3): Small, J. Audio Eng. Soc. 20 (1972) for closed and
# 21 (1973) for vented boxes, from memory.
LIMIT = {"closed": 2.0e-6, "vented": 3.9e-6}
# 1 W radiated into half space is 112.1 dB at 1 m (rho c W / 2 pi, handbook, rho c 415 N s/m^3).
HALF_SPACE_DB = 112.1
INSIDE_SHARE = 0.7
"""Of the outer volume, what walls, drivers and brace leave. Own choice."""
LIMIT_DOUBT_DB = 2.0
CORRECT_TO_HZ = 300.0
"""Above it a room's single modes no longer stand out in a living room. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a use asks for. distance_m : of the seat; level_db : there, both loudspeakers, rms; bass_hz : F6 at most."""

    distance_m: float
    level_db: float
    bass_hz: float


USES: Mapping[Use, Wanted] = {
    "desk": Wanted(0.8, 90.0, 65.0),
    "bedroom": Wanted(2.0, 90.0, 55.0),
    "living room": Wanted(3.0, 95.0, 45.0),
    "large room": Wanted(4.5, 100.0, 40.0),
    "background": Wanted(3.0, 80.0, 80.0),
}
"""Own choices: loud passages of what is usual there."""


def said_of_use(
    loudspeaker: Loudspeaker, tester: Tester, figures: Mapping[str, Figure], findings: Sequence[Finding]
) -> tuple[Said, ...]:
    """All that can be said; each part is left out where its figure is not judged or its key is not given."""
    rows: list[Said | None] = [
        _use(loudspeaker.use, figures),
        _sensitivity_class(tester.sensitivity_classes_db, figures),
        *_room_correction(figures, findings),
        *_trade_off(loudspeaker, figures),
    ]
    return tuple(one for one in rows if one is not None)


def _use(use: Use | None, figures: Mapping[str, Figure]) -> Said | None:
    """The verdict on level and bass; a part that cannot be judged is named."""
    if use is None:
        return None
    wanted = USES[use]
    parts, is_short, is_open = [], False, False
    clean, bass = judged(figures, "highest_clean_level"), judged(figures, "f6")
    if clean is None:
        parts.append("its clean level was not measured")
        is_open = True
    else:
        # Two in a room against one in free field; the lesser gain, so that the verdict is on the safe side.
        level = clean[0] + PAIR_IN_ROOM_DB[0] - 20.0 * math.log10(wanted.distance_m)
        short = wanted.level_db - level
        is_short |= short > clean[1]
        is_open |= abs(short) <= clean[1]
        told = value_and_spread(level, clean[1])
        parts.append(f"two in a room play cleanly to {told} dB, {wanted.level_db:g} dB are wanted")
    if bass is None:
        parts.append("its bass limit is not known")
        is_open = True
    else:
        at_most = bool(figures["f6"].bound)
        is_short |= not at_most and bass[0] - bass[1] > wanted.bass_hz
        is_open |= not at_most and abs(bass[0] - wanted.bass_hz) <= bass[1]
        parts.append(f"bass reaches to {value_and_spread(*bass)} Hz, {wanted.bass_hz:g} Hz are wanted")
    verdict = "falls short" if is_short else "cannot be told" if is_open else "holds"
    where = f"{use} at {wanted.distance_m:g} m"
    head = f"For the intended use, {where}, it {verdict}"
    if verdict == "cannot be told":
        head = f"Whether it suits the intended use, {where}, cannot be told"
    return Said("use", f"{head}: {'; '.join(parts)}.", ("highest_clean_level", "f6"))


def _sensitivity_class(limits_db: tuple[float, float] | None, figures: Mapping[str, Figure]) -> Said | None:
    found = judged(figures, "sensitivity")
    if limits_db is None or found is None:
        return None
    names = ("low", "medium", "high")
    low, high = (sum(found[0] + sign * found[1] >= limit for limit in limits_db) for sign in (-1.0, 1.0))
    word = names[low] if low == high else f"{names[low]} or {names[high]}"
    limits = " and ".join(f"{limit:g}" for limit in limits_db)
    text = f"Sensitivity is {word} by this tester's limits of {limits} dB: {value_and_spread(*found)} dB."
    return Said("level", text, ("sensitivity",))


def _room_correction(figures: Mapping[str, Figure], findings: Sequence[Finding]) -> list[Said]:
    """What an automatic room correction should do with this loudspeaker."""
    slope, bass = judged(figures, "in_room_slope"), judged(figures, "f6")
    if slope is None or bass is None:
        return []
    said = [
        Said(
            "room correction",
            worded("insight.room_correction", correct_to_hz=CORRECT_TO_HZ, bass=hertz(bass[0])),
            ("f6",),
        ),
        Said(
            "room correction",
            worded("insight.correction_target", slope_db=abs(slope[0]))
            if slope[0] < -0.05
            else "Above that leave it off: the predicted in-room response of this loudspeaker does not fall.",
            ("in_room_slope",),
        ),
    ]
    above = [one for one in findings if one.center_hz > CORRECT_TO_HZ and one.q is not None and not one.is_equalizable]
    if above:
        places = [hertz(one.center_hz) for one in sorted(above, key=lambda one: one.center_hz)[:4]]
        told = places[0] if len(places) == 1 else f"{', '.join(places[:-1])} and {places[-1]}"
        text = f"It must leave alone {told}: no EQ mends that in all directions."
        said.append(Said("room correction", text, ("findings",)))
    return said


def _trade_off(loudspeaker: Loudspeaker, figures: Mapping[str, Figure]) -> list[Said]:
    """Size, bass, sensitivity: two of them cost the third (Small; the limit of any driver in that box)."""
    f3, level = judged(figures, "f3"), judged(figures, "sensitivity_1w")
    factor = LIMIT.get(loudspeaker.enclosure)
    if f3 is None or level is None or factor is None or loudspeaker.shape != "box" or loudspeaker.powered:
        return []
    if figures["f3"].bound or loudspeaker.type in ("in-wall", "subwoofer"):
        return []
    volume = INSIDE_SHARE * loudspeaker.width_m * loudspeaker.height_m * loudspeaker.depth_m
    most = HALF_SPACE_DB + 10.0 * math.log10(factor * f3[0] ** 3 * volume)
    if level[0] > most + LIMIT_DOUBT_DB:
        # More than the law allows by more than the guess at the inner volume: nothing that should be told.
        return []
    first = (
        f"A {loudspeaker.enclosure} box of about {1000 * volume:.0f} liters with bass to {f3[0]:.0f} Hz (3 dB down) "
        f"can have about {most:.0f} dB for 1 W at best (Small, from memory); it has {level[0]:.0f} dB."
    )
    second = worded("insight.half_octave_lower", half_octave_db=OCTAVE_COST_DB / 2)
    keys = ("f3", "sensitivity_1w")
    return [Said("trade-off", first, keys), Said("trade-off", second, keys)]
