"""Sessions on simulated turntables with faults drawn at random: each is told, or does no harm.

A loudspeaker that looks 3 degrees and more past its stated angle counts as harm (own choice: what careful work with a
turntable allows for its zero is 1 to 2). Limits were set on other seeds than those counted here. Four of each kind, or
EARWITNESS_TABLES of each: docs/turntable.md holds 25.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rehearsal import SESSION, WIRING, write_session
from test_turntable_line import Clock

from earwitness.app import capture
from earwitness.capture.plan import orbit_angles
from earwitness.capture.series import LiveSettings, states
from earwitness.capture.simulated import MemoryLine, RehearsedLoudspeaker, SimulatedSound, SimulatedTable, TableFaults
from earwitness.capture.turntable import Turntable, TurntableError

KINDS = ("clean", "missed", "zero", "slip", "stall", "short", "cut", "lost")
EACH = int(os.environ.get("EARWITNESS_TABLES", "4"))
HARM_DEG = 3.0
TEXT = SESSION.split('[[take]]\nkind = "near')[0]
for _long, _short in (
    ("duration_s = 0.5", "duration_s = 0.25"), ("lead_in_s = 0.1", "lead_in_s = 0.2"), ("20000.0", "11000.0"),
):  # fmt: skip
    assert _long in TEXT
    TEXT = TEXT.replace(_long, _short)


def drawn(kind: str, rng: np.random.Generator) -> TableFaults:
    """What a turntable of this kind does wrong, beside the play and lag that any has."""
    move, side = int(rng.integers(2, 14)), float(rng.choice([-1.0, 1.0]))
    usual = {"backlash_deg": float(rng.uniform(0.0, 1.5)), "lag_s": float(rng.uniform(0.0, 0.5))}
    wrong: dict[str, object] = {
        "clean": {},
        "zero": {"zero_deg": side * float(rng.uniform(1.0, 9.0))},
        "slip": {"slip": (move, side * float(rng.uniform(0.3, 12.0)))},
        "lost": {"lost_deg": float(rng.uniform(0.0, 0.6))},
    }.get(kind, {kind: move})
    return TableFaults(**usual, **wrong)  # type: ignore[arg-type]


def session(folder: Path, kind: str, seed: int) -> tuple[str, float, int]:
    """What was told, how far the kept takes are off at most [degrees], and how many are kept."""
    rng = np.random.default_rng(seed)
    clock = Clock()
    table = SimulatedTable(drawn(kind, rng), clock=clock, speed_deg_s=float(rng.uniform(5.0, 40.0)))
    loudspeaker = RehearsedLoudspeaker(table, front_m=float(rng.uniform(0.05, 0.2)))
    noise_rms = float(10.0 ** rng.uniform(-5.5, -3.5))
    sound = SimulatedSound(microphone_delay=76, noise_rms=noise_rms, seed=seed, loudspeaker=loudspeaker)
    wiring = replace(WIRING, rate_hz=44_100, block=8192)
    angles = (("horizontal", orbit_angles(30.0)),)
    series = capture.begin_or_open(write_session(folder, TEXT), LiveSettings(wiring, angles_deg=angles))
    looked: dict[str, float] = {}
    try:
        turned = Turntable(MemoryLine(table), clock=clock, sleep=clock.sleep)
        done = capture.record(
            series, sound=sound, table=turned, budget_file=folder / "day.json",
            told=lambda state, _: looked.update({state.id: table.true_deg}),
        )  # fmt: skip
        told = " ".join([done.stopped, *done.checks]).strip()
    except TurntableError as error:
        told = error.what
    finally:
        series.close()
    kept = [one for one in states(series) if one.state == "kept"]
    off = [abs((looked[one.id] - (one.angle_deg or 0.0) + 180.0) % 360.0 - 180.0) for one in kept]
    return told, max(off, default=0.0), len(kept)


@pytest.mark.parametrize("kind", KINDS)
def test_every_fault_is_told_or_harmless_and_no_clean_session_stops(tmp_path: Path, kind: str) -> None:
    silent, stopped, harmful = [], 0, 0
    for number in range(EACH):
        told, off_deg, kept = session(tmp_path / str(number), kind, 40_000 + 1000 * KINDS.index(kind) + number)
        harmful += off_deg > HARM_DEG
        stopped += bool(told)
        if not told:
            assert kept == 12
            if off_deg > HARM_DEG:
                silent.append((number, round(off_deg, 1)))
    print(f"{kind}: {EACH} sessions, {harmful} with takes off by over {HARM_DEG:g}°, {stopped} told, silent: {silent}")
    assert silent == []
    if kind == "clean":
        assert stopped == 0
    if kind in ("stall", "cut"):
        # Moves 2 to 13 are all made in a session of 16 and more. A short one may lie on the way, and is mended then.
        assert stopped == EACH
