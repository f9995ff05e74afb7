"""Slips in session.toml, a cut treble, the microphone's correction, and voltages that contradict each other."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from made_session import Made, facts

from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.reduce.doubt.facts import SHOWN, correction_flags, cutoff_flags, fact_flags
from earwitness.reduce.doubt.level import corrected_steps, loud_volts_flags, voltage_flags

HZ = np.geomspace(20.0, 20_000.0, 480)
ALL = np.ones(HZ.size, dtype=bool)


def told(**changes: Any) -> list[str]:
    document = facts(Made()).loudspeaker.model_dump(by_alias=True)
    return [flag.sentence for flag in fact_flags(facts(Made(), loudspeaker={**document, **changes}))]


@pytest.mark.parametrize(
    ("changes", "words"),
    [({"rated_impedance_ohm": 60.0}, "rated"), ({"price": {"amount": 1.45, "currency": "EUR"}}, "price"),
     ({"width_m": 2.0, "height_m": 3.4, "depth_m": 2.6}, "cabinet"), ({"mass_kg": 8600.0}, "mass")],
)  # fmt: skip
def test_a_slip_of_the_pen_is_asked_about(changes: dict[str, Any], words: str) -> None:
    (sentence,) = told(**changes)
    assert words in sentence


def test_usual_facts_are_not() -> None:
    assert told(rated_impedance_ohm=4.0, price={"amount": 1450.0, "currency": "EUR"}, mass_kg=8.6) == []
    assert fact_flags(facts(Made(), date="0001-01-01"))[0].id == "fact"


def test_a_treble_cut_like_a_wall_is_told_and_a_rolled_off_one_is_not() -> None:
    wall = np.where(HZ > 16_000, -60.0, 86.0)
    assert cutoff_flags(wall, HZ, 22_000.0, "h_0")[0].band_hz == pytest.approx((16_000.0, HZ[-1]), rel=0.1)
    assert cutoff_flags(86.0 - 24.0 * np.log2(np.maximum(HZ / 12_000, 1.0)), HZ, 22_000.0, "h_0") == []


def microphone() -> tuple[MicrophoneCorrection, np.ndarray]:
    response = 2.0 * np.exp(-0.5 * (np.log2(HZ / 10_000) / 0.6) ** 2)
    return MicrophoneCorrection("mic.txt", HZ, response), response


def test_the_correction_is_shown_and_a_turned_one_is_asked_about() -> None:
    correction, response = microphone()
    flat = np.full(HZ.size, 86.0)
    (shown,) = correction_flags(correction, flat, HZ, ALL)
    assert shown.id == SHOWN
    assert "-2.0 dB at 10 kHz" in shown.sentence
    # Taken off with the wrong sign, a flat loudspeaker keeps twice the microphone's response.
    turned = correction_flags(MicrophoneCorrection("mic.txt", HZ, -response), flat + 2 * response, HZ, ALL)
    assert [flag.severity for flag in turned] == ["info", "warn"]
    assert "No microphone correction" in correction_flags(None, flat, HZ, ALL)[0].sentence


STATED = {"h_0": 2.83, "woofer": 1.0, "s1": 2.83, "s2": 5.66, "s3": 6.3, "s4": 14.1}
HEARD = {**STATED, "s3": 8.94}


def test_a_step_that_the_loop_back_contradicts_is_corrected() -> None:
    steps = ["s1", "s2", "s3", "s4"]
    for scale, known in ((1.0, True), (0.01, False)):
        heard = {take: volts * scale for take, volts in HEARD.items()}
        assert corrected_steps(heard, STATED, steps, known=known) == pytest.approx({"s3": 8.94}, rel=1e-3)
    flags = voltage_flags(HEARD, STATED, steps, volts_per_fs=30.0)
    assert [flag.id for flag in flags] == ["level step"]
    # The knob behind the loop-back made the steps: nothing is corrected.
    behind = dict.fromkeys(STATED, 1.0)
    assert corrected_steps(behind, STATED, steps, known=False) == {}


def test_two_voltages_that_contradict_each_other() -> None:
    right = {"h_0": 2.83, "h_10": 2.83}
    assert voltage_flags(right, right, [], volts_per_fs=30.0) == []
    (flag,) = voltage_flags(dict.fromkeys(right, 0.283), right, [], volts_per_fs=3.0)
    assert (flag.id, flag.severity) == ("level", "reject")
    (flag,) = voltage_flags(dict.fromkeys(right, 2.5), right, [], volts_per_fs=30.0)
    assert flag.severity == "warn"
    three = dict.fromkeys(("h_0", "h_10", "h_20"), 2.83)
    (flag,) = voltage_flags({"h_0": 1.0, "h_10": 1.0, "h_20": 1.1}, three, [], volts_per_fs=None)
    assert flag.takes == ("h_20",)


def test_the_voltage_of_a_burst_is_its_peak() -> None:
    wave = 8.0 * np.sin(2 * np.pi * 50 * np.arange(4800) / 48_000)
    assert loud_volts_flags(wave, 48_000.0, 8.0, "b", None) == []
    assert loud_volts_flags(wave, 48_000.0, 8.0 / np.sqrt(2), "t", (0.0, 0.1)) == []
    assert "peak" in loud_volts_flags(wave, 48_000.0, 5.66, "b", None)[0].sentence
