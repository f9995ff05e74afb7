"""Every test signal as a file with a sidecar that says what it is."""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from earwitness.dsp.limiter import RANGE_DB, STEP_DB, limiter_tone
from earwitness.dsp.multitone import TONES, make_multitone
from earwitness.dsp.signals import CYCLES, burst, crest_db, pink_noise, tone, two_tone
from earwitness.dsp.sweep import fade_envelope, sweep_law, sweep_samples
from earwitness.errors import InputError, cannot_write
from earwitness.formats.audio import write_audio
from earwitness.quantities import FloatArray
from earwitness.standards.cta2010 import EXTENDED_HZ, LOW_HZ, ULTRA_LOW_HZ

FORMAT = 1
LEAD_IN_S = 0.5
TAIL_S = 1.0
SAFETY = (
    "Start at a low level, wear hearing protection, keep others out of the room. Loud tones and sweeps can destroy "
    "a driver. Amplifier terminals can carry dangerous voltage; bridged outputs must not be grounded. The rules of "
    "your place go first."
)
Fact = str | int | float | bool | list[int] | list[float]


@dataclass(frozen=True, slots=True)
class SignalPlan:
    """What is written.

    peak_dbfs : highest sample of every file; rate_hz; sweep_* : the synchronized sweep; tones, period_s, periods,
    crest_db : the multitone, None for the lowest crest factor found; pair_hz : of the two-tone signal, made of whole
    hertz; burst_hz; limiter_hz : of the limiter tones; noise_s; tone_hz : of the calibration tone.
    """

    peak_dbfs: float = -12.0
    rate_hz: int = 48_000
    sweep_low_hz: float = 10.0
    sweep_high_hz: float = 22_000.0
    sweep_s: float = 6.0
    tones: int = TONES
    period_s: float = 1.0
    periods: int = 4
    crest_db: float | None = None
    pair_hz: tuple[float, float] = (60.0, 7000.0)
    pair_s: float = 4.0
    burst_hz: tuple[float, ...] = (*ULTRA_LOW_HZ, *LOW_HZ, *EXTENDED_HZ)
    limiter_hz: tuple[float, ...] = (60.0, 250.0, 1000.0, 4000.0)
    noise_s: float = 30.0
    tone_hz: float = 1000.0
    tone_s: float = 10.0


@dataclass(frozen=True, slots=True)
class Written:
    """A file that was written and its sidecar."""

    audio: Path
    sidecar: Path


@dataclass(frozen=True, slots=True, eq=False)
class _Signal:
    name: str
    samples: FloatArray
    facts: Mapping[str, Fact]


def write_signals(folder: Path, plan: SignalPlan | None = None) -> tuple[Written, ...]:
    """Write every test signal of the plan as 24-bit WAV with a JSON sidecar of the same name.

    No sample is above peak_dbfs, every signal starts and ends in silence and fades at both ends. Files that are there
    are not overwritten. InputError for a peak above full scale, an existing file or an impossible signal;
    OutputError where the folder cannot be written.
    """
    wanted = SignalPlan() if plan is None else plan
    _check(wanted)
    signals = _signals(wanted)
    paths = [Written(folder / f"{one.name}.wav", folder / f"{one.name}.json") for one in signals]
    for there in (path for pair in paths for path in (pair.audio, pair.sidecar)):
        if there.exists():
            raise InputError.of("session.signal_there", where=str(there))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for one, path in zip(signals, paths, strict=True):
            _write(one, path, wanted)
    except OSError as error:
        raise cannot_write("a test signal", folder, error) from None
    return tuple(paths)


def _check(plan: SignalPlan) -> None:
    if not (math.isfinite(plan.peak_dbfs) and plan.peak_dbfs <= 0.0):
        raise InputError.of("session.peak_above_full_scale", plan=plan)
    if plan.periods < 2 or plan.period_s <= 0.0:
        raise InputError.of("session.too_few_periods", plan=plan)
    low, high = plan.pair_hz
    if round(low) != low or round(high) != high:
        raise InputError.of("session.tones_not_whole", low=low, high=high)


def _signals(plan: SignalPlan) -> tuple[_Signal, ...]:
    return (
        _sweep(plan),
        _multitone(plan),
        _pair(plan),
        *(_burst(plan, hz) for hz in plan.burst_hz),
        *(_limiter(plan, hz) for hz in plan.limiter_hz),
        _noise(plan),
        _calibration(plan),
    )


def _sweep(plan: SignalPlan) -> _Signal:
    law = sweep_law(plan.sweep_low_hz, plan.sweep_high_hz, plan.sweep_s, rounded=True)
    fade_in, fade_out = 0.08, 0.004
    facts: dict[str, Fact] = {
        "kind": "sweep",
        "form": "synchronized",
        "start_hz": law.start_hz,
        "stop_hz": law.stop_hz,
        "duration_s": law.duration_s,
        "fade_in_s": fade_in,
        "fade_out_s": fade_out,
    }
    return _Signal("sweep", sweep_samples(law, plan.rate_hz, fade_in_s=fade_in, fade_out_s=fade_out), facts)


def _multitone(plan: SignalPlan) -> _Signal:
    period = round(plan.period_s * plan.rate_hz)
    high = min(20_000.0, 0.45 * plan.rate_hz)
    made = make_multitone(period, plan.rate_hz, count=plan.tones, high_hz=high, wanted_crest_db=plan.crest_db)
    ramp = min(round(0.1 * plan.rate_hz), period)
    # A faded piece before and after the whole periods, so that these stay whole.
    whole = np.tile(made.samples, plan.periods + 2)[period - ramp : -(period - ramp) or None]
    facts: dict[str, Fact] = {
        "kind": "multitone",
        "tones": plan.tones,
        "frequency_hz": [float(hz) for hz in made.frequency_hz],
        "period_s": period / plan.rate_hz,
        "periods": plan.periods,
        "run_in_s": LEAD_IN_S + (ramp + period) / plan.rate_hz,
        "phases": f"random, seed {made.seed}, chosen for its crest factor",
        "crest_factor_of_period_db": made.crest_db,
    }
    return _Signal("multitone", whole * fade_envelope(whole.size, ramp, ramp), facts)


def _pair(plan: SignalPlan) -> _Signal:
    low, high = plan.pair_hz
    facts: dict[str, Fact] = {
        "kind": "two-tone",
        "low_hz": low,
        "high_hz": high,
        "amplitude_ratio": 4.0,
        "duration_s": plan.pair_s,
    }
    return _Signal("two-tone", two_tone(low, high, plan.pair_s, plan.rate_hz), facts)


def _burst(plan: SignalPlan, frequency_hz: float) -> _Signal:
    facts: dict[str, Fact] = {
        "kind": "burst",
        "frequency_hz": frequency_hz,
        "cycles": CYCLES,
        "shape": "sine under a Hann window, after ANSI/CTA-2010 as application notes describe it",
        "duration_s": CYCLES / frequency_hz,
    }
    return _Signal(f"burst-{frequency_hz:g}hz".replace(".", "p"), burst(frequency_hz, plan.rate_hz), facts)


def _limiter(plan: SignalPlan, frequency_hz: float) -> _Signal:
    facts: dict[str, Fact] = {"kind": "limiter", "frequency_hz": frequency_hz, "range_db": RANGE_DB, "step_db": STEP_DB}
    return _Signal(f"limiter-{frequency_hz:g}hz", limiter_tone(frequency_hz, plan.rate_hz), facts)


def _noise(plan: SignalPlan) -> _Signal:
    high = min(20_000.0, 0.45 * plan.rate_hz)
    facts: dict[str, Fact] = {
        "kind": "noise",
        "spectrum": "equal power per octave",
        "low_hz": 20.0,
        "high_hz": high,
        "duration_s": plan.noise_s,
        "seed": 1,
    }
    return _Signal("noise", pink_noise(plan.noise_s, plan.rate_hz, high_hz=high, seed=1), facts)


def _calibration(plan: SignalPlan) -> _Signal:
    facts: dict[str, Fact] = {
        "kind": "calibration tone",
        "frequency_hz": plan.tone_hz,
        "duration_s": plan.tone_s,
        "use": "set the level: rms voltage of this sine at the terminals, same gain as the sweep",
    }
    return _Signal("calibration-tone", tone(plan.tone_hz, plan.tone_s, plan.rate_hz), facts)


def _write(one: _Signal, path: Written, plan: SignalPlan) -> None:
    """The file and what is true of it as written."""
    # A step of 24 bits is left, so that rounding cannot pass the peak asked for.
    ceiling = 10.0 ** (plan.peak_dbfs / 20.0) - 2.0**-23
    shaped = one.samples * (ceiling / float(np.max(np.abs(one.samples))))
    lead, tail = (np.zeros(round(time_s * plan.rate_hz)) for time_s in (LEAD_IN_S, TAIL_S))
    write_audio(path.audio, np.concatenate([lead, shaped, tail]), plan.rate_hz)
    facts = {
        "format": FORMAT,
        "file": path.audio.name,
        **one.facts,
        "sample_rate_hz": plan.rate_hz,
        "lead_in_s": LEAD_IN_S,
        "tail_s": TAIL_S,
        "peak_dbfs": round(20.0 * math.log10(float(np.max(np.abs(shaped)))), 3),
        "rms_dbfs": round(10.0 * math.log10(float(np.mean(shaped**2))), 3),
        "crest_factor_db": round(crest_db(shaped), 3),
        "safety": SAFETY,
    }
    path.sidecar.write_text(json.dumps(facts, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
