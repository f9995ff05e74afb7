"""Random level series, multitones and bursts for the golden tests of this room."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from figure_worlds import off_octaves
from level_worlds import made_take

from earwitness.quantities import FrequencyAxis, Harmonics, NoiseRun, TwoToneReading, log_axis
from earwitness.quantities.measurement import BurstTakeReading, MultitoneLines, MultitoneReading

AXIS = off_octaves(25.0, 20_000.0, 12)
VOLTS = (1.0, 2.83, 5.6, 11.2, 22.4)


def series(
    random: np.random.Generator, axis: FrequencyAxis = AXIS, *, levels: int = 4, place: str = "far-field",
    distance_m: float = 1.0, holes: bool = False,
) -> list[Harmonics]:  # fmt: skip
    """Takes at rising voltages: harmonics grow with the level, more in the bass, until noise covers them below."""
    hz = axis.hz
    base = 80.0 + random.uniform(-4, 4) - 10 * np.log10(1 + (50.0 / hz) ** 4)
    base = base + 2.0 * np.sin(np.log2(hz) * random.uniform(1, 4))
    floor = random.uniform(-75.0, -40.0)
    made = []
    for volts in VOLTS[:levels]:
        up = 20.0 * np.log10(volts / VOLTS[0])
        squeeze = random.uniform(0.2, 1.3) * (volts / 20.0) ** 1.5 * (1 + 3.0 / (1 + (hz / 80.0) ** 2))
        fundamental = base + up - squeeze * 2.0
        shape = -55.0 + 22.0 / (1 + (hz / 90.0) ** 1.5) + 3.0 * np.sin(3 * np.log2(hz) + random.uniform(0, 6))
        orders = {n: shape + (n - 1) * (up - 14.0) * 0.6 - 7.0 * (n - 2) for n in (2, 3, 4, 5)}
        take = made_take(
            volts, fundamental, orders, noise_db=floor - up * 0.5, axis=axis, distance_m=distance_m, place=place
        )
        noise = take.noise_db + 25.0 / (1 + (hz * np.array([[2.0], [3.0], [4.0], [5.0]]) / 60.0) ** 2)
        valid = take.valid.copy()
        if holes:
            valid[:, 20:24] = False
            valid[1, 40:43] = False
        made.append(replace(take, noise_db=noise, valid=valid))
    return made


def multitone(
    random: np.random.Generator, volts: float, *, noise: float | None = 0.02, periods: int = 8, distance_m: float = 1.0
) -> MultitoneReading:
    """Tones in thirds from 31.5 Hz to 16 kHz, residue 20 to 60 dB below; noise : against the residue, None unknown."""
    hz = 1000.0 * 10.0 ** (np.arange(-15, 13) / 10.0)
    tone = (0.06 * volts) ** 2 * 10 ** random.uniform(-1, 0.5, hz.size)
    residue = tone * volts * 10 ** random.uniform(-6, -2, hz.size)
    hiss = None if noise is None else residue * noise * 10 ** random.uniform(-1.0, 1.3, hz.size)
    if hiss is not None:
        hiss = np.minimum(hiss, residue * 0.98)
    lines = MultitoneLines(
        hz, tone, residue, hiss, float(tone.sum()), float(residue.sum() * 1.1),
        None if hiss is None else float(hiss.sum()), periods, float(random.choice([0.0, 2e-6, 5e-10, 1.05e-9])),
    )  # fmt: skip
    return MultitoneReading(f"m{volts:g}", volts, distance_m, random.uniform(8.0, 13.0), lines)


def two_tones(
    random: np.random.Generator, volts: float, low: float = 60.0, high: float = 7000.0, distance_m: float = 1.0
) -> TwoToneReading:
    carrier = 0.3 * volts
    sides = carrier * volts * 10 ** random.uniform(-4.5, -1.8, 4)
    return TwoToneReading(
        f"t{volts:g}", volts, distance_m, low, high, np.array([carrier, *sides]), carrier * 10 ** random.uniform(-5, -2)
    )


def burst(
    random: np.random.Generator, hz: float, volts: float, *, distance_m: float = 2.0, in_room: bool = False,
    clipped: bool = False, held: float = 0.0, noise_pa: float = 1e-4,
) -> BurstTakeReading:  # fmt: skip
    orders = tuple(range(2, 16))
    relative = -70.0 + 4.0 * volts - 2.0 * np.array(orders) + random.normal(0, 2.0, len(orders))
    return BurstTakeReading(
        f"b{hz:g} {volts:g}", volts, distance_m, hz, volts * 0.4 * 10 ** (-held / 20), orders, relative, (16,),
        noise_pa, in_room, clipped,
    )  # fmt: skip


def noise_run(random: np.random.Generator, volts: float, *, lost: float = 0.0) -> NoiseRun:
    axis = log_axis(31.25, 16_000.0, 3)
    start = 80.0 + random.normal(0, 3.0, len(axis))
    loss = random.uniform(0.0, 2.0, len(axis))
    valid = random.random(len(axis)) >= lost
    return NoiseRun(
        f"n{volts:g}", volts, 1.0, axis, start, start - loss, random.uniform(0.05, 0.2, len(axis)), valid,
        float(random.uniform(100, 900)), bool(random.random() < 0.5),
    )  # fmt: skip
