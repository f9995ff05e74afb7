"""Facts, cut trebles, corrections and echoes in doubt: each limit in fine steps, and random rooms.

Values are the program's own, frozen, but for a single echo of known delay and level.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from reduce_worlds import LOUDSPEAKER, Rig, microphone, said, session

from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.quantities import log_axis
from earwitness.reduce.doubt.facts import (
    Echo,
    correction_flags,
    cutoff_flags,
    echo_flags,
    echo_of,
    fact_flags,
    late_db,
    room_flags,
)
from golden_values import stands

NAME = "reduce/doubt_facts"
HZ = log_axis(20.0, 20_000.0, 48).hz
Array = npt.NDArray[np.float64]
CUBE = {"width_m": 0.5, "height_m": 0.5, "depth_m": 0.5, "driver": []}


def facts(**changes: Any) -> list[Any]:
    date = changes.pop("date", "2026-11-01")
    return [one[:4] + one[6:] for one in said(fact_flags(session(Rig(), loudspeaker=LOUDSPEAKER | changes, date=date)))]


def test_slips_of_the_pen() -> None:
    told: list[Any] = [facts()]
    told += [facts(rated_impedance_ohm=ohm) for ohm in (0.4, 1.95, 2.0, 8.0, 8.1, 31.9, 32.0, 32.5, 80.0)]
    for amount in (1.9, 19.9, 20.0, 20.1, 999_999.0, 1_000_000.0, 1_000_001.0):
        told.append(facts(price={"amount": amount, "currency": "EUR", "per": "piece"}))
    for edge in (1.13, 1.144, 1.1445, 1.15, 1.5):
        told.append(facts(width_m=edge, height_m=edge, depth_m=edge, driver=[]))
    for edge in (2.5, 2.59, 2.6, 2.61, 3.0):
        told.append(facts(**CUBE | {"height_m": edge}))
    for size in (0.01, 0.0155, 0.0159, 0.0161, 0.02, 0.13):
        cones = [{"name": "w", "kind": "cone", "diameter_m": size}, {"name": "t", "kind": "dome", "diameter_m": 0.3}]
        told.append(facts(driver=cones))
        told.append(facts(driver=[*cones, {"name": "m", "kind": "cone", "diameter_m": size / 2}]))
    for density in (10.0, 39.0, 40.0, 41.0, 500.0, 2990.0, 3000.0, 3010.0):
        told.append(facts(**CUBE | {"mass_kg": density * 0.125}))
    told += [facts(date=f"{year}-05-05") for year in (1970, 1994, 1995, 1996, 2024)]
    stands(NAME, "slips", told)


def test_trebles_that_end_like_a_wall() -> None:
    told: list[Any] = []
    for edge in (8000.0, 11_900.0, 12_100.0, 13_000.0, 15_000.0, 16_000.0, 18_000.0, 18_900.0, 19_100.0):
        for fall in (20.0, 24.5, 25.5, 40.0):
            for high in (22_000.0, 21_000.0, 16_500.0):
                level = np.where(edge < HZ, -fall, 0.0) + 0.05 * np.sin(HZ / 900.0)
                told.append(said(cutoff_flags(level, HZ, high, "t")))
    slow = -30.0 * np.log2(np.maximum(HZ / 12_000.0, 1.0)) * 4.0
    told += [said(cutoff_flags(slow * k, HZ, 22_000.0, "t")) for k in (0.5, 0.9, 1.0, 1.2, 2.0)]
    told.append(said(cutoff_flags(np.where(HZ > 14_000.0, -60.0, 0.0)[:420], HZ[:420], 22_000.0, "t")))
    told.append(said(cutoff_flags(np.zeros(100), HZ[:100], 22_000.0, "t")))
    stands(NAME, "cut off", told)


def mirrored(share: float, size: float) -> tuple[Array, MicrophoneCorrection]:
    bump = size * np.exp(-((np.log2(HZ / 8000.0)) ** 2) / 0.3) - 0.4 * size * np.exp(
        -((np.log2(HZ / 4000.0)) ** 2) / 0.1
    )
    level = 86.0 - 1.5 * np.log2(HZ / 1000.0) + (share - 1.0) * bump + 0.05 * np.sin(HZ / 500.0)
    return level, MicrophoneCorrection("mic.txt", HZ, bump)


def test_corrections_turned_over() -> None:
    told: list[Any] = []
    everywhere = np.ones(HZ.size, bool)
    told.append(said(correction_flags(None, HZ, HZ, everywhere)))
    told.append(said(correction_flags(microphone(), np.zeros(HZ.size), HZ, everywhere)))
    for share in (-1.0, -0.5, -0.25, -0.21, -0.19, -0.1, 0.0, 1.0, 2.0):
        for size in (0.3, 0.8, 0.9, 1.0, 1.1, 1.2, 3.0):
            level, file = mirrored(share, size)
            told.append([one[2:4] for one in said(correction_flags(file, level, HZ, everywhere))])
    level, file = mirrored(-1.0, 3.0)
    inside = np.flatnonzero((HZ >= 1500.0) & (HZ <= 18_000.0))
    for count in (38, 39, 40, 41, 60):
        valid = np.zeros(HZ.size, bool)
        valid[inside[:count]] = True
        told.append(said(correction_flags(file, level, HZ, valid)))
        ends = np.zeros(HZ.size, bool)
        ends[inside[-count:]] = True
        ends[:20] = True
        told.append(said(correction_flags(file, level, HZ, ends)))
    for hz in (1490.0, 1500.0, 1510.0, 17_900.0, 18_000.0, 18_100.0):
        told.append(said(correction_flags(file, level, HZ, hz < HZ if hz < 2000.0 else hz > HZ)))
    stands(NAME, "corrections", told)


def room(seed: int, rate: int, length_s: float, delay_s: float, level: float, takes: int = 3) -> Array:
    random = np.random.default_rng(seed)
    count = round(length_s * rate)
    rows = []
    for _ in range(takes):
        row = np.zeros(count)
        row[20] = 1.0
        row[21:60] += 0.3 * random.standard_normal(39) * np.exp(-np.arange(39) / 8.0)
        place = 20 + round(delay_s * rate)
        if place < count:
            row[place : place + 40] += level * row[20:60][: count - place]
        rows.append(row + 1e-4 * random.standard_normal(count))
    return np.array(rows)


def test_echoes_that_all_takes_share() -> None:
    told: list[Any] = []
    for seed, rate in enumerate((16_000, 24_000, 48_000)):
        for delay in (2.1e-3, 3e-3, 6e-3, 11e-3, 30e-3, 44e-3, 46e-3):
            impulses = room(seed, rate, 0.08, delay, 0.25)
            told.append(echo_of(impulses, rate, size_m=0.3, speed_m_s=343.0))
            told.append(echo_of(impulses, rate, size_m=0.9, speed_m_s=343.0, latest_s=0.02))
    for level in (0.005, 0.01, 0.02, 0.025, 0.05, 0.3, -0.2):
        found = echo_of(room(7, 24_000, 0.06, 5e-3, level, takes=5), 24_000, size_m=0.3, speed_m_s=343.0)
        told.append([found, said(echo_flags(found, 5, speed_m_s=343.0, anechoic=level > 0.02))])
    for length in (4e-3, 5.9e-3, 6.0e-3, 6.1e-3, 7e-3, 8e-3, 12e-3):
        told.append(echo_of(room(8, 24_000, length, 3e-3, 0.3), 24_000, size_m=0.2, speed_m_s=343.0))
    for size in (0.2, 0.25, 0.26, 0.4, 1.0, 3.0):
        told.append(echo_of(room(9, 24_000, 0.03, 7e-3, 0.3), 24_000, size_m=size, speed_m_s=343.0))
    stands(NAME, "echoes", told, relative=1e-4)


def test_a_pure_echo_has_its_delay_and_level() -> None:
    impulse = np.zeros((1, 1920))
    impulse[0, 10], impulse[0, 10 + 240] = 1.0, 0.1
    found = echo_of(impulse, 24_000, size_m=0.2, speed_m_s=343.0)
    assert found is not None
    assert found.delay_s == pytest.approx(0.01, abs=2e-4)
    # ln|1 + r exp(-jwt)| is r cos(wt) to first order: the height is r.
    assert found.level_db == pytest.approx(-20.0, abs=0.5)


def test_what_is_said_of_echoes_and_rooms() -> None:
    told: list[Any] = [said(echo_flags(None, 2, speed_m_s=343.0, anechoic=True))]
    for score in (6.9, 7.0, 7.1, 30.0):
        for level in (-40.0, -32.5, -32.0, -31.5, -10.0):
            for anechoic in (False, True):
                told.append(
                    said(echo_flags(Echo(score, 7.7e-3, level), int(score) - 6, speed_m_s=340.0, anechoic=anechoic))
                )
    for late in (None, -60.0, -25.1, -25.0, -24.9, 3.0):
        told += [said(room_flags(late, 1)), said(room_flags(late, 4))]
    for rate in (16_000, 48_000):
        for seed, tail in enumerate((1e-4, 1e-3, 1e-2, 0.1)):
            random = np.random.default_rng(seed)
            rows = tail * random.standard_normal((3, round(0.09 * rate))) * np.linspace(1.0, 0.3, round(0.09 * rate))
            rows[:, round(1e-3 * rate)] = 1.0
            rows[1] *= 3.0
            rows[2, 2000:] *= 4.0
            told.append(late_db(rows, rate, 1e-3))
    exact = np.random.default_rng(1).standard_normal((2, 1217))
    told += [late_db(exact[:, :count], 16_000, 1e-3) for count in (1214, 1215, 1216, 1217)]
    told.append(late_db(np.zeros((1, 2000)), 16_000, 1e-3))
    for hz in (300.0, 490.0, 700.0, 2000.0, 4000.0, 5100.0):
        ring = np.sin(2 * np.pi * hz * np.arange(1400) / 16_000)[None, :] * 0.1
        ring[0, 16] = 1.0
        told.append(late_db(ring, 16_000, 1e-3))
    stands(NAME, "rooms", told, relative=1e-4)
