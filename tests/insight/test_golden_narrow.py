"""Resonances behind a gate: what is smeared, what the fit is given, and who witnesses it; frozen.

The values are the program's own ("frozen"); that the fit finds what was planted is held in test_findings_narrow.py.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from flaw_worlds import AXIS, HZ, X, bell_db, curve_of, finding, levels, switches

from earwitness.dsp.resonance import Guess, Pole
from earwitness.dsp.window import gate_weights
from earwitness.insight.findings import narrow
from earwitness.insight.findings.decompose import Peak
from earwitness.insight.findings.finding import Resonance
from earwitness.insight.findings.narrow import (
    GatedImpulse,
    _base,
    _guess,
    _in_near_field,
    _pole_q,
    _witnesses,
    fitted,
    gated_impulse,
    hidden_db,
    is_smeared,
    without_gate,
)
from earwitness.quantities import Measurement, NearField, from_orbit
from earwitness.quantities.measurement import Gate
from golden_values import stands

NAME = "insight/findings_narrow"
RATE = 12_000.0


def ringing(gate_s: float, *poles: tuple[float, float, float]) -> GatedImpulse:
    """A pulse and what rings after it, through a gate."""
    time = np.arange(int((gate_s + 2.5e-3) * RATE)) / RATE - 2e-3
    impulse = np.where(np.abs(time) < 0.5 / RATE, RATE, 0.0)
    for hz, q, size in poles:
        after = np.maximum(time, 0.0)
        w0 = 2 * np.pi * hz
        ring = w0 / q * np.exp(-w0 * after / (2 * q)) * np.cos(w0 * np.sqrt(1 - 0.25 / q**2) * after)
        impulse = impulse + (10 ** (size / 20) - 1) * ring * (time >= 0)
    weights = gate_weights(time, gate_s, rise_s=0.5e-3, lead_s=1.2e-3)
    return GatedImpulse(impulse * weights, weights, time, gate_s, 1.2 / gate_s, np.linspace(50.0, 70.0, HZ.size))


def test_when_a_gate_may_cut_a_resonance() -> None:
    gated = ringing(5e-3)
    hz, q = np.geomspace(150.0, 9000.0, 300), np.geomspace(0.9, 30.0, 200)
    rows: list[Any] = [switches(hz, [is_smeared(gated, Peak(float(one), 20.0, 4.0)) for one in hz])]
    rows += [
        switches(q, [is_smeared(gated, Peak(300.0 * factor, float(one), size)) for one in q])
        for factor in (1, 3, 9)
        for size in (-5.0, 5.0)
    ]
    rows.append([_pole_q(Peak(500.0, 3.0, size)) for size in (-6.0, 0.0, 6.0)])
    rows.append([_guess(Peak(500.0, one, size)) for one in (0.9, 1.4, 1.6, 8.0) for size in (-4.0, 4.0)])
    stands(NAME, "smeared", rows)


def test_the_level_that_the_fit_stands_on() -> None:
    gated = ringing(5e-3)
    curve = curve_of(0.5 * X + bell_db(HZ, 700.0, 5.0, 4.0), valid=HZ > 50.0)
    stands(NAME, "base", [_base(gated, curve), _base(replace(gated, lowest_hz=600.0), curve)])


@pytest.mark.parametrize("number", range(5))
def test_what_the_fit_is_given_and_gives(number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The fit itself stands in dsp.resonance; here counts what it is asked and what becomes of its answer."""
    random = np.random.default_rng([number, 91])
    center, size = float(random.uniform(300.0, 2500.0)), float(random.choice([-4.0, 5.0]))
    gated = ringing(float(random.choice([4e-3, 6e-3])), (center, 9.0, size))
    peak = Peak(center, 6.0, 0.7 * size)
    others = [
        Peak(center * 2.0 ** float(away), q, 2.0)
        for away in (-2.1, -1.9, -0.5, 0.29, 0.31, 0.8, 1.9, 2.1)
        for q in (1.4, 1.6)
    ]
    curve = curve_of(bell_db(HZ, center, 5.0, 0.7 * size), valid=HZ > 40.0)
    near = 20.0 + bell_db(HZ, center * 1.002, 9.0, size)
    fields = (NearField("woofer", AXIS, near, X, 20.0, 3500.0),)
    asked: list[Any] = []
    answers: list[Pole] = []

    def fit_pole(impulse: Any, weights: Any, time_s: Any, **more: Any) -> Pole:
        asked.append([impulse, weights, time_s, more["base_db"], more["guesses"], more["band_hz"], more["snr_db"]])
        return answers[min(len(asked), len(answers)) - 1]

    monkeypatch.setattr(narrow, "fit_pole", fit_pole)
    rows: list[Any] = []
    base = Pole(center, 9.0, size, 0.01, 0.1, 0.5, 7.0, 0.2, 0.01)
    for first, second in (
        (base, base),
        (base, replace(base, size_db=-size)),
        (replace(base, size_db=-size), replace(base, size_db=-size)),
        (replace(base, u_db=0.49 * abs(size)), replace(base, u_db=0.49 * abs(size))),
        (replace(base, u_db=0.51 * abs(size)), replace(base, u_db=0.51 * abs(size))),
        (replace(base, u_ln_bell_q=0.48), replace(base, u_ln_bell_q=0.48)),
        (replace(base, u_ln_bell_q=0.52), replace(base, u_ln_bell_q=0.52)),
    ):
        for some, wrinkle in ((fields, None), ((), center * 1.001), ((), None)):
            asked.clear()
            answers[:] = [first, second]
            found = fitted(gated, curve, peak, others, near_fields=some, wrinkle_hz=wrinkle)
            rows.append([len(asked), found])
    rows += [asked[0], fitted(gated, curve_of(X, valid=(HZ > 990.0) & (HZ < 1380.0)), peak, others)]
    for place in (60.0, 2800.0, 5000.0):
        asked.clear()
        fitted(gated, curve, replace(peak, center_hz=place), [])
        rows.append(asked[0][4:])
    asked.clear()
    few = curve_of(X, valid=(HZ > 995.0) & (HZ < 1000.0 * 2.0 ** (22.5 / 48)))
    rows += [
        fitted(gated, few, peak, []),
        fitted(gated, replace(few, valid=(HZ > 995.0) & (HZ < 1000.0 * 2.0 ** (23.5 / 48))), peak, []),
    ]
    stands(NAME, f"fit {number}", rows)


def test_a_whole_fit() -> None:
    gated = ringing(5e-3, (640.0, 11.0, 5.0))
    curve = curve_of(bell_db(HZ, 640.0, 5.0, 3.0), valid=HZ > 40.0)
    stands(NAME, "whole", fitted(gated, curve, Peak(640.0, 5.0, 3.0), []), relative=1e-3)


@pytest.mark.parametrize("number", range(4))
def test_resonances_in_near_fields(number: int) -> None:
    random = np.random.default_rng([number, 92])
    rows: list[Any] = []
    for q in ((1.5, 12.0), (4.0,), (1.5, 4.0), (12.0,))[number]:
        for size in (-5.0, 0.9, 1.1, 5.0):
            for off in (0.0, 0.1, 0.188, 0.195):
                level = 10.0 - 2.0 * X + 0.3 * X**2 + bell_db(HZ, 800.0 * 2.0**off, q, size)
                level = level + 0.03 * number * np.convolve(random.normal(size=HZ.size), np.ones(6) / 6, "same")
                rows.append(_in_near_field(NearField("woofer", AXIS, level, X, 20.0, 4000.0), Peak(800.0, q, size)))
    stands(NAME, f"near {number}", rows, relative=1e-3, near_zero=1e-6)


def test_near_fields_that_end_too_soon() -> None:
    level = 10.0 + bell_db(HZ, 800.0, 4.0, 5.0)
    ends = np.geomspace(600.0, 1100.0, 22)
    low = [
        _in_near_field(NearField("w", AXIS, level, X, float(one), 4000.0), Peak(800.0, 4.0, 5.0)) is None
        for one in ends
    ]
    high = [
        _in_near_field(NearField("w", AXIS, level, X, 20.0, float(one)), Peak(800.0, 4.0, 5.0)) is None for one in ends
    ]
    holes = np.where((HZ > 700.0) & (HZ < 760.0), np.nan, level)
    rows = [
        switches(ends, low),
        switches(ends, high),
        _in_near_field(NearField("w", AXIS, holes, X, 20.0, 4000.0), Peak(800.0, 4.0, 5.0)),
    ]
    stands(NAME, "short near fields", rows, relative=1e-3, near_zero=1e-6)


def test_witnesses_agree_or_are_left_out() -> None:
    peak = Peak(800.0, 5.0, 4.0)
    alone = Pole(800.0, 7.0, 5.0, 0.02, 0.15, 0.5, 6.0, 0.2, 0.01)
    swept = np.round(np.arange(-0.084, 0.084, 0.006), 4)
    rows: list[Any] = []

    def field(name: str, hz: float, q: float, size: float) -> NearField:
        ripple = 0.02 * np.sin(HZ / 37.0)
        return NearField(name, AXIS, 10.0 + ripple + bell_db(HZ, hz, q, size), X, 20.0, 4000.0)

    found = [_witnesses([field("woofer", 800.0 * float(np.exp(one)), 5.6, 5.0)], peak, alone, None) for one in swept]
    rows.append(switches(swept, [len(one) for one in found]))
    widths = np.geomspace(2.8, 11.0, 20)
    found = [_witnesses([field("woofer", 800.0, float(one), 5.0)], peak, alone, None) for one in widths]
    rows.append(switches(widths, [len(one) for one in found]))
    rows.append([guess for one in found[8:12] for guess in one])
    found = [_witnesses([], peak, alone, 800.0 * float(np.exp(one))) for one in swept]
    rows.append(switches(swept, [len(one) for one in found]))
    rows.append(found[14])
    both = [field("woofer", 803.0, 5.6, 2.0), field("port", 797.0, 5.6, 6.0)]
    rows += [
        _witnesses(both, peak, alone, 800.0),
        _witnesses(both[:1], peak, alone, None),
        _witnesses([], peak, alone, None),
    ]
    stands(NAME, "witnesses", rows, relative=1e-3, near_zero=1e-6)
    assert isinstance(rows[-2][0][1], Guess)


def test_what_is_put_back() -> None:
    one = Resonance(700.0, 0.01, 8.0, 0.2, 4.0, 1.0, None, "", 690.0, 5.0, 3.0, 5e-3, 0.4)
    some = [
        finding("source", 700.0, 4.0, resonance=one),
        finding("source", 300.0, 2.0),
        finding("load", 900.0, -3.0, resonance=replace(one, hz=900.0, size_db=-3.0)),
    ]
    base = levels(0)
    rows = [
        hidden_db(some, HZ),
        hidden_db([], HZ),
        without_gate(base, some).level_db,
        without_gate(base, some[1:2]) is base,
    ]
    stands(NAME, "put back", [*rows, without_gate(base, some[:1]).level_db, without_gate(base, []) is base])


def test_gated_impulses_of_measurements() -> None:
    angles = from_orbit("horizontal", [30.0, 0.0, -10.0])

    def of(**more: Any) -> GatedImpulse | None:
        given: dict[str, Any] = {
            "gate": Gate(-1.7e-3, 5e-3, 1.5e-3, 6e-3, "room dimensions", 240.0),
            "response": SimpleNamespace(directions=angles),
            "scan": None,
            "impulse": np.sin(np.arange(90.0)),
            "impulse_rate_hz": 10_000.0,
            "impulse_onset_s": 2e-3,
            "snr_db": np.arange(3 * HZ.size).reshape(3, -1) / 100.0,
        }
        return gated_impulse(cast("Measurement", SimpleNamespace(**(given | more))))

    rows: list[Any] = [of(), of(scan=1)]
    rows += [of(impulse=np.ones(count)) is None for count in (14, 15, 16, 17)]
    rows += [
        of(gate=Gate(start, 5e-3, 1.5e-3, None, "stated", 240.0)) is None
        for start in (-1e-3, -5.5e-4, -5e-4, -4.5e-4, 0.0)
    ]
    stands(NAME, "gated", rows)
