"""Lines of text to and from a turntable: TCP, or a serial port as the operating system's file. Nothing else of the
room touches either."""

import os
import select
import socket
import time
from collections.abc import Callable
from typing import Protocol

from earwitness.errors import EarwitnessError, InputError
from earwitness.files.system import open_serial

LONGEST = 120
_BAUD = 115_200
_CONNECT_S = 5.0


class TurntableError(EarwitnessError):
    """The turntable cannot be reached, answers otherwise than it should, or stands elsewhere than asked."""


class Line(Protocol):
    """One question, one answer."""

    def ask(self, text: str, timeout_s: float) -> str:
        """Send a line and return the answer, without its end. TurntableError where none comes in time."""

    def close(self) -> None:
        """Let the line go."""


def open_line(address: str) -> Line:
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
