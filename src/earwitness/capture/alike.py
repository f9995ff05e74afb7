"""Whether kept takes were played as they would be now: takes of one session are told apart by angle, not by signal."""

import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from earwitness.capture.plan import PlannedSession
from earwitness.files.data import worded
from earwitness.session.session import (
    BurstTake,
    FileStimulus,
    MultitoneTake,
    NoiseFloorTake,
    NoiseRunTake,
    Take,
    TwoToneTake,
)
from earwitness.session.take import LimiterTake

# Levels are set to a tenth of a decibel at best.
LEVEL_DB = 0.1


@dataclass(frozen=True, slots=True)
class Unlike:
    """Takes that were played otherwise than they would be now, all in the same way.

    louder_db : by which they were louder then, None where the signal or its sample rate is another; sentence : what
    differs, and what to do.
    """

    takes: tuple[str, ...]
    louder_db: float | None
    sentence: str


def played_facts(planned: PlannedSession, take: Take, rate_hz: int, peak_dbfs: float) -> dict[str, Any]:
    """What a take plays, as plain values for the journal. level_dbfs : of the sine of its voltage, None for silence;
    rate_hz, peak_dbfs : as in `signal_for`."""
    if isinstance(take, NoiseFloorTake):
        return {"rate_hz": rate_hz, "level_dbfs": None, "signal": {"kind": take.kind}}
    drive = planned.session.drive.voltage_v
    level = peak_dbfs + 20.0 * math.log10((drive if take.drive_v is None else take.drive_v) / drive)
    return {"rate_hz": rate_hz, "level_dbfs": round(level, 2), "signal": _signal_facts(planned, take)}


def unlike_takes(
    planned: PlannedSession, entries: Mapping[str, Mapping[str, Any]], rate_hz: int, peak_dbfs: float
) -> tuple[Unlike, ...]:
    """Kept takes that were played otherwise than they would be now. entries : of the journal, by take; those of
    earlier versions, and of takes that session.toml does not ask for any more, say nothing."""
    found: dict[tuple[str, float | None], list[str]] = {}
    for take in planned.live:
        then = entries.get(take.id, {}).get("played")
        if not isinstance(then, Mapping) or not isinstance(then.get("signal"), Mapping):
            continue
        now = played_facts(planned, take, rate_hz, peak_dbfs)
        before, after = then.get("level_dbfs"), now["level_dbfs"]
        if words := _other_signal(then, now):
            found.setdefault((words, None), []).append(take.id)
        elif isinstance(before, int | float) and after is not None and abs(before - after) > LEVEL_DB:
            found.setdefault(("", round(before - after, 1)), []).append(take.id)
    return tuple(_told(tuple(takes), words, louder) for (words, louder), takes in found.items())


def _signal_facts(planned: PlannedSession, take: Take) -> dict[str, Any]:
    if isinstance(take, MultitoneTake):
        return _file_facts(planned.folder, take.stimulus_file)
    if isinstance(take, BurstTake):
        return {"frequency_hz": take.frequency_hz, "before_s": take.before_s}
    if isinstance(take, TwoToneTake):
        return {name: getattr(take, name) for name in ("low_hz", "high_hz", "run_in_s", "length_s")}
    if isinstance(take, LimiterTake):
        return {"frequency_hz": take.frequency_hz}
    if isinstance(take, NoiseRunTake):
        return {"run_in_s": take.run_in_s, "duration_s": take.duration_s}
    told = planned.session.stimulus_of(take)
    # What is as it is when nothing is said stays out, so that a later version with more keys finds the same facts.
    facts = told.model_dump(mode="json", exclude_defaults=True, exclude={"name"})
    return facts | _file_facts(planned.folder, told.file) if isinstance(told, FileStimulus) else facts


def _file_facts(folder: Path, name: str) -> dict[str, Any]:
    try:
        with (folder / name).open("rb") as stream:
            return {"file": name, "content": hashlib.file_digest(stream, "sha256").hexdigest()}
    except OSError:
        return {"file": name, "content": "missing"}


def _other_signal(then: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    """What differs in words; nothing where the signal is the same."""
    before, after = ({"rate_hz": facts.get("rate_hz"), **facts["signal"]} for facts in (then, now))
    odd = [key for key in {**before, **after} if before.get(key) != after.get(key)]
    if "content" in odd and "file" not in odd:
        return f"{after.get('file', before.get('file'))} holds something else"
    told = [f"{key} was {_shown(before, key)} and is {_shown(after, key)}" for key in odd if key != "content"]
    return ", ".join(told)


def _shown(facts: Mapping[str, Any], key: str) -> str:
    value = facts.get(key, "not said")
    return f"{value:g}" if isinstance(value, int | float) and not isinstance(value, bool) else str(value)


def _told(takes: tuple[str, ...], words: str, louder_db: float | None) -> Unlike:
    named = ", ".join(takes[:6]) + (f" and {len(takes) - 6} more" if len(takes) > 6 else "")
    which = f"Take {named} was" if len(takes) == 1 else f"Takes {named} were"
    again = "or repeat " + ("it." if len(takes) == 1 else "them.")
    if louder_db is None:
        sentence = f"{which} recorded with another signal than the session asks for ({words}): put it back, {again}"
        return Unlike(takes, None, sentence)
    than = "louder" if louder_db > 0.0 else "softer"
    sentence = worded("capture.played_louder", which=which, louder_db=abs(louder_db), than=than, again=again)
    return Unlike(takes, louder_db, sentence)
