"""Invented powered loudspeakers from recordings to figures: what was planted comes back, what they lack is not told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from earwitness.app.add import add_folder
from earwitness.app.read import ReadResult, read_loudspeaker
from earwitness.demo.recorder import write_session
from earwitness.demo.world import loudspeaker
from earwitness.exhibits.all import absent_words, exhibits_of
from earwitness.figures.kinds import kinds_of

SILL, CELLAR = loudspeaker("sill"), loudspeaker("cellar")
DBU_V = 0.6**0.5


def _read(key: str, folder: Path) -> ReadResult:
    write_session(key, folder / key, quick=True)
    return read_loudspeaker(add_folder(folder / key, folder / "archive").name, folder / "archive")


def _inside(result: ReadResult, key: str, truth: float, least: float) -> None:
    figure = result.reading.figures[key]
    assert figure.value is not None, figure.reason
    assert figure.value == pytest.approx(truth, abs=max(2 * (figure.u or 0.0), least)), key


def test_a_powered_monitor_tells_what_was_built_into_it(tmp_path: Path) -> None:
    result, told = _read("sill", tmp_path), SILL.built_in
    assert told is not None
    figures = result.reading.figures
    assert not any(key.startswith(("impedance", "epdr", "sensitivity", "drawn")) for key in figures)
    # The tweeter lies behind the front, which is part of the way from input to sound.
    late_ms = 1000 * (told.late_s + SILL.high[-1].recess_m / 343.0)
    assert figures["latency"].value == pytest.approx(late_ms, abs=0.05)
    threshold_dbu = 20 * np.log10(told.threshold_v / told.gain / DBU_V)
    for hz in told.limiter_hz:
        _inside(result, f"limiter_input@{hz:g}hz", threshold_dbu, 0.4)
        # At 100 Hz the cone's own loss of force adds to what the limiter does.
        _inside(result, f"limiter_ratio@{hz:g}hz", told.ratio, (0.05 if hz > 500 else 0.1) * told.ratio)
    _inside(result, "limiter_release@4000hz", 1000 * told.release_s, 0.05 * 1000 * told.release_s)
    _inside(result, "limiter_attack@4000hz", 1000 * told.attack_s, 0.05 * 1000 * told.attack_s)
    # The sensitivity is that of 2.83 V at the drivers, 0.283 V at the input.
    _inside(result, "input_sensitivity", 20 * np.log10(0.283 / DBU_V) + 94 - SILL.sensitivity_db, 0.3)
    # White noise from 20 Hz to 20 kHz weighs 2.05 dB less under A (integral of the weighting, IEC 61672-1).
    assert figures["self_noise"].value == pytest.approx(told.hiss_db - 2.05, abs=0.5)
    assert figures["self_noise"].bound == ""
    assert result.measurement.response.reference.startswith("input")
    words = " ".join(absent_words(result.reading, result.measurement, kinds=kinds_of(result.session.loudspeaker)))
    assert "Load" not in words
    assert {"limiters", "noise"} <= {
        one.key for one in exhibits_of(result.reading, result.measurement, result.session.loudspeaker)
    }


def test_a_subwoofer_on_the_ground_is_read_about_its_own_band(tmp_path: Path) -> None:
    result, told = _read("cellar", tmp_path), CELLAR.built_in
    assert told is not None
    assert told.low_pass_hz is not None
    figures = result.reading.figures
    # The image on the ground gives 6.02 dB, which are taken off: the level is that of free field.
    _inside(result, "bass_level", CELLAR.sensitivity_db, 0.4)
    # Linkwitz-Riley: 6 dB down at its corner, within 24 dB an octave.
    _inside(result, "own_filter_corner", told.low_pass_hz, 1.5)
    assert -24.5 < (figures["own_filter_slope"].value or 0.0) < -19.0
    assert figures["burst_level_for_size"].value == pytest.approx(
        (figures["burst_level_mean"].value or 0.0) - 10 * np.log10(1000 * 0.38 * 0.42 * 0.4), abs=1e-6
    )
    assert any("held back" in note for note in figures["burst_level@63hz"].caveats)
    unjudged = {key for key, figure in figures.items() if not figure.is_judged}
    assert not unjudged & {"f3", "linearity_above", "nominal_coverage_horizontal", "multitone_distortion", "latency"}
    assert unjudged == set()
    kinds = kinds_of(result.session.loudspeaker)
    assert absent_words(result.reading, result.measurement, kinds=kinds) == ()
    keys = {one.key for one in exhibits_of(result.reading, result.measurement, result.session.loudspeaker)}
    assert {"bass_delay", "own_filter", "bursts", "limiters", "noise"} <= keys
    assert not keys & {"evenness", "distortion", "reflections", "across"}
