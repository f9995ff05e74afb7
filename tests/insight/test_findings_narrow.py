"""Resonances behind a session's gate, from the gated impulse to the finding: simulated as in tests/dsp."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
import scipy.fft

sys.path.insert(0, str(Path(__file__).parent.parent / "dsp"))
from test_findings_kinds import AXIS, DIRECTIONS, at

from earwitness.app.mend import measured_levels, problem_for
from earwitness.app.read import ReadResult
from earwitness.dsp.resonance import pole_response
from earwitness.dsp.window import gate_weights
from earwitness.figures.read import levels_of, read_response
from earwitness.insight.findings import Finding, find
from earwitness.insight.findings.finding import Resonance
from earwitness.insight.findings.narrow import GatedImpulse, is_smeared, without_gate
from earwitness.insight.mend.task import EVEN
from earwitness.quantities import DirectionalResponse, NearField

from test_resonance import HZ, RATE, gated, high_pass  # type: ignore[import-not-found]  # isort: skip

GATE_S = 5e-3
CENTER_HZ, POLE_Q, SIZE_DB = 620.0, 11.0, 5.0
BELL_Q = POLE_Q / 10 ** (SIZE_DB / 40)


def found(*, gate: bool = True, near: bool = False) -> tuple[Finding, GatedImpulse]:
    """A monopole with one resonance in a room whose gate is 5 ms; below 300 Hz the curve is the near field's."""
    response = high_pass(55.0, 0.7) * pole_response(np.maximum(HZ, 0.1), CENTER_HZ, POLE_Q, SIZE_DB)
    impulse, weights, time = gated(response, GATE_S, 60.0, 3)
    hz = AXIS.hz
    exact = np.interp(hz, HZ, np.abs(response))
    seen = np.abs(np.exp(-2j * np.pi * np.outer(hz, time)) @ impulse) / RATE
    share = 1 / (1 + np.exp(-(np.log2(hz / 300.0)) * 12))
    pressure = 0.2 * np.ones((70, 1)) * (share * seen + (1 - share) * exact)
    usable = np.ones(pressure.shape, dtype=bool) & (hz < 9000.0)
    u, common = np.full(pressure.shape, 0.05), np.full(hz.size, 0.1)
    one = DirectionalResponse(AXIS, DIRECTIONS, pressure.astype(complex), u, common, usable)
    behind = GatedImpulse(0.2 * impulse, weights, time, GATE_S, 1.2 / GATE_S, np.full(hz.size, 60.0))
    fields = ()
    if near:
        level = 20 * np.log10(exact) + 22.0
        fields = (NearField("woofer", AXIS, level, np.zeros(hz.size), 25.0, 1200.0),)
    findings = find(read_response(one), one, gated=behind if gate else None, near_fields=fields)
    return at(findings, CENTER_HZ), behind


def test_the_finding_is_the_resonance_and_not_what_the_gate_leaves() -> None:
    """11 / (pi 620 Hz) = 5.6 ms of ringing behind a gate of 5 ms: the curve shows a part of size and Q."""
    plain, _ = found(gate=False)
    one, behind = found()
    assert plain.q is not None
    assert one.q is not None
    assert one.u_db is not None
    assert plain.resonance is None
    assert plain.q < 0.75 * BELL_Q
    assert plain.size_db < SIZE_DB - 0.7
    resonance = one.resonance
    assert resonance is not None
    assert abs(one.size_db - SIZE_DB) < 2 * one.u_db < 3.0
    assert abs(math.log(one.q / BELL_Q)) < 2 * resonance.u_ln_q
    assert abs(one.size_db - SIZE_DB) < 0.5 * abs(plain.size_db - SIZE_DB)
    assert abs(math.log(one.q / BELL_Q)) < 0.5 * abs(math.log(plain.q / BELL_Q))
    assert (resonance.seen_q, resonance.seen_db) == pytest.approx((plain.q, plain.size_db))
    assert "rings longer than the gate" in one.sentence
    assert not is_smeared(behind, _Peak(620.0, 0.9, 5.0))
    assert not is_smeared(behind, _Peak(200.0, 5.0, 5.0))


def test_a_near_field_is_a_second_witness() -> None:
    alone, _ = found()
    one, _ = found(near=True)
    assert alone.resonance is not None
    assert one.resonance is not None
    assert alone.resonance.witness == ""
    assert one.resonance.witness == "near field of woofer"
    assert one.resonance.u_ln_q < min(0.15, alone.resonance.u_ln_q)
    assert abs(math.log(one.resonance.q / BELL_Q)) < 2 * one.resonance.u_ln_q
    assert "fitted behind the gate with the near field of woofer" in one.sentence


def test_what_the_gate_hides_is_what_a_correction_lacks() -> None:
    """1 + (A - 1) b through the gate by FFT, and what is hidden, make the resonance's own bell; the size counts by how
    well it is known: G (1 + u^2 / G^2)^-1."""
    doubtful = Resonance(700.0, 0.01, 8.0, 0.2, 4.0, 1.0, None, "", 690.0, 5.0, 3.0, 5e-3, 0.4)
    assert doubtful.sure_db == pytest.approx(4.0 / (1 + 1 / 16))
    for size, q in ((4.0, 8.0), (-5.0, 4.0)):
        one = replace(doubtful, size_db=size, q=q, u_db=0.0)
        response = pole_response(np.maximum(HZ, 0.1), 700.0, q * 10 ** (size / 40), size)
        whole = response * np.exp(-2j * np.pi * HZ * 2e-3)
        samples = scipy.fft.irfft(np.append(whole[:-1], abs(whole[-1])), 2 * (HZ.size - 1))
        time = np.arange(samples.size) / RATE - 2e-3
        cut = samples * gate_weights(time, 5e-3, lead_s=1.2e-3)
        hz = np.geomspace(250, 2000, 40)
        seen = np.abs(np.exp(-2j * np.pi * np.outer(hz, time)) @ cut)
        exact = 20 * np.log10(np.abs(pole_response(hz, 700.0, q * 10 ** (size / 40), size)))
        assert 20 * np.log10(seen) + one.hidden_db(hz) == pytest.approx(exact, abs=0.06)


class Read(SimpleNamespace):
    """What of a reading is asked for, told apart by identity as one is."""

    __hash__ = object.__hash__


def test_an_equalizer_is_given_the_resonance_in_every_direction() -> None:
    """Put back, the listening window shows the bell nearer to its size than the gated one does; without a resonance
    nothing changes."""
    one, _ = found()
    response = high_pass(55.0, 0.7) * pole_response(np.maximum(HZ, 0.1), CENTER_HZ, POLE_Q, SIZE_DB)
    impulse, _, time = gated(response, GATE_S, 60.0, 3)
    seen = np.abs(np.exp(-2j * np.pi * np.outer(AXIS.hz, time)) @ impulse) / RATE
    pressure = 0.2 * np.ones((70, 1)) * seen
    nothing = np.zeros(pressure.shape)
    measured = DirectionalResponse(
        AXIS, DIRECTIONS, pressure.astype(complex), nothing, np.zeros(len(AXIS)), nothing == 0
    )
    levels = levels_of(measured)
    full = without_gate(levels, [one])
    read = cast(
        "ReadResult",
        Read(
            measurement=SimpleNamespace(response=measured),
            session=SimpleNamespace(loudspeaker=SimpleNamespace(symmetric=True)),
            reading=SimpleNamespace(curves={}),
            units=(),
        ),
    )
    assert np.array_equal(measured_levels(read, [one]).level_db, full.level_db)
    short, whole = (problem_for(read, EVEN, findings=some) for some in ([], [one]))
    row = int(np.argmin(np.abs(whole.hz - CENTER_HZ)))
    more_db = np.interp(whole.hz[row], AXIS.hz, (full.level_db - levels.level_db)[0])
    assert more_db > 1.0
    assert short.sharp_db[row] - whole.sharp_db[row] == pytest.approx(more_db, abs=0.25)
    assert np.ptp(full.level_db - levels.level_db, axis=0).max() == pytest.approx(0.0, abs=1e-12)
    exact = np.interp(AXIS.hz, HZ, 20 * np.log10(np.abs(response) + 1e-12)) - 20 * np.log10(seen)
    near = np.abs(np.log2(AXIS.hz / CENTER_HZ)) < 0.3
    left = (full.level_db - levels.level_db)[0] - exact
    assert np.sqrt(np.mean(left[near] ** 2)) < 0.5 * np.sqrt(np.mean(exact[near] ** 2))
    assert without_gate(levels, []) is levels


class _Peak:
    def __init__(self, center_hz: float, q: float, size_db: float) -> None:
        self.center_hz, self.q, self.size_db = center_hz, q, size_db
