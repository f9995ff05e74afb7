"""Can the level be? What a loudspeaker of that size can do, and what else speaks for a wrong microphone scale."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from earwitness.quantities import REFERENCE_PRESSURE_PA, BoolArray, FloatArray, QualityFlag
from earwitness.reduce.doubt.recordings import Witness
from earwitness.reduce.flags import flag, limits
from earwitness.session.record import Loudspeaker
from earwitness.standards.exposure import a_weight_db

# Own choices, tried on a simulated population: tests/reduce/doubt/test_level_doubt.py. The efficiency constants are
# those of Small 1972, 1973 (relation from memory, numbers too).
LIMITS = limits("level")
# Mean and standard deviation of what is usual, and how probable a wrong scale of so many decibels is beforehand.
_NOISE_DBA, _FULL_SCALE_DB, _UNDER_BOUND_DB = (34.0, 8.0), (127.0, 7.0), (-6.0, 4.0)
_CLAIM_DB, _CLAIM_FAR_DB, _FAR_SHARE = (-1.0, 1.5), (-1.0, 8.0), 0.03
_WRONG = ((20.0, 0.01), (10.0, 0.005), (6.0, 0.005), (30.0, 0.002))
BAND_HZ = (300.0, 3000.0)
DIGITAL_SILENCE_DBA = -6.0
_IMPEDANCE_TO_RATING = (0.4, 2.2)


@dataclass(frozen=True, slots=True)
class LevelEvidence:
    """What bears on the microphone's scale; None where it is not known.

    level_db : mean on axis from 300 Hz to 3 kHz at 1 m for 2.83 V; bound_db : the most that efficiency, bandwidth and
    volume allow; excursion_db : level over what the cones can move at the lower limit; noise_dba : of the silence;
    full_scale_db : level that fills the recorder; claim_db : sensitivity that the maker claims
    """

    level_db: float | None
    bound_db: float | None
    excursion_db: float | None
    noise_dba: float | None
    full_scale_db: float | None
    claim_db: float | None


def lower_limit_hz(level_db: FloatArray, hz: FloatArray, valid: BoolArray, mean_db: float) -> float:
    """Where a level (F,) first stays 3 dB under its mean, down from 300 Hz; its lowest valid frequency before that."""
    rows = np.flatnonzero(valid & (hz <= BAND_HZ[0]))[::-1]
    lowest = BAND_HZ[0]
    for row in rows:
        if level_db[row] < mean_db - 3.0:
            return float(hz[row])
        lowest = float(hz[row])
    return lowest


def efficiency_bound_db(f3_hz: float, volume_m3: float, *, vented: bool, lowest_ohm: float) -> float:
    """Highest mid-band level at 2.83 V and 1 m of a direct radiator [dB]: k f3^3 V (Small 1972, 1973, from memory)."""
    share = LIMITS["efficiency_vented" if vented else "efficiency_closed"] * f3_hz**3 * volume_m3
    return LIMITS["half_space_1w_db"] + 10.0 * math.log10(min(share, 0.1)) + 10.0 * math.log10(8.0 / lowest_ohm)


def excursion_level_db(frequency_hz: float, area_m2: float, peak_m: float, *, density: float = 1.2) -> float:
    """Level at 1 m [dB rms] of a cone in free field that moves peak_m: rho (2 pi f)^2 S x / (4 pi sqrt 2)."""
    pressure = density * (2.0 * math.pi * frequency_hz) ** 2 * area_m2 * peak_m / (4.0 * math.pi * math.sqrt(2.0))
    return 20.0 * math.log10(pressure / REFERENCE_PRESSURE_PA)


def evidence_of(
    loudspeaker: Loudspeaker,
    level_db: FloatArray,
    hz: FloatArray,
    valid: BoolArray,
    *,
    noise: FloatArray | None,
    fs_per_pa: float,
    lowest_ohm: float | None,
) -> LevelEvidence:
    """The evidence of a session. level_db, valid (F,) : on axis at 1 m for 2.83 V; noise (F,) : two-sided density
    [Pa^2/Hz]; lowest_ohm : of the measured impedance."""
    inside = (hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1])
    mean = None
    if np.all(valid[inside]):
        mean = 10.0 * math.log10(max(float(np.mean(10.0 ** (level_db[inside] / 10.0))), 1e-30))
    bound = excursion = None
    direct = not loudspeaker.powered and loudspeaker.type not in ("horn", "in-wall")
    sealed = loudspeaker.enclosure in ("closed", "vented", "passive radiator")
    cones = [one for one in loudspeaker.drivers if one.kind == "cone"]
    if mean is not None and direct and sealed and cones:
        vented = loudspeaker.enclosure != "closed"
        f3 = lower_limit_hz(level_db, hz, valid, mean)
        outer = loudspeaker.width_m * loudspeaker.height_m * loudspeaker.depth_m
        ohm = lowest_ohm or 0.8 * (loudspeaker.rated_impedance_ohm or 4.0)
        volume = LIMITS["net_share_of_outer_volume"] * outer
        bound = efficiency_bound_db(f3, volume, vented=vented, lowest_ohm=ohm)
        area = sum(one.count * math.pi / 4.0 * one.diameter_m**2 for one in cones)
        reach = LIMITS["excursion_of_diameter"] * max(one.diameter_m for one in cones)
        at_hz, at_db = (2.0 * f3, mean) if vented else (f3, mean - 3.0)
        excursion = at_db - excursion_level_db(at_hz, area, reach)
    full_scale = 20.0 * math.log10(1.0 / (math.sqrt(2.0) * fs_per_pa * REFERENCE_PRESSURE_PA))
    quiet = None if noise is None else a_weighted_db(noise, hz)
    # Digital silence is no room: nothing is told by it.
    quiet = None if quiet is not None and quiet < DIGITAL_SILENCE_DBA else quiet
    return LevelEvidence(mean, bound, excursion, quiet, full_scale_db=full_scale, claim_db=claimed_db(loudspeaker))


def claimed_db(loudspeaker: Loudspeaker) -> float | None:
    """The sensitivity that the maker claims, at 2.83 V."""
    for claim in loudspeaker.claims:
        if claim.quantity == "sensitivity":
            return claim.value
        if claim.quantity == "sensitivity 1 W" and loudspeaker.rated_impedance_ohm:
            return claim.value + 10.0 * math.log10(8.0 / loudspeaker.rated_impedance_ohm)
    return None


def a_weighted_db(density: FloatArray, hz: FloatArray) -> float:
    """Level in dB(A) of a two-sided density (F,) [Pa^2/Hz]."""
    power = float(np.trapezoid(2.0 * density * 10.0 ** (a_weight_db(hz) / 10.0), hz))
    return 10.0 * math.log10(max(power, 1e-30) / REFERENCE_PRESSURE_PA**2)


def log_odds(evidence: LevelEvidence) -> tuple[float, float]:
    """Largest log odds of a wrong microphone scale against a right one, and its size [dB]."""
    right = _log_likelihood(evidence, 0.0)
    every = [(_log_likelihood(evidence, sign * d) + math.log(p), sign * d) for d, p in _WRONG for sign in (1.0, -1.0)]
    best, size = max(every)
    return best - right, size


def level_flags(evidence: LevelEvidence) -> list[QualityFlag]:
    """Refused where a bound is broken, asked where a wrong scale is more probable than a right one, else told where
    the level stands off the claim."""
    if evidence.level_db is None:
        return []
    refused = [words for far, words in _broken(evidence) if far]
    asked = [words for far, words in _broken(evidence) if not far]
    off = None if evidence.claim_db is None else evidence.level_db - evidence.claim_db
    if off is not None and not -LIMITS["claim_below_db"] <= off <= LIMITS["claim_above_db"]:
        asked.append(f"{off:+.1f} dB from the {evidence.claim_db:.1f} dB that the maker claims")
    odds, size = log_odds(evidence)
    if odds > LIMITS["log_odds_ask"] and not refused and not asked:
        asked.append("silence, full scale, claim and size together fit a scale that is right less well")
    if refused or asked:
        guess = f" A microphone scale wrong by {size:+.0f} dB would explain it." if odds > 0.0 else ""
        told: dict[str, Any] = {
            "level_db": evidence.level_db,
            "reasons": "; ".join((refused or asked)[:2]),
            "guess": guess,
        }
        return [flag("level_refused" if refused else "level_in_doubt", odds, band_hz=BAND_HZ, **told)]
    if off is not None and abs(off) > LIMITS["claim_told_db"]:
        way = "above" if off > 0 else "below"
        return [flag("level_and_claim", off, LIMITS["claim_told_db"], band_hz=BAND_HZ, way=way)]
    return []


LEVEL = "level"


def refuses_level(flags: Sequence[QualityFlag]) -> bool:
    """Whether absolute levels were judged unusable."""
    return any(flag.id == LEVEL and flag.severity == "reject" for flag in flags)


def doubt_of_level(flags: Sequence[QualityFlag]) -> str:
    """Why the absolute level is in doubt, "" where it is not: a claim is not confirmed by it then."""
    return next((flag.sentence for flag in flags if flag.id == LEVEL and flag.severity != "info"), "")


def rating_flags(lowest_ohm: float | None, rated_ohm: float | None, take: str) -> list[QualityFlag]:
    """A measured minimum that no loudspeaker of that rating has: a wrong resistor, or a slip in the rating."""
    if lowest_ohm is None or rated_ohm is None:
        return []
    ratio = lowest_ohm / rated_ohm
    if _IMPEDANCE_TO_RATING[0] <= ratio <= _IMPEDANCE_TO_RATING[1]:
        return []
    limit = _IMPEDANCE_TO_RATING[0 if ratio < 1.0 else 1]
    ohm = (lowest_ohm, rated_ohm)
    return [flag("impedance_and_rating", ratio, limit, takes=(take,) if take else (), ohm=ohm)]


def _broken(evidence: LevelEvidence) -> list[tuple[bool, str]]:
    """Bounds that are passed: far enough to refuse, and words."""
    found = []
    if evidence.bound_db is not None and evidence.level_db is not None:
        over = evidence.level_db - evidence.bound_db
        if over > LIMITS["over_ask_db"]:
            words = f"{over:.0f} dB more than a box of that size with that bass can have"
            found.append((over > LIMITS["over_refuse_db"], words))
    if evidence.excursion_db is not None and evidence.excursion_db > LIMITS["excursion_ask_db"]:
        words = f"cones of that size cannot move {evidence.excursion_db:.0f} dB more than they can"
        found.append((evidence.excursion_db > LIMITS["excursion_refuse_db"], words))
    if evidence.noise_dba is not None and evidence.noise_dba < LIMITS["noise_least_dba"]:
        words = f"the silence would have {evidence.noise_dba:.0f} dB(A), less than any room and microphone"
        found.append((True, words))
    full = evidence.full_scale_db
    if full is not None and not LIMITS["full_scale_least_db"] <= full <= LIMITS["full_scale_most_db"]:
        found.append((True, f"the recorder would be full at {full:.0f} dB"))
    return found


def _normal(x: float, usual: tuple[float, float]) -> float:
    return -0.5 * ((x - usual[0]) / usual[1]) ** 2 - math.log(usual[1])


def _log_likelihood(evidence: LevelEvidence, wrong_db: float) -> float:
    """Of all that is known, if levels read so many decibels too high."""
    total = 0.0
    if evidence.level_db is not None and evidence.bound_db is not None:
        total += _normal(evidence.level_db - evidence.bound_db - wrong_db, _UNDER_BOUND_DB)
    if evidence.noise_dba is not None:
        total += _normal(evidence.noise_dba - wrong_db, _NOISE_DBA)
    if evidence.full_scale_db is not None:
        total += _normal(evidence.full_scale_db - wrong_db, _FULL_SCALE_DB)
    if evidence.level_db is not None and evidence.claim_db is not None:
        off = evidence.level_db - evidence.claim_db - wrong_db
        near, far = _normal(off, _CLAIM_DB), math.log(_FAR_SHARE) + _normal(off, _CLAIM_FAR_DB)
        total += float(np.logaddexp(near, far))
    return total


# Own choices: a voltmeter and a divider agree within half a decibel; steps of one output within far less.
VOLTS = limits("voltage")


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
        if known and abs(float(np.median([*off.values()]))) < VOLTS["step_db"]
        else float(np.median([*off.values()]))
    )
    odd = {take: db - usual for take, db in off.items() if abs(db - usual) > VOLTS["step_db"]}
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
    if volts_per_fs is not None and abs(usual) > VOLTS["ask_db"]:
        flags.append(_contradiction(usual, others, stated, volts_per_fs))
    limit = VOLTS["ask_db"] if volts_per_fs is not None else VOLTS["drift_db"]
    odd = {take: db - usual for take, db in off.items() if abs(db - usual) > limit}
    if odd:
        worst = max(odd, key=lambda take: abs(odd[take]))
        moved = "the output's level, or the loop-back's gain, moved"
        follows = moved if volts_per_fs is None else "levels follow the loop-back"
        flags.append(flag("loop_back_level", odd[worst], limit, takes=tuple(odd), follows=follows))
    mended = corrected_steps(heard, stated, level_takes, known=volts_per_fs is not None)
    if mended:
        told = ", ".join(f"{take}: {stated[take]:g} V stated, {volts:.3g} V recorded" for take, volts in mended.items())
        largest = max(abs(20.0 * math.log10(volts / stated[take])) for take, volts in mended.items())
        flags.append(flag("level_step", largest, VOLTS["step_db"], takes=tuple(mended), told=told))
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
    if abs(off) <= VOLTS["ask_db"]:
        return []
    return [flag("loud_voltage", off, VOLTS["ask_db"], takes=(take,), heard=heard, kind=kind, stated_v=stated_v)]


def _contradiction(
    usual_db: float, heard: Mapping[str, float], stated: Mapping[str, float], volts_per_fs: float
) -> QualityFlag:
    take = min(heard, key=lambda one: abs(20.0 * math.log10(heard[one] / stated[one]) - usual_db))
    far = abs(usual_db) > VOLTS["refuse_db"]
    limit = VOLTS["refuse_db" if far else "ask_db"]
    told: dict[str, Any] = {"volts_per_fs": volts_per_fs, "heard_v": heard[take], "stated_v": stated[take]}
    return flag("voltages_refused" if far else "two_voltages", usual_db, limit, **told)
