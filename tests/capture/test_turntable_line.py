"""A turntable by lines of text: what it answers, what it fails to answer, and what of that is told."""

from __future__ import annotations

import contextlib
import os
import pty
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.capture.simulated import MemoryLine, SimulatedTable, TableFaults, serve_table
from earwitness.capture.turntable import LONGEST, Turntable, TurntableError, open_line
from earwitness.errors import InputError
from patience import PATIENCE_S, until


class Clock:
    """Seconds that pass when somebody sleeps."""

    now = 0.0

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds


def table_with(faults: TableFaults | None = None, **more: float) -> tuple[Turntable, SimulatedTable, Clock]:
    clock = Clock()
    table = SimulatedTable(faults, clock=clock, **more)
    return Turntable(MemoryLine(table), clock=clock, sleep=clock.sleep), table, clock


@contextmanager
def served(table: SimulatedTable) -> Iterator[str]:
    with serve_table(table) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
        thread.start()
        yield f"127.0.0.1:{server.server_address[1]}"
        server.shutdown()
        thread.join()


class Says:
    """A line whose far end says these things, whatever it is asked."""

    def __init__(self, **answers: str) -> None:
        self.answers, self.asked = {"id": "id test", "limits": "limits -180 180", "where": "at 0.0", **answers}, []

    def ask(self, text: str, timeout_s: float) -> str:
        assert timeout_s > 0.0
        self.asked.append(text)
        return self.answers.get(text.partition(" ")[0], "error unknown word")

    def close(self) -> None:
        self.asked.append("closed")


def test_it_turns_reads_back_and_comes_to_every_angle_from_below() -> None:
    turned, table, _ = table_with(TableFaults(backlash_deg=2.0))
    for angle in (0.0, 30.0, 180.0, -150.0, -30.0, 90.0, -180.0):
        assert turned.turn(angle) == pytest.approx(angle, abs=0.01)
        # Play of 2 degrees lies on the same side at every angle, whichever way it came.
        assert table.true_deg == pytest.approx(angle - 1.0, abs=0.01)


def test_an_angle_that_only_another_turn_reaches_is_reached_by_it() -> None:
    clock = Clock()
    table = SimulatedTable(clock=clock)
    table.limits_deg = (0.0, 359.0)
    assert Turntable(MemoryLine(table), clock=clock, sleep=clock.sleep).turn(-90.0) == pytest.approx(270.0)
    table.limits_deg = (0.0, 90.0)
    turned = Turntable(MemoryLine(table), clock=clock, sleep=clock.sleep)
    with pytest.raises(TurntableError, match="beyond the turntable's limits"):
        turned.turn(120.0)


@pytest.mark.parametrize(
    ("faults", "words"),
    [
        (TableFaults(stall=2), "stuck at"),
        (TableFaults(short=2), "was asked for 60° and stands at 57°"),
        (TableFaults(cut=2), "line to the turntable is lost"),
    ],
)
def test_a_fault_of_a_move_is_told_and_the_table_stopped(faults: TableFaults, words: str) -> None:
    turned, table, clock = table_with(faults)
    turned.turn(30.0)
    with pytest.raises(TurntableError, match=words):
        turned.turn(60.0)
    here = table.angle_deg
    clock.sleep(60.0)
    assert table.angle_deg == here


def test_the_abort_key_stops_a_move_within_a_tenth_of_a_second() -> None:
    turned, table, clock = table_with(speed_deg_s=10.0)
    with pytest.raises(TurntableError, match="was stopped"):
        turned.turn(180.0, lambda: clock.now < 3.0)
    clock.sleep(60.0)
    assert table.angle_deg == pytest.approx(30.0, abs=1.5)


def test_a_table_that_crawls_or_runs_away_is_not_waited_for_without_end() -> None:
    turned, _, clock = table_with(speed_deg_s=0.5)
    began = clock.now
    with pytest.raises(TurntableError, match="in time"):
        turned.turn(90.0)
    assert clock.now - began < 110.0


def test_a_move_during_a_take_is_told() -> None:
    turned, table, _ = table_with()
    turned.turn(30.0)
    turned.require_still(30.0)
    table.answer("move 33")
    with pytest.raises(TurntableError, match="moved during the take"):
        turned.require_still(30.0)


@pytest.mark.parametrize(
    "answers",
    [
        {"id": "turntable"}, {"id": "id"}, {"limits": "limits 90 -90"}, {"limits": "limits"}, {"where": "at north"},
        {"where": "at 1e9"}, {"where": "at nan"}, {"where": "30.0"}, {"where": "AT 30.0"}, {"where": ""},
    ],
)  # fmt: skip
def test_an_odd_answer_is_told_with_what_was_expected(answers: dict[str, str]) -> None:
    with pytest.raises(TurntableError) as told:
        Turntable(Says(**answers))
    assert told.value.expected
    assert "turntable.md" in told.value.remedy


def test_words_of_an_error_are_shown_and_no_more_of_them_than_a_line() -> None:
    with pytest.raises(TurntableError, match="over-current") as told:
        Turntable(Says(where="error over-current\x1b[31m" + 5000 * "x"))
    assert "\x1b" not in told.value.what
    assert len(told.value.what) < 2 * LONGEST


@settings(max_examples=300, deadline=None)
@given(st.lists(st.text(max_size=200), min_size=4, max_size=4))
def test_whatever_is_answered_ends_in_words_or_a_position(answers: list[str]) -> None:
    names = ("id", "limits", "where", "move")
    line = Says(**dict(zip(names, answers, strict=True)))
    clock = Clock()
    with contextlib.suppress(TurntableError):
        turned = Turntable(line, clock=clock, sleep=clock.sleep)
        assert abs(turned.turn(10.0) - 10.0) <= 0.5


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=60))
def test_the_simulated_table_answers_one_line_to_any(text: str) -> None:
    answer = SimulatedTable().answer(text)
    assert "\n" not in answer
    assert answer.split(" ")[0] in ("id", "limits", "at", "moving", "error")


def test_over_tcp_it_turns_and_a_lost_line_stops_the_table() -> None:
    table = SimulatedTable(speed_deg_s=200.0)
    with served(table) as address:
        turned = Turntable(open_line(address), sleep=lambda seconds: time.sleep(seconds / 20.0))
        assert turned.turn(20.0) == pytest.approx(20.0, abs=0.01)
        table._speed = 0.5
        assert turned.line.ask("move 90", PATIENCE_S).startswith("moving")
        turned.line.close()
        until(lambda: not table.answer("where").startswith("moving"))
        assert table.angle_deg < 80.0


def test_a_line_that_closes_in_the_middle_of_a_move_is_told() -> None:
    with served(SimulatedTable(TableFaults(cut=1))) as address:
        turned = Turntable(open_line(address))
        with pytest.raises(TurntableError, match="closed the line") as told:
            turned.turn(30.0)
        assert "its own switch" in told.value.remedy
        turned.close()


@pytest.mark.parametrize(
    ("sent", "words"), [(b"", "no answer"), (b"at 3", "no answer"), (64 * LONGEST * b"x" + b"y", "without end")]
)
def test_silence_half_a_line_and_a_flood_are_told(sent: bytes, words: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        line = open_line(f"127.0.0.1:{server.getsockname()[1]}")
        other, _ = server.accept()

        def answer() -> None:
            other.recv(100)
            other.sendall(sent)

        thread = threading.Thread(target=answer)
        thread.start()
        with other, pytest.raises(TurntableError, match=words):
            # A flood is told as soon as it comes; what does not come is waited for so long.
            line.ask("where", PATIENCE_S if len(sent) > LONGEST else 0.5)
        thread.join()
        line.close()


def test_an_answer_that_came_too_late_is_not_taken_for_the_next() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        line = open_line(f"127.0.0.1:{server.getsockname()[1]}")
        other, _ = server.accept()
        with other:
            other.sendall(b"at 30.0\n")
            time.sleep(0.05)
            thread = threading.Thread(target=lambda: (other.recv(100), other.sendall(b"at 60.0\r\n")))
            thread.start()
            assert line.ask("where", PATIENCE_S) == "at 60.0"
            thread.join()
        line.close()


def test_a_serial_port_speaks_the_same_lines() -> None:
    host, port = pty.openpty()
    table = SimulatedTable(speed_deg_s=1000.0)

    def be_a_table() -> None:
        rest = b""
        while b"stop" not in rest:
            rest += os.read(host, 100)
            while b"\n" in rest:
                text, rest = rest.split(b"\n", 1)
                os.write(host, table.answer(text.decode()).encode() + b"\r\n")
                if text == b"stop":
                    return

    thread = threading.Thread(target=be_a_table, daemon=True)
    thread.start()
    turned = Turntable(open_line(os.ttyname(port)), sleep=lambda _: None)
    turned.turn(45.0)
    assert table.angle_deg == pytest.approx(45.0)
    # A second program that wants the port is refused.
    with pytest.raises(TurntableError, match="cannot be reached"):
        open_line(os.ttyname(port))
    turned.close()
    thread.join(PATIENCE_S)
    os.close(host)


@pytest.mark.parametrize("address", ["", "table", "host:", "host:0", "host:99999", "host:4x"])
def test_an_address_of_no_kind_is_told(address: str) -> None:
    with pytest.raises(InputError, match="a turntable at"):
        open_line(address)


def test_nobody_there_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    for address in (f"127.0.0.1:{port}", "/dev/no-such-port"):
        with pytest.raises(TurntableError, match="cannot be reached"):
            open_line(address)
