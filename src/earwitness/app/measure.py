"""Before and while measuring: test signals, plans, choices, the day's exposure, rehearsals, the turntable."""

import datetime
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import ConfigDict, Field

from earwitness.capture.guard import DayBudget, keep_budget, read_budget
from earwitness.capture.plan import orbit_angles
from earwitness.capture.reading import TakeReading, closing_words, third_octaves
from earwitness.capture.series import LiveSettings, Series, TakeState, give_up, note_turned, reading_of, states
from earwitness.capture.simulated import KEY, MemoryLine, SimulatedSound, SimulatedTable, serve_table
from earwitness.capture.sound import AudioHost, Wiring
from earwitness.capture.take import Recorded
from earwitness.capture.turntable import Turntable, open_line
from earwitness.errors import EarwitnessError, InputError
from earwitness.files.data import file_text, worded
from earwitness.files.durable import write_bytes
from earwitness.files.system import data_folder
from earwitness.quantities import hz_words
from earwitness.reduce.orbit_checks import angle_offset_deg
from earwitness.session.form_fields import write_new
from earwitness.session.patterns import FILE
from earwitness.session.plan import DRIFT_DB, GatedPlan, Robot, ScanPlan, plan_scan
from earwitness.session.signals import SAFETY, SignalPlan, write_signals
from earwitness.standards.exposure import warn_before

# Multitones and noise have the largest crest factor of the test signals, the long noise lasts longest.
CREST_DB = 12.0


@dataclass(frozen=True, slots=True)
class SignalsWritten:
    """files : audio files, each with a sidecar beside it; cautions : what to read before one of them is played."""

    files: tuple[Path, ...]
    cautions: tuple[str, ...]


def write_test_signals(
    folder: Path,
    *,
    peak_dbfs: float = -12.0,
    rate_hz: int = 48_000,
    tones: int = 32,
    level_db: float = 85.0,
    distance_m: float = 2.0,
) -> SignalsWritten:
    """Write every test signal into `folder`, and say how loud it will be.

    level_db : rms level at 1 m at which they are to be played; distance_m : of the tester. InputError for an
    impossible signal or level, or a file that is there already; OutputError where the folder cannot be written.
    """
    plan = SignalPlan(peak_dbfs=peak_dbfs, rate_hz=rate_hz, tones=tones)
    # The level is taken as A-weighted, which bass is not: the safe side.
    warning = warn_before(level_db, distance_m=distance_m, crest_db=CREST_DB, duration_s=plan.noise_s)
    written = write_signals(folder, plan)
    return SignalsWritten(tuple(one.audio for one in written), (*warning.sentences, SAFETY))


def scan_plan(
    cabinet_m: tuple[float, float, float],
    highest_hz: float | None,
    *,
    robot: Robot,
    time_per_point_s: float | None = None,
    gate_s: float | None = None,
    drift_db: float = DRIFT_DB,
    to: Path | None = None,
) -> ScanPlan:
    """Plan a scan and write its table of positions to `to`. InputError as plan_scan; OutputError for the file."""
    plan = plan_scan(
        cabinet_m, highest_hz, robot=robot, time_per_point_s=time_per_point_s, room_gate_s=gate_s, drift_db=drift_db
    )
    if to is not None:
        if to.exists():
            raise InputError("the file is there already, it was left as it is", where=str(to), remedy="another name")
        write_bytes(to, plan.table().encode())
    return plan


def scan_plan_lines(plan: ScanPlan) -> tuple[str, ...]:
    """A scan's plan in plain lines."""
    hours, minutes = divmod(round(plan.duration_s / 60), 60)
    surface = f"two {plan.shape}s, radii {plan.radii_m[0]:.2f} and {plan.radii_m[1]:.2f} m"
    if plan.shape == "sphere":
        surface += ", radii alternate from ring to ring by 3 cm"
    else:
        surface += f", heights {plan.heights_m[0]:.2f} and {plan.heights_m[1]:.2f} m"
    errors = ", ".join(f"{error:.2f} dB at {hz_words(hz)}" for hz, error in plan.expected_error_db)
    lines = [
        f"surface: {surface}; {plan.rings} rings of {plan.azimuths} points on each",
        f"points: {len(plan.points_m):,}, {plan.visits} of them visits of the reference place, "
        f"about {hours} h {minutes:02d} min",
        f"the room is separated up to {hz_words(plan.separable_hz)}",
        f"error at most (19 of 20 frequencies, directions within 20 dB of the loudest): {errors}",
    ]
    if plan.gated_from_hz is not None:
        lines.insert(3, f"the gate serves from {hz_words(plan.gated_from_hz)} upward")
    return (*lines, *plan.buys, *plan.notes)


def gated_plan_lines(plan: GatedPlan) -> tuple[str, ...]:
    """A gated session's plan in plain lines."""
    return (
        f"gate: {1000 * plan.gate_s:.1f} ms, ended by the {plan.reflection}",
        f"lowest valid frequency: {hz_words(plan.lowest_valid_hz)}",
        f"far field: from {plan.far_field_m:.1f} m; planned: {plan.distance_m:g} m",
        f"near-field takes must cover all below {hz_words(plan.near_field_below_hz)}",
        *plan.notes,
    )


USUAL_STEP_DEG = 10.0
Text = Annotated[str, Field(min_length=1, max_length=200)]


@dataclass(frozen=True, slots=True)
class LiveSetup:
    """Choices that change settings; None leaves a setting as it is.

    source, sink : input and output device, the input's where only that is given; outputs : channels that get the
    signal; tester_m : how far from the loudspeaker the tester is; the others as in LiveSettings, Wiring and Limits.
    The bounds are what the bench takes.
    """

    __pydantic_config__ = ConfigDict(extra="forbid")
    source: Text | None = None
    sink: Text | None = None
    outputs: Annotated[tuple[Annotated[int, Field(ge=1, le=64)], ...], Field(min_length=1, max_length=8)] | None = None
    rate_hz: Annotated[int, Field(ge=8000, le=192_000)] | None = None
    latency_s: Annotated[float, Field(gt=0.0, le=2.0)] | None = None
    peak_dbfs: Annotated[float, Field(ge=-80.0, le=0.0)] | None = None
    highest_dbfs: Annotated[float, Field(ge=-80.0, le=0.0)] | None = None
    highest_1m_db: Annotated[float, Field(ge=30.0, le=140.0)] | None = None
    highest_ear_db: Annotated[float, Field(ge=30.0, le=115.0)] | None = None
    tester_m: Annotated[float, Field(ge=0.1, le=100.0)] | None = None
    step_deg: Annotated[float, Field(ge=1.0, le=180.0)] | None = None

    @property
    def is_empty(self) -> bool:
        """Whether nothing was chosen."""
        return self == LiveSetup()


def usual_settings() -> LiveSettings:
    """The system's own devices, the first output, orbits in steps of 10 degrees."""
    return changed_settings(
        LiveSettings(Wiring("default", "default", outputs=(1,))), LiveSetup(step_deg=USUAL_STEP_DEG)
    )


def changed_settings(settings: LiveSettings, setup: LiveSetup) -> LiveSettings:
    """Settings after the choices. InputError for impossible ones.

    Another device or channel is another amplifier path: its loudness is not known any more.
    """
    wiring, limits = settings.wiring, settings.limits
    source = wiring.input_device if setup.source is None else setup.source
    sink = setup.sink or setup.source or wiring.output_device

    def given(**names: str) -> dict[str, Any]:
        told = {name: getattr(setup, own) for name, own in names.items()}
        return {name: value for name, value in told.items() if value is not None}

    own = given(outputs="outputs", rate_hz="rate_hz", latency_s="latency_s")
    wiring = replace(wiring, input_device=source, output_device=sink, **own)
    own = given(highest_dbfs="highest_dbfs", highest_1m_db="highest_1m_db", highest_ear_db="highest_ear_db")
    limits = replace(limits, **own, **given(tester_distance_m="tester_m"))
    angles = settings.angles_deg
    if setup.step_deg is not None:
        around = orbit_angles(setup.step_deg)
        angles = (("horizontal", around), ("vertical", around))
    return replace(
        settings,
        wiring=wiring,
        limits=limits,
        angles_deg=angles,
        calibration=settings.calibration if wiring == settings.wiring else None,
        **given(peak_dbfs="peak_dbfs"),
    )


def exposure_file(given: Path | None = None) -> Path:
    """Where it is kept: the given file, else one in the system's data folder."""
    return data_folder() / "exposure.json" if given is None else given


def exposure_today(file: Path | None) -> DayBudget:
    """What was heard today. Raises InputError as `read_budget`."""
    return read_budget(exposure_file(file), datetime.date.today().isoformat())


def count_exposure(level_db: float | None, time_s: float, file: Path | None) -> None:
    """Add a level at the tester's place [dB] over a time; an unknown level adds nothing. Raises as `exposure_today`,
    and OutputError."""
    if level_db is not None and time_s > 0.0:
        keep_budget(exposure_file(file), exposure_today(file).with_exposure(level_db, time_s))


REHEARSALS = "rehearsals"


def rehearsal_text() -> str:
    """The session.toml of a rehearsal."""
    return file_text("app", "rehearsal.toml")


def new_rehearsal(folder: Path) -> Path:
    """Write the session into `folder`. InputError where one is there, OutputError where it cannot be written."""
    return write_new(folder / FILE, rehearsal_text())


def next_rehearsal(archive_folder: Path) -> Path:
    """A new folder beside the archive's files, with the session in it. OutputError where it cannot be written."""
    for number in count(1):
        folder = archive_folder / REHEARSALS / str(number)
        # Another program may take the number between the look and the writing.
        if not folder.exists():
            with suppress(InputError):
                new_rehearsal(folder)
                break
    return folder


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
        self,
        series: Series,
        table: Turntable | None,
        card: AudioHost,
        fs_per_pa: float | None,
        alive: Callable[[], bool],
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
