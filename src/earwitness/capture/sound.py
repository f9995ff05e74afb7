"""What the rest of the room knows of a sound card, so that a simulated one can stand in, and PortAudio behind it."""

from __future__ import annotations

import importlib
import queue
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from earwitness.errors import EarwitnessError, InputError, MissingExtraError
from earwitness.files.data import worded
from earwitness.formats.audio import MAX_RATE_HZ, MIN_RATE_HZ

Block = npt.NDArray[np.float32]


class DeviceLostError(EarwitnessError):
    """The sound device went away or stopped answering while it was in use."""


@dataclass(frozen=True, slots=True)
class AudioDevice:
    """One sound device. key : what options take; inputs, outputs : channels; rate_hz : its own default rate;
    default_input, default_output : whether the system uses it where nobody chose."""

    key: str
    name: str
    system: str
    inputs: int
    outputs: int
    rate_hz: int
    default_input: bool = False
    default_output: bool = False


@dataclass(frozen=True, slots=True)
class Wiring:
    """Which device and channels carry what; channels count from 1.

    microphone, reference : input channels, reference None without a loop-back; outputs : channels that get the signal,
    none to listen only, which asks for no output device; latency_s : asked of the system;
    block : samples handed over at a time, 0 for the system's choice, which loses fewest on a busy computer.
    InputError for impossible numbers.
    """

    input_device: str
    output_device: str
    rate_hz: int = 48_000
    microphone: int = 1
    reference: int | None = 2
    outputs: tuple[int, ...] = (1, 2)
    latency_s: float = 0.1
    block: int = 0

    def __post_init__(self) -> None:
        channels = (self.microphone, *(() if self.reference is None else (self.reference,)), *self.outputs)
        fault = ""
        if not all(1 <= channel <= 64 for channel in channels):
            fault = "channels must lie from 1 to 64"
        elif self.reference == self.microphone:
            fault = "microphone and loop-back cannot be the same channel"
        elif len(set(self.outputs)) != len(self.outputs):
            fault = "an output channel is named twice"
        elif not MIN_RATE_HZ <= self.rate_hz <= MAX_RATE_HZ:
            fault = f"the sample rate is {self.rate_hz} Hz"
        elif not (0.0 < self.latency_s <= 2.0 and (self.block == 0 or 16 <= self.block <= 65_536)):
            fault = f"a latency of {self.latency_s} s with blocks of {self.block} samples"
        if fault:
            raise InputError.of(
                "capture.wiring", where="the wiring of the sound card", fault=fault, least=MIN_RATE_HZ, most=MAX_RATE_HZ
            )

    @property
    def input_channels(self) -> int:
        """How many input channels are recorded: up to the highest that is used."""
        return max(self.microphone, self.reference or 1)

    @property
    def output_channels(self) -> int:
        """How many output channels are opened."""
        return max(self.outputs, default=0)


def require_outputs(wiring: Wiring) -> None:
    """InputError for a wiring that only listens."""
    if not wiring.outputs:
        raise InputError.of("capture.no_output_channel", where="the wiring of the sound card")


class Outgoing(Protocol):
    """What a stream plays. `pull` is called from the sound thread: it never waits and never raises."""

    def pull(self, frames: int) -> Block:
        """The next samples (frames, output_channels); zeros once it is over or silenced."""

    @property
    def over(self) -> bool:
        """Whether the stream should stop: everything was played, or it was silenced."""


class Stream(Protocol):
    """A running duplex stream."""

    def read(self, timeout_s: float) -> Block | None:
        """The next recorded block (frames, input_channels), or None when the stream has ended in order.

        Raises DeviceLostError when the device went away, or gave nothing for timeout_s.
        """

    def close(self) -> None:
        """Stop at once; whatever waits to be played is dropped."""


class AudioHost(Protocol):
    """A way to sound devices."""

    def devices(self) -> tuple[AudioDevice, ...]:
        """All devices, in the system's order."""

    def rescan(self) -> None:
        """Look again for devices plugged in since."""

    def check(self, wiring: Wiring) -> None:
        """InputError where the wiring cannot be opened."""

    def open(self, wiring: Wiring, outgoing: Outgoing) -> Stream:
        """Start to play and record. InputError where the device cannot be opened."""


def device_of(devices: tuple[AudioDevice, ...], key: str, *, for_output: bool) -> AudioDevice:
    """The device with that key or name; "default" is the system's own. InputError lists what there is."""
    usable = [one for one in devices if (one.outputs if for_output else one.inputs)]
    for one in usable:
        chosen = one.default_output if for_output else one.default_input
        if key == one.key or (key == "default" and chosen):
            return one
    named = [one for one in usable if one.name == key] or [one for one in usable if key.lower() in one.name.lower()]
    if len(named) == 1:
        return named[0]
    what = f"{'several devices fit' if named else 'there is no device'} {key!r} for"
    listed = ", ".join(f"{one.key} ({one.name})" for one in named or usable)
    expected = f"one of {listed}" if usable else "a sound device; the system shows none"
    remedy = "list devices with: earwitness measure devices"
    raise InputError(f"{what} {'output' if for_output else 'input'}", expected=expected, remedy=remedy)


def sound_card() -> AudioHost:
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

    def devices(self) -> tuple[AudioDevice, ...]:
        try:
            systems = self._library.query_hostapis()
            found = self._library.query_devices()
            default_input, default_output = self._library.default.device
        except self._library.PortAudioError as error:
            raise _refused("the sound devices cannot be listed", "", error) from None
        return tuple(
            AudioDevice(
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
