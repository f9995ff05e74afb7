"""Sound cards through PortAudio. The library is loaded when a sound card is first asked for."""

from __future__ import annotations

import importlib
import queue
from typing import Any

import numpy as np

from earwitness.capture.sound import Block, Device, DeviceLostError, Outgoing, Sound, Wiring, device_of
from earwitness.errors import InputError, MissingExtraError
from earwitness.files.data import worded


def sound_card() -> Sound:
    """The sound devices of this computer.

    MissingExtraError, with the line that installs it, where sounddevice or PortAudio is not installed.
    """
    return _PortAudio(_library())


def _library() -> Any:
    try:
        return importlib.import_module("sounddevice")
    except ImportError:
        raise MissingExtraError.of("capture.no_sounddevice") from None
    except OSError as error:
        raise MissingExtraError.of("capture.no_portaudio", error=error) from None


class _PortAudio:
    def __init__(self, library: Any) -> None:
        self._library = library

    def devices(self) -> tuple[Device, ...]:
        try:
            systems = self._library.query_hostapis()
            found = self._library.query_devices()
            default_input, default_output = self._library.default.device
        except self._library.PortAudioError as error:
            raise _refused("the sound devices cannot be listed", "", error) from None
        return tuple(
            Device(
                key=str(number),
                name=str(one["name"]),
                system=str(systems[one["hostapi"]]["name"]),
                inputs=int(one["max_input_channels"]),
                outputs=int(one["max_output_channels"]),
                rate_hz=int(one["default_samplerate"]),
                default_input=number == default_input,
                default_output=number == default_output,
            )
            for number, one in enumerate(found)
        )

    def rescan(self) -> None:
        # PortAudio lists devices when it starts and never again; sounddevice offers no public way to restart it.
        self._library._terminate()
        self._library._initialize()

    def check(self, wiring: Wiring) -> None:
        source, sink = self._numbers(wiring)
        try:
            self._library.check_input_settings(
                device=source, channels=wiring.input_channels, dtype="float32", samplerate=wiring.rate_hz
            )
            if sink is not None:
                self._library.check_output_settings(
                    device=sink, channels=wiring.output_channels, dtype="float32", samplerate=wiring.rate_hz
                )
        except (self._library.PortAudioError, ValueError) as error:
            raise _refused("the sound device does not work this way", _words(wiring), error) from None

    def open(self, wiring: Wiring, outgoing: Outgoing) -> _PortAudioStream:
        numbers = self._numbers(wiring)
        try:
            return _PortAudioStream(self._library, wiring, numbers, outgoing)
        except (self._library.PortAudioError, ValueError) as error:
            raise _refused("the sound device cannot be opened", _words(wiring), error) from None

    def _numbers(self, wiring: Wiring) -> tuple[int, int | None]:
        """PortAudio's numbers of both devices; no output where nothing is to be played."""
        found = self.devices()
        source = device_of(found, wiring.input_device, for_output=False)
        sink = device_of(found, wiring.output_device, for_output=True) if wiring.outputs else None
        for what, has, wanted in (
            ("inputs", source.inputs, wiring.input_channels),
            ("outputs", 0 if sink is None else sink.outputs, wiring.output_channels),
        ):
            if has < wanted:
                raise InputError.of(
                    "capture.channel_not_there", where=_words(wiring), has=has, what=what, wanted=wanted
                )
        return int(source.key), None if sink is None else int(sink.key)


class _PortAudioStream:
    """Blocks come through a queue, so that a slow disk never holds up the sound thread."""

    def __init__(self, library: Any, wiring: Wiring, numbers: tuple[int, int | None], outgoing: Outgoing) -> None:
        self._library, self._outgoing = library, outgoing
        self._blocks: queue.SimpleQueue[Block | None] = queue.SimpleQueue()
        source, sink = numbers
        settings = {
            "samplerate": wiring.rate_hz,
            "blocksize": wiring.block,
            "dtype": "float32",
            "latency": wiring.latency_s,
            "finished_callback": lambda: self._blocks.put(None),
        }
        if sink is None:
            self._stream = library.InputStream(
                device=source, channels=wiring.input_channels, callback=self._listen, **settings
            )
        else:
            channels = (wiring.input_channels, wiring.output_channels)
            self._stream = library.Stream(device=(source, sink), channels=channels, callback=self._exchange, **settings)
        self._stream.start()

    def _exchange(self, recorded: Block, played: Block, frames: int, _time: Any, _status: Any) -> None:
        # The status flags come on good and bad runs alike: recordings are judged by their content.
        played[:] = self._outgoing.pull(frames)
        self._keep(recorded)

    def _listen(self, recorded: Block, frames: int, _time: Any, _status: Any) -> None:
        self._outgoing.pull(frames)
        self._keep(recorded)

    def _keep(self, recorded: Block) -> None:
        self._blocks.put(np.array(recorded, dtype=np.float32))
        if self._outgoing.over:
            raise self._library.CallbackAbort

    def read(self, timeout_s: float) -> Block | None:
        try:
            block = self._blocks.get(timeout=timeout_s)
        except queue.Empty:
            raise DeviceLostError.of("capture.device_silent", timeout_s=timeout_s) from None
        if block is None and not self._outgoing.over:
            raise DeviceLostError.of("capture.device_stopped")
        return block

    def close(self) -> None:
        try:
            self._stream.abort(ignore_errors=True)
        finally:
            self._stream.close(ignore_errors=True)


def _words(wiring: Wiring) -> str:
    return worded("capture.wiring", wiring=wiring)


def _refused(what: str, where: str, error: Exception) -> InputError:
    return InputError.of("capture.device_refuses", where=where, what=what, error=error)
