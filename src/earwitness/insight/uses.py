"""The intended use held against the data, and what follows of it: sensitivity class, room correction, trade-offs.

Each is a sentence or two of the kind of `for_whom`; limits that are no physics are own choices or the tester's.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from earwitness.files.data import worded
from earwitness.insight.findings import Finding
from earwitness.insight.findings.sentences import hertz
from earwitness.insight.for_whom import Said, judged
from earwitness.insight.match.amplifier import PAIR_IN_ROOM_DB
from earwitness.insight.spread import value_and_spread
from earwitness.quantities import Figure
from earwitness.session.record import Loudspeaker, Use
from earwitness.session.session import Tester

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
