"""Resonances behind short gates: what the curve shows, what the fit tells, and how often that holds.

Run: python benchmarks/resonances.py [loudspeakers] [first seed]; writes a Markdown table. Random on-axis responses that
no setting was chosen on: vented and closed bass, bumps, crossovers of first to eighth order with the tweeter off by
centimeters, one to three edges, a neighbor in half of them; one resonance of 300 Hz to 2 kHz, pole Q 3 to 20 and 1 to
6 dB of either sign. It is gated, noise is added, found in the curve as findings are, and fitted behind the gate.
"""

from __future__ import annotations

import math
import sys
import time
from dataclasses import dataclass

import numpy as np
import scipy.fft

from earwitness.dsp.resonance import pole_response
from earwitness.dsp.window import gate_weights
from earwitness.insight.findings.decompose import Peak, decompose
from earwitness.insight.findings.narrow import GatedImpulse, fitted, is_smeared
from earwitness.quantities import Curve, NearField, report_axis
from earwitness.quantities.arrays import ComplexArray

RATE, LENGTH, LEAD_S = 48_000.0, 2**15, 2e-3
HZ = np.maximum(np.arange(LENGTH // 2 + 1) * RATE / LENGTH, 0.1)
AXIS = report_axis()
CASES = ((3e-3, 60.0), (4e-3, 60.0), (6e-3, 60.0), (10e-3, 60.0), (6e-3, 40.0))
CROSSOVERS = ("BW1", "LR2", "BW3", "LR4", "LR4", "LR8")


def _butterworth(order: int, s: ComplexArray) -> ComplexArray:
    value = np.ones_like(s)
    for pair in range(order // 2):
        value = value * (s * s + 2 * math.sin((2 * pair + 1) * math.pi / (2 * order)) * s + 1)
    return value * (s + 1) if order % 2 else value


def _crossed(rng: np.random.Generator) -> ComplexArray:
    """Sum of low- and high-pass, the tweeter's level and place off."""
    kind = str(rng.choice(CROSSOVERS))
    order = int(kind[2:])
    s = np.asarray(1j * HZ / 10 ** rng.uniform(math.log10(700), math.log10(3800)))
    low = 1 / _butterworth(order // 2, s) ** 2 if kind.startswith("LR") else 1 / _butterworth(order, s)
    high = low * s**order * (-1 if kind == "LR2" else 1) * np.exp(-2j * np.pi * HZ * rng.uniform(-8e-5, 8e-5))
    return np.asarray(low + 10 ** (rng.normal(0, 0.8) / 20) * high)


def _high_pass(hz: float, q: float) -> ComplexArray:
    x = HZ / hz
    return np.asarray(-(x**2) / (1 - x**2 + 1j * x / q))


def loudspeaker(rng: np.random.Generator) -> ComplexArray:
    """(F,) on-axis response on HZ without the resonance."""
    bass = rng.uniform(30, 70)
    response = _high_pass(bass, rng.uniform(0.55, 1.1))
    if rng.random() < 0.6:
        response = response * _high_pass(bass * rng.uniform(0.6, 1.0), rng.uniform(0.6, 1.2))
    for _ in range(int(rng.integers(3, 8))):
        response = response * pole_response(HZ, 10 ** rng.uniform(2, 4.2), rng.uniform(0.4, 1.5), rng.normal(0, 1.5))
    response = response * _crossed(rng)
    for _ in range(int(rng.integers(1, 4))):
        edge = rng.uniform(-0.15, 0.08) * np.exp(-2j * np.pi * HZ * rng.uniform(0.2e-3, 1.1e-3))
        response = response * (1 + edge / (1 + (300 / HZ) ** 2))
    top = HZ / rng.uniform(18e3, 30e3)
    return np.asarray(response / (1 - top**2 + 1j * top / 0.7))


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """hz, q (of the pole), size_db : of the resonance; gated, curve : as a session has them; near : of a radiator."""

    hz: float
    q: float
    size_db: float
    gated: GatedImpulse
    curve: Curve
    near: NearField

    @property
    def bell_q(self) -> float:
        return self.q / 10 ** (self.size_db / 40)


def case(rng: np.random.Generator, gate_s: float, snr_db: float) -> Case:
    bare = loudspeaker(rng)
    hz, q = 10 ** rng.uniform(math.log10(300), math.log10(2000)), 10 ** rng.uniform(math.log10(3), math.log10(20))
    size = float(rng.choice([-1, 1]) * rng.uniform(1, 6))
    whole = bare * pole_response(HZ, hz, q, size)
    if rng.random() < 0.5:
        octaves = rng.choice([-1, 1]) * rng.uniform(0.7, 1.5)
        whole = whole * pole_response(HZ, hz * 2**octaves, 10 ** rng.uniform(0.4, 1.1), rng.choice([-1, 1]) * 2.5)
    spectrum = whole * np.exp(-2j * np.pi * HZ * LEAD_S)
    spectrum[0], spectrum[-1] = 0.0, abs(spectrum[-1])
    count = math.ceil((gate_s + LEAD_S) * RATE) + 2
    at = np.arange(count) / RATE - LEAD_S
    weights = gate_weights(at, gate_s, rise_s=0.5e-3, lead_s=1.2e-3)
    level = math.sqrt(np.mean(np.abs(bare[(HZ > 200) & (HZ < 2500)]) ** 2))
    noise = level * 10 ** (-snr_db / 20) * RATE / math.sqrt(np.sum(weights**2))
    impulse = (scipy.fft.irfft(spectrum, LENGTH)[:count] * RATE + noise * rng.standard_normal(count)) * weights
    lowest = 1.2 / gate_s
    axis_hz = AXIS.hz
    seen = 20 * np.log10(np.abs(np.exp(-2j * np.pi * np.outer(axis_hz, at)) @ impulse) / RATE)
    exact = np.interp(axis_hz, HZ, 20 * np.log10(np.abs(whole)))
    # The splice: near field below, 0.4 dB off, gated far field above.
    share = 1 / (1 + np.exp(-8 * np.log2(axis_hz / (1.3 * lowest))))
    values = share * seen + (1 - share) * (exact + rng.normal(0, 0.4))
    flat = np.zeros(len(AXIS))
    curve = Curve("on_axis", "on axis", AXIS, values, flat + 0.1, flat, axis_hz < 16e3, "dB", "dB SPL")
    gated = GatedImpulse(impulse, weights, at, gate_s, lowest, flat + snr_db)
    piston = _high_pass(50.0, 0.8) * pole_response(HZ, hz, q, size * rng.uniform(0.8, 1.5)) / (1 + 1j * HZ / 2500)
    shown = np.interp(axis_hz, HZ, 20 * np.log10(np.abs(piston))) + rng.normal(0, 0.05, axis_hz.size)
    return Case(hz, q, size, gated, curve, NearField("woofer", AXIS, shown, flat, 25.0, 2500.0))


def met(one: Case) -> tuple[Peak, list[Peak]] | None:
    """The shape that the curve shows of it, and the others."""
    part = decompose(one.curve)
    peaks = [] if part is None else list(part.peaks)
    near = [p for p in peaks if abs(math.log2(p.center_hz / one.hz)) < 0.25 and p.size_db * one.size_db > 0]
    if not near:
        return None
    best = max(near, key=lambda peak: abs(peak.size_db))
    return best, [peak for peak in peaks if peak is not best]


def row_of(gate_s: float, snr_db: float, count: int, first: int, *, witness: bool) -> str:
    """One line of the table."""
    rows, seen, smeared, told = [], 0, 0, 0
    for seed in range(first, first + count):
        one = case(np.random.default_rng([seed, 77, round(1e4 * gate_s), round(snr_db)]), gate_s, snr_db)
        found = met(one)
        seen += found is not None
        if found is None or not is_smeared(one.gated, found[0]):
            continue
        smeared += 1
        fit = fitted(one.gated, one.curve, *found, near_fields=(one.near,) if witness else ())
        if fit is None:
            continue
        told += 1
        off_q, off_db = math.log(fit.q / one.bell_q), (fit.size_db - one.size_db) * math.copysign(1, one.size_db)
        curve_q, curve_db = found[0].q / one.bell_q, found[0].size_db / one.size_db
        rows.append((curve_q, curve_db, off_q, fit.u_ln_q, off_db, fit.u_db, fit.size_db / one.size_db,
                     math.log(fit.hz / one.hz) / fit.u_ln_hz))  # fmt: skip
    if not rows:
        return f"| {1e3 * gate_s:g} ms, {snr_db:g} dB | 0 of {smeared} of {seen} |" + " |" * 5
    table = np.array(rows)
    q, size, off_q, u_q, off_db, u_db, ratio, off_hz = table.T
    spread = [1.4826 * float(np.median(np.abs(values))) for values in (off_q, off_db)]
    inside = [100 * np.mean(np.abs(off) <= 2 * u) for off, u in ((off_hz, 1.0), (off_q, u_q), (off_db, u_db))]
    return (
        f"| {1e3 * gate_s:g} ms, {snr_db:g} dB{', near field' if witness else ''} | {told} of {smeared} of {seen} | "
        f"{np.median(q):.2f}, {np.median(size):.2f} | {math.exp(np.median(off_q)):.2f}, {np.median(ratio):.2f} | "
        f"{spread[0]:.2f}, {spread[1]:.2f} | {np.median(u_q):.2f}, {np.median(u_db):.2f} | "
        f"{inside[0]:.0f}, {inside[1]:.0f}, {inside[2]:.0f} % |"
    )


def main(count: int, first: int) -> None:
    started = time.perf_counter()
    print(
        "| gate, signal over noise | told of smeared of seen | curve's Q, size over true | fit's Q, size over true | "
        "spread of ln Q, size [dB] | median u of ln Q, size [dB] | frequency, Q, size inside U95 |\n"
        "| --- | --- | --- | --- | --- | --- | --- |"
    )
    for gate_s, snr_db in CASES:
        print(row_of(gate_s, snr_db, count, first, witness=False), flush=True)
    print(row_of(5e-3, 60.0, count, first, witness=True), flush=True)
    print(f"\n{count} loudspeakers a line from seed {first} on, {time.perf_counter() - started:.0f} s.")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60, int(sys.argv[2]) if len(sys.argv) > 2 else 5000)
