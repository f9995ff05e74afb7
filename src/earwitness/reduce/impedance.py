"""Impedance from the recordings of a session: two voltages, over the load and before, or over, a known resistor."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from earwitness.errors import AudioError, InputError
from earwitness.formats.audio import Recording
from earwitness.quantities import FrequencyAxis, Impedance, QualityFlag
from earwitness.quantities.arrays import (
    REPORT_POINTS_PER_OCTAVE,
    BoolArray,
    ComplexArray,
    FloatArray,
    IntArray,
    Locked,
    log_axis,
)
from earwitness.reduce.flags import THRESHOLDS, flag
from earwitness.session.session import ImpedanceTake, Session

# The impedance behind a ratio of two voltages, with its uncertainty.
#
# The ratio is a bilinear function of the load for any linear network between the terminals and the converter, so three
# known loads (open, short, reference) take out resistor, channels, leads and inputs. With fewer, the circuit's formula
# holds and what is not known stands in the uncertainty.

LOW_HZ, HIGH_HZ = 5.0, 40_000.0
# The known load that tells how the channels' gains match; over load and resistor none does, but a reference takes
# gains and resistor out together.
GAIN_ROLE = {"series resistor": "open", "resistor in ground leg": "short", "over load and resistor": ""}
_RATE_SHARE = 0.45
# Project defaults, where the session does not tell. Standard uncertainty of the ratio of both channels' gains when
# nothing measured it, and after it was measured, for what changes between takes; limits of the reference resistor.
MISMATCH_PERCENT, DRIFT_PERCENT, REFERENCE_TOLERANCE_PERCENT = 0.5, 0.02, 0.1
# Standard uncertainty of the magnitude beyond which a point is not valid; so far below 0 the real part may fall.
WORST_PERCENT, PASSIVE_OHM = 10.0, 0.2
_FEWEST_BINS = 7


@dataclass(frozen=True, slots=True, eq=False)
class Ratio(Locked):
    """Channel B over channel A; of the circuit "over load and resistor" the load's voltage over the resistor's.

    b_over_a : (F,) complex; u : (F,) standard uncertainty of each of its two parts.
    """

    axis: FrequencyAxis
    b_over_a: ComplexArray
    u: FloatArray


@dataclass(frozen=True, slots=True)
class Circuit:
    """Where the resistor is, its stated value [ohm] and tolerance [%, limits]."""

    kind: str
    resistor_ohm: float
    tolerance_percent: float = 1.0

    def ohm(self, ratio: ComplexArray) -> ComplexArray:
        """Load for ratios (F,) of an ideal circuit: R G/(1-G) in series, R (1-G)/G in the ground leg, R G over load
        and resistor (Ohm's law)."""
        if self.kind == "over load and resistor":
            return np.asarray(self.resistor_ohm * ratio, dtype=np.complex128)
        if self.kind == "series resistor":
            return np.asarray(self.resistor_ohm * ratio / (1.0 - ratio), dtype=np.complex128)
        return np.asarray(self.resistor_ohm * (1.0 - ratio) / ratio, dtype=np.complex128)


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """Ratios of known loads; each may be missing. reference_ohm : of the resistor in `reference`."""

    open: Ratio | None = None
    short: Ratio | None = None
    reference: Ratio | None = None
    reference_ohm: float | None = None


def impedance_axis(rate_hz: float) -> FrequencyAxis:
    """1/48 octave from 5 Hz to 40 kHz, or to 0.45 of the sample rate where that is lower."""
    return log_axis(LOW_HZ, min(HIGH_HZ, _RATE_SHARE * rate_hz), REPORT_POINTS_PER_OCTAVE)


def channel_ratio(channel_a: FloatArray, channel_b: FloatArray, rate_hz: float, axis: FrequencyAxis) -> Ratio:
    """B over A on `axis` (F,) from one recording of both, (N,) each, that holds a whole sweep and its decay.

    About each frequency B = A (c0 + c1 x + c2 x^2) is fitted to the bins of 1/48 octave (or the seven nearest),
    least squares; what the fit leaves over (noise, hum, distortion) gives the uncertainty. Own derivation: the
    parabola keeps the average from flattening a resonance.
    """
    from scipy import fft

    length = fft.next_fast_len(channel_a.size, True)
    a = fft.rfft(channel_a - channel_a.mean(), length)
    b = fft.rfft(channel_b - channel_b.mean(), length)
    spacing = rate_hz / length
    half = np.maximum(
        axis.hz * (2.0 ** (0.5 / REPORT_POINTS_PER_OCTAVE) - 1.0) / spacing, (_FEWEST_BINS - 1) / 2 + 0.01
    )
    middle = axis.hz / spacing
    first = np.maximum(np.ceil(middle - half).astype(int), 1)
    last = np.minimum(np.maximum(np.floor(middle + half).astype(int), first + _FEWEST_BINS - 1), a.size - 1)
    count = last - first + 1
    begin = np.concatenate([[0], np.cumsum(count)[:-1]])
    own = np.repeat(np.arange(count.size), count)
    rows = np.arange(own.size) - begin[own] + first[own]
    value, u = _local_fits(a[rows], b[rows], (rows - middle[own]) / half[own], begin, own)
    return Ratio(axis, value, u)


def _local_fits(
    a: ComplexArray, b: ComplexArray, x: FloatArray, begin: IntArray, own: IntArray
) -> tuple[ComplexArray, FloatArray]:
    """c0 of b = a (c0 + c1 x + c2 x^2), and the standard uncertainty of its real (or imaginary) part, each (F,).

    a, b, x (R,) : the bins of all fits one after the other; begin (F,) : first row of each; own (R,) : fit of each row.
    """
    count = np.diff(begin, append=a.size)

    def summed(values: ComplexArray | FloatArray) -> ComplexArray | FloatArray:
        return np.add.reduceat(values, begin, axis=-1)

    power = a.real**2 + a.imag**2
    scale = np.sqrt(summed(power) / count)
    silent = scale == 0.0
    scale = np.where(silent, 1.0, scale)
    moments = summed(_powers(x, 4) * power) / scale**2
    # Bins without any signal would make the systems singular; this much weight moves no result.
    little = np.where(silent, 1.0, 1e-12 * (moments[0] + moments[2] + moments[4]))
    order = np.arange(3)
    normal = np.moveaxis(moments[order[:, None] + order], -1, 0) + little[:, None, None] * np.eye(3)
    inverse = np.linalg.inv(normal)
    projected = summed(_powers(x, 2) * (a.conj() * b)) / scale
    found = np.einsum("fij,jf->if", inverse, projected)
    left = b - a / scale[own] * (found[0, own] + x * (found[1, own] + x * found[2, own]))
    variance = summed(left.real**2 + left.imag**2) / (count - 3)
    value = np.where(silent, 0.0, found[0] / scale)
    u = np.where(silent, np.inf, np.sqrt(0.5 * variance * inverse[:, 0, 0]) / scale)
    return np.asarray(value, dtype=np.complex128), np.asarray(u, dtype=np.float64)


def _powers(x: FloatArray, highest: int) -> FloatArray:
    """(highest + 1, R) powers of x (R,) from 0 on, by products."""
    rows = np.ones((highest + 1, x.size))
    for order in range(highest):
        np.multiply(rows[order], x, out=rows[order + 1])
    return rows


def calibrated_ohm(
    ratio: ComplexArray, opened: ComplexArray, shorted: ComplexArray, reference: ComplexArray, reference_ohm: float
) -> ComplexArray:
    """Load (F,) from its ratio and those of open terminals, a short and a known resistor, all (F,).

    Z = R (M - Ms)(Mo - Mr) / ((Mo - M)(Mr - Ms)): a bilinear function keeps the cross ratio of four points.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        top = (ratio - shorted) * (opened - reference)
        return np.asarray(reference_ohm * top / ((opened - ratio) * (reference - shorted)), dtype=np.complex128)


def impedance_of_ratio(
    ratio: Ratio,
    circuit: Circuit,
    known: Known | None = None,
    *,
    passive_ohm: float = PASSIVE_OHM,
    lineage: tuple[str, ...] = (),
) -> Impedance:
    """Impedance with uncertainty, by the best calibration that `known` allows.

    Open, short and reference: all is taken out but the tolerance of the reference. A reference alone sets the scale.
    Open terminals (series resistor) or a short (ground leg) alone match the channels. passive_ohm : so far below 0 the
    real part may fall.
    """
    known = known or Known()
    parts = [ratio, *(part for part in (known.open, known.short, known.reference) if part is not None)]
    solve = _solver(circuit, known)
    values = [part.b_over_a for part in parts]
    with np.errstate(divide="ignore", invalid="ignore"):
        ohm = solve(values)
        size = np.abs(ohm)
        random = np.zeros(size.shape)
        slopes = []
        for k, part in enumerate(parts):
            step = 1e-6 * np.maximum(np.abs(values[k]), 1e-3)
            moved = [value + step if j == k else value for j, value in enumerate(values)]
            slopes.append((solve(moved) - ohm) / step)
            random = np.hypot(random, np.abs(slopes[k]) * part.u)
        systematic = _mismatch(slopes, values, circuit, known)
        random = np.hypot(random, systematic)
        # Of the resistor that sets the scale; limits are taken as a rectangle (GUM 4.3.7).
        scale_percent = circuit.tolerance_percent if known.reference is None else REFERENCE_TOLERANCE_PERCENT
        u_ohm = np.hypot(random, size * float(scale_percent / np.sqrt(3.0)) / 100.0)
        u_deg = np.degrees(random / size)
    # A difference from the open ratio that noise could make leaves the load unknown: its slope is infinite there.
    good = np.isfinite(ohm) & np.isfinite(u_ohm) & np.isfinite(u_deg)
    good &= u_ohm < WORST_PERCENT / 100.0 * np.where(good, size, 0.0)
    good &= np.where(good, ohm.real, -np.inf) > -np.maximum(passive_ohm, 2.0 * np.where(good, u_ohm, 0.0))
    safe = np.isfinite(ohm)
    return Impedance(
        axis=ratio.axis,
        ohm=np.where(safe, ohm, 0.0),
        u_ohm=np.where(np.isfinite(u_ohm), u_ohm, 0.0),
        u_deg=np.where(np.isfinite(u_deg), u_deg, 0.0),
        valid=good,
        lineage=lineage,
    )


def _solver(circuit: Circuit, known: Known) -> Callable[[Sequence[ComplexArray]], ComplexArray]:
    """The load as a function of the ratios [load, open, short, reference], those that are there."""
    names = [name for name in ("open", "short", "reference") if getattr(known, name) is not None]
    place = {name: k for k, name in enumerate(names, 1)}
    resistor = known.reference_ohm
    if len(names) == 3 and resistor is not None:
        return lambda v: calibrated_ohm(v[0], v[1], v[2], v[3], resistor)
    gain = place.get(GAIN_ROLE[circuit.kind])
    leads = place.get("short") if circuit.kind != "resistor in ground leg" else None

    def solve(v: Sequence[ComplexArray]) -> ComplexArray:
        def load(ratio: ComplexArray) -> ComplexArray:
            base = circuit.ohm(ratio if gain is None else ratio / v[gain])
            if leads is None:
                return base
            return base - circuit.ohm(v[leads] if gain is None else v[leads] / v[gain])

        found = load(v[0])
        if "reference" not in place or resistor is None:
            return found
        return found * (resistor / load(v[place["reference"]]))

    return solve


def _mismatch(slopes: list[ComplexArray], values: list[ComplexArray], circuit: Circuit, known: Known) -> FloatArray:
    """(F,) standard uncertainty [ohm] from the channels' unequal gain: common to all takes, and its drift."""
    single = sum((s * v for s, v in zip(slopes, values, strict=True)), np.zeros_like(values[0]))
    drift = np.abs(slopes[0] * values[0]) * DRIFT_PERCENT / 100.0
    measured = known.open is not None and known.short is not None and known.reference is not None
    if measured or getattr(known, GAIN_ROLE[circuit.kind] or "reference") is not None:
        return drift
    return np.hypot(drift, np.abs(single) * MISMATCH_PERCENT / 100.0)


Read = Callable[[str], Recording]
_CLIPPED_RUN = 3
# So far may a repeated reference miss (project default).
REFERENCE_OFF_PERCENT = 1.0
_SILENT_PEAK = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredImpedance:
    """An impedance, what its checks found, and one sentence on how it was calibrated."""

    impedance: Impedance
    flags: tuple[QualityFlag, ...]
    sentence: str


def measured_impedance(session: Session, read: Read) -> MeasuredImpedance | None:
    """The impedance of a session's impedance takes, or None without a take of the load.

    `read` gives a recording by the file name of a take. Several takes of the load are averaged; a second reference
    is a check of the first. InputError for swapped or inverted channels and for takes of different circuits;
    AudioError for a channel that is missing, silent or clipped, and for takes of different sample rates.
    """
    takes = session.takes_of(ImpedanceTake)
    loads = [take for take in takes if take.role == "load"]
    if not loads:
        return None
    _same_circuit(takes)
    recordings = {take.id: read(take.file) for take in takes}
    rate_hz = _common_rate(takes, recordings)
    axis = impedance_axis(rate_hz)
    ratios = {take.id: _take_ratio(take, recordings[take.id], axis) for take in takes}
    if loads[0].circuit == "over load and resistor" and _is_turned(ratios[loads[0].id]):
        # Counted from the point between load and resistor, the two voltages have opposite signs.
        ratios = {name: replace(ratio, b_over_a=-ratio.b_over_a) for name, ratio in ratios.items()}
    for take in takes:
        if take.role in ("load", "reference"):
            _check_wiring(ratios[take.id], take, f"take {take.id}, file {take.file}")
    circuit = Circuit(loads[0].circuit, loads[0].resistor_ohm, loads[0].resistor_tolerance_percent)
    references = [take for take in takes if take.role == "reference"]
    known = _known(takes, references, ratios)
    lineage = tuple(take.sha256 for take in takes)
    found = [impedance_of_ratio(ratios[t.id], circuit, known, lineage=lineage) for t in loads]
    impedance = _averaged(found)
    flags = [*_passivity(loads, ratios, circuit, known), *_reach(loads, impedance)]
    flags += _reference_flags(references, ratios, circuit, known)
    if any(flag.severity == "reject" for flag in flags):
        impedance = replace(impedance, valid=np.zeros_like(impedance.valid))
    return MeasuredImpedance(impedance, tuple(flags), _sentence(circuit, known))


def _known(takes: Sequence[ImpedanceTake], references: Sequence[ImpedanceTake], ratios: dict[str, Ratio]) -> Known:
    """The first take of each known load."""
    first = {take.role: ratios[take.id] for take in reversed(takes)}
    if not references:
        return Known(first.get("open"), first.get("short"))
    if references[0].reference_ohm is None:
        raise InputError.of(
            "reduce.reference_without_value", where=f"take {references[0].id}, file {references[0].file}"
        )
    return Known(first.get("open"), first.get("short"), first["reference"], references[0].reference_ohm)


def _same_circuit(takes: Sequence[ImpedanceTake]) -> None:
    """InputError unless all takes name one circuit."""
    for take in takes[1:]:
        for name in ("circuit", "resistor_ohm", "channel_a", "channel_b"):
            mine, first = getattr(take, name), getattr(takes[0], name)
            if mine != first:
                where, other = f"take {take.id}, file {take.file}", takes[0].id
                raise InputError.of(
                    "reduce.another_circuit", where=where, name=name, mine=mine, other=other, first=first
                )


def _common_rate(takes: Sequence[ImpedanceTake], recordings: dict[str, Recording]) -> int:
    rate_hz = recordings[takes[0].id].rate_hz
    for take in takes:
        if recordings[take.id].rate_hz != rate_hz:
            where, own_hz = f"take {take.id}, file {take.file}", recordings[take.id].rate_hz
            raise AudioError.of("reduce.impedance_rates", where=where, own_hz=own_hz, first=takes[0], rate_hz=rate_hz)
    return rate_hz


def _take_ratio(take: ImpedanceTake, recording: Recording, axis: FrequencyAxis) -> Ratio:
    where = f"take {take.id}, file {take.file}"
    count = recording.samples.shape[0]
    for channel in (take.channel_a, take.channel_b):
        if channel > count:
            raise AudioError.of("reduce.channel_not_in_file", where=where, channel=channel, count=count)
    named = (take.channel_a, take.channel_b)
    # Over load and resistor, the load's voltage is held against the resistor's, which never vanishes.
    base, part = reversed(named) if take.circuit == "over load and resistor" else named
    silent_part = "open" if take.circuit == "resistor in ground leg" else "short"
    a, b = recording.samples[base - 1], recording.samples[part - 1]
    _check_channel(a, base, where, may_be_silent=False)
    _check_channel(b, part, where, may_be_silent=take.role == silent_part)
    return channel_ratio(a, b, recording.rate_hz, axis)


def _check_channel(samples: FloatArray, channel: int, where: str, *, may_be_silent: bool) -> None:
    peak = float(np.max(np.abs(samples), initial=0.0))
    if samples.size < 1024 or (peak < _SILENT_PEAK and not may_be_silent):
        raise AudioError.of("reduce.channel_silent", where=where, channel=channel)
    top = np.abs(samples) >= peak * (1.0 - 1e-6)
    run = np.convolve(top[1:] & (np.diff(samples) == 0.0), np.ones(_CLIPPED_RUN - 1), mode="valid")
    # Below full scale equal samples prove nothing: a slow sine has them at every peak.
    if peak >= THRESHOLDS["clipping_peak_fs"] and bool(np.any(run >= _CLIPPED_RUN - 1)):
        raise AudioError.of("reduce.channel_clipped", where=where, channel=channel)


def _is_turned(ratio: Ratio) -> bool:
    clear = ratio.u < 0.02 * np.abs(ratio.b_over_a)
    return bool(clear.any()) and float(np.median(ratio.b_over_a[clear].real)) < 0.0


def _check_wiring(ratio: Ratio, take: ImpedanceTake, where: str) -> None:
    """A passive load and a resistor only divide: |B/A| is below 1 and its real part above 0 (Ohm's law); over load and
    resistor it may be of any size."""
    clear = ratio.u < 0.02 * np.abs(ratio.b_over_a)
    if not clear.any():
        raise AudioError.of("reduce.channels_unrelated", where=where)
    value = ratio.b_over_a[clear]
    if take.circuit != "over load and resistor" and float(np.median(np.abs(value))) > 1.03:
        raise InputError.of("reduce.channels_swapped", where=where, take=take, times=np.median(np.abs(value)))
    if float(np.median(value.real)) < 0.0:
        raise InputError.of("reduce.channels_opposed", where=where)


def _averaged(found: Sequence[Impedance]) -> Impedance:
    """Mean of several takes; their spread joins the uncertainty."""
    if len(found) == 1:
        return found[0]
    ohm = np.stack([one.ohm for one in found])
    mean = ohm.mean(axis=0)
    spread = np.sqrt((np.abs(ohm - mean) ** 2).sum(axis=0) / (len(found) - 1) / len(found))
    size = np.where(np.abs(mean) > 0.0, np.abs(mean), 1.0)
    return replace(
        found[0],
        ohm=mean,
        u_ohm=np.hypot(np.mean([one.u_ohm for one in found], axis=0), spread),
        u_deg=np.hypot(np.mean([one.u_deg for one in found], axis=0), np.degrees(spread / size)),
        valid=np.all([one.valid for one in found], axis=0),
    )


def _passivity(
    loads: Sequence[ImpedanceTake], ratios: dict[str, Ratio], circuit: Circuit, known: Known
) -> list[QualityFlag]:
    """Where the real part is so far below 0 that no uncertainty explains it."""
    flags = []
    for take in loads:
        one = impedance_of_ratio(ratios[take.id], circuit, known, passive_ohm=np.inf)
        bad: BoolArray = one.valid & (one.ohm.real < -np.maximum(PASSIVE_OHM, 2.0 * one.u_ohm))
        if not bad.any():
            continue
        hz = one.axis.hz[bad]
        lowest = float(one.ohm.real[bad].min())
        band, at = (float(hz[0]), float(hz[-1])), hz[np.argmin(one.ohm.real[bad])]
        flags.append(flag("impedance_not_passive", lowest, -PASSIVE_OHM, takes=(take.id,), band_hz=band, hz=at))
    return flags


def _reach(loads: Sequence[ImpedanceTake], impedance: Impedance) -> list[QualityFlag]:
    """Where noise or the sweep's band leave the impedance unknown inside 20 Hz to 20 kHz."""
    hz = impedance.axis.hz
    inside = (hz >= 20.0) & (hz <= 20_000.0)
    lost = inside & ~impedance.valid
    if not lost.any():
        return []
    share = 100.0 * float(lost.sum()) / float(inside.sum())
    band = (float(hz[lost][0]), float(hz[lost][-1]))
    return [flag("impedance_incomplete", share, takes=tuple(take.id for take in loads), band_hz=band)]


def _reference_flags(
    references: Sequence[ImpedanceTake], ratios: dict[str, Ratio], circuit: Circuit, known: Known
) -> list[QualityFlag]:
    """The reference against its value: as the circuit alone has it, and each later one as calibrated by the first."""
    flags = []
    for count, take in enumerate(references):
        trusted = known if count else Known()
        one = impedance_of_ratio(ratios[take.id], circuit, trusted)
        stated = take.reference_ohm
        if stated is None or not one.valid.any():
            continue
        off = 100.0 * (float(np.median(np.abs(one.ohm[one.valid]))) / stated - 1.0)
        # Uncalibrated it may miss by the resistor's tolerance and four times the channels' mismatch.
        loose = circuit.tolerance_percent + 4.0 * MISMATCH_PERCENT * (1.0 + stated / circuit.resistor_ohm)
        limit = REFERENCE_OFF_PERCENT if count else loose
        if abs(off) <= limit:
            continue
        told: dict[str, Any] = {"stated": stated}
        flags.append(flag("reference_moved" if count else "reference_resistor", off, limit, takes=(take.id,), **told))
    return flags


def _sentence(circuit: Circuit, known: Known) -> str:
    """How the impedance was calibrated, in plain words."""
    have = [name for name in ("open", "short", "reference") if getattr(known, name) is not None]
    base = f"Two voltages, {circuit.kind}, {circuit.resistor_ohm:g} ohm within {circuit.tolerance_percent:g} %"
    value = f" of {known.reference_ohm:g} ohm" if known.reference_ohm is not None else ""
    reference = f"reference{value}, taken to hold {REFERENCE_TOLERANCE_PERCENT:g} %"
    if len(have) == 3:
        return f"{base}; calibrated with open and shorted terminals and a {reference}."
    match = GAIN_ROLE[circuit.kind] or "reference"
    parts = [f"scale from a {reference}" if "reference" in have else "scale from that resistor"]
    parts.append(
        f"channels matched by the {match} take"
        if match in have
        else f"channels taken to match within {MISMATCH_PERCENT:g} % (standard uncertainty)"
    )
    if "short" in have and match != "short":
        parts.append("leads subtracted")
    return f"{base}; {'; '.join(parts)}."
