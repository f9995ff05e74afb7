"""Mistakes of a tester: is each told, refused or harmless? And do sessions without a mistake pass without a question?

    python benchmarks/setup_faults.py [--only TEXT] [--key NAME] [--clean N] [--first SEED] [--kept FILE] [--page FILE]

Every mistake is made in sessions of three invented loudspeakers, in memory (setup_worlds.py). "told": `add` gives a
caution that the session without the mistake does not have, and its words name the cause. "refused": the session or a
recording is not taken. "harmless": no word, and every figure lies within its 95 % uncertainty of that without the
mistake. Anything else is silent and wrong, or told with another cause; then the program ends with code 1. --only :
mistakes whose name holds the text; --key : one loudspeaker, or none; --clean : sessions without a mistake, each in a
rig of its own, drawn from the seeds --first and on; --kept : outcomes of a run in pieces, which are added to;
--page : where the table of all kept outcomes goes.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from setup_mistakes import MISTAKES, Mistake
from setup_worlds import Rig, World, made

from earwitness.errors import EarwitnessError, Fault
from earwitness.figures.read import read_measurement
from earwitness.quantities import Figure, Measurement
from earwitness.reduce.flow import reduce_session
from earwitness.session.check import check
from earwitness.session.draft import draft_of
from earwitness.session.patterns import WrittenTake
from earwitness.session.session import Session

KEYS = ("thimble", "causeway", "lantern")
SHOWN = "microphone correction"
# What says how much was measured, and questions nothing.
PLAIN = ("missing angles", "snr", "noise not known", "far field")
NO_OVERLAP = "nothing shows that they belong together"


@dataclass(frozen=True)
class Outcome:
    verdict: str
    words: str


def faults_of(document: dict[str, Any]) -> list[Fault]:
    takes = [WrittenTake(place, {**take, "sha256": f"{place:064x}"}) for place, take in enumerate(document["takes"])]
    return list(check(draft_of(document, takes, {})))


def reduced(one: World) -> Measurement:
    """EarwitnessError as `add` raises it; ValueError (pydantic's) for what the models refuse."""
    if faults := faults_of(one.document):
        raise EarwitnessError(f"{faults[0].field}: {faults[0].what}", remedy=faults[0].remedy)
    session = Session.model_validate(one.document)
    return reduce_session(session, one.recordings.__getitem__, correction=one.correction)


def figures_of(found: Measurement, one: World) -> dict[str, Figure]:
    told = one.document["loudspeaker"]
    reading = read_measurement(found, rated_impedance_ohm=told.get("rated_impedance_ohm"), enclosure=told["enclosure"])
    return dict(reading.figures)


def cautions(measured: Measurement) -> dict[tuple[str, str, tuple[str, ...], bool], str]:
    """What `add` says, by kind, severity, takes, and whether a number lies above or below its limit."""
    also = (SHOWN, "level and claim", "stimulus")
    found: dict[tuple[str, str, tuple[str, ...], bool], str] = {}
    for flag in measured.flags:
        if flag.severity == "info" and flag.id not in also:
            continue
        key = (flag.id, flag.severity, flag.takes if len(flag.takes) < 3 else ("many",), flag.number > flag.threshold)
        found[key] = f"{found[key]} {flag.sentence}" if key in found else flag.sentence
    return found


def outcome_of(mistake: Mistake, clean: World, reference: Measurement, figures: dict[str, Figure]) -> Outcome:
    one = clean.copy()
    mistake.make(one)
    try:
        found = reduced(one)
    except EarwitnessError as error:
        return _judged("refused", [str(error)], mistake)
    except ValueError as error:
        if type(error).__name__ != "ValidationError":
            return Outcome("CRASH", repr(error)[:200])
        return Outcome("refused", re.sub(r"\s+", " ", str(error))[:200])
    before, after = cautions(reference), cautions(found)
    new = [words for key, words in after.items() if key not in before]
    # The correction is always shown: what differs in its words is seen.
    new += [words for key, words in after.items() if key[0] == SHOWN and before.get(key, words) != words]
    if new:
        return _judged("told", new, mistake)
    off = _outside(figures_of(found, one), figures)
    return Outcome("SILENT AND WRONG", off) if off else Outcome("harmless", "every figure within its U95")


def _judged(verdict: str, told: Sequence[str], mistake: Mistake) -> Outcome:
    fitting = [words for words in told if re.search(mistake.cause, words, re.IGNORECASE)]
    return Outcome(verdict, fitting[0]) if fitting else Outcome(f"{verdict.upper()}, OTHER CAUSE", " / ".join(told))


def _outside(found: dict[str, Figure], reference: dict[str, Figure]) -> str:
    """Figures that left the 95 % interval of both, or came without being there before."""
    off = []
    for key, was in reference.items():
        now = found.get(key)
        if now is None or now.value is None or was.value is None or now.u is None or was.u is None:
            continue
        if abs(now.value - was.value) > 2.0 * max(now.u, was.u) + 1e-9:
            off.append(f"{key} {was.value:.4g} to {now.value:.4g}, U95 {2 * max(now.u, was.u):.2g}")
    return "; ".join(off)


def mistakes(only: str, keys: Sequence[str]) -> list[tuple[str, str, Outcome]]:
    rows = []
    for key in keys:
        by_rig: dict[Rig, list[Mistake]] = {}
        for one in MISTAKES:
            if only in one.name and (key in one.keys or not one.keys):
                by_rig.setdefault(replace(one.rig, key=key), []).append(one)
        for rig, some in by_rig.items():
            clean = made(rig)
            reference = reduced(clean)
            figures = figures_of(reference, clean)
            for mistake in some:
                started = time.process_time()
                found = outcome_of(mistake, clean, reference, figures)
                rows.append((mistake.name, key, found))
                spent = time.process_time() - started
                words = re.sub(r"\s+", " ", found.words)[:150]
                print(f"{key:9}{mistake.name:58}{found.verdict:14}{spent:5.1f} s  {words}", flush=True)
    return rows


def random_rig(seed: int) -> Rig:
    draw = np.random.default_rng([seed, 9])
    room = tuple(float(x) for x in draw.uniform((5.5, 4.4, 2.5), (10.0, 8.0, 4.0)))
    distance = float(draw.uniform(1.2, 2.2))
    place = (float(draw.uniform(1.4, room[0] - distance - 1.2)), float(draw.uniform(1.8, room[1] - 1.8)),
             float(room[2] * draw.uniform(0.42, 0.55)))  # fmt: skip
    start, stop = float(draw.choice([10.0, 15.0, 20.0])), float(draw.choice([20_000.0, 22_000.0]))
    loop = bool(draw.random() < 0.75)
    return Rig(
        key=KEYS[seed % 3], room_m=None if draw.random() < 0.25 else room, place_m=place, distance_m=round(distance, 2),
        start_hz=start, stop_hz=stop, sweep_s=float(draw.uniform(1.3, 1.9)), classic=bool(draw.random() < 0.3),
        lead_s=float(draw.uniform(0.2, 0.4)), latency=int(draw.integers(0, 2500)), loop=loop,
        volts_per_fs=30.0 if draw.random() < 0.5 else None, drive_v=float(draw.choice([2.0, 2.83, 4.0])),
        near_v=float(draw.choice([0.5, 1.0])), fs_per_pa=float(draw.uniform(0.006, 0.02)),
        noise_db=float(draw.uniform(-6.0, 6.0)), correction=bool(draw.random() < 0.8), seed=seed,
        hiss_db=float(draw.uniform(-30.0, 0.0)),
    )  # fmt: skip


def clean_sessions(first: int, count: int) -> tuple[int, list[str]]:
    """How many were refused, and the questions asked."""
    refused, asked = 0, []
    for seed in range(first, first + count):
        rig = random_rig(seed)
        try:
            found = reduced(made(rig))
        except EarwitnessError as error:
            refused += 1
            print(f"clean {seed} refused: {error}", flush=True)
            continue
        for flag in found.flags:
            if flag.severity != "info" and flag.id not in PLAIN and NO_OVERLAP not in flag.sentence:
                asked.append(f"{seed} ({rig.key}): {flag.severity} {flag.id}: {flag.sentence}")
                print("clean", asked[-1][:260], flush=True)
        refused += any(flag.severity == "reject" and flag.id not in PLAIN for flag in found.flags)
    return refused, asked


def page_of(rows: Sequence[tuple[str, str, Outcome]], clean: tuple[int, int, int]) -> str:
    count, refused, asked = clean
    tally = {name: sum(out.verdict == name for _, _, out in rows) for name in ("told", "refused", "harmless")}
    other = len(rows) - sum(tally.values())
    lines = [
        "# Mistakes of a tester",
        "",
        "What the program says when a session is described or recorded wrongly. `python "
        "benchmarks/setup_faults.py --page "
        "docs/mistakes.md` makes each mistake in sessions of simulated loudspeakers and writes this page.",
        "",
        f"{len(rows)} mistakes, {len({name for name, _, _ in rows})} kinds: {tally['told']} told with their cause, "
        f"{tally['refused']} refused, {tally['harmless']} harmless (no word, and every figure within its 95 % "
        "uncertainty), "
        f"{other} silent and wrong or told with another cause. {count} sessions without a mistake, each of "
        "another rig: "
        f"{refused} refused, {asked} questions asked.",
        "",
        "| mistake | loudspeaker | | what is said |",
        "| --- | --- | --- | --- |",
    ]
    for name, key, found in rows:
        words = found.words.replace("|", "/").replace("\n", " ")
        lines.append(f"| {name} | {key} | {found.verdict} | {words[:300]} |")
    return "\n".join(lines) + "\n"


def kept_with(path: Path | None, rows: list[tuple[str, str, Outcome]], clean: tuple[int, int, int]) -> tuple[Any, Any]:
    """All outcomes of a run in pieces, and the sums of its clean sessions; written back."""
    if path is None:
        return rows, clean
    told = json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {"rows": [], "clean": [0, 0, 0]}
    every = {(name, key): (verdict, words) for name, key, verdict, words in told["rows"]}
    every |= {(name, key): (found.verdict, found.words) for name, key, found in rows}
    sums = [a + b for a, b in zip(told["clean"], clean, strict=True)]
    kept = {"rows": [[*place, *found] for place, found in every.items()], "clean": sums}
    path.write_text(json.dumps(kept, indent=0), encoding="utf-8")
    return [(name, key, Outcome(*found)) for (name, key), found in every.items()], tuple(sums)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="")
    parser.add_argument("--key", choices=[*KEYS, "none"])
    parser.add_argument("--clean", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--kept", type=Path)
    parser.add_argument("--page", type=Path)
    told = parser.parse_args()
    rows = mistakes(told.only, [key for key in KEYS if told.key in (None, key)])
    refused, asked = clean_sessions(told.first, told.clean)
    rows, (count, refused, questions) = kept_with(told.kept, rows, (told.clean, refused, len(asked)))
    bad = [row for row in rows if row[2].verdict not in ("told", "refused", "harmless")]
    for name, key, found in bad:
        print(f"BAD {key} {name}: {found.verdict}: {found.words[:300]}")
    print(f"{len(rows)} mistakes, {len(bad)} bad; {count} clean sessions: {refused} refused, {questions} questions")
    if told.page:
        told.page.write_text(page_of(rows, (count, refused, questions)), encoding="utf-8")
    return 1 if bad or refused or questions > 3 else 0


if __name__ == "__main__":
    sys.exit(main())
