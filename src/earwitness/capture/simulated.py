"""A sound card and a turntable in memory, with every misfortune on demand. They make and hear no sound."""

from __future__ import annotations

import itertools
import socketserver
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

from earwitness.capture.sound import AudioDevice, Block, DeviceLostError, Outgoing, Wiring, device_of
from earwitness.capture.turntable import TurntableError
from earwitness.quantities import FloatArray

_SPEED_OF_SOUND_M_S = 343.0


@dataclass(frozen=True, slots=True)
class TableFaults:
    """What goes wrong; moves count from 1.

    backlash_deg : of the plate behind its drive; lag_s : before it starts; lost_deg : that each move loses in its
    direction, unnoticed; missed : a move that it reports and does not make; slip : (move, degrees) by which the
    loudspeaker slides, unnoticed; stall : a move that never ends; short : a move that ends 3° early, and says so; cut :
    a move in which the line is lost; zero_deg : by which the loudspeaker looks past the microphone at zero.
    """

    backlash_deg: float = 0.0
    lag_s: float = 0.0
    lost_deg: float = 0.0
    missed: int = 0
    slip: tuple[int, float] = (0, 0.0)
    stall: int = 0
    short: int = 0
    cut: int = 0
    zero_deg: float = 0.0


class SimulatedTable:
    """Answers as docs/turntable.md says. `true_deg` : where the loudspeaker looks; clock : of seconds."""

    def __init__(
        self,
        faults: TableFaults | None = None,
        *,
        speed_deg_s: float = 20.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.faults, self._speed, self._clock = faults or TableFaults(), speed_deg_s, clock
        self.limits_deg = (-185.0, 185.0)
        self._from, self._to, self._began, self.moves = 0.0, 0.0, clock(), 0
        self._offset, self._play = self.faults.zero_deg, 0.0

    @property
    def angle_deg(self) -> float:
        """Of the drive, which is what it reports."""
        gone = max(self._clock() - self._began - self.faults.lag_s, 0.0) * self._speed
        if self.moves == self.faults.stall and self.moves:
            gone = min(gone, 0.4 * abs(self._to - self._from))
        return self._from + float(np.clip(self._to - self._from, -gone, gone))

    @property
    def true_deg(self) -> float:
        return self.angle_deg + self._offset + self._play

    def answer(self, text: str) -> str:
        """The answer to one line; TurntableError for a line that is lost."""
        word, _, rest = text.strip().partition(" ")
        if word == "id":
            return "id simulated turntable"
        if word == "limits":
            return "limits {:.1f} {:.1f}".format(*self.limits_deg)
        if word == "move":
            try:
                return self._move(float(rest))
            except ValueError:
                return "error move needs an angle"
        if word == "stop":
            self._from = self._to = self.angle_deg
        elif word == "zero":
            self._offset, self._from, self._to = self._offset + self.angle_deg, 0.0, 0.0
        elif word != "where":
            return "error unknown word"
        if self.moves and self.moves == self.faults.cut:
            raise TurntableError("the line to the turntable is lost", remedy="connect again")
        is_there = self.angle_deg == self._to and not (self.moves and self.moves == self.faults.stall)
        return f"{'at' if is_there or word == 'stop' else 'moving'} {self.angle_deg:.2f}"

    def _move(self, target: float) -> str:
        if not self.limits_deg[0] <= target <= self.limits_deg[1]:
            return "error beyond the limits"
        here, faults = self.angle_deg, self.faults
        self.moves += 1
        change = target - here
        if abs(change) > 1e-9:
            self._play = -np.sign(change) * faults.backlash_deg / 2.0
        self._offset -= np.sign(change) * faults.lost_deg + (change if self.moves == faults.missed else 0.0)
        self._offset += faults.slip[1] if self.moves == faults.slip[0] else 0.0
        self._from, self._to, self._began = here, target - (3.0 if self.moves == faults.short else 0.0), self._clock()
        return self.answer("where")


@dataclass(frozen=True, slots=True)
class MemoryLine:
    """A line to a table in the same process."""

    table: SimulatedTable

    def ask(self, text: str, timeout_s: float) -> str:
        """The table's answer."""
        del timeout_s
        return self.table.answer(text)

    def close(self) -> None:
        """Nothing is held."""


def serve_table(table: SimulatedTable, port: int = 0) -> socketserver.TCPServer:
    """A server of lines on this computer only; port 0 for a free one. OSError where the port is taken."""

    class Talk(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            try:
                while line := self.rfile.readline(200):
                    self.wfile.write(f"{table.answer(line.decode('ascii', 'replace'))}\n".encode())
            except (TurntableError, OSError):
                return
            finally:
                table.answer("stop") if not table.faults.cut else None

    socketserver.TCPServer.allow_reuse_address = True
    return socketserver.TCPServer(("127.0.0.1", port), Talk)


@dataclass(slots=True)
class RehearsedLoudspeaker:
    """An invented box whose sound changes with the angle, so that a rehearsal can notice what a real one would.

    Its front is `front_m` from the axis that it turns about. angle_deg : where it looks without a table.
    """

    table: SimulatedTable | None = None
    angle_deg: float = 0.0
    front_m: float = 0.13
    taps: int = 128

    def response(self, rate_hz: float) -> FloatArray:
        """FIR (T,) ahead of the microphone: a front that darkens, and an edge that comes later, off axis."""
        angle = np.radians(self.angle_deg if self.table is None else self.table.true_deg)
        middle, reach = self.taps / 2.0, self.front_m / _SPEED_OF_SOUND_M_S * rate_hz
        off = 0.5 - 0.5 * np.cos(angle)
        hz = np.fft.rfftfreq(self.taps, 1.0 / rate_hz)
        turn = -2j * np.pi * hz / rate_hz
        front = np.exp(turn * (middle - reach * np.cos(angle))) / (1.0 + (hz / 3000.0) ** 2 * 8.0 * off) ** 0.5
        edge = 0.25 * np.exp(turn * (middle + reach * np.abs(np.sin(angle)))) / (1.0 + (hz / 1500.0) ** 2) ** 0.5
        return np.asarray(np.fft.irfft(front + edge, self.taps) * np.hanning(self.taps), dtype=np.float64)


KEY = "simulated"
BLOCK = 1024


@dataclass(frozen=True, slots=True, eq=False)
class FaultInjection:
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
    misfortunes: list[FaultInjection] | None = None
    opened: Iterator[int] = field(default_factory=itertools.count, repr=False)

    def devices(self) -> tuple[AudioDevice, ...]:
        """The one device there is."""
        return (AudioDevice(KEY, "simulated wire, no sound", "in memory", 2, 2, 48_000, True, True),)

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
        fate = self.misfortunes.pop(0) if self.misfortunes else FaultInjection()
        return SimulatedStream(self, wiring, outgoing, fate)


class SimulatedStream:
    """Each read plays one block and hears one."""

    def __init__(self, sound: SimulatedSound, wiring: Wiring, outgoing: Outgoing, fate: FaultInjection) -> None:
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
