"""What responses tell of themselves, held against the facts of their session: planted mistakes, and none planted.

Source: tables made here of second-order sections (handbook formulas) and a broadening with angle; each mistake is made
in the data or stated in the facts. Sessions without a mistake count false alarms.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from earwitness.app.add import write_session
from earwitness.formats.response_table import parse_response_table, phase_reading
from earwitness.quantities import QualityFlag
from earwitness.reduce.plan import ReduceSettings
from earwitness.reduce.responses import reduce_responses
from earwitness.session.from_files import Stated, survey
from earwitness.session.load import load_session
from earwitness.session.responses import ResponseTake
from earwitness.session.session import Session

HZ = 20.0 * 2 ** (np.arange(10 * 48) / 48)
STATED = Stated(
    name="Planted",
    maker="Nobody",
    type="stand-mount",
    enclosure="closed",
    width_m=0.2,
    height_m=0.3,
    depth_m=0.25,
    reference_axis="x",
    date="2026-11-01",
    invented=True,
    voltage_v=2.83,
    space="gated",
    gate_ms=12.0,
    smoothing="none",
    phase="one time reference",
)
Rows = dict[tuple[str, int], np.ndarray]


def rows_of(random: np.random.Generator) -> Rows:
    """Complex responses over both orbits of one loudspeaker, uneven from left to right and from top to bottom."""
    s = 1j * HZ
    on_axis = (s / (s + 45.0)) ** 2 * np.exp(-2j * np.pi * HZ * 1e-4)
    for _ in range(10):
        f0, q = np.exp(random.uniform(np.log(100), np.log(15_000))), random.uniform(1, 8)
        gain = 10 ** (random.uniform(-3, 3) / 20)
        on_axis = on_axis * (s * s + s * f0 * gain / q + f0 * f0) / (s * s + s * f0 / q + f0 * f0)
    rows: Rows = {}
    tilt = random.normal(0.0, 0.02, 2)
    corner = random.uniform(1500, 6000)
    for place, orbit in enumerate("hv"):
        for angle in range(-170, 181, 10):
            turn = (1 + 0.3 * place) * np.sin(np.radians(angle) / 2) * (1 + tilt[place] * np.sin(np.radians(angle)))
            if angle in (0, 180):
                turn = np.sin(np.radians(angle) / 2)
            level = random.normal(0.0, 0.03) * np.ones(HZ.size)
            rows[orbit, angle] = on_axis / (1 + 1j * HZ / corner * turn**2) * 10 ** (level / 20)
    return rows


@cache
def session_of(stated: Stated) -> Session:
    """A session of 72 directions that states this; its tables are put in its place draw by draw."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for orbit in "hv":
            for angle in range(-170, 181, 10):
                rows = "".join(f"{hz}\t{80 + angle / 10}\t{ord(orbit)}\n" for hz in (100, 200, 400))
                (folder / f"{orbit}_{angle}.txt").write_text("Hz\tdB SPL\tdeg\n" + rows)
        write_session(survey(folder), stated)
        return load_session(folder)


def flags_of(rows: Rows, stated: Stated = STATED) -> list[QualityFlag]:
    """As tables with three decimals hold the rows."""
    session, sources = session_of(stated), {}
    plain = parse_response_table("Hz\tdB SPL\tdeg\n100\t80\t0\n200\t80\t0\n400\t80\t0\n", name="x")
    for take in session.takes_of(ResponseTake):
        row = rows[take.orbit[0], round(take.angle_deg)]
        level = np.round(90 + 20 * np.log10(np.abs(row)), 3)
        turn = phase_reading(HZ, np.radians(np.round(np.degrees(np.angle(row)), 3)))
        lines = np.arange(HZ.size) + 2
        sources[take.id] = replace(plain, hz=HZ, values=level[None, :], phase=(turn,), lines=lines)
    return list(reduce_responses(session, sources, ReduceSettings()).flags)


def test_sessions_without_a_mistake_are_not_doubted() -> None:
    random = np.random.default_rng(21)
    told = [flag.id for _ in range(12) for flag in flags_of(rows_of(random)) if flag.severity != "info"]
    assert told == []


def _turned(rows: Rows) -> None:
    for place, row in rows.items():
        rows[place] = np.conj(row)


def _doubled(rows: Rows) -> None:
    rows["h", 30] = rows["h", 20] * np.exp(1e-3j)


def _mirrored(rows: Rows) -> None:
    for angle in range(10, 180, 10):
        rows["v", -angle] = rows["v", angle] * np.exp(1e-3j)


def _other_gain(rows: Rows) -> None:
    for (orbit, angle), row in rows.items():
        rows[orbit, angle] = row * (1.1 if orbit == "v" else 1.0)


def _exchanged(rows: Rows) -> None:
    rows["h", 20], rows["h", 160] = rows["h", 160], rows["h", 20]


def _smoothed(rows: Rows, points: int = 16) -> None:
    """As a room leaves them, and then smoothed over so many points of 48 an octave."""
    random = np.random.default_rng(5)
    for place, row in rows.items():
        rough = 20 * np.log10(np.abs(row)) + random.normal(0.0, 1.5, HZ.size)
        even = np.convolve(np.pad(rough, points, mode="edge"), np.full(points, 1 / points), "same")[points:-points]
        rows[place] = 10 ** (even / 20) * np.exp(1j * np.angle(row))


def _computed(rows: Rows) -> None:
    from earwitness.dsp.filters import minimum_phase

    grid = np.arange(2**15 + 1) * 24_000 / 2**15
    for place, row in rows.items():
        level = np.interp(grid, HZ, 20 * np.log10(np.abs(row))) + 40 * np.log10(np.clip(grid, 1.0, 20.0) / 20.0)
        phase = np.unwrap(np.angle(minimum_phase(10 ** (level / 20))))
        rows[place] = np.abs(row) * np.exp(1j * np.interp(HZ, grid, phase))


def _held_low_end(rows: Rows) -> None:
    for place, row in rows.items():
        rows[place] = np.where(HZ < 60.0, np.abs(row[HZ >= 60.0][0]), np.abs(row)) * np.exp(1j * np.angle(row))


@pytest.mark.parametrize(
    ("plant", "flag"),
    [
        (_turned, "phase turned"),
        (_doubled, "angles doubled"),
        (_mirrored, "mirrored vertical orbit"),
        (_other_gain, "orbits disagree"),
        (_exchanged, "files exchanged"),
        (_computed, "phase computed"),
        (_held_low_end, "filled low end"),
    ],
)
def test_a_planted_mistake_is_told_with_its_likely_cause(plant: Callable[[Rows], None], flag: str) -> None:
    random = np.random.default_rng(22)
    for _ in range(3):
        rows = rows_of(random)
        plant(rows)
        found = {one.id: one for one in flags_of(rows) if one.severity != "info"}
        assert flag in found, list(found)
        assert set(found) - {flag} <= {"files exchanged"}


def test_levels_rounded_to_half_a_decibel_are_told() -> None:
    rows = rows_of(np.random.default_rng(23))
    for place, row in rows.items():
        size = 10 ** (np.round(40 * np.log10(np.abs(row))) / 40)
        rows[place] = size * np.exp(1j * np.angle(row))
    assert "coarse levels" in {one.id for one in flags_of(rows)}


@pytest.mark.parametrize(("points", "stated", "told"), [(16, "none", True), (16, "1/3", False), (1, "none", False)])
def test_smoothing_of_a_room_is_told_unless_it_is_stated(points: int, stated: str, told: bool) -> None:
    rows = rows_of(np.random.default_rng(24))
    _smoothed(rows, points)
    found = flags_of(rows, replace(STATED, space="room", gate_ms=None, lowest_hz=300.0, smoothing=stated))
    assert ("smoothing found" in {one.id for one in found if one.severity == "warn"}) == told
