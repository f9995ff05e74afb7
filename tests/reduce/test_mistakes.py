"""Mistakes that were silent once, or blamed on something else: each is told with its cause, and none without it.

Sessions of invented loudspeakers in memory (benchmarks/setup_worlds.py): their simulator shares no code with the
reduction. The whole list, over three loudspeakers, is benchmarks/setup_faults.py.
"""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).resolve().parents[2] / "benchmarks"))

from setup_faults import NO_OVERLAP, PLAIN, figures_of, outcome_of, random_rig, reduced
from setup_mistakes import MISTAKES
from setup_worlds import made

SILENT_ONCE = [
    ("thimble", "classic form for synchronized, no loop-back"),
    ("thimble", "classic form for synchronized"),
    ("causeway", "clock 0.1 % fast, no loop-back"),
    ("lantern", "clock 0.1 % fast, no loop-back"),
    ("thimble", "clock 0.1 % fast in all takes"),
    ("thimble", "near woofer of another loudspeaker"),
    ("causeway", "calibrator with 6 dB less gain"),
    ("causeway", "automatic gain in the recorder"),
    ("causeway", "impedance resistor 100, no reference"),
    ("lantern", "fades left out"),
    ("thimble", "48 samples lost in both channels in h_0"),
    ("causeway", "anechoic = true in a room"),
    ("lantern", "anechoic = true in a room, no loop-back"),
    ("lantern", "distance 10 % too long"),
    ("thimble", "all files labeled 44.1 for 48 kHz, no loop-back"),
]


@pytest.mark.parametrize(("key", "name"), SILENT_ONCE)
def test_the_cause_is_told(key: str, name: str) -> None:
    mistake = next(one for one in MISTAKES if one.name == name)
    clean = made(replace(mistake.rig, key=key))
    reference = reduced(clean)
    found = outcome_of(mistake, clean, reference, figures_of(reference, clean))
    assert found.verdict in ("told", "refused"), f"{found.verdict}: {found.words}"
    assert re.search(mistake.cause, found.words, re.IGNORECASE)


@pytest.mark.parametrize("seed", [801, 802, 803, 804, 806, 1032])
def test_sessions_without_a_mistake_are_asked_nothing(seed: int) -> None:
    rig = random_rig(seed)
    asked = [
        flag.sentence
        for flag in reduced(made(rig)).flags
        if flag.severity != "info" and flag.id not in PLAIN and NO_OVERLAP not in flag.sentence
    ]
    assert asked == []
