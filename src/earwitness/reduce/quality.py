"""Red flags: what the recordings themselves say against a measurement, and every check of `doubt` over a session."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from earwitness.quantities import REFERENCE_PRESSURE_PA, REFERENCE_VOLTAGE_V, Impedance, NearField, QualityFlag
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray
from earwitness.quantities.directions import Orbit
from earwitness.quantities.measurement import Gate, Severity, Splice
from earwitness.reduce.arrival import ArrivalTimes
from earwitness.reduce.deconvolve import DeconvolvedTakes, SweepTake, role_of
from earwitness.reduce.doubt.facts import (
    correction_flags,
    cutoff_flags,
    echo_flags,
    echo_of,
    fact_flags,
    late_db,
    room_flags,
)
from earwitness.reduce.doubt.level import (
    corrected_steps,
    evidence_of,
    level_flags,
    loop_volts,
    rating_flags,
    voltage_flags,
)
from earwitness.reduce.doubt.recordings import damage_flags, riding_flags, sweep_flags, turned_gain_flags
from earwitness.reduce.doubt.stimulus import Cause, cone_phase_flags
from earwitness.reduce.flags import THRESHOLDS, TakeFacts, by_angle, flag, wrapped_deg
from earwitness.reduce.orbit_checks import gain_flags, late_flags, mirrored_flags
from earwitness.reduce.plan import Plan, nearest_to_axis
from earwitness.session.session import ImpedanceTableTake, ImpedanceTake


def take_flags(
    facts: Sequence[TakeFacts], *, speed_of_sound: float, blur_m: float = 0.0, recess_m: float = 0.0
) -> list[QualityFlag]:
    """Clipping, silence, delay against distance, level jumps, polarity, energy ahead of the sound, mixed rates.

    blur_m : how finely a distance can be told from the sound, about a wavelength of its highest tones
    recess_m : how far a horn may lie behind the reference point
    """
    flags: list[QualityFlag] = []
    flags += _clipping(facts)
    flags += _silence(facts)
    flags += _distance(facts, speed_of_sound, blur_m, recess_m)
    flags += level_jumps(facts)
    flags += _level_repeats(facts)
    flags += _polarity(facts)
    flags += _non_causal(facts)
    flags += _rates(facts)
    return flags


def stimulus_flags(spread_s: float | None, take: str) -> list[QualityFlag]:
    """Bass and treble that come apart in a take divided by what the session describes; see arrival.spread_s."""
    limit = THRESHOLDS["spread_ms"]
    if spread_s is None or 1e3 * abs(spread_s) <= limit:
        return []
    way = "after" if spread_s > 0 else "before"
    return [flag("treble_late", 1e3 * spread_s, limit, takes=(take,), band_hz=(500.0, 20_000.0), way=way)]


def snr_flags(snr_db: FloatArray, hz: FloatArray, valid: BoolArray, take_ids: Sequence[str]) -> list[QualityFlag]:
    """Signal-to-noise ratio (D, F) below 30 dB (warn) or 20 dB (reject) where results are shown; one flag each."""
    flags: list[QualityFlag] = []
    hide, warn = THRESHOLDS["snr_hide_db"], THRESHOLDS["snr_warn_db"]
    unknown, uncertain = snr_db < hide, (snr_db >= hide) & (snr_db < warn)
    classes: tuple[tuple[BoolArray, Severity, float, str], ...] = (
        (valid & unknown, "reject", hide, "the level there is not known"),
        (valid & uncertain, "warn", warn, "the level there is uncertain by several tenths of a dB"),
    )
    for bad, severity, limit, consequence in classes:
        if not bad.any():
            continue
        columns = np.flatnonzero(bad.any(axis=0))
        takes = tuple(take_ids[int(row)] for row in np.flatnonzero(bad.any(axis=1)))
        lowest = float(np.min(snr_db[bad]))
        band = (float(hz[columns[0]]), float(hz[columns[-1]]))
        flags.append(flag("snr", lowest, limit, takes=takes, band_hz=band, severity=severity, consequence=consequence))
    return flags


def gate_flags(facts: Sequence[TakeFacts], gate: Gate, reflections_s: Sequence[float]) -> list[QualityFlag]:
    """Reflections inside the gate: by geometry, and as echoes in the impulse responses at a predicted time.

    reflections_s : predicted times of reflections after the direct sound [s].
    """
    inside = sorted(t for t in reflections_s if t < gate.end_s)
    flags: list[QualityFlag] = []
    if inside:
        flags.append(flag("reflection_expected", inside[0] * 1e3, gate.end_s * 1e3))
    limit, match = THRESHOLDS["reflection_db"], THRESHOLDS["reflection_match_s"]
    seen: dict[str, float] = {}
    for fact in facts:
        if fact.orbit is None:
            continue
        for time_s, level_db in _echoes(fact, gate.end_s):
            if level_db > limit and any(abs(time_s - t) < match for t in inside):
                seen[fact.id] = max(level_db, seen.get(fact.id, -np.inf))
    if seen:
        flags.append(flag("reflection", max(seen.values()), limit, takes=tuple(seen)))
    return flags


def splice_flags(report: Splice) -> list[QualityFlag]:
    """Near field and far field that disagree where they meet."""
    band = (report.low_hz, report.high_hz)
    gain = report.gain_db - report.expected_gain_db
    # A slope over a narrow overlap is asked about by what it amounts to there.
    octaves = np.log2(report.high_hz / report.low_hz)
    slope = abs(report.slope_db_per_octave)
    slope = slope if slope * octaves > THRESHOLDS["splice_spread_db"] else 0.0
    checks = (
        flag("splice_slope", slope, THRESHOLDS["splice_slope_db_per_octave"], band_hz=band),
        flag("splice_spread", report.spread_db, THRESHOLDS["splice_spread_db"], band_hz=band),
        flag("splice_level", abs(gain), THRESHOLDS["splice_gain_db"], band_hz=band),
    )
    flags = [one for one in checks if one.number > one.threshold]
    return [*flags, flag("splice_polarity", 180.0, 90.0, band_hz=band)] if report.inverted else flags


def _clipping(facts: Sequence[TakeFacts]) -> list[QualityFlag]:
    limit = THRESHOLDS["clipping_peak_fs"]
    bad = [f for f in facts if f.clipped_runs > 0 or f.peak_fs >= limit]
    if not bad:
        return []
    takes = tuple(f.id for f in bad)
    peak = max(f.peak_fs for f in bad)
    runs = sum(f.clipped_runs for f in bad)
    tops = f"{runs} flat top{'s' if runs != 1 else ''}"
    severity: Severity = "reject" if runs else "warn"
    if runs and peak < limit:
        is_or_are = "is" if len(takes) == 1 else "are"
        return [flag("cut_flat", peak, limit, takes=takes, severity=severity, tops=tops, is_or_are=is_or_are)]
    return [flag("clipping", peak, limit, takes=takes, severity=severity, tops=tops)]


def _silence(facts: Sequence[TakeFacts]) -> list[QualityFlag]:
    limit = THRESHOLDS["silence_peak_fs"]
    takes = tuple(f.id for f in facts if f.peak_fs < limit)
    if not takes:
        return []
    peak = min(f.peak_fs for f in facts)
    return [flag("silence", peak, limit, takes=takes, holds="holds" if len(takes) == 1 else "hold")]


def _distance(facts: Sequence[TakeFacts], speed_of_sound: float, blur_m: float, recess_m: float) -> list[QualityFlag]:
    """Around the back the path is longer and off the axis another driver may be nearer: wider limits there."""
    worst: dict[str, tuple[float, float]] = {}
    common = _common_excess_m(facts, speed_of_sound)
    if not -THRESHOLDS["distance_common_m"] <= common <= max(THRESHOLDS["distance_common_m"], recess_m):
        common = 0.0
    for fact in facts:
        if not fact.arrival_known or fact.orbit is None or fact.angle_deg is None:
            continue
        excess = speed_of_sound * fact.arrival_s - fact.distance_m - common
        limit = max(THRESHOLDS["distance_m"], THRESHOLDS["distance_share"] * fact.distance_m, blur_m)
        early, late = limit, limit
        if abs(wrapped_deg(fact.angle_deg)) > THRESHOLDS[f"distance_strict_{fact.orbit}_deg"]:
            # What comes late to the axis, as from deep in a horn, need not elsewhere, where another driver is first.
            early = max(limit, THRESHOLDS["distance_early_elsewhere_m"] + max(common, 0.0))
            late = max(limit, THRESHOLDS["distance_late_elsewhere_m"])
        if not -early <= excess <= late:
            worst[fact.id] = (excess, late if excess > 0 else early)
    if not worst:
        return []
    excess, limit = max(worst.values(), key=lambda pair: abs(pair[0]))
    way = "farther" if excess > 0 else "nearer"
    return [flag("distance", excess, limit, takes=tuple(worst), cm=abs(excess) * 100, way=way)]


def _common_excess_m(facts: Sequence[TakeFacts], speed_of_sound: float) -> float:
    """Median excess of the takes near the axis: a recessed driver or a filter's delay, the same in every take."""
    near = [
        speed_of_sound * fact.arrival_s - fact.distance_m
        for fact in facts
        if fact.arrival_known
        and fact.orbit is not None
        and fact.angle_deg is not None
        and abs(wrapped_deg(fact.angle_deg)) <= THRESHOLDS[f"distance_strict_{fact.orbit}_deg"]
    ]
    return float(np.median(near)) if near else 0.0


def level_jumps(facts: Sequence[TakeFacts]) -> list[QualityFlag]:
    """Takes whose level stands off their neighbors on an orbit, as after a touched gain."""
    found: dict[str, float] = {}
    orbits: tuple[Orbit, ...] = ("horizontal", "vertical")
    for orbit in orbits:
        rows = _with_shared(facts, orbit)
        angle = np.array([wrapped_deg(facts[i].angle_deg or 0.0) for i in rows])
        if len(rows) >= 7 and np.median(np.diff(angle)) <= THRESHOLDS["neighbors_within_deg"]:
            level = np.array([facts[i].band_level_db for i in rows])
            jumps = _odd_levels(level, angle, closed=360.0 - float(np.ptp(angle)) < 30.0)
            found |= {facts[rows[k]].id: jump for k, jump in jumps.items() if facts[rows[k]].orbit == orbit}
    if not found:
        return []
    jump = max(found.values(), key=abs)
    way = "above" if jump > 0 else "below"
    return [flag("level_jump", jump, THRESHOLDS["level_jump_db"], takes=tuple(found), way=way)]


def _with_shared(facts: Sequence[TakeFacts], orbit: Orbit) -> list[int]:
    """Takes of an orbit by angle, with those of the other one ahead and behind where it has none: both share them."""
    rows = by_angle(facts, orbit)
    own = {abs(wrapped_deg(facts[i].angle_deg or 0.0)) for i in rows}
    shared = {
        abs(wrapped_deg(f.angle_deg)): k
        for k, f in enumerate(facts)
        if f.orbit not in (None, orbit) and f.angle_deg is not None and abs(wrapped_deg(f.angle_deg)) in (0.0, 180.0)
    }
    rows += [k for angle, k in shared.items() if angle not in own and len(rows) >= 6]
    return sorted(rows, key=lambda i: wrapped_deg(facts[i].angle_deg or 0.0))


def _odd_levels(level_db: FloatArray, angle_deg: FloatArray, *, closed: bool) -> dict[int, float]:
    """Positions along an orbit whose level jumps, and by how much; the worst is set right before the next is sought."""
    residual = _off_neighbors(level_db, angle_deg, closed)
    spread = 1.4826 * float(np.median(np.abs(residual - np.median(residual))))
    # Behind the loudspeaker the bass itself changes fast from angle to angle.
    is_behind = np.abs(angle_deg) > THRESHOLDS["level_jump_behind_deg"]
    least = np.where(is_behind, THRESHOLDS["level_jump_behind_db"], THRESHOLDS["level_jump_db"])
    limit = np.maximum(least, THRESHOLDS["level_jump_mads"] * spread)
    level, odd = level_db.copy(), dict[int, float]()
    while np.any(np.abs(residual) > limit) and len(odd) < level.size // 3:
        worst = int(np.argmax(np.abs(residual) / limit))
        odd[worst] = odd.get(worst, 0.0) + float(residual[worst])
        level[worst] -= residual[worst]
        residual = _off_neighbors(level, angle_deg, closed)
    return odd


def _off_neighbors(level_db: FloatArray, angle_deg: FloatArray, closed: bool) -> FloatArray:
    """(T,) distance from two predictions, the smaller: the median knows the odd one, the cubic allows for curvature.

    The cubic is Lagrange's through two neighbors on each side where they stand: steps need not be even."""
    padded = np.pad(level_db, 2, mode="wrap" if closed else "reflect")
    if closed:
        places = np.pad(angle_deg, 2, mode="wrap") + np.repeat([-360.0, 0.0, 360.0], [2, level_db.size, 2])
    else:
        places = np.pad(angle_deg, 2, mode="reflect", reflect_type="odd")
    sides = (0, 1, 3, 4)
    around = np.stack([padded[k : k + level_db.size] for k in sides])
    apart = np.stack([places[k : k + level_db.size] for k in sides]) - angle_deg
    weights = [np.prod([apart[m] / (apart[m] - apart[k]) for m in range(4) if m != k], axis=0) for k in range(4)]
    cubic = level_db - np.sum(np.stack(weights) * around, axis=0)
    median = level_db - np.median(around, axis=0)
    smaller: FloatArray = np.where(np.abs(cubic) < np.abs(median), cubic, median)
    return np.where(np.sign(cubic) == np.sign(median), smaller, 0.0)


def _level_repeats(facts: Sequence[TakeFacts]) -> list[QualityFlag]:
    """The reference axis measured more than once."""
    axis = [
        f for f in facts if f.orbit is not None and f.angle_deg is not None and abs(wrapped_deg(f.angle_deg)) < 0.01
    ]
    levels = [f.band_level_db for f in axis]
    limit = THRESHOLDS["level_repeat_db"]
    if len(axis) < 2 or max(levels) - min(levels) <= limit:
        return []
    apart = max(levels) - min(levels)
    return [flag("level_repeat", apart, limit, takes=tuple(f.id for f in axis))]


def low_passed(fact: TakeFacts, high_hz: float, count: int) -> FloatArray:
    """The impulse response below `high_hz`, on `count` samples at its rate; fades out over an octave."""
    from scipy import fft

    spectrum = fft.rfft(fact.impulse, count)
    hz = fft.rfftfreq(count, 1 / fact.impulse_rate_hz)
    octaves = np.clip(np.log2(np.maximum(hz, 1e-9) / high_hz), 0.0, 1.0)
    passed: FloatArray = fft.irfft(spectrum * (0.5 + 0.5 * np.cos(np.pi * octaves)), count)
    return passed


def _polarity(facts: Sequence[TakeFacts]) -> list[QualityFlag]:
    """Against the take nearest the axis; where most are against it, it is itself the odd one."""
    placed = [f for f in facts if f.orbit is not None and f.angle_deg is not None and np.any(f.impulse)]
    rates = {f.impulse_rate_hz for f in placed}
    if len(placed) < 3 or len(rates) != 1:
        return []
    count = max(f.impulse.size for f in placed) * 2
    lag = round(1e-3 * rates.pop())
    reference = min(placed, key=lambda f: abs(wrapped_deg(f.angle_deg or 0.0)))
    high_hz = THRESHOLDS["polarity_low_pass_hz"]
    model = low_passed(reference, high_hz, count)
    signs = [_correlation(low_passed(f, high_hz, count), model, lag) for f in placed]
    limit = THRESHOLDS["polarity_correlation"]
    against = [f.id for f, r in zip(placed, signs, strict=True) if r < limit]
    if len(against) > len(placed) / 2:
        against = [f.id for f in placed if f.id not in against]
    if not against:
        return []
    moves = "moves" if len(against) == 1 else "move"
    return [flag("polarity", min(signs), limit, takes=against, band_hz=(0.0, high_hz), moves=moves)]


def _correlation(one: FloatArray, other: FloatArray, lag: int) -> float:
    """Normalized correlation of the largest magnitude within `lag` samples."""
    from scipy import fft

    both = fft.irfft(fft.rfft(one) * np.conj(fft.rfft(other)), one.size)
    near = np.concatenate([both[: lag + 1], both[-lag:]])
    scale = np.linalg.norm(one) * np.linalg.norm(other)
    return float(near[np.argmax(np.abs(near))] / scale) if scale > 0 else 0.0


def _non_causal(facts: Sequence[TakeFacts]) -> list[QualityFlag]:
    limit = THRESHOLDS["non_causal_db"]
    # Close to a port the cone is heard before the port is.
    bad = [f for f in facts if f.orbit is not None and f.non_causal_db > limit + _behind_db(f)]
    if not bad:
        return []
    worst = max(f.non_causal_db for f in bad)
    return [flag("before_the_sound", worst, limit, takes=tuple(f.id for f in bad))]


def _behind_db(fact: TakeFacts) -> float:
    """Behind a cabinet the sound bends around all its edges before the walls answer louder."""
    return THRESHOLDS["non_causal_behind_db"] if abs(wrapped_deg(fact.angle_deg or 0.0)) > 100.0 else 0.0


def _rates(facts: Sequence[TakeFacts]) -> list[QualityFlag]:
    rates = sorted({f.rate_hz for f in facts})
    if len(rates) < 2:
        return []
    usual = max(rates, key=lambda rate: sum(f.rate_hz == rate for f in facts))
    odd = tuple(f.id for f in facts if f.rate_hz != usual)
    other = next(f.rate_hz for f in facts if f.rate_hz != usual)
    return [flag("mixed_rates", other, usual, takes=odd)]


def _echoes(fact: TakeFacts, end_s: float) -> list[tuple[float, float]]:
    """Local maxima of the 2 to 15 kHz envelope after the direct sound: (time [s], level re its peak [dB])."""
    from scipy import fft

    count = fact.impulse.size
    hz = fft.fftfreq(count, 1 / fact.impulse_rate_hz)
    # One-sided spectrum: its inverse transform is the analytic signal, whose magnitude is the envelope.
    shape = np.where((hz > 0), np.exp(-0.5 * (np.log2(np.maximum(hz, 1e-9) / 5500.0) / 0.73) ** 2), 0.0)
    envelope = np.abs(fft.ifft(2 * fft.fft(fact.impulse) * shape))
    if count < 3 or not envelope.any():
        return []
    peak = int(np.argmax(envelope))
    first = peak + round(THRESHOLDS["reflection_first_s"] * fact.impulse_rate_hz)
    last = min(count - 1, peak + int(end_s * fact.impulse_rate_hz))
    inside = envelope[first:last]
    is_top = (envelope[first - 1 : last - 1] < inside) & (inside >= envelope[first + 1 : last + 1])
    tops = first + np.flatnonzero(is_top)
    levels = 20 * np.log10(envelope[tops] / envelope[peak])
    return list(zip(((tops - peak) / fact.impulse_rate_hz).tolist(), levels.tolist(), strict=True))


# What has no treble, as a subwoofer, is not cut off.
CUT_FROM_HZ = 11_000.0
ECHO_BEFORE_S, ECHO_LONGEST_S = 1e-3, 0.08


def with_recorded_volts(plan: Plan, gathered: DeconvolvedTakes) -> DeconvolvedTakes:
    """Harmonics and high orders of level takes under the voltage that the loop-back tells, where the stated one
    contradicts it."""
    heard, stated = _voltages(plan, gathered)
    known = plan.session.reference is not None and plan.session.reference.volts_per_fs is not None
    volts = corrected_steps(heard, stated, [take.id for take in plan.level], known=known)
    if not volts:
        return gathered
    harmonics = tuple(replace(one, drive_v=volts.get(one.take, one.drive_v)) for one in gathered.harmonics)
    orders = tuple(replace(one, drive_v=volts.get(one.take, one.drive_v)) for one in gathered.high_orders)
    return replace(gathered, harmonics=harmonics, high_orders=orders)


def recording_doubts(plan: Plan, gathered: DeconvolvedTakes, causes: Mapping[str, Cause]) -> list[QualityFlag]:
    """Another sweep, damage, voltages, gains."""
    level, far = (frozenset(take.id for take in takes) for takes in (plan.level, plan.far))
    heard, stated = _voltages(plan, gathered)
    scale = None if plan.session.reference is None else plan.session.reference.volts_per_fs
    volts = voltage_flags(heard, stated, [take.id for take in plan.level], volts_per_fs=scale)
    hisses = [(one.take, one.hiss) for one in gathered.witnesses if one.hiss is not None]
    gains = [*riding_flags(hisses), *turned_gain_flags(plan.calibration.hiss_db, hisses)]
    return [*sweep_flags(causes, level), *damage_flags(gathered.witnesses, causes, far), *volts, *gains]


def session_doubts(
    plan: Plan,
    gathered: DeconvolvedTakes,
    facts: Sequence[TakeFacts],
    late: ArrivalTimes,
    on_axis: tuple[ComplexArray, BoolArray],
    noise: FloatArray | None,
    impedance: Impedance | None,
    cones: Sequence[NearField],
) -> list[QualityFlag]:
    """Level, echo, orbits, microphone and facts. on_axis : pressure (F,) [Pa/V at 1 m] and where it is valid; cones :
    read close up."""
    told, hz = plan.session.loudspeaker, plan.axis.hz
    pressure, valid = on_axis
    scale = REFERENCE_VOLTAGE_V / REFERENCE_PRESSURE_PA
    level = 20.0 * np.log10(np.maximum(np.abs(pressure) * scale, 1e-300))
    lowest = None if impedance is None else float(np.min(np.abs(impedance.ohm[_audible(impedance)])))
    flags: list[QualityFlag] = []
    if plan.calibration.absolute:
        fs = plan.calibration.fs_per_pa
        seen = evidence_of(told, level, hz, valid, noise=noise, fs_per_pa=fs, lowest_ohm=lowest)
        flags += level_flags(seen)
    far = [fact for fact in facts if fact.orbit is not None]
    ahead = nearest_to_axis(plan.far)
    flags += correction_flags(plan.correction, level, hz, valid)
    measured = (*plan.session.takes_of(ImpedanceTake), *plan.session.takes_of(ImpedanceTableTake))
    flags += rating_flags(lowest, told.rated_impedance_ohm, measured[0].id if measured else "")
    flags += [*_unstated_echoes(plan, gathered, far), *gain_flags(far)]
    flags += mirrored_flags(far, told.drivers, plan.speed_m_s)
    if late.shared:
        flags += late_flags(far)
    if not plan.time_is_known and not told.powered:
        # What a loudspeaker's own processor does to the phase cannot be told from a wrong stimulus.
        flags += cone_phase_flags(cones, plan.division_of(ahead).stimulus.law)
    if late.high_hz > CUT_FROM_HZ:
        flags += cutoff_flags(level, hz, plan.band_hz[1], ahead.id)
    return [*flags, *fact_flags(plan.session)]


def _audible(impedance: Impedance) -> BoolArray:
    return np.asarray((impedance.axis.hz >= 20.0) & (impedance.axis.hz <= 20_000.0), dtype=bool)


def _voltages(plan: Plan, gathered: DeconvolvedTakes) -> tuple[dict[str, float], dict[str, float]]:
    scale = None if plan.session.reference is None else plan.session.reference.volts_per_fs
    heard = loop_volts(gathered.witnesses, scale)
    takes: tuple[SweepTake, ...] = (*plan.far, *plan.near, *plan.level)
    stated = {take.id: role_of(plan.session, take).drive_v for take in takes}
    return heard, stated


def _unstated_echoes(plan: Plan, gathered: DeconvolvedTakes, facts: Sequence[TakeFacts]) -> list[QualityFlag]:
    """All far-field takes about their own arrival, as long as the gate lets sound in."""
    told, rate = plan.session.loudspeaker, float(plan.rate_hz)
    length_s = min(plan.gate.end_s, ECHO_LONGEST_S)
    rows = []
    for fact in facts:
        one = gathered.impulses[fact.id]
        first = max(round((one.peak_s - ECHO_BEFORE_S - one.start_s) * rate), 0)
        rows.append(one.samples[first : first + round(length_s * rate)])
    shortest = min(row.size for row in rows)
    impulses = np.array([row[:shortest] for row in rows])
    anechoic = plan.gate.source == "anechoic"
    sounds_on = room_flags(late_db(impulses, rate, ECHO_BEFORE_S), len(rows)) if anechoic else []
    fade = round(0.25 * shortest)
    impulses[:, shortest - fade :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    size = max(told.width_m, told.height_m, told.depth_m)
    echo = echo_of(impulses, rate, size_m=size, speed_m_s=plan.speed_m_s)
    return echo_flags(echo, len(rows), speed_m_s=plan.speed_m_s, anechoic=anechoic) or sounds_on
