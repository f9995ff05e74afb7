"""Calibrators, stated sensitivities and stimuli: each limit on both sides.

Values are the program's own, frozen. Beside them closed forms: the rms of a sine, the pressure of 94 dB, and
|X|^2 = L / (4 f) of an exponential sweep.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from reduce_worlds import Rig, outcome, said, session, swept

from earwitness.dsp.sweep import sweep_law
from earwitness.formats.audio import Recording
from earwitness.reduce.calibrate import (
    Calibration,
    _against,
    _from_calibrator,
    _other_lines,
    calibrate,
    pressure_of_level,
    tone_rms,
)
from earwitness.reduce.stimulus import Stimulus, _band_of, stimulus_of, stimulus_power, stimulus_spectrum
from earwitness.session.session import Calibrator, FileStimulus, SweepStimulus
from golden_values import stands

NAME = "reduce/calibrate"
Array = npt.NDArray[np.float64]
RATE = 4000
TONE = Calibrator(file="c.wav", frequency_hz=250.0)


def tone(
    seconds: float = 3.5,
    *,
    size: float = 0.1,
    hz: float = 250.0,
    noise: float = 1e-4,
    drift: float = 0.0,
    seed: int = 1,
) -> Array:
    random, time = np.random.default_rng(seed), np.arange(round(seconds * RATE)) / RATE
    return np.asarray(
        size * (1.0 + drift * time) * np.sin(2 * np.pi * hz * time) + noise * random.standard_normal(time.size)
    )


def read(samples: Array, calibrator: Calibrator = TONE, rate: int = RATE) -> Any:
    rows = np.atleast_2d(samples)

    def work() -> Any:
        one = _from_calibrator(calibrator, Recording(rows, rate, "DOUBLE"))
        return [one.fs_per_pa, one.u_db, one.absolute, one.source, said(one.flags), one.hiss_db]

    return outcome(work)


def test_calibrator_recordings() -> None:
    told: list[Any] = [read(tone()), read(tone(), replace_(TONE, level_db=114.0, tolerance_db=0.5))]
    told += [read(tone(seconds)) for seconds in (0.4, 1.0, 1.49, 1.5, 1.501, 2.6)]
    told += [read(tone(noise=size)) for size in (0.02, 0.03, 0.036, 0.04, 0.1)]
    told += [read(tone(hz=hz)) for hz in (200.0, 222.0, 224.0, 230.0, 279.0, 282.0, 300.0)]
    told += [read(tone(drift=drift)) for drift in (0.005, 0.012, 0.014, 0.016, 0.1, 0.5)]
    for step in (0.6, 0.7, 0.71, 0.75):
        made = tone(4.5)
        made[9000:] *= step
        told.append(read(made))
    told += [read(tone(), Calibrator(file="c.wav", frequency_hz=250.0, channel=k)) for k in (1, 2)]
    told.append(read(np.stack([0.0 * tone(), tone()]), Calibrator(file="c.wav", frequency_hz=250.0, channel=2)))
    told.append(read(np.zeros(12_000)))
    high = 1e-4 * np.random.default_rng(2).standard_normal(120_000) + 0.1 * np.sin(
        np.arange(120_000) * 2 * np.pi / 48.0
    )
    told.append(read(high, Calibrator(file="c.wav"), 48_000))
    told.append(read(high[:3], Calibrator(file="c.wav"), 1))
    stands(NAME, "calibrators", told)


def replace_(one: Calibrator, **changes: Any) -> Calibrator:
    return one.model_copy(update=changes)


def test_other_lines_than_the_calibrators() -> None:
    told: list[Any] = []
    for hz in (10.0, 19.0, 21.0, 50.0, 220.0, 230.0, 285.0, 500.0, 1000.0):
        for level in (-40.0, -37.0, -36.2, -35.8, -20.0, -2.0):
            made = tone(2.0) + tone(2.0, size=0.1 * 10 ** (level / 20), hz=hz, noise=0.0)
            told.append([one[2:4] for one in said(_other_lines(made, TONE, RATE))])
    told.append(said(_other_lines(tone(2.0) + tone(2.0, size=0.02, hz=700.0, noise=0.0), TONE, RATE)))
    stands(NAME, "other lines", told)


def test_rms_of_tones() -> None:
    told: list[Any] = []
    rms, share = tone_rms(tone(2.0, noise=0.0), RATE, 250.0)
    # A sine of amplitude 0.1.
    assert rms == pytest.approx(0.1 / np.sqrt(2.0), rel=1e-3)
    assert share == pytest.approx(0.0, abs=1e-3)
    assert pressure_of_level(94.0) == pytest.approx(1.0024, rel=1e-4)
    for hz in (5.0, 12.0, 100.0, 240.0, 281.0, 700.0):
        made = tone(2.0) + tone(2.0, hz=hz, size=0.2)
        told += [tone_rms(made, RATE, 250.0), tone_rms(made, RATE, hz)]
    told.append([tone_rms(np.zeros(100), RATE, 250.0), pressure_of_level(0.0), pressure_of_level(-6.0)])
    stands(NAME, "tones", told)


def test_stated_sensitivity_against_the_calibrator() -> None:
    told: list[Any] = []
    for u_db in (0.2, 1.0):
        for apart in (-4.0, -3.05, -2.95, -1.1, -0.95, -0.88, 0.0, 0.88, 0.95, 1.1, 2.4, 2.6, 2.95, 3.05, 9.0):
            stated = Calibration(0.05 * 10 ** (apart / 20), u_db, True, "stated")
            told.append(said(_against(stated, Calibration(0.05, 0.08, True, "c"))))
    microphones: list[dict[str, Any]] = [
        {},
        {"sensitivity_fs_per_pa": 0.05},
        {"calibrator": TONE.model_dump()},
        {"sensitivity_fs_per_pa": 0.07, "sensitivity_u_db": 0.3},
        {"sensitivity_fs_per_pa": 0.07, "calibrator": TONE.model_dump()},
        {"sensitivity_fs_per_pa": 0.2, "calibrator": TONE.model_dump()},
    ]
    for microphone in microphones:
        made = Recording(tone()[None, :], RATE, "DOUBLE")
        found = calibrate(session(Rig(), microphone=microphone), lambda _name, m=made: m)  # type: ignore[misc]
        told.append([found.fs_per_pa, found.u_db, found.absolute, found.source, said(found.flags), found.hiss_db])
    stands(NAME, "stated", told)


def test_stimuli() -> None:
    told: list[Any] = []
    rig, random = Rig(), np.random.default_rng(4)

    def of(told_: SweepStimulus | FileStimulus, samples: Array, rate: int = 16_000) -> Any:
        def work() -> Any:
            one = stimulus_of(told_, lambda _name: Recording(np.atleast_2d(samples), rate, ""), 16_000)
            return [one.samples, one.rate_hz, one.law, one.low_hz, one.high_hz, one.lead_in_s]

        return outcome(work)

    for form in ("synchronized", "classic"):
        told.append(
            of(
                SweepStimulus(
                    form=form,
                    start_hz=30.0,
                    stop_hz=7500.0,
                    duration_s=0.9,
                    fade_in_s=0.04,
                    fade_out_s=0.01,
                    lead_in_s=0.2,
                ),
                np.zeros(1),
            )
        )
    told.append(of(SweepStimulus(start_hz=30.0, stop_hz=8500.0, duration_s=0.9), np.zeros(1)))
    played = FileStimulus(kind="file", file="x.wav", lead_in_s=0.3)
    told += [
        of(played, -0.3 * swept(rig)),
        of(played, swept(rig), 8000),
        of(played, np.zeros(900)),
        of(played, np.zeros((1, 0))),
    ]
    told.append(of(played.model_copy(update={"channel": 2}), swept(rig)))
    told.append(of(played.model_copy(update={"channel": 2}), np.stack([np.zeros(14_400), 2.0 * swept(rig)])))
    for low, high in ((50.0, 3000.0), (120.0, 7000.0), (20.0, 900.0)):
        hz = np.fft.rfftfreq(16_000, 1 / 16_000)
        noise = np.fft.irfft(
            np.fft.rfft(random.standard_normal(16_000)) * ((hz > low) & (hz < high)) / np.sqrt(np.maximum(hz, 1.0)),
            16_000,
        )
        told += [_band_of(noise, 16_000), _band_of(noise[:3000], 16_000), _band_of(noise, 48_000)]
    told += [_band_of(random.standard_normal(size), 16_000) for size in (3000, 9000, 14_000)]
    sweep = Stimulus(swept(rig), 16_000, sweep_law(30.0, 7500.0, 0.9), 30.0, 7500.0, 0.1)
    hz = np.array([0.5, 40.0, 300.0, 5000.0, 9000.0])
    told += [1e3 * stimulus_power(sweep, hz), 1e3 * stimulus_power(replace(sweep, law=None), hz)]  # type: ignore[arg-type]
    # L / (4 f).
    assert stimulus_power(sweep, hz)[2] == pytest.approx(0.9 / np.log(250.0) / 1200.0)  # type: ignore[arg-type]
    told += [outcome(lambda n=count: stimulus_spectrum(sweep, n)) for count in (14_399, 14_400, 14_401)]  # type: ignore[misc]
    stands(NAME, "stimuli", told)
