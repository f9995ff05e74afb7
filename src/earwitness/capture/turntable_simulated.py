"""A turntable in memory, with every misfortune on demand, and a loudspeaker that stands on it."""

import socketserver
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from earwitness.capture.turntable_line import TurntableError
from earwitness.quantities.arrays import FloatArray

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
