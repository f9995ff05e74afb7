"""What is said in a talk, over random loudspeakers and notes that nobody chose: fit to be spoken, told as a story.

Length of a sentence and of a talk: common practice, no source.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from earwitness.exhibits.advice import Advice, AimAdvised, HeardSheet, MendAdvice
from earwitness.figures.read import read_measurement
from earwitness.insight.findings import KINDS, Finding
from earwitness.insight.findings.finding import AimAnswer, Origin, Sized, told_of
from earwitness.insight.findings.sentences import title_of
from earwitness.insight.listening.matching import matched
from earwitness.insight.listening.remark import heard_words
from earwitness.insight.mend.design import Design
from earwitness.insight.mend.equalizer import Band, Equalizer
from earwitness.insight.mend.stop import BandRole, Change, EqualizerVerdict
from earwitness.insight.mend.task import Goal
from earwitness.publish.own_words import own_words_of
from earwitness.publish.review import Review, review_of
from earwitness.publish.stills import still_name, stills_of
from earwitness.publish.talk import LEAST_S, MOST_S, decibels, parts_of, spoken, spoken_parts, talk_of, total_s
from earwitness.quantities import Measurement, Reading
from earwitness.session.notes import ListeningSheet
from earwitness.session.session import Session

SEEDS = range(7400, 7436)
# What a voice has no sound for, beside letters, digits, the marks of a sentence and the quotes around a word heard.
UNSPEAKABLE = re.compile(r"[^\w\s.,;:?!’“”-]|_|(?<!\w)-|\d-\d|\b(?:dB|k?Hz|EUR|SPL)\b|\bplus or minus\b|\d/\d")
ORDER = ("verdict", "heard", "why", "mend", "cost", "for whom", "verdict")
WORDS = """# Title

## Verdict

It is **clear** & fast (mostly), within ±2 dB at 3.5 kHz; it costs 5 % more -- I'd buy it for a 20 m² room.

## Likes

- Bass down to 35 Hz.
"""


def finding(number: int, random: np.random.Generator) -> Finding:
    kind = list(KINDS)[int(random.integers(len(KINDS)))]
    center, q = float(10 ** random.uniform(1.6, 4.2)), float(10 ** random.uniform(-0.5, 1.2))
    size = float(random.choice([-1, 1]) * random.uniform(0.4, 7.0))
    broad = kind in ("tilt", "band_limit")
    keys = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
    sizes = {} if broad else {
        key: Sized(size * float(random.uniform(-0.5, 1.5)), 0.3, 0.2) for key in keys if random.random() < 0.9
    }  # fmt: skip
    told = told_of(kind, size, 0.3, sizes)
    origins = [
        Origin("port", {}, "port"), Origin("standing wave", {}), Origin("breakup", {}, "woofer"),
        Origin("baffle step", {}), Origin("edge diffraction", {}, "tweeter"), Origin("crossover lobe", {}),
        Origin("beaming", {}, "midrange"), Origin("driver", {}, "lower woofer"),
    ]  # fmt: skip
    aim = AimAnswer("vertical", 10.0, 0.1, 0.05, False, float(random.choice([0.0, -10.0, 15.0])), 1.0, 0.5, 0.0, "")
    return Finding(
        number, center, center / 2 ** (1 / q), center * 2 ** (1 / q), size, 0.3, None if broad else q, kind,
        tuple(sizes) or keys[:1], {}, float(random.uniform(-3, 2)), bool(random.random() < 0.5),
        title_of(kind, center, told, q), "A sentence.", aim if kind in ("near_axis", "vertical") else None,
        sizes=sizes, origins=tuple(random.choice(np.array(origins, dtype=object), 1)) if random.random() < 0.6 else (),
    )  # fmt: skip


def notes(random: np.random.Generator, reading: Reading, findings: tuple[Finding, ...]) -> HeardSheet:
    known = [word for word in heard_words().values() if word.direction is not None]
    remarks = [
        {
            "word": word.word, "region_hz": (word.low_hz, word.high_hz), "direction": word.direction,
            "strength": str(random.choice(["slight", "clear", "strong"])),
            "text": str(random.choice(["", "like a box (a big one), 3 dB too much"])),
            **({"passage": "a choir"} if random.random() < 0.5 else {}),
        }
        for word in random.choice(np.array(known, dtype=object), int(random.integers(0, 8)), replace=False)
    ]  # fmt: skip
    sheet = ListeningSheet.model_validate({
        "format": 1, "loudspeaker": "Larch 2", "maker": "Fennel Audio Works", "time": "2026-01-02T20:00:00",
        "blind": bool(random.random() < 0.5), "equalizer": False, "level_db": 78.0, "aim_deg": 0.0, "distance_m": 2.5,
        "passage": [{"name": "a choir", "kind": "music"}], "remark": remarks,
    })  # fmt: skip
    return HeardSheet(sheet, "0" * 64, "", None, bool(random.random() < 0.3), matched(sheet, reading, findings))


def mend(random: np.random.Generator, findings: tuple[Finding, ...]) -> MendAdvice:
    near = [one.center_hz for one in findings] or [1000.0]
    kinds = ("peaking", "low_shelf", "high_shelf")
    bands = tuple(
        Band(kinds[int(random.integers(3))], float(random.choice(near)), float(random.uniform(-6, 4)), 2.0)
        for _ in range(int(random.integers(0, 6)))
    )
    answer = "leave_alone" if not bands else "pays" if random.random() < 0.5 else "partly"
    boost = bool(random.random() < 0.5)
    changes = {"on_axis": Change(1.4, 0.4), "in_room": Change(0.9, 0.8)}
    verdict = EqualizerVerdict(
        answer, "" if bands else "too_small", 0.4, "partly", 0.3, 0.1, 0.9, changes if bands else {}, 2.0 * boost,
        1.6, 85.0 if boost else None, tuple(BandRole(None, 1.0) for _ in bands), (), "A headline.", (),
    )  # fmt: skip
    design = Design(Equalizer(bands), 1.0, 0.5, 1.0, 0.5) if bands else None
    return MendAdvice(Goal("even", "an even axis"), design, None, verdict, (), True)


def drawn(
    seed: int, measure: Callable[..., Measurement], describe: Callable[..., Session]
) -> tuple[Review, np.random.Generator]:
    """A loudspeaker, its findings, notes, advice and words, drawn at random; every third is flat and without advice."""
    random = np.random.default_rng(seed)
    measurement = measure(
        level_db=float(random.uniform(80, 100)), rise_db=float(random.uniform(-4, 4) * (seed % 3 > 0))
    )
    reading = read_measurement(measurement, rated_impedance_ohm=6.0)
    advice = None
    if seed % 3:
        findings = tuple(finding(number, random) for number in range(1, int(random.integers(1, 10))))
        heard = (notes(random, reading, findings),) if random.random() < 0.7 else ()
        aims = AimAdvised(None, None, {})
        advice = Advice(findings, heard, mend=mend(random, findings) if random.random() < 0.8 else None, aim=aims)
    words = own_words_of(WORDS) if random.random() < 0.5 else own_words_of("")
    session = describe(invented=bool(random.random() < 0.5), powered=bool(random.random() < 0.5))
    return review_of(reading, measurement, session, advice=advice, own_words=words), random


@pytest.fixture(scope="module")
def population(measure: Callable[..., Measurement], describe: Callable[..., Session]) -> tuple[Review, ...]:
    return tuple(drawn(seed, measure, describe)[0] for seed in SEEDS)


def test_nothing_is_said_that_has_no_sound(population: tuple[Review, ...]) -> None:
    for seed, review in zip(SEEDS, population, strict=True):
        for part in parts_of(review):
            for sentence in (part.title, *part.sentences):
                assert not UNSPEAKABLE.search(sentence), f"{seed} {part.key}: {sentence}"
                assert not re.search(r" [.,;:?!]|[,;:][,.;:]|  |\b(\w+) \1\b|\babout (?:less|about)", sentence), (
                    sentence
                )
                # No fact that is missing leaves a hole in a sentence.
                assert not re.search(r"\b(?:None|True|False|nan|inf)\b", sentence), sentence
                assert re.search(r"^[A-Z“].*", sentence), sentence


def test_sentences_are_short_and_no_two_alike_follow_each_other(population: tuple[Review, ...]) -> None:
    lengths = []
    for review in population:
        own = " ".join(spoken(words) for key in review.own_words.parts for words in review.own_words.plain(key))
        told = [s for part in parts_of(review) for s in part.sentences if s not in own and s != review.invented]
        lengths += [len(sentence.split()) for sentence in told]
        assert max(len(sentence.split()) for sentence in told) <= 26, max(told, key=lambda s: len(s.split()))
        assert all(a != b for a, b in pairwise(told))
    assert np.mean(np.array(lengths) <= 20) > 0.95
    assert len(lengths) > 1000


def test_a_talk_lasts_6_to_9_minutes_or_says_why_not(population: tuple[Review, ...]) -> None:
    short = 0
    for review in population:
        lasts_s, text = total_s(parts_of(review)), talk_of(review)
        assert lasts_s <= MOST_S
        assert ("There is little to say" in text) == (sum(part.last_s for part in spoken_parts(text)) < LEAST_S)
        short += lasts_s < LEAST_S
    # The made-up measurement has no load and no levels, so half of its talks are short; with all data none is.
    assert 0 < short < len(population)


def test_the_order_is_that_of_the_story_and_the_verdict_stands_first_and_last(population: tuple[Review, ...]) -> None:
    met = Counter[str]()
    for review in population:
        parts = parts_of(review)
        places, at = [], 0
        for part in parts:
            at = ORDER.index(part.role, at)
            places.append(at)
        assert (parts[0].key, parts[-1].key) == ("opening", "closing")
        assert places[-1] == len(ORDER) - 1
        met.update(part.key.partition(".")[0] for part in parts)
        verdict = " ".join(spoken(words) for words in review.own_words.plain("verdict"))
        for end in (parts[0], parts[-1]):
            assert not verdict or verdict[:40] in " ".join(end.sentences)
    assert {"finding", "tilt", "heard", "eq", "headroom", "bass", "reflections", "trust"} <= set(met), met


def test_every_part_stands_over_a_still_of_the_review_and_names_marks_that_are_on_it(
    population: tuple[Review, ...],
) -> None:
    marked = 0
    for review in population:
        marks = {still_name(chart.key): {mark.number for mark in chart.panels[0].marks} for chart in review.charts}
        for part in spoken_parts(talk_of(review)):
            assert part.still in marks
            named = {int(number) for number in re.findall(r"\bmark (\d+)", " ".join(part.sentences))}
            assert named == set(part.marks)
            assert named <= marks[part.still]
            marked += bool(named)
    assert marked > len(population)


def test_the_stills_that_a_talk_names_are_among_those_drawn(population: tuple[Review, ...]) -> None:
    review = population[1]
    named = {f"{part.still}-wide" for part in spoken_parts(talk_of(review))}
    keys = {still_name(chart.key): chart for chart in review.charts}
    few = replace(review, exhibits=tuple(chart for name, chart in keys.items() if f"{name}-wide" in named))
    assert {still.name for still in stills_of(few)} == named


def test_each_new_picture_is_led_to(population: tuple[Review, ...]) -> None:
    for review in population:
        parts = parts_of(review)
        for before, part in pairwise(parts):
            if before.chart != part.chart:
                assert not re.match(r"Stay with", part.sentences[0]), part
            assert before.sentences[0] != part.sentences[0]


def test_what_was_heard_or_is_mended_is_told_even_of_many(population: tuple[Review, ...]) -> None:
    for review in population:
        if review.advice is None:
            continue
        keys = [part.key for part in parts_of(review)]
        for one in review.advice.findings[:3]:
            if one.is_audible and one.kind not in ("tilt", "band_limit"):
                assert f"finding.{one.key}" in keys


def test_a_review_without_charts_or_words_still_has_a_talk(population: tuple[Review, ...]) -> None:
    bare = replace(population[0], exhibits=())
    assert [part.key for part in parts_of(bare)] == ["opening", "for_whom", "closing"]
    assert {part.still for part in spoken_parts(talk_of(bare))} == {""}


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("−3.2 dB at 6.5 kHz", "minus 3.2 decibels at 6.5 kilohertz"),
        ("87 ± 1 dB (1 m)", "87 give or take 1 decibel, 1 meter"),
        ("5 % at 10°, 8 Ω", "5 percent at 10 degrees, 8 ohms"),
        ("Thimble Two (invented)", "Thimble Two, invented"),
        ("stand-mount – well <b>made</b>", "stand-mount, well b made, b"),
        ("12 dB/octave", "12 decibels per octave"),
    ],
)
def test_written_words_are_said(written: str, said: str) -> None:
    assert spoken(written) == said


def test_sizes_are_rounded_for_the_ear() -> None:
    for size, said in ((0.1, "less than half a decibel"), (-0.6, "half a decibel"), (1.2, "1 decibel"),
                       (2.6, "2.5 decibels"), (-5.4, "5 decibels"), (87.4, "87 decibels")):  # fmt: skip
        assert decibels(size) == said
