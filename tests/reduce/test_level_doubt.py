"""Can the level be? Closed forms of the bounds, and rates over a population that no limit was chosen on.

The population's laws follow the written reference: cones of 5 to 30 cm, boxes of 0.6 to 3 m times the cone's area,
bass corners by size, makers who round up, rooms and capsules of 34 dB(A) or so.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from made_session import Made, facts

from earwitness.reduce.doubt.level import (
    LevelEvidence,
    a_weighted_db,
    doubt_of_level,
    efficiency_bound_db,
    evidence_of,
    excursion_level_db,
    level_flags,
    rating_flags,
    refuses_level,
)


def test_the_bound_is_smalls_relation() -> None:
    """3.9e-6 (45 Hz)^3 0.0227 m^3 = 0.807 %, 112.2 dB and 10 lg of it: 91.3 dB at 8 ohm; closed 88.4."""
    assert efficiency_bound_db(45.0, 0.0227, vented=True, lowest_ohm=8.0) == pytest.approx(91.3, abs=0.05)
    assert efficiency_bound_db(45.0, 0.0227, vented=False, lowest_ohm=8.0) == pytest.approx(88.4, abs=0.05)
    assert efficiency_bound_db(45.0, 0.0227, vented=True, lowest_ohm=4.0) == pytest.approx(94.3, abs=0.05)


def test_the_level_of_a_cones_excursion_is_that_of_a_monopole() -> None:
    """133 cm^2 that move 15.6 mm peak at 40 Hz: rho a S / (4 pi) at 1 m, 92.9 dB rms."""
    assert excursion_level_db(40.0, 0.0133, 0.0156) == pytest.approx(92.9, abs=0.05)


def test_a_weighting_of_a_narrow_band_at_1_khz_changes_nothing() -> None:
    hz = np.linspace(990.0, 1010.0, 201)
    density = np.full(hz.size, (20e-6) ** 2 * 10**4 / 40.0)
    assert a_weighted_db(density, hz) == pytest.approx(40.0, abs=0.05)


def drawn(rng: np.random.Generator, wrong_db: float, *, claim: bool) -> LevelEvidence:
    area = math.pi / 4 * 10 ** (2 * rng.uniform(math.log10(0.05), math.log10(0.30)))
    volume = area * 10 ** rng.uniform(math.log10(0.6), math.log10(3.0))
    vented = rng.random() < 0.65
    f3 = float(np.clip(rng.lognormal(math.log(48), 0.35) * (0.0133 / area) ** 0.3, 20, 200)) * (1.0 if vented else 1.4)
    ohm = float(rng.choice([3.6, 6.3, 7.3]))
    bound = efficiency_bound_db(f3, volume, vented=vented, lowest_ohm=ohm)
    level = bound - abs(rng.normal(0, 3)) - abs(rng.normal(0, 1.2))
    noise = max(rng.normal(34, 7), rng.normal(22, 4))
    told = level + rng.normal(1.0, 1.3) if claim else None
    full = rng.normal(127, 7)
    return LevelEvidence(level + wrong_db, bound, -3.0 + wrong_db, noise + wrong_db, full + wrong_db, told)


@pytest.mark.parametrize(
    ("wrong_db", "claim", "least", "most"),
    [(0.0, True, 0.0, 0.05), (0.0, False, 0.0, 0.04), (20.0, True, 0.99, 1.0), (-20.0, True, 0.99, 1.0),
     (20.0, False, 0.99, 1.0), (-20.0, False, 0.95, 1.0), (10.0, True, 0.99, 1.0), (-10.0, True, 0.97, 1.0),
     (-6.0, True, 0.8, 1.0), (6.0, True, 0.9, 1.0)],
)  # fmt: skip
def test_how_often_a_wrong_scale_is_noticed(wrong_db: float, claim: bool, least: float, most: float) -> None:
    rng = np.random.default_rng([71, round(abs(wrong_db)), claim])
    flags = [level_flags(drawn(rng, wrong_db, claim=claim)) for _ in range(400)]
    share = np.mean([bool(doubt_of_level(one)) for one in flags])
    assert least <= share <= most


def test_what_no_recorder_can_do_is_refused() -> None:
    quiet, full = (LevelEvidence(86.0, None, None, 1.0, None, None), LevelEvidence(86.0, None, None, None, 170.0, None))
    for broken in (quiet, full):
        assert refuses_level(level_flags(broken))
    assert refuses_level(level_flags(LevelEvidence(98.0, 90.0, None, None, None, None)))
    assert level_flags(LevelEvidence(None, None, None, 1.0, None, None)) == []


def test_a_claim_missed_by_4_db_is_told_without_doubt() -> None:
    (flag,) = level_flags(LevelEvidence(87.0, 95.0, -9.0, 30.0, 125.0, 91.0))
    assert flag.severity == "info"
    assert "4.0 dB below" in flag.sentence


def test_evidence_comes_from_what_the_session_says() -> None:
    told = facts(Made()).loudspeaker
    hz = np.geomspace(20.0, 20_000.0, 300)
    level = 86.0 - 24.0 * np.log2(np.maximum(60.0 / hz, 1.0))
    seen = evidence_of(told, level, hz, np.ones(300, dtype=bool), noise=None, fs_per_pa=0.02, lowest_ohm=None)
    assert seen.level_db == pytest.approx(86.0, abs=0.01)
    # Half of full scale 1 in rms is 1 / (sqrt 2 x 0.02) Pa: 125.0 dB.
    assert seen.full_scale_db == pytest.approx(20 * math.log10(1 / (math.sqrt(2) * 0.02 * 20e-6)), abs=1e-9)
    assert seen.bound_db is not None
    active = told.model_copy(update={"powered": True})
    every = np.ones(300, dtype=bool)
    assert evidence_of(active, level, hz, every, noise=None, fs_per_pa=0.02, lowest_ohm=None).bound_db is None


def test_impedance_against_its_rating() -> None:
    assert rating_flags(4.9, 6.0, "load") == []
    assert rating_flags(3.2, 4.0, "load") == []
    assert rating_flags(49.3, 6.0, "load")[0].takes == ("load",)
    assert "rated_impedance_ohm" in rating_flags(4.9, 60.0, "")[0].sentence
