"""Exports run by another library: scipy filters with the written coefficients and taps."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest
import scipy.signal

from earwitness.errors import InputError
from earwitness.insight.mend.equalizer import (
    Band,
    Equalizer,
    coefficients_csv,
    coefficients_json,
    fir,
    gain_db,
    response_table,
    table_text,
)

MADE = Equalizer(
    (Band("low_shelf", 120.0, 2.5, 0.7), Band("peaking", 245.0, -2.0, 0.8), Band("peaking", 6500.0, -3.0, 8.0)), -2.5
)
TONES = np.geomspace(20.0, 20_000.0, 300)


def test_json_runs_in_scipy_as_written() -> None:
    document = json.loads(coefficients_json(MADE, rates_hz=(44_100.0, 96_000.0)))
    assert document["preamp_db"] == -2.5
    for entry in document["sections"]:
        rate = entry["sample_rate_hz"]
        rows = [[b["b0"], b["b1"], b["b2"], 1.0, b["a1"], b["a2"]] for b in entry["biquads"]]
        theirs = scipy.signal.freqz_sos(rows, worN=TONES, fs=rate)[1]
        np.testing.assert_allclose(20 * np.log10(np.abs(theirs)), gain_db(MADE, TONES, rate), atol=1e-6)
    assert "want them negated" in document["sign_convention"]


def test_csv_holds_the_same_numbers() -> None:
    lines = coefficients_csv(MADE, rates_hz=(48_000.0,)).splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    first = json.loads(coefficients_json(MADE, rates_hz=(48_000.0,)))["sections"][0]["biquads"]
    assert [{k: float(row[k]) for k in ("b0", "b1", "b2", "a1", "a2")} for row in rows] == first


def test_cookbook_coefficients_of_the_reference() -> None:
    """s12.peaking_1k_Q2_-6dB_b0b1b2 and a1a2."""
    one = json.loads(coefficients_json(Equalizer((Band("peaking", 1000.0, -6.0, 2.0),)), rates_hz=(48_000.0,)))
    found = one["sections"][0]["biquads"][0]
    assert [found[k] for k in ("b0", "b1", "b2")] == pytest.approx([0.9780211572, -1.895519021, 0.9338542226])
    assert [found["a1"], found["a2"]] == pytest.approx([-1.895519021, 0.9118753799])


@pytest.mark.parametrize("rate_hz", [44_100.0, 48_000.0, 96_000.0])
def test_minimum_phase_taps_are_scipy_s_impulse_response(rate_hz: float) -> None:
    found = fir(MADE, sample_rate_hz=rate_hz)
    assert found.is_faithful
    impulse = np.zeros(found.taps.size)
    impulse[0] = 10 ** (-2.5 / 20)
    rows = json.loads(coefficients_json(MADE, rates_hz=(rate_hz,)))["sections"][0]["biquads"]
    theirs = scipy.signal.sosfilt([[b["b0"], b["b1"], b["b2"], 1.0, b["a1"], b["a2"]] for b in rows], impulse)
    early = found.taps.size // 2
    np.testing.assert_allclose(found.taps[:early], theirs[:early], atol=1e-9)


def test_linear_phase_taps_are_symmetric_and_true() -> None:
    """A linear-phase response of odd length is symmetric about its middle (textbook); its gain is the equalizer's."""
    found = fir(MADE, phase="linear", taps=8191)
    np.testing.assert_allclose(found.taps, found.taps[::-1], atol=1e-12)
    assert found.delay_samples == 4095
    theirs = scipy.signal.freqz(found.taps, worN=TONES, fs=48_000.0)[1]
    np.testing.assert_allclose(20 * np.log10(np.abs(theirs)), gain_db(MADE, TONES) - 2.5, atol=0.1)
    assert found.error_db < 0.1
    assert found.tail_db < -60.0


def test_taps_follow_the_resolution_and_too_few_are_owned_up_to() -> None:
    """s12.min_phase_FIR_taps_for_resolution_20Hz_48k = 2400."""
    assert fir(Equalizer((Band("peaking", 2000.0, -3.0, 2.0),))).taps.size == 2400
    short = fir(Equalizer((Band("peaking", 40.0, -6.0, 4.0),)), taps=64)
    assert not short.is_faithful
    assert short.error_db > 0.5
    longer = fir(Equalizer((Band("peaking", 30.0, -9.0, 10.0),)))
    assert longer.taps.size > 2400
    assert longer.is_faithful


def test_text_table_names_every_band_and_the_conventions() -> None:
    text = table_text(MADE)
    assert "low shelf" in text
    assert "-2.0" in text
    assert "preamp -2.5 dB" in text
    assert "Audio EQ Cookbook" in text
    assert response_table(MADE, np.array([245.0])).splitlines()[1].startswith("245.00,")


def test_refusals() -> None:
    with pytest.raises(InputError, match="the phase"):
        fir(MADE, phase="zero")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="16 to 131072"):
        fir(MADE, taps=4)
    with pytest.raises(InputError, match="higher sample rate"):
        coefficients_json(Equalizer((Band("peaking", 30_000.0, 1.0, 1.0),)), rates_hz=(44_100.0,))
