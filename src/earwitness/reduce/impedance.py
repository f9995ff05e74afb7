"""Impedance from the recordings of a session: two voltages, over the load and before, or over, a known resistor."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from earwitness.errors import AudioError, InputError
from earwitness.formats.audio import Recording
from earwitness.quantities import FrequencyAxis, Impedance, QualityFlag
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.reduce.flags import flag
from earwitness.reduce.impedance_circuit import (
    GAIN_ROLE,
    MISMATCH_PERCENT,
    PASSIVE_OHM,
    REFERENCE_TOLERANCE_PERCENT,
    Circuit,
    Known,
    Ratio,
    channel_ratio,
    impedance_axis,
    impedance_of_ratio,
)
from earwitness.reduce.take_facts import THRESHOLDS
from earwitness.session.session import ImpedanceTake, Session

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
                raise InputError(
                    f"{name} is {mine}, in take {takes[0].id} it is {first}",
                    where=f"take {take.id}, file {take.file}",
                    expected="one circuit for the load and its open, short and reference takes",
                    remedy="correct the value, or record the calibration with the circuit of the load",
                )


def _common_rate(takes: Sequence[ImpedanceTake], recordings: dict[str, Recording]) -> int:
    rate_hz = recordings[takes[0].id].rate_hz
    for take in takes:
        if recordings[take.id].rate_hz != rate_hz:
            raise AudioError(
                f"the sample rate is {recordings[take.id].rate_hz} Hz, that of take {takes[0].id} {rate_hz} Hz",
                where=f"take {take.id}, file {take.file}",
                expected="one sample rate for all impedance takes",
                remedy="record the takes again with one setting",
            )
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
