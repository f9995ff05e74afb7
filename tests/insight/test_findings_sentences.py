"""No sentence says what its evidence denies: read back over random loudspeakers that nobody chose."""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sentence_claims import objections

from earwitness.figures.read import levels_of
from earwitness.figures.windows import windows
from earwitness.insight.findings import Finding, search
from earwitness.insight.findings.decompose import Peak, peaking_db
from earwitness.insight.findings.finding import Placed, Sized, told_of
from earwitness.insight.findings.origins import Cabinet, gather, on_axis_excess_phase
from earwitness.insight.findings.sentences import signed_db
from earwitness.quantities import NearField
from earwitness.session.record import Driver

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"
if str(BENCHMARKS) not in sys.path:
    sys.path.append(str(BENCHMARKS))
from equalizer_worlds import KINDS, LAWS, Case, case  # noqa: E402

FIRST_SEED = 7300
COUNT = 300
KEYS = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")


def drawn(number: int) -> Case:
    return case(LAWS[number % 3], KINDS[number // 3 % 3], FIRST_SEED + number)


def near_fields_of(one: Case, drivers: tuple[Driver, ...], random: np.random.Generator) -> tuple[NearField, ...]:
    """Near fields of woofer and port. Each flaw of the source is made by the woofer or, where it adds sound, now and
    then by the port; the port's microphone hears the woofer 15 to 30 dB down, bumps and all.

    Keele 1974, from memory: near to far by the radius over 4, 3 dB for the baffle.
    """
    hz = one.truth.axis.hz
    whole = one.truth.level_db()[int(np.argmax(one.truth.directions.unit_vectors()[:, 0]))]
    bells = [(flaw, peaking_db(np.log2(hz / flaw.center_hz), 0.0, float(np.log(flaw.q)), flaw.gain_db))
             for flaw in one.flaws if flaw.kind == "source"]  # fmt: skip
    bare = whole - sum((bell for _, bell in bells), np.zeros(hz.size))
    woofer, added = bare.copy(), np.zeros(hz.size)
    for flaw, bell in bells:
        if flaw.gain_db > 0 and random.random() < 0.4:
            added = added + np.abs(10 ** (bell / 20) - 1) * 10 ** (bare / 20)
        else:
            woofer = woofer + bell
    port = 20 * np.log10(10 ** ((woofer - random.uniform(15.0, 30.0)) / 20) + added)
    far = {one.name: 20 * np.log10(one.diameter_m / 8) + 3.0 for one in drivers}
    off = random.uniform(-2.0, 2.0)
    return tuple(
        NearField(name, one.truth.axis, level - far[name] + off, np.zeros(hz.size), 20.0, 4000.0)
        for name, level in (("woofer", woofer), ("port", port))
    )


def told_of_case(one: Case, random: np.random.Generator) -> list[Finding]:
    """Findings where something was planted and at two random places, with drivers and a cabinet drawn at random."""
    curves = {key: curve for key, curve in windows(levels_of(one.measured)).curves.items() if key in KEYS}
    below = float(random.uniform(0.1, 0.3))
    drivers = (
        Driver(name="woofer", kind="cone", diameter_m=float(random.uniform(0.1, 0.2)), position_m=(0.0, 0.0, -below)),
        Driver(
            name="tweeter", kind="dome", diameter_m=0.026, position_m=(0.0, float(random.uniform(-0.03, 0.03)), 0.0)
        ),
        Driver(name="port", kind="port", diameter_m=float(random.uniform(0.03, 0.07)), position_m=(0.0, 0.0, -0.3)),
    )
    near = near_fields_of(one, drivers, random) if random.random() < 0.6 else ()
    cabinet = Cabinet(float(random.uniform(0.15, 0.3)), 0.4, 0.3, 0.1)
    rows = [(flaw.center_hz, flaw.q, flaw.gain_db) for flaw in one.flaws]
    rows += [(float(10 ** random.uniform(2, 4)), float(10 ** random.uniform(-0.2, 1)), 1.0) for _ in range(2)]
    found = []
    edge, phase = np.zeros(len(one.measured.axis)), on_axis_excess_phase(one.measured)
    for hz, q, gain in rows:
        peak = Peak(hz, q, gain, 0.02, 0.1, 0.1)
        evidence = gather(
            curves,
            one.measured,
            peak,
            (),
            edge_db=edge,
            excess_phase_rad=phase,
            impedance=None,
            near_fields=near,
            drivers=drivers,
        )
        if not evidence.curve_db:
            continue
        target = max(("on_axis", "listening_window", "in_room"), key=lambda key: abs(evidence.curve_db.get(key, 0.0)))
        if evidence.curve_db.get(target):
            here = replace(peak, size_db=evidence.curve_db[target])
            made = search._finding(search._Seen(here, target), evidence, curves, drivers, cabinet, sensitive=False)
            found += [] if made is None else [made]
    return found


@pytest.mark.slow
def test_no_sentence_says_what_its_evidence_denies() -> None:
    random = np.random.default_rng(FIRST_SEED)
    found = [(number, one) for number in range(COUNT) for one in told_of_case(drawn(number), random)]
    against = [f"{number}: {why}" for number, one in found for why in objections(one)]
    assert not against, "\n".join(against[:20])
    # Every way of saying where it is and every cause was met, or the test looks at little.
    said = Counter(word for _, one in found for word in WORDS if word in one.sentence)
    assert len(found) > COUNT
    assert set(said) == set(WORDS), said


WORDS = (
    "All curves show it alike",
    "It is mostly on axis",
    "It is mostly off axis",
    "It is stronger on axis",
    "It is stronger off axis",
    "off axis a dip",
    "off axis a peak",
    "the difference is within the uncertainty",
    "It is certain off axis",
    "Vertically off axis",
    "All curves share",
    "would spoil the axis",
    "would spoil the reflections",
    "EQ can mend it",
    "Probably inaudible",
    "It may sound",
    "crossover lobe",
    "beaming",
    "edge diffraction",
    "baffle step",
    "The near field of the woofer makes it.",
    "a resonance of the port",
    "EQ can lower it, but the port",
    "as breakup does",
    "standing wave in the cabinet",
)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["source", "near_axis", "off_axis", "vertical"])
def test_the_printed_place_is_where_the_flaw_was_planted(kind: str) -> None:
    """Truth of the simulation: a flaw near the axis is printed for axis or window, one off the axis for neither."""
    met = []
    for number in range(90):
        one = case(LAWS[number % 3], "drawn", 9100 + number)
        large = [flaw for flaw in one.flaws if flaw.kind == kind and abs(flaw.gain_db) >= 2.5 and flaw.q >= 2]
        found = told_of_case(one, np.random.default_rng(number)) if large else []
        met += [f.told.place for flaw in large for f in found if f.center_hz == flaw.center_hz]
    right = {
        "source": ("",),
        "near_axis": ("on_axis", "listening_window"),
        "off_axis": ("early_reflections", "sound_power", "in_room"),
        "vertical": ("early_reflections", "sound_power", "in_room"),
    }[kind]
    assert len(met) >= 8
    assert np.mean([place in right for place in met]) >= 0.85, Counter(met)


def sized(**sizes_db: float) -> dict[str, Sized]:
    return {key: Sized(size, 0.15, 0.1) for key, size in sizes_db.items()}


def test_a_wrong_sentence_is_objected_to() -> None:
    """The reader can fail: words of another finding, another place, another order."""
    random = np.random.default_rng(1)
    one = next(f for n in range(40) for f in told_of_case(drawn(n), random) if "It is mostly off axis" in f.sentence)
    assert not objections(one)
    for wrong in (
        replace(one, sentence=one.sentence.replace("mostly off axis", "mostly above")),
        replace(one, sizes={key: replace(size, size_db=-size.size_db) for key, size in one.sizes.items()}),
        replace(one, sizes={**one.sizes, "on_axis": replace(one.sizes["sound_power"], size_db=20.0)}),
        replace(one, title=one.title.replace("dip", "peak").replace("Dip", "Peak") + ", in all directions"),
        replace(one, sentence=f"{one.sentence} EQ can mend it."),
    ):
        assert objections(wrong)


def test_the_size_told_is_the_largest_and_the_source_s_own_where_all_are_alike() -> None:
    """The sizes that a review held against an older sentence: largest off axis, hardly there on axis."""
    sizes = sized(on_axis=-0.5, listening_window=-2.1, early_reflections=-3.7, sound_power=-5.1, in_room=-3.3)
    assert told_of("off_axis", -3.3, 0.2, sizes) == Placed("sound_power", -5.1, 0.15)
    alike = sized(on_axis=3.0, listening_window=2.9, early_reflections=2.8, sound_power=3.1, in_room=2.9)
    assert told_of("source", 2.9, 0.2, alike) == Placed("", 2.9, 0.2)
    assert told_of("partial", 2.9, 0.2, alike).place == "sound_power"


def test_no_minus_before_nothing() -> None:
    assert [signed_db(x) for x in (-0.04, 0.04, -0.06, 1.26)] == ["0.0 dB", "0.0 dB", "\N{MINUS SIGN}0.1 dB", "+1.3 dB"]
