"""Two facts for one voltage: what is stated, and what the loop-back holds."""

import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

import numpy as np

from earwitness.quantities import QualityFlag
from earwitness.quantities.arrays import FloatArray
from earwitness.reduce.doubt.witness import Witness
from earwitness.reduce.flags import flag

# Own choices: a voltmeter and a divider agree within half a decibel; steps of one output within far less.
LIMITS = MappingProxyType({"ask_db": 0.5, "refuse_db": 3.0, "step_db": 0.2, "drift_db": 0.3})


def loop_volts(witnesses: Sequence[Witness], volts_per_fs: float | None) -> dict[str, float]:
    """Rms voltage of the sweep by take, as the loop-back has it; without volts_per_fs in an unknown unit."""
    scale = (volts_per_fs or 1.0) / math.sqrt(2.0)
    return {
        one.take: one.sweep.gain * scale
        for one in witnesses
        if one.sweep is not None and one.sweep.loop and one.sweep.gain > 0.0 and abs(one.sweep.rate_error) < 0.01
    }


def off_db(heard: Mapping[str, float], stated: Mapping[str, float]) -> dict[str, float]:
    return {take: 20.0 * math.log10(volts / stated[take]) for take, volts in heard.items()}


def corrected_steps(
    heard: Mapping[str, float], stated: Mapping[str, float], level_takes: Sequence[str], *, known: bool
) -> dict[str, float]:
    """Voltages of level takes whose stated one does not fit the loop-back, by the ratio to the others' [V].

    known : the loop-back's own voltage is stated. Where most steps do not fit, the loop-back was tapped before the
    knob that made them, and nothing is corrected.
    """
    steps = [take for take in level_takes if take in heard]
    if len(steps) < 2:
        return {}
    off = off_db({take: heard[take] for take in steps}, stated)
    usual = (
        0.0
        if known and abs(float(np.median([*off.values()]))) < LIMITS["step_db"]
        else float(np.median([*off.values()]))
    )
    odd = {take: db - usual for take, db in off.items() if abs(db - usual) > LIMITS["step_db"]}
    if not odd or 2 * len(odd) >= len(steps):
        return {}
    return {take: stated[take] * 10.0 ** (db / 20.0) for take, db in odd.items()}


def voltage_flags(
    heard: Mapping[str, float], stated: Mapping[str, float], level_takes: Sequence[str], *, volts_per_fs: float | None
) -> list[QualityFlag]:
    """Stated voltages that the loop-back contradicts: all alike, some takes, or steps of the level series."""
    others = {take: volts for take, volts in heard.items() if take not in level_takes}
    flags: list[QualityFlag] = []
    if not others:
        return flags
    off = off_db(others, stated)
    usual = float(np.median([*off.values()]))
    if volts_per_fs is not None and abs(usual) > LIMITS["ask_db"]:
        flags.append(_contradiction(usual, others, stated, volts_per_fs))
    limit = LIMITS["ask_db"] if volts_per_fs is not None else LIMITS["drift_db"]
    odd = {take: db - usual for take, db in off.items() if abs(db - usual) > limit}
    if odd:
        worst = max(odd, key=lambda take: abs(odd[take]))
        follows = (
            "levels follow the loop-back"
            if volts_per_fs is not None
            else "the output's level, or the loop-back's gain, moved"
        )
        flags.append(flag("loop_back_level", odd[worst], limit, takes=tuple(odd), follows=follows))
    mended = corrected_steps(heard, stated, level_takes, known=volts_per_fs is not None)
    if mended:
        told = ", ".join(f"{take}: {stated[take]:g} V stated, {volts:.3g} V recorded" for take, volts in mended.items())
        largest = max(abs(20.0 * math.log10(volts / stated[take])) for take, volts in mended.items())
        flags.append(flag("level_step", largest, LIMITS["step_db"], takes=tuple(mended), told=told))
    return flags


def loud_volts_flags(
    loop_v: FloatArray, rate_hz: float, stated_v: float, take: str, stretch_s: tuple[float, float] | None
) -> list[QualityFlag]:
    """The voltage of a take that is no sweep against its loop-back (N,) [V]: rms over a stretch, or peak
    without one."""
    if stretch_s is None:
        heard, kind = float(np.max(np.abs(loop_v), initial=0.0)), "peak"
    else:
        cut = loop_v[round(stretch_s[0] * rate_hz) : round(stretch_s[1] * rate_hz)]
        heard, kind = float(np.sqrt(np.mean(np.square(cut)))) if cut.size else 0.0, "rms"
    if not heard > 0.0:
        return []
    off = 20.0 * math.log10(heard / stated_v)
    if abs(off) <= LIMITS["ask_db"]:
        return []
    return [flag("loud_voltage", off, LIMITS["ask_db"], takes=(take,), heard=heard, kind=kind, stated_v=stated_v)]


def _contradiction(
    usual_db: float, heard: Mapping[str, float], stated: Mapping[str, float], volts_per_fs: float
) -> QualityFlag:
    take = min(heard, key=lambda one: abs(20.0 * math.log10(heard[one] / stated[one]) - usual_db))
    far = abs(usual_db) > LIMITS["refuse_db"]
    limit = LIMITS["refuse_db" if far else "ask_db"]
    told: dict[str, Any] = {"volts_per_fs": volts_per_fs, "heard_v": heard[take], "stated_v": stated[take]}
    return flag("voltages_refused" if far else "two_voltages", usual_db, limit, **told)
