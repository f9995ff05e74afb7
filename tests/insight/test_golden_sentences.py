"""Sentences of findings over drawn sizes and evidence, and each word at the limit that it stands for.

The texts are the program's own ("frozen"); that they are true is held in test_findings_sentences.py.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from flaw_worlds import switches

from earwitness.insight.findings.finding import Finding, Kind, Origin, Placed, Resonance, Sized
from earwitness.insight.findings.sentences import (
    _off_axis,
    _on_axis,
    _remedy,
    _sound,
    _where,
    gate_sentence,
    hertz,
    limit_sentence,
    origin_sentence,
    pattern_of,
    sentences_of,
    shape_word,
    shared_db,
    signed_db,
    tilt_sentence,
    title_of,
)
from golden_values import stands

NAME = "insight/findings_sentences"
CURVES = ("on_axis", "listening_window", "horizontal_window", "early_reflections", "sound_power", "in_room")
KINDS: tuple[Kind, ...] = ("source", "load", "port", "near_axis", "partial", "off_axis", "vertical")
FACTS = {
    "share_db": 1.0,
    "ka": 2.34,
    "length_m": 0.316,
    "expected_hz": 1234.0,
    "width_m": 0.217,
    "distance_m": 0.1234,
    "wavelengths": 0.777,
}


def sizes_of(random: np.random.Generator, about_db: float) -> dict[str, Sized]:
    found = {}
    for key in CURVES:
        if random.random() < 0.65:
            share = float(random.choice([1.0, 1.0, 0.8, 1.2, 0.3, 0.26, 0.24, 0.2, -0.5, -1.2, 2.0, 4.1, 3.9]))
            own = float(random.choice([0.02, 0.1, 0.1, 0.4, 1.0]))
            found[key] = Sized(share * about_db, own * 1.2, own)
    return found


def drawn(random: np.random.Generator, **more: Any) -> Finding:
    size = float(random.choice([-8.0, -4.0, -2.2, -1.0, 0.8, 1.7, 3.5, 8.0]))
    center, kind = float(np.exp(random.uniform(np.log(30.0), np.log(16_000.0)))), str(random.choice(KINDS))
    q = float(random.choice([0.7, 1.4, 1.5, 3.0, 4.9, 5.0, 9.0]))
    half = 2.0 ** float(random.uniform(0.05, 0.8))
    evidence = {"vertical_db": float(random.uniform(-5, 5)), "horizontal_db": float(random.uniform(-1, 1))}
    kept = {key: evidence[key] for key in evidence if random.random() < 0.8}
    given: dict[str, Any] = {
        "key": 1,
        "center_hz": center,
        "low_hz": center / half,
        "high_hz": center * half,
        "size_db": size,
        "u_db": float(random.choice([0.1, 0.3])),
        "q": q,
        "kind": kind,
        "curves": ("on_axis",),
        "evidence": kept,
        "margin_db": 0.0,
        "is_equalizable": kind in ("source", "load", "port") and random.random() < 0.7,
        "title": "",
        "sentence": "",
        "sizes": sizes_of(random, size) if random.random() < 0.9 else {},
    }
    return Finding(**(given | more))


@pytest.mark.parametrize("number", range(6))
def test_sentences_of_drawn_findings(number: int) -> None:
    random = np.random.default_rng([number, 11])
    told = []
    for _ in range(25):
        one = drawn(random)
        told.append(f"{title_of(one.kind, one.center_hz, one.told, one.q)}. {sentences_of(one)}")
    stands(NAME, f"drawn {number}", told)


@pytest.mark.parametrize("number", range(3))
def test_patterns_of_drawn_sizes(number: int) -> None:
    random = np.random.default_rng([number, 12])
    told, shared = [], []
    for _ in range(400):
        about = float(random.choice([-3.0, 1.5, 3.0]))
        sizes = sizes_of(random, about)
        told.append("".join(part[:2] or "-" for part in pattern_of(sizes, about)))
        shared.append(shared_db(sizes))
    stands(NAME, f"patterns {number}", [" ".join(told), np.array(shared)])


def one_with(**more: Any) -> Finding:
    return drawn(np.random.default_rng(5), **more)


def sized(on: float, off: float, u: float = 0.1) -> dict[str, Sized]:
    return {"on_axis": Sized(on, u, u), "sound_power": Sized(off, u, u)}


def test_each_word_at_its_limit() -> None:
    hz = np.concatenate([np.arange(95.0, 104.0, 0.25), np.arange(980.0, 1020.0, 2.5), [20.4, 20.6, 9950.0, 12_345.0]])
    q = np.round(np.arange(0.5, 6.0, 0.05), 2)
    swept = np.round(np.arange(0.02, 6.0, 0.02), 2)
    same = {
        "kind": "partial",
        "is_equalizable": False,
        "center_hz": 900.0,
        "low_hz": 800.0,
        "high_hz": 1000.0,
        "q": 1.5,
    }
    found: dict[str, Any] = {
        "hertz": [hertz(float(one)) for one in hz],
        "shapes": [switches(q, [shape_word(size, one) for one in q]) for size in (-1.0, 0.0, 1.0)],
        "no q": [shape_word(size, None) for size in (-1.0, 0.0, 1.0)],
        "signed": [signed_db(size) for size in (-1.26, -0.04, 0.0, 0.04, 0.06, 12.34)],
        "on axis": switches(swept, [_on_axis(sized(4.0, one), "on_axis", "sound_power")[:12] for one in swept]),
        "off axis": switches(swept, [_off_axis(sized(one, -4.0), "on_axis", "sound_power")[:16] for one in swept]),
        "shared": switches(
            swept, [_remedy(one_with(**same, size_db=6.0, sizes=sized(9.0, one, 0.001))) for one in swept]
        ),
        "sound": [
            switches(swept, [_sound(one_with(**same, size_db=sign * one, sizes={})) for one in swept])
            for sign in (-1.0, 1.0)
        ],
        "sound in a place": [
            _sound(one_with(**(same | {"kind": kind}), size_db=3.0, sizes=sized(2.5, 6.0)))
            for kind in ("source", "off_axis")
        ],
        "without words": [
            _sound(one_with(**(same | {"center_hz": 19_000.0, "low_hz": 18_900.0, "high_hz": 19_100.0}), **more))
            for more in (
                {"size_db": 9.0, "sizes": {}},
                {"size_db": 1.2, "sizes": {}},
                {"size_db": 9.0, "sizes": sized(9.0, -20.0)},
            )
        ],
        "just": [_sound(one_with(**(same | {"q": 1.0}), size_db=size, sizes={})) for size in (0.25, 1.0, -0.5, -2.0)],
        "no q, sound": _sound(one_with(**(same | {"q": None}), size_db=1.05, sizes={})),
    }
    stands(NAME, "limits", found)


def test_what_helps_by_kind_and_pattern() -> None:
    told = {}
    for kind in KINDS:
        for mends in (True, False):
            for name, sizes in (
                ("alike", sized(3.0, 3.0)),
                ("on", sized(5.0, 1.0)),
                ("off", sized(1.0, 5.0)),
                ("little", sized(5.0, 0.4, 0.01)),
                ("opposite", sized(4.0, -4.0)),
                ("unsure", sized(1.0, 4.0, 0.9)),
                ("other unsure", sized(4.0, 1.0, 0.9)),
                ("none sure", sized(1.0, 1.0, 2.0)),
                ("level", sized(4.0, 3.6, 0.7)),
                ("none", {}),
            ):
                one = one_with(kind=kind, is_equalizable=mends, size_db=4.0, sizes=sizes)
                told[f"{kind} {mends} {name}"] = [_remedy(one), *_where(one)]
    stands(NAME, "remedies", told)


def test_origins_gates_tilts_and_limits() -> None:
    names: tuple[Any, ...] = (
        "port",
        "standing wave",
        "breakup",
        "baffle step",
        "edge diffraction",
        "crossover lobe",
        "beaming",
        "driver",
    )
    rows: list[Any] = [origin_sentence(Origin(name, FACTS, "woofer")) for name in names]
    for least, witness in ((None, ""), (3.456, ""), (12.3, "impedance"), (None, "near field of woofer")):
        for seen in (2.2, -2.2):
            rows.append(
                gate_sentence(Resonance(980.0, 0.01, 8.26, 0.2, 4.4, 0.6, least, witness, 970.0, 4.0, seen, 5e-3, 0.4))
            )
    rows += [tilt_sentence(slope, 0.123, (212.0, 10_000.0), "on_axis") for slope in (-0.456, 0.0, 0.456)]
    rows += [limit_sentence(47.3, 23.6, "listening_window", is_low=low) for low in (True, False)]
    rows += [title_of(kind, 440.0, Placed(place, -2.34, 0.1), 2.0) for kind in KINDS for place in ("", "in_room")]
    stands(NAME, "others", rows)
