"""A turntable beside a series: what it does before and after each take, and what the angles of all say at the end."""

from collections.abc import Callable
from contextlib import suppress

import numpy as np

from earwitness.capture.reading import TakeReading, closing_words, third_octaves
from earwitness.capture.series import Series, TakeState, give_up, note_turned, reading_of, states
from earwitness.capture.simulated import KEY, SimulatedSound
from earwitness.capture.sound import Sound
from earwitness.capture.take import Recorded
from earwitness.capture.turntable import Turntable
from earwitness.capture.turntable_line import open_line
from earwitness.capture.turntable_simulated import MemoryLine, SimulatedTable, serve_table
from earwitness.errors import EarwitnessError, InputError
from earwitness.files.data import worded
from earwitness.reduce.orbit_checks import angle_offset_deg

_FEWEST = 3
# As the reduction tells it of a session's takes.
_OFFSET_DEG = 2.0


def turntable_at(address: str) -> Turntable:
    """The turntable at HOST:PORT or a serial port; "simulated" is one in memory, for rehearsals. TurntableError."""
    line = MemoryLine(SimulatedTable()) if address == KEY else open_line(address)
    try:
        return Turntable(line)
    except EarwitnessError:
        line.close()
        raise


def serve_simulated_table(port: int, *, tell: Callable[[str], object]) -> None:
    """Be a turntable for other programs of this computer until Ctrl-C. InputError where the port is taken."""
    try:
        server = serve_table(SimulatedTable(), port)
    except OSError as error:
        raise InputError.of("app.port_taken", port=port, error=error) from None
    with server, suppress(KeyboardInterrupt):
        tell(f"a simulated turntable at 127.0.0.1:{server.server_address[1]}; Ctrl-C ends it")
        server.serve_forever(0.1)


class Turner:
    """One run of takes with a table, or with None, which asks nothing of anything. fs_per_pa : of the microphone, None
    where it is not known; alive : False once silenced."""

    def __init__(
        self, series: Series, table: Turntable | None, card: Sound, fs_per_pa: float | None, alive: Callable[[], bool]
    ) -> None:
        self._series, self._table, self._alive, self.fs_per_pa = series, table, alive, fs_per_pa
        self._first: TakeReading | None = None
        self._simulated = card.loudspeaker if isinstance(card, SimulatedSound) else None
        if self._simulated is not None and table is not None and isinstance(table.line, MemoryLine):
            self._simulated.table = table.line.table
        self._turned: list[TakeState] = []

    def needs_hands(self, state: TakeState) -> str:
        """Why the table cannot go on by itself to this take; nothing where it can."""
        if self._table is None:
            return ""
        if state.angle_deg is None:
            return f"take {state.id} has no angle and needs your hands: record it alone, without the turntable"
        if self._turned and self._turned[0].orbit != state.orbit:
            return f"the {self._turned[0].orbit} orbit is done: set the loudspeaker up for the {state.orbit} one, go on"
        return ""

    def turn(self, state: TakeState) -> None:
        """Turn to the take's angle; whoever rehearses without a table turns as asked. TurntableError."""
        if state.angle_deg is None:
            return
        self._at_deg = state.angle_deg if self._table is None else self._table.turn(state.angle_deg, self._alive)
        if self._simulated is not None:
            self._simulated.angle_deg = self._at_deg

    def doubts(self, state: TakeState, done: Recorded) -> str:
        """What is wrong with the angle of a take just kept, which is given up then; nothing where it fits."""
        if self._table is None or state.angle_deg is None:
            return ""
        kept = next(one for one in states(self._series) if one.id == state.id).state == "kept"
        self._table.require_still(state.angle_deg)
        if not kept:
            return ""
        if done.verdict.doubts:
            give_up(self._series, state.id, done.verdict.doubts[0])
            return done.verdict.doubts[0]
        note_turned(self._series, state.id, self._at_deg)
        self._turned.append(state)
        return ""

    def at_the_side(self, only: str | None) -> TakeState | None:
        """The take to make before all others and again at the end, as a turn changes most there: the nearest to 90
        degrees of the orbit that comes next; None where few takes are to come."""
        there = [one for one in states(self._series) if one.orbit is not None]
        following = next((one.orbit for one in there if one.state == "open"), None)
        orbit = [one for one in there if one.orbit == following]
        if self._table is None or only is not None or sum(one.state == "open" for one in orbit) < _FEWEST:
            return None
        return min(orbit, key=lambda one: abs(abs(one.angle_deg or 0.0) - 90.0))

    def opened(self, state: TakeState, made: Recorded) -> str:
        """Keep in mind what was heard at the side; what does not fit a kept take there is wrong already."""
        self._first = made.reading
        if made.reading is None:
            return f"The turntable's check at {state.angle_deg:g}° failed: {made.verdict.sentence}"
        known = reading_of(self._series, state.id, self.fs_per_pa) if state.state == "kept" else None
        return "" if known is None else closing_words(known, made.reading, state.id)

    def checks(self, state: TakeState, again: Recorded) -> tuple[str, ...]:
        """What the take made again, and left against right of the whole orbit, say of the angles of all."""
        found = []
        if self._first is None or again.reading is None:
            found.append(f"Take {state.id} could not be made again: {again.verdict.sentence}")
        elif words := closing_words(self._first, again.reading, state.id):
            found.append(words)
        around = sorted((one.angle_deg or 0.0, one.id) for one in states(self._series)
            if one.orbit == "horizontal" == state.orbit and one.state == "kept")  # fmt: skip
        readings = [(angle, reading_of(self._series, name, self.fs_per_pa)) for angle, name in around]
        known = [(angle, third_octaves(one.curve_db)) for angle, one in readings if one is not None]
        angles, levels = np.array([one for one, _ in known]), np.array([one for _, one in known])
        offset = angle_offset_deg(angles, levels) if len(known) > 2 * _FEWEST else None
        if offset is not None and abs(offset) > _OFFSET_DEG:
            found.append(worded("app.orbit_offset", offset=offset))
        return tuple(found)
