"""A feed-forward limiter as the literature has it, sample by sample: written apart from what reads one.

Gain computer with a soft knee and a smooth, branching detector on the gain in dB: Giannoulis, Massberg and Reiss,
"Digital Dynamic Range Compressor Design", JAES 60 (2012), from memory. The envelope of the stepping tone is known, so
that the detector adds no ripple of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from earwitness.dsp.limiter import limiter_tone

RATE_HZ = 48_000
Samples = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Limiter:
    """threshold_db : of the amplitude re 1; ratio; knee_db; attack_s, release_s : time constants of the gain in dB."""

    threshold_db: float
    ratio: float
    knee_db: float
    attack_s: float
    release_s: float


def static_out_db(level_db: Samples, one: Limiter) -> Samples:
    """Level out for a level in, in three branches."""
    out = level_db.copy()
    over = level_db - one.threshold_db
    knee = np.abs(over) <= one.knee_db / 2
    if one.knee_db > 0:
        bend = (1 / one.ratio - 1) * (over + one.knee_db / 2) ** 2 / (2 * one.knee_db)
        out[knee] = (level_db + bend)[knee]
    above = over > one.knee_db / 2
    out[above] = one.threshold_db + over[above] / one.ratio
    return out


def limited(samples: Samples, frequency_hz: float, start: int, one: Limiter) -> Samples:
    """The tone behind the limiter. start : sample at which its phase is 0."""
    size = np.abs(np.sin(2 * np.pi * frequency_hz / RATE_HZ * (np.arange(samples.size) - start)))
    told = np.maximum.accumulate(np.where(size > 0.2, np.arange(samples.size), 0))
    level = 20 * np.log10(np.maximum(np.abs(samples[told]) / np.maximum(size[told], 0.2), 1e-6))
    wanted = (static_out_db(level, one) - level).tolist()
    grip, leave = (np.exp(-1 / (time * RATE_HZ)) for time in (one.attack_s, one.release_s))
    gain, found = 0.0, np.empty(samples.size)
    for place, target in enumerate(wanted):
        share = grip if target < gain else leave
        gain = share * gain + (1 - share) * target
        found[place] = gain
    return np.asarray(samples * 10 ** (found / 20))


@dataclass(frozen=True)
class Draw:
    """One random limiter and how it is recorded."""

    one: Limiter
    frequency_hz: float
    late: int
    gain: float
    noise_db: float


def draws(seed: int, count: int) -> list[Draw]:
    """Ratio 2 to 12, knee 0 to 8 dB, attack from half a period up, release 50 to 400 ms, noise 55 to 70 dB down."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(count):
        hz = float(10 ** rng.uniform(np.log10(60), np.log10(4000)))
        attack = float(10 ** rng.uniform(np.log10(max(0.001, 0.5 / hz)), np.log10(0.05)))
        release = float(10 ** rng.uniform(np.log10(0.05), np.log10(0.4)))
        one = Limiter(rng.uniform(-20, -9), rng.uniform(2, 12), rng.uniform(0, 8), attack, release)
        found.append(Draw(one, hz, int(rng.integers(50, 600)), rng.uniform(0.5, 4), -rng.uniform(55, 70)))
    return found


def recorded(draw: Draw, seed: int) -> tuple[Samples, Samples]:
    """What was heard and what was played, with silence around, a delay, a gain and noise."""
    still = np.zeros(RATE_HZ // 4)
    played = np.concatenate([still, limiter_tone(draw.frequency_hz, RATE_HZ), still])
    behind = limited(played, draw.frequency_hz, still.size, draw.one)
    noise = 10 ** (draw.noise_db / 20) / np.sqrt(2) * np.random.default_rng(seed).standard_normal(played.size)
    return draw.gain * (np.roll(behind, draw.late) + noise), played
