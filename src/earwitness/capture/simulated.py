"""A sound card in memory: an exact wire with delay, and every misfortune on demand. It makes and hears no sound."""

from __future__ import annotations

import itertools
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from earwitness.capture.sound import Block, Device, DeviceLostError, Outgoing, Wiring, device_of
from earwitness.capture.turntable_simulated import RehearsedLoudspeaker
from earwitness.quantities.arrays import FloatArray

KEY = "simulated"
BLOCK = 1024


@dataclass(frozen=True, slots=True, eq=False)
class Misfortunes:
    """What goes wrong, in seconds from the start of the stream.

    dropouts : (start, length) that both channels lose to zeros; slips : (start, samples) from where on the recording
    lags by so many more; unplug_at_s : the device goes away; not_finite_at_s : one value is no number.
    """

    dropouts: tuple[tuple[float, float], ...] = ()
    slips: tuple[tuple[float, int], ...] = ()
    unplug_at_s: float | None = None
    not_finite_at_s: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedSound:
    """A wire from the outputs to both input channels.

    delay : samples by which everything is heard later, as in a sound card's buffers; microphone_delay : more for the
    microphone's channel; microphone_gain, reference_gain : plain factors, 0 for nothing connected; microphone_response
    : FIR (T,) of what stands between; loudspeaker : in place of that, one that turns; tone : heard by the microphone
    all the time, as (frequency_hz, rms); noise_rms : of both channels, drawn from `seed`, other in each stream; clip_at
    : both channels are cut there; speed : 1 for blocks that come as slowly as from a real device, 10 for ten times
    faster, 0 for at once; misfortunes : of the first streams in order, later ones have none; opened : counts the
    streams.
    """

    delay: int = 1000
    microphone_delay: int = 0
    microphone_gain: float = 0.5
    reference_gain: float = 0.5
    microphone_response: FloatArray | None = None
    loudspeaker: RehearsedLoudspeaker | None = None
    tone: tuple[float, float] | None = None
    noise_rms: float = 1e-5
    seed: int = 1
    clip_at: float = 1.0
    speed: float = 0.0
    misfortunes: list[Misfortunes] | None = None
    opened: Iterator[int] = field(default_factory=itertools.count, repr=False)

    def devices(self) -> tuple[Device, ...]:
        """The one device there is."""
        return (Device(KEY, "simulated wire, no sound", "in memory", 2, 2, 48_000, True, True),)

    def rescan(self) -> None:
        """Nothing can be plugged in."""

    def check(self, wiring: Wiring) -> None:
        """InputError unless both devices are the simulated one."""
        device_of(self.devices(), wiring.input_device, for_output=False)
        if wiring.outputs:
            device_of(self.devices(), wiring.output_device, for_output=True)

    def open(self, wiring: Wiring, outgoing: Outgoing) -> SimulatedStream:
        """A stream whose time runs as blocks are read."""
        self.check(wiring)
        fate = self.misfortunes.pop(0) if self.misfortunes else Misfortunes()
        return SimulatedStream(self, wiring, outgoing, fate)


class SimulatedStream:
    """Each read plays one block and hears one."""

    def __init__(self, sound: SimulatedSound, wiring: Wiring, outgoing: Outgoing, fate: Misfortunes) -> None:
        self._sound, self._wiring, self._outgoing, self._fate = sound, wiring, outgoing, fate
        self._played: list[FloatArray] = []
        self._random = np.random.default_rng((sound.seed, next(sound.opened)))
        self._block = wiring.block or BLOCK
        turned = sound.loudspeaker
        self._response = sound.microphone_response if turned is None else turned.response(wiring.rate_hz)
        self._started, self._at, self._closed = time.monotonic(), 0, False

    def read(self, timeout_s: float) -> Block | None:
        """The next block; DeviceLostError once unplugged."""
        del timeout_s
        if self._closed or self._outgoing.over:
            return None
        rate, count = self._wiring.rate_hz, self._block
        if self._fate.unplug_at_s is not None and (self._at + count) / rate > self._fate.unplug_at_s:
            raise DeviceLostError("the simulated device was unplugged", remedy="plug it in again and resume")
        if self._sound.speed > 0.0:
            due = self._started + (self._at + count) / rate / self._sound.speed
            time.sleep(max(0.0, due - time.monotonic()))
        out = self._outgoing.pull(count)
        outputs = self._wiring.outputs
        self._played.append(out[:, outputs[0] - 1].astype(np.float64) if outputs else np.zeros(count))
        block = self._hear(count)
        self._at += count
        return block

    def close(self) -> None:
        """End the stream."""
        self._closed = True

    def _hear(self, count: int) -> Block:
        sound, wiring = self._sound, self._wiring
        out = np.zeros((count, wiring.input_channels))
        rate = wiring.rate_hz
        time_s = (self._at + np.arange(count)) / rate
        lag = np.full(count, sound.delay)
        for start_s, samples in self._fate.slips:
            lag = lag + np.where(time_s >= start_s, samples, 0)
        if wiring.microphone <= wiring.input_channels:
            out[:, wiring.microphone - 1] = sound.microphone_gain * self._behind(lag + sound.microphone_delay)
        if wiring.reference is not None:
            out[:, wiring.reference - 1] = sound.reference_gain * self._wire(lag)
        if sound.tone is not None:
            out[:, wiring.microphone - 1] += sound.tone[1] * np.sqrt(2) * np.sin(2 * np.pi * sound.tone[0] * time_s)
        out += sound.noise_rms * self._random.standard_normal(out.shape)
        for start_s, length_s in self._fate.dropouts:
            out[(time_s >= start_s) & (time_s < start_s + length_s)] = 0.0
        out = np.clip(out, -sound.clip_at, sound.clip_at)
        bad = self._fate.not_finite_at_s
        if bad is not None and time_s[0] <= bad <= time_s[-1]:
            out[np.searchsorted(time_s, bad)] = np.nan
        return out.astype(np.float32)

    def _behind(self, lag: np.ndarray[tuple[int], np.dtype[np.int64]]) -> FloatArray:
        if self._response is None:
            return self._wire(lag)
        more = self._response.size - 1
        if np.all(lag == lag[0]):
            past = self._wire(np.full(lag.size + more, lag[0] + more))
            return np.asarray(np.convolve(past, self._response, "valid"), dtype=np.float64)
        taps = [float(one) for one in self._response]
        return np.asarray(sum(tap * self._wire(lag + n) for n, tap in enumerate(taps)), dtype=np.float64)

    def _wire(self, lag: np.ndarray[tuple[int], np.dtype[np.int64]]) -> FloatArray:
        """What was played `lag` samples ago, zero before the start."""
        block = self._block
        index = self._at + np.arange(lag.size) - lag
        first = max(int(index.min()) // block, 0)
        kept = np.concatenate(self._played[first:])
        inside = index >= 0
        return np.where(inside, kept[np.where(inside, index - first * block, 0)], 0.0)
