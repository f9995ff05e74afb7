"""What was done to responses, found or told falsely, over random loudspeakers that nothing was tuned on.

    python benchmarks/response_doubts.py [--sessions 60] [--draws 200] [--seed 1001]

Two parts. Sessions: 72 directions of a random loudspeaker with one mistake planted, or none, through the reduction as
`earwitness add` does it; counted is the flag of the mistake, and any other warning. Traces: single curves with what a
program does to them (smoothing, a gate, coarse points, noise, a turned phase). The loudspeakers are those of
the tests of both, with other seeds; settings were chosen on theirs.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

TESTS = Path(__file__).resolve().parents[1] / "tests"
sys.path[:0] = [str(TESTS / "reduce"), str(TESTS / "dsp")]

import test_data_traces as traces  # noqa: E402
import test_response_doubts as planted  # noqa: E402

from earwitness.dsp.data_traces import (  # noqa: E402
    drawn_from_step_hz,
    end_from_levels_s,
    excess_phase,
    flat_tail_snr_db,
    smoothing_per_octave,
)

MISTAKES: dict[str, Callable[[planted.Rows], None] | None] = {
    "none": None,
    "phase turned": planted._turned,
    "phase computed": planted._computed,
    "angles doubled": planted._doubled,
    "mirrored vertical orbit": planted._mirrored,
    "orbits disagree": planted._other_gain,
    "files exchanged": planted._exchanged,
    "filled low end": planted._held_low_end,
}


def sessions(count: int, seed: int) -> None:
    print(f"{'planted':<26}{'sessions':>9}{'told':>6}{'told beside it':>16}")
    for number, (flag, plant) in enumerate(MISTAKES.items()):
        random = np.random.default_rng([seed, number])
        told, beside = 0, Counter()
        for _ in range(count):
            rows = planted.rows_of(random)
            if plant is not None:
                plant(rows)
            found = {one.id for one in planted.flags_of(rows) if one.severity != "info"}
            told += flag in found
            beside.update(found - {flag})
        others = ", ".join(f"{name} {times}" for name, times in beside.most_common()) or "nothing"
        print(f"{flag:<26}{count:>9}{told:>6}   {others}", flush=True)


def curves(draws: int, seed: int) -> None:
    print(f"\n{'trace':<44}{'draws':>7}{'right':>7}{'wrong':>7}{'false, of as many without it':>30}")

    def row(name: str, right: int, wrong: int, false: int, of: int = draws) -> None:
        print(f"{name:<44}{of:>7}{right:>7}{wrong:>7}{false:>30}", flush=True)

    for per_octave in (3, 6, 12):
        random = np.random.default_rng([seed, 1, per_octave])
        found, bare = [], 0
        for draw in range(draws):
            room = traces.in_room(random, traces.loudspeaker(random))
            done = np.round(traces.smoothed_db(room, per_octave, even=draw % 2 == 0), 2)
            found.append(smoothing_per_octave(traces.LOG_HZ, done[None, :]))
            bare += smoothing_per_octave(traces.LOG_HZ, np.round(traces.level_db(room), 2)[None, :]) > 0
        near = [one > 0 and abs(np.log2(one / per_octave)) <= 0.5 for one in found]
        row(f"smoothing over 1/{per_octave} octave, one curve", sum(near), sum(f > 0 for f in found) - sum(near), bare)
    random = np.random.default_rng([seed, 2])
    right = wrong = false = 0
    for _ in range(draws):
        room = traces.in_room(random, traces.loudspeaker(random), -14.0)
        length = random.uniform(3e-3, 12e-3)
        cut = traces.gated(room, length)
        end = end_from_levels_s(traces.HZ[1:], 20 * np.log10(np.maximum(np.abs(cut[1:]), 1e-6))) or 0.0
        right += 0.7 * length < end < 1.3 * length
        wrong += not 0.5 * length < end < 2.0 * length
        false += (end_from_levels_s(traces.HZ[1:], 20 * np.log10(np.abs(room[1:]))) or 1.0) < 12e-3
    row("end of a gate of 3 to 12 ms, by levels", right, wrong, false)
    random = np.random.default_rng([seed, 3])
    fine = 50.0 * 2 ** (np.arange(8 * 48) / 48)
    right = wrong = false = 0
    for _ in range(draws):
        level = 20 * np.log10(np.abs(traces.gated(traces.in_room(random, traces.loudspeaker(random)), 0.05)))
        native = random.uniform(8.0, 30.0)
        bins = np.arange(native, 24_001, native)
        step = drawn_from_step_hz(fine, np.round(np.interp(fine, bins, np.interp(bins, traces.HZ, level)), 3), 0.001)
        near = min(abs(step - native), abs(2 * step - native)) < 0.03 * native
        right += near
        wrong += step > 0 and not near
        false += drawn_from_step_hz(fine, np.round(np.interp(fine, traces.HZ, level), 3), 0.001) > 8.0
    row("straight lines between points 8 to 30 Hz apart", right, wrong, false)
    random = np.random.default_rng([seed, 4])
    right = wrong = false = 0
    for _ in range(draws):
        clean = np.fft.irfft(traces.in_room(random, traces.loudspeaker(random)))[:8192]
        snr = random.uniform(5.0, 35.0)
        noise = random.standard_normal(clean.size) * np.sqrt(np.mean(clean**2)) * 10 ** (-snr / 20)
        told = flat_tail_snr_db(clean + noise)
        near = told is not None and abs(told - 10 * np.log10(1 + 10 ** (snr / 10))) < 1.5
        right += near
        wrong += told is not None and not near
        false += flat_tail_snr_db(clean) is not None
    row("noise 5 to 35 dB under an impulse response", right, wrong, false)
    random = np.random.default_rng([seed, 5])
    inside = (traces.HZ > 20) & (traces.HZ < 20_000)
    right = false = 0
    for draw in range(draws):
        response = traces.loudspeaker(random)[inside]
        response = response * traces.crossed(random.uniform(800, 3500) if draw % 2 else None)
        response = response * np.exp(-2j * np.pi * traces.HZ[inside] * random.uniform(0.0, 3e-3))
        level, phase = 20 * np.log10(np.abs(response)), np.unwrap(np.angle(response))
        right += traces.is_turned(excess_phase(traces.HZ[inside], level, -phase))
        false += traces.is_turned(excess_phase(traces.HZ[inside], level, phase))
    row("sign of the phase turned, delays up to 3 ms", right, 0, false)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sessions", type=int, default=60)
    parser.add_argument("--draws", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1001)
    asked = parser.parse_args()
    if asked.sessions:
        sessions(asked.sessions, asked.seed)
    if asked.draws:
        curves(asked.draws, asked.seed)


if __name__ == "__main__":
    main()
