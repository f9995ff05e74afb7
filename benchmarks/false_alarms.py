"""How often do clean sessions get a word about level or distance, and how small a touched gain is told?

    python benchmarks/false_alarms.py [--count N] [--seed SEED] [--kept FILE]

Sessions of three invented loudspeakers without any mistake, each in a room, at a place, a distance and with noise of
its own, every 10 degrees on one orbit and some on the other, are recorded in memory (setup_worlds.py) and reduced.
Counted are those whose checks say "level jump" or "distance". Then the gain of one take of each, drawn, is touched by
0.5, 1 and 2 dB either way: a gain moves a take's level by just that, so the levels are moved and the check is asked
again. --kept : levels of every session, so that another rule can be counted without recording anew. Seeds from 71000
on were used to set the limits; print others.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from setup_faults import reduced
from setup_worlds import Rig, made

from earwitness.reduce import quality
from earwitness.reduce.flags import TakeFacts

KEYS = ("thimble", "causeway", "lantern")
GAINS_DB = (0.5, 1.0, 2.0)
KINDS = ("level jump", "distance")


@dataclass
class Session:
    """What the checks saw of a clean session, and which of KINDS they said, with the sentences."""

    key: str
    seed: int
    facts: list[TakeFacts]
    said: dict[str, str]


def rig_of(seed: int) -> Rig:
    """A clean session's circumstances: a room of 60 to 250 cubic meters, the loudspeaker well away from its walls."""
    rng = np.random.default_rng(seed)
    room = tuple(float(side) for side in rng.uniform((5.0, 4.2, 2.4), (9.0, 7.5, 3.6)))
    distance = float(rng.choice((1.0, 1.5, 2.0, 2.5)))
    place = (float(rng.uniform(1.4, room[0] - distance - 1.0)), float(rng.uniform(0.4, 0.6) * room[1]), room[2] / 2)
    every, few = tuple(range(-170, 181, 10)), (-20, -10, 0, 10, 20, 180)
    is_across = seed // 3 % 2 == 0
    return Rig(
        key=KEYS[seed % 3],
        horizontal=every if is_across else few,
        vertical=tuple(one for one in (few if is_across else every) if one),
        near=False,
        room_m=room,
        place_m=place,
        distance_m=distance,
        noise_db=float(rng.uniform(-6.0, 10.0)),
        drive_v=float(rng.choice((1.0, 2.0, 2.83))),
        seed=seed,
    )


def sessions(first: int, count: int) -> Iterator[Session]:
    """Clean sessions with what the checks of takes saw."""
    seen: list[list[TakeFacts]] = []
    ask = quality.take_flags

    def watched(facts: Sequence[TakeFacts], **how: Any) -> Any:
        seen.append(list(facts))
        return ask(facts, **how)

    quality.take_flags = watched
    try:
        for seed in range(first, first + count):
            found = reduced(made(rig_of(seed)))
            said = {flag.id: flag.sentence for flag in found.flags if flag.id in KINDS}
            yield Session(KEYS[seed % 3], seed, seen.pop(), said)
    finally:
        quality.take_flags = ask


def told(facts: Sequence[TakeFacts]) -> tuple[str, ...]:
    """Takes that the check of levels names."""
    return next((flag.takes for flag in quality.level_jumps(facts)), ())


def planted(one: Session, gain_db: float) -> tuple[str, tuple[str, ...]]:
    """A take whose gain was touched, and those that are named then."""
    rng = np.random.default_rng([one.seed, round(10 * gain_db)])
    rows = [k for k, fact in enumerate(one.facts) if fact.orbit is not None]
    row, sign = int(rng.choice(rows)), float(rng.choice((-1.0, 1.0)))
    facts = list(one.facts)
    facts[row] = replace(facts[row], band_level_db=facts[row].band_level_db + sign * gain_db)
    return facts[row].id, told(facts)


def count(every: Sequence[Session]) -> None:
    """The table of one draw."""
    print(f"{'':12}{'clean':>8}{'level':>8}{'distance':>10}" + "".join(f"{f'{gain:g} dB':>9}" for gain in GAINS_DB))
    for key in (*KEYS, "all"):
        ones = [one for one in every if key in (one.key, "all")]
        found = []
        for gain in GAINS_DB:
            pairs = [planted(one, gain) for one in ones]
            found.append(sum(name in names for name, names in pairs))
        level, far = sum(bool(told(one.facts)) for one in ones), sum("distance" in one.said for one in ones)
        print(f"{key:12}{len(ones):8}{level:8}{far:10}" + "".join(f"{one:9}" for one in found))


def kept_as(one: Session) -> dict[str, Any]:
    rows = [[f.id, f.orbit, f.angle_deg, f.band_level_db] for f in one.facts]
    return {"key": one.key, "seed": one.seed, "said": one.said, "facts": rows}


def main() -> int:
    """Exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=72000)
    parser.add_argument("--kept", type=Path)
    given = parser.parse_args()
    every, begun = list[Session](), time.process_time()
    for one in sessions(given.seed, given.count):
        every.append(one)
        for words in one.said.values():
            print(one.key, one.seed, words, flush=True)
        if given.kept:
            with given.kept.open("a", encoding="utf-8") as kept:
                kept.write(json.dumps(kept_as(one)) + "\n")
    count(every)
    print(f"{given.count} sessions from seed {given.seed}; {time.process_time() - begun:.0f} s of CPU")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
