"""A turntable by lines of text (docs/turntable.md): turn, wait, read back, and stop at the first thing that is odd."""

import contextlib
import math
import os
import re
import select
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from earwitness.errors import EarwitnessError, InputError
from earwitness.files.system import open_serial

# Lines of text to and from a turntable: TCP, or a serial port as the operating system's file. Nothing else of the room
# touches either.

LONGEST = 120
_BAUD = 115_200
_CONNECT_S = 5.0


class TurntableError(EarwitnessError):
    """The turntable cannot be reached, answers otherwise than it should, or stands elsewhere than asked."""


class SerialLine(Protocol):
    """One question, one answer."""

    def ask(self, text: str, timeout_s: float) -> str:
        """Send a line and return the answer, without its end. TurntableError where none comes in time."""

    def close(self) -> None:
        """Let the line go."""


def open_line(address: str) -> SerialLine:
    """The line to "HOST:PORT", or to a serial port such as "/dev/ttyACM0" (115200 baud, or "/dev/ttyACM0@9600").

    InputError for an address of neither kind, TurntableError where nothing answers there.
    """
    try:
        if address.startswith("/"):
            port = _serial(address)
            return _Wire(address, lambda n: os.read(port, n), lambda b: os.write(port, b), port, lambda: os.close(port))
        host, _, number = address.rpartition(":")
        if not host or not number.isdecimal() or not 0 < int(number) < 65_536:
            raise InputError.of("capture.turntable_address", address=address)
        link = socket.create_connection((host.strip("[]"), int(number)), _CONNECT_S)
    except OSError as error:
        raise TurntableError.of("capture.turntable_unreached", where=address, reason=error.strerror or error) from None
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return _Wire(address, link.recv, link.sendall, link.fileno(), link.close)


def _serial(address: str) -> int:
    """The port that an address names. OSError, InputError."""
    name, _, baud = address.partition("@")
    try:
        port = open_serial(name, baud or str(_BAUD))
    except ValueError:
        raise InputError(f"a baud rate of {baud!r}", where=address, expected="9600, 19200, 57600 or 115200") from None
    if port is None:
        raise InputError.of("capture.no_serial_ports", where=address)
    return port


class _Wire:
    """Bytes in and out of a file that `select` can wait for."""

    def __init__(
        self,
        name: str,
        read: Callable[[int], bytes],
        write: Callable[[bytes], object],
        file: int,
        close: Callable[[], None],
    ) -> None:
        self._name, self._read, self._write, self._file, self.close = name, read, write, file, close
        self._rest = b""

    def ask(self, text: str, timeout_s: float) -> str:
        """What came before the question is the answer to none, and is dropped."""
        until = time.monotonic() + timeout_s
        self._rest = b""
        try:
            while select.select([self._file], [], [], 0.0)[0]:
                if not self._read(4096):
                    raise ConnectionError("it closed the line")
            self._write(text.encode("ascii") + b"\n")
            while b"\n" not in self._rest:
                left = until - time.monotonic()
                if left <= 0.0 or not select.select([self._file], [], [], left)[0]:
                    raise TimeoutError(f"no answer to {text!r} within {timeout_s:g} s")
                more = self._read(4096)
                self._rest += more
                if not more or len(self._rest) > 64 * LONGEST:
                    raise ConnectionError("it closed the line" if not more else "it sends without end")
        except (OSError, ValueError) as error:
            raise TurntableError.of("capture.turntable_silent", where=self._name, error=error) from None
        return self._rest.split(b"\n", 1)[0].decode("ascii", "replace").strip()


TOLERANCE_DEG = 0.5
_ANSWER_S, _POLL_S, _SETTLE_S = 2.0, 0.1, 1.0
# The slowest table that is waited for, and how long one may say that it moves without moving.
_SLOWEST_DEG_S, _START_S, _STUCK_S = 1.0, 5.0, 5.0
# Every angle is come to from below, so that play between gears is the same at all of them.
_APPROACH_DEG = 4.0
_STILL_DEG = 0.1
_NUMBER = r"([+-]?\d{1,4}(?:\.\d{1,6})?)"
_POSITION = re.compile(rf"(at|moving) {_NUMBER}")
_LIMITS = re.compile(rf"limits {_NUMBER} {_NUMBER}")


@dataclass(frozen=True, slots=True)
class Position:
    """Where the table says that it stands, degrees from its zero."""

    angle_deg: float
    moves: bool


class Turntable:
    """A connected turntable at the end of a `line`. name : what it calls itself; limits_deg : lowest and highest angle
    it turns to, as far as its cables reach. clock, sleep : of seconds, for tests. TurntableError from all it does."""

    def __init__(
        self,
        line: SerialLine,
        *,
        tolerance_deg: float = TOLERANCE_DEG,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.line, self._tolerance, self._clock, self._sleep = line, tolerance_deg, clock, sleep
        told = self._ask("id")
        if not told.startswith("id ") or not told[3:].strip():
            raise _odd("id", told, "id NAME")
        self.name = told[3:].strip()
        told = self._ask("limits")
        found = _LIMITS.fullmatch(told)
        if found is None or float(found[1]) >= float(found[2]):
            raise _odd("limits", told, "limits LOWEST HIGHEST")
        self.limits_deg = (float(found[1]), float(found[2]))
        self.where()

    def where(self) -> Position:
        """Where it stands, and whether it moves."""
        return self._position("where")

    def zero(self) -> Position:
        """Call the place where it stands zero. It must stand."""
        return self._position("zero")

    def stop(self) -> None:
        """Stop at once, as far as a line can ask for it; never raises."""
        with contextlib.suppress(TurntableError):
            self._ask("stop")

    def close(self) -> None:
        """Stop and let the line go."""
        self.stop()
        self.line.close()

    def turn(self, angle_deg: float, alive: Callable[[], bool] = lambda: True) -> float:
        """Turn to an angle from below, let it settle, and return the angle read back.

        alive : asked ten times a second, False stops. TurntableError, with the table stopped, where that happened, it
        stalls, takes too long, or stands elsewhere than asked.
        """
        target = self._reachable(angle_deg)
        try:
            if target < self.where().angle_deg + _STILL_DEG:
                self._go(max(target - _APPROACH_DEG, self.limits_deg[0]), alive)
            self._go(target, alive)
            first = self.where()
            self._wait(_SETTLE_S, alive)
            last = self.where()
        except BaseException:
            self.stop()
            raise
        if last.moves or abs(last.angle_deg - first.angle_deg) > _STILL_DEG:
            self.stop()
            raise TurntableError("the turntable does not come to rest", remedy="look at it; lighten or fix what swings")
        if abs(last.angle_deg - target) > self._tolerance:
            raise TurntableError.of("capture.stands_elsewhere", target=target, last=last, given=self)
        return last.angle_deg

    def require_still(self, angle_deg: float) -> None:
        """TurntableError where it does not stand within the tolerance of an angle: it moved during a take."""
        found = self.where()
        if found.moves or abs(found.angle_deg - self._reachable(angle_deg)) > self._tolerance:
            raise TurntableError.of("capture.moved_in_take", found=found)

    def _reachable(self, angle_deg: float) -> float:
        """The angle, a whole turn farther where only that lies within the limits."""
        low, high = self.limits_deg
        for turned in (angle_deg, angle_deg - 360.0, angle_deg + 360.0):
            if low <= turned <= high:
                return turned
        raise TurntableError.of("capture.beyond_limits", angle_deg=angle_deg, low=low, high=high)

    def _go(self, target: float, alive: Callable[[], bool]) -> None:
        found = self._position(f"move {target:.2f}")
        since, still_at = self._clock(), found.angle_deg
        until = since + _START_S + abs(target - found.angle_deg) / _SLOWEST_DEG_S
        while found.moves:
            self._wait(_POLL_S, alive)
            found, now = self.where(), self._clock()
            if abs(found.angle_deg - still_at) > _STILL_DEG:
                since, still_at = now, found.angle_deg
            elif found.moves and now - since > _STUCK_S:
                raise TurntableError.of("capture.turntable_stuck", found=found)
            if found.moves and now > until:
                raise TurntableError.of("capture.not_there_in_time", target=target)

    def _wait(self, seconds: float, alive: Callable[[], bool]) -> None:
        until = self._clock() + seconds
        while True:
            if not alive():
                raise TurntableError("the turntable was stopped", remedy="look where it stands, then go on")
            if (left := until - self._clock()) <= 0.0:
                return
            self._sleep(min(left, _POLL_S))

    def _position(self, question: str) -> Position:
        told = self._ask(question)
        found = _POSITION.fullmatch(told)
        if found is None or not math.isfinite(float(found[2])):
            raise _odd(question, told, "at ANGLE or moving ANGLE")
        return Position(float(found[2]), found[1] == "moving")

    def _ask(self, question: str) -> str:
        told = self.line.ask(question, _ANSWER_S)
        if told.startswith("error"):
            words = "".join(one for one in told[5:].strip()[:LONGEST] if one.isprintable())
            raise TurntableError.of("capture.turntable_error", words=words or "error")
        return told


def _odd(question: str, told: str, expected: str) -> TurntableError:
    return TurntableError.of("capture.strange_answer", expected=expected, question=question, told=told[:LONGEST])
