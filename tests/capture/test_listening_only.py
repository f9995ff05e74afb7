"""A microphone that is a sound device of its own: only inputs are opened to listen, and nothing can be played on it."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from rehearsal import RATE_HZ, WIRING, sweep, write_session

from earwitness.app.capture import begin_or_open, calibrate
from earwitness.capture.guard import OutputLimits
from earwitness.capture.series import LiveSettings
from earwitness.capture.simulated import SimulatedSound
from earwitness.capture.sound import Wiring, _PortAudio
from earwitness.capture.take import Signal, record_take
from earwitness.errors import InputError

TONE = 0.1 * np.sqrt(2.0) * np.sin(2 * np.pi * 1000.0 * np.arange(10 * RATE_HZ) / RATE_HZ)


class InputStream:
    """A stream of PortAudio's kind that hears a calibrator; it runs when it is started."""

    def __init__(
        self, *, callback: Callable[..., None], finished_callback: Callable[[], None], **_settings: Any
    ) -> None:
        self._callback, self._finished = callback, finished_callback

    def start(self) -> None:
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        for at in itertools.count(0, 480):
            try:
                self._callback(TONE[at % TONE.size :][:480, np.newaxis].astype(np.float32), 480, None, None)
            except Abort:
                break
            time.sleep(0.001)
        self._finished()

    def abort(self, *, ignore_errors: bool) -> None:
        assert ignore_errors
        self._thread.join()

    close = abort


class Abort(Exception):
    """PortAudio's way to end a stream from its callback."""


def microphone_alone() -> _PortAudio:
    """A computer with one device, which has no outputs. Opening an output would fail: there is no such name here."""
    return _PortAudio(
        SimpleNamespace(
            query_hostapis=lambda: [{"name": "any"}],
            query_devices=lambda: [
                {
                    "name": "Microphone",
                    "hostapi": 0,
                    "max_input_channels": 1,
                    "max_output_channels": 0,
                    "default_samplerate": RATE_HZ,
                }
            ],
            default=SimpleNamespace(device=(0, -1)),
            check_input_settings=lambda **_: None,
            InputStream=InputStream,
            CallbackAbort=Abort,
            PortAudioError=OSError,
        )
    )


def test_a_calibrator_is_heard_by_a_device_without_outputs(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "s")
    wiring = Wiring("Microphone", "none", RATE_HZ, reference=None, outputs=())
    microphone_alone().check(wiring)
    with pytest.raises(InputError, match="no device 'none' for output"):
        microphone_alone().check(replace(wiring, outputs=(1,)))
    done = calibrate(folder, replace(wiring, outputs=(1,)), sound=microphone_alone(), duration_s=3.0)
    assert done.reading.faults == ()
    # 94 dB re 20 uPa are 1.0024 Pa.
    assert done.reading.fs_per_pa == pytest.approx(0.1 / 1.0024, rel=1e-3)


def test_nothing_can_be_played_without_an_output(tmp_path: Path) -> None:
    listening = replace(WIRING, outputs=())
    with pytest.raises(InputError, match="no output channel"):
        begin_or_open(write_session(tmp_path / "s"), LiveSettings(listening, angles_deg=(("horizontal", (0.0,)),)))
    with pytest.raises(InputError, match="no output channel"):
        record_take(SimulatedSound(), listening, Signal(sweep(), 0.2), tmp_path / "a.part", limits=OutputLimits())
