"""The live session of a running bench: one folder, one worker at a time, and what its pages are told.

A request that makes sound only starts the worker; whoever asked is told at once. The page that started it must go on
giving signs of life, else the output is silenced: no sound without somebody at the abort key.
"""

import hashlib
import threading
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from earwitness.app import capture
from earwitness.app.jobs import error_record
from earwitness.app.measure import LiveSetup, changed_settings, exposure_today, turntable_at, usual_settings
from earwitness.bench.state import TAB, Body
from earwitness.capture.guard import SAFETY, Silencer, at_tester_db
from earwitness.capture.levels import MeterReading
from earwitness.capture.plan import PlannedSession, plan_session
from earwitness.capture.reading import background_line, reading_words
from earwitness.capture.series import LiveSettings, Series, TakeState, give_up, is_live, next_open, states
from earwitness.capture.simulated import SimulatedSound
from earwitness.capture.sound import AudioDevice, AudioHost, Wiring
from earwitness.capture.take import Recorded
from earwitness.capture.turntable import Turntable
from earwitness.errors import EarwitnessError, InputError, MissingExtraError

# Of a page's signs of life. The page gives four a second; a busy computer may be late.
LIFE_S = 3.0
_LOOK_S = 0.03
_MOST_DONE = 50
_CURVES = 6
Phase = Literal[
    "closed", "ready", "calibrating", "raising", "loop-back", "counting", "turning", "recording", "asking"
]  # fmt: skip
_SOUNDING: tuple[Phase, ...] = ("calibrating", "raising", "loop-back", "counting", "turning", "recording")


class Tab(Body):
    """Which page it is."""

    tab: str = Field(pattern=TAB)


class Starter(Tab):
    """Who starts what makes sound. confirmed : key of the cautions that were read there; nothing is played without."""

    confirmed: str = Field(min_length=1, max_length=64)


@dataclass(frozen=True, slots=True)
class Running:
    """What runs now. take : its id, "" for none; share : done; left_s : of the count-down; meter : None before the
    first block."""

    take: str = ""
    share: float = 0.0
    left_s: float = 0.0
    meter: MeterReading | None = None


class LiveDesk:
    """Live measuring of one bench. sounds : gives the sound card for a wiring; tables : the turntable at an address;
    day_file : where exposure is kept. For whoever looks on: version rises whenever what `told` gives has changed;
    phase, running : what is done, and how far it is."""

    def __init__(
        self,
        *,
        sounds: Callable[[Wiring], AudioHost] = capture.sound_for,
        tables: Callable[[str], Turntable] = turntable_at,
        day_file: Callable[[Wiring], Path] = capture.day_file,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.sounds, self.day_file, self._clock, self._tables = sounds, day_file, clock, tables
        self._table: Turntable | None = None
        self._table_told: dict[str, Any] = {}
        self._lock = threading.RLock()
        self.version = 0
        self.phase: Phase = "closed"
        self._folder: Path | None = None
        self._planned: PlannedSession | None = None
        self._series: Series | None = None
        self._settings = usual_settings()
        self._silencer = Silencer()
        self._thread: threading.Thread | None = None
        self.running = Running()
        self._starter, self._lived = "", 0.0
        self._answer: bool | None = None
        self._told: dict[str, Any] = {}
        self._devices: tuple[AudioDevice, ...] = ()
        self._read: tuple[Series, tuple[str, ...]] | None = None

    # What a page asks for ---------------------------------------------------------------------------------------------

    def told(self) -> dict[str, Any]:
        """All that a page shows, as plain values."""
        with self._lock:
            series, settings = self._series, self._settings
            out: dict[str, Any] = {
                "version": self.version, "phase": self.phase, "sounding": self.phase in _SOUNDING,
                "folder": None if self._folder is None else str(self._folder), "begun": series is not None,
                "take": self.running.take, "life_s": LIFE_S, **self._told,
            }  # fmt: skip
        if self._planned is None or self._folder is None:
            return out
        loudspeaker, chosen = self._planned.session.loudspeaker, asdict(settings)
        around = dict(chosen.pop("angles_deg")).get("horizontal", ())
        del chosen["calibration"]
        out |= {
            "title": f"{loudspeaker.maker} {loudspeaker.name}",
            "invented": loudspeaker.invented,
            "settings": {**chosen, "step_deg": 360.0 / len(around) if around else None},
            "sensitivity_known": capture.sensitivity_of(self._folder) is not None,
            "turntable": None if self._table is None else self._table_told,
            "has_loopback": self._planned.session.reference is not None,
            "microphones": sorted({one.microphone_channel for one in self._planned.live}),
        }
        out["budget"] = self._budget_told(settings)
        if series is None:
            return out | {"takes_planned": len(self._planned.live), "cautions": list(SAFETY)}
        takes = states(series)
        following = next_open(series)
        lines = self._cautions(series)
        return out | {
            "takes": [asdict(one) for one in takes],
            "next": None if following is None else following.id,
            "done": following is None,
            "cautions": list(lines),
            "cautions_key": _key(lines),
            "remarks": list(capture.remarks(series)),
            "calibrated": settings.calibration is not None,
        }

    def devices(self) -> dict[str, Any]:
        """All sound devices, looked for anew unless something runs; what is missing, in words."""
        missing = None
        with self._lock:
            if self._thread is None:
                try:
                    self._devices = capture.list_devices()
                except EarwitnessError as error:
                    self._devices, missing = (), error_record(error)
                    if not isinstance(error, MissingExtraError):
                        missing["what"] = f"no sound device can be used: {error.what}"
                else:
                    if not self._devices:
                        missing = error_record(InputError.of("bench.no_sound_device"))
                found = self._devices
        names = [one.name for one in found]
        # The value stands for a device after a cable was unplugged too: numbers change then, names do not.
        told = [
            {**asdict(one), "value": one.name if one in found and names.count(one.name) == 1 else one.key}
            for one in (*found, *SimulatedSound().devices())
        ]
        return {"devices": told, "missing": missing}

    # What changes the session -----------------------------------------------------------------------------------------

    def open(self, folder: Path) -> None:
        """Look at a folder; a live session that was begun there is there again. Raises as `open_series`, and
        SessionError for a session.toml with faults."""
        with self._lock:
            if self._folder == folder and self._thread is not None:
                return
            self._require_idle()
            series = capture.begin_or_open(folder, None) if is_live(folder) else None
            settings = usual_settings() if series is None else series.settings
            self._planned = plan_session(folder, dict(settings.angles_deg)) if series is None else series.planned
            self._let_go()
            self._folder, self._series, self._settings = folder, series, settings
            self._told = {} if series is None or not series.recovered else {"recovered": list(series.recovered)}
            self.phase = "ready"
            self.version += 1

    def set_up(self, setup: LiveSetup) -> None:
        """Begin the live session with these choices, or change those of one that was begun. Nothing is played.

        InputError for impossible choices, and for the simulated wire on a real loudspeaker.
        """
        with self._lock:
            self._require_idle()
            folder = self._require_folder()
            settings = changed_settings(self._settings, setup)
            series = capture.begin_or_open(folder, settings)
            self._let_go()
            self._series = series
            self._planned, self._settings = self._series.planned, self._series.settings
            self.version += 1

    def join_table(self, address: str | None, *, zero: bool) -> None:
        """Connect the turntable at an address, or let it go with None; zero : call the place where it stands zero.
        TurntableError, InputError."""
        with self._lock:
            self._require_idle()
            self._require_folder()
            if address is None or self._table is None or self._table_told["address"] != address:
                self._leave_table()
            if address is not None:
                table = self._table = self._table or self._tables(address)
                at = table.zero() if zero else table.where()
                self._table_told = {
                    "address": address, "name": table.name, "limits_deg": table.limits_deg, "at_deg": at.angle_deg,
                }  # fmt: skip
            self.version += 1

    def _leave_table(self) -> None:
        if self._table is not None:
            self._table.close()
        self._table = None

    def leave(self) -> None:
        """Let the folder go. All that is in it stays, and other programs may record into it."""
        with self._lock:
            self._require_idle()
            self._let_go()
            self._leave_table()
            self.phase, self._folder, self._planned, self._series, self._told = "closed", None, None, None, {}
            self.version += 1

    def again(self, take_id: str) -> None:
        """Open a take that has a recording, which goes to `spoiled/`. InputError for an unknown one."""
        with self._lock:
            self._require_idle()
            give_up(self._require_series(), take_id)
            self.version += 1

    # What runs --------------------------------------------------------------------------------------------------------

    def calibrate(self, setup: LiveSetup, *, microphone: int, level_db: float, frequency_hz: float, tab: str) -> None:
        """Record the calibrator, in the worker. Nothing is played, so nothing needs to be confirmed."""
        with self._lock:
            folder = self._require_folder()
            wiring = replace(changed_settings(self._settings, setup).wiring, microphone=microphone, reference=None)
            wiring = replace(wiring, outputs=())

        def work(silencer: Silencer) -> None:
            done = capture.calibrate(
                folder, wiring, level_db=level_db, frequency_hz=frequency_hz, sound=self.sounds(wiring),
                silencer=silencer, tell=self._tell,
            )  # fmt: skip
            reading = asdict(done.reading)
            if silencer.pressed:
                reading["faults"] = [f"It was stopped: {silencer.reason}."]
            self._note("calibrator", {**reading, "kept": done.file is not None, "lines": list(done.lines)})

        self._start("calibrating", tab, work)

    def raise_level(self, starter: Starter, *, target_db: float, distance_m: float) -> None:
        """Raise noise from silence to the target at the microphone, in the worker."""
        series = self._require_confirmed(starter)

        def work(silencer: Silencer) -> None:
            wiring = series.settings.wiring
            done, after = capture.check_levels(
                series, target_db, distance_m, sound=self.sounds(wiring), silencer=silencer, tell=self._tell,
                alive=self._is_alive, budget_file=self.day_file(wiring),
            )  # fmt: skip
            with self._lock:
                self._series, self._settings = after, after.settings
            self._note("level", {**asdict(done.level), "peak_dbfs": done.peak_dbfs})
            if done.loopback is not None:
                self._note("loopback", asdict(done.loopback))

        self._start("raising", starter.tab, work)

    def look_at_loopback(self, starter: Starter) -> None:
        """Play a quiet sweep and look for it in the loop-back, in the worker."""
        series = self._require_confirmed(starter)

        def work(silencer: Silencer) -> None:
            found = capture.check_loopback(
                series, sound=self.sounds(series.settings.wiring), silencer=silencer, tell=self._tell,
                alive=self._is_alive,
            )  # fmt: skip
            if not silencer.pressed:
                self._note("loopback", asdict(found))

        self._start("loop-back", starter.tab, work)

    def record(self, starter: Starter, *, take: str | None, pause_s: float, away: bool) -> None:
        """Record one take, or with None every open one in order, in the worker. Each is counted down.

        A whole but faulty recording of one take is asked about; of many it is left open, as nobody may be there.
        """
        series = self._require_confirmed(starter)
        if take is not None and next((one for one in states(series) if one.id == take), None) is None:
            raise InputError(f"there is no take {take[:60]!r}", remedy="choose one from the list")
        if next_open(series) is None:
            raise InputError("all takes are recorded", remedy="take the session in, or repeat one of them")
        if take is not None and all(one.id != take or one.state != "open" for one in states(series)):
            raise InputError("this take is recorded already, nothing was played", remedy="choose Repeat beside it")

        def work(silencer: Silencer) -> None:
            wiring = series.settings.wiring
            done = capture.record(
                series, sound=self.sounds(wiring), before=self._count_down(silencer, pause_s),
                decide=None if take is None else self._ask, told=self._judged, silencer=silencer, tell=self._tell,
                alive=self._is_alive, only=take, away=away, budget_file=self.day_file(wiring), table=self._table,
            )  # fmt: skip
            self._note("stopped", done.stopped)
            self._note("checks", list(done.checks))

        self._start("counting", starter.tab, work)

    def decide(self, keep: bool) -> None:
        """The tester's answer to whether a faulty recording is kept."""
        with self._lock:
            if self.phase != "asking":
                raise InputError("nothing was asked", remedy="look at the page again")
            self._answer = keep

    def silence(self, reason: str = "the abort key was pressed") -> None:
        """Silence at once. It may be asked at any time, by anyone."""
        self._silencer.silence(reason)

    def live(self, tab: str) -> None:
        """A sign of life of a page."""
        if tab == self._starter:
            self._lived = self._clock()

    def gone(self, tab: str) -> None:
        """A page was closed, reloaded, or lost its line."""
        if tab == self._starter and self.phase != "asking":
            self.silence("the page that started this was closed")

    def close(self) -> None:
        """Silence, and let the worker end in order."""
        self._silencer.silence("the bench was stopped")
        thread = self._thread
        if thread is not None:
            thread.join(10.0)
        with self._lock:
            self._let_go()
            self._leave_table()

    def _let_go(self) -> None:
        if self._series is not None:
            self._series.close()

    # The worker -------------------------------------------------------------------------------------------------------

    def _start(self, phase: Phase, tab: str, work: Callable[[Silencer], None]) -> None:
        with self._lock:
            self._require_idle()
            silencer = self._silencer = Silencer()
            self._starter, self._lived, self._answer = tab, self._clock(), None
            self.running, self.phase = Running(), phase
            self._told = {k: v for k, v in self._told.items() if k in ("calibrator", "level", "loopback", "judged")}
            self._thread = threading.Thread(target=self._work, args=(silencer, work), name="live", daemon=True)
            self.version += 1
            self._thread.start()

    def _work(self, silencer: Silencer, work: Callable[[Silencer], None]) -> None:
        error: dict[str, str] | None = None
        try:
            work(silencer)
        except EarwitnessError as known:
            error = error_record(known)
        except Exception as fault:
            silencer.silence("a fault of the program")
            what = f"a fault of the program: {type(fault).__name__}: {fault}"
            error = error_record(EarwitnessError(what, remedy="what was recorded is kept; open the folder again"))
        with self._lock:
            if error is not None:
                self._note("error", error)
            if silencer.pressed:
                self._note("silenced", silencer.reason)
            self._thread, self.phase, self.running = None, "ready", Running()
            self.version += 1

    def _tell(self, share: float, meter: MeterReading) -> None:
        if self.phase == "turning":
            self._set("recording", self.running)
        self.running = replace(self.running, share=share, meter=meter)
        self._is_alive()

    def _is_alive(self) -> bool:
        if self._clock() - self._lived <= LIFE_S:
            return True
        self.silence(f"the page that started this gave no sign of life for {LIFE_S:g} s")
        return False

    def _count_down(self, silencer: Silencer, pause_s: float) -> Callable[[TakeState], capture.Answer]:
        def before(state: TakeState) -> capture.Answer:
            self._set("counting", Running(take=state.id, left_s=pause_s))
            until = self._clock() + pause_s
            while not silencer.pressed and self._is_alive() and (left := until - self._clock()) > 0.0:
                self.running = replace(self.running, left_s=left)
                time.sleep(min(left, _LOOK_S))
            self._set("recording" if self._table is None else "turning", Running(take=state.id))
            return "go"

        return before

    def _ask(self, done: Recorded) -> bool:
        self._note("question", {"take": self.running.take, "sentence": done.verdict.sentence})
        self._set("asking", self.running)
        while self._answer is None and not self._silencer.pressed:
            time.sleep(_LOOK_S)
        with self._lock:
            self._told.pop("question", None)
        answer, self._answer = bool(self._answer), None
        self._set("recording", self.running)
        return answer

    def _judged(self, state: TakeState, done: Recorded) -> None:
        verdict = done.verdict
        row = {
            "take": state.id, "keep": verdict.keep, "sentence": verdict.sentence, "peak_dbfs": verdict.peak_dbfs,
            "noise_dbfs": verdict.noise_dbfs, "will_retry": verdict.may_retry, "doubts": verdict.doubts,
            "numbers": reading_words(verdict, done.reading, done.drift_db), "curve": None,
        }  # fmt: skip
        if done.reading is not None:
            row |= {
                "background": background_line(done.reading.background),
                "is_spl": done.reading.full_scale_db is not None,
                # On CURVE_HZ, which the page knows.
                "curve": [round(one, 2) if one == one else None for one in done.reading.curve_db.tolist()],
            }
        old = [
            {**one, "curve": one["curve"] if k < _CURVES else None}
            for k, one in enumerate(self._told.get("judged", []), 1)
        ]
        self._note("judged", [row, *old][:_MOST_DONE])
        self._set("recording", self.running)

    def _note(self, name: str, value: Any) -> None:
        with self._lock:
            self._told[name] = value

    def _set(self, phase: Phase, running: Running) -> None:
        with self._lock:
            self.phase, self.running = phase, running
            self.version += 1

    # What must hold ---------------------------------------------------------------------------------------------------

    def _require_idle(self) -> None:
        if self._thread is not None:
            raise InputError.of("bench.at_work")

    def _require_folder(self) -> Path:
        if self._folder is None:
            raise InputError("no session folder is open", remedy="open one under Record first")
        return self._folder

    def _require_series(self) -> Series:
        self._require_folder()
        if self._series is None:
            raise InputError("the live session is not set up", remedy="choose devices and limits first")
        return self._series

    def _require_confirmed(self, starter: Starter) -> Series:
        with self._lock:
            self._require_idle()
            series = self._require_series()
            if starter.confirmed != _key(self._cautions(series)):
                raise InputError.of("bench.cautions_not_confirmed")
            return series

    def _cautions(self, series: Series) -> tuple[str, ...]:
        if self._read is None or self._read[0] is not series:
            self._read = (series, capture.cautions(series))
        return self._read[1]

    def _budget_told(self, settings: LiveSettings) -> dict[str, Any]:
        at_ear = at_tester_db(settings.limits.highest_1m_db, settings.limits)
        level = min(at_ear, settings.limits.highest_ear_db)
        try:
            budget = exposure_today(self.day_file(settings.wiring))
        except InputError as error:
            return {"percent": None, "words": str(error)}
        return {"percent": budget.dose_percent, "words": budget.words(level)}


def _key(lines: tuple[str, ...]) -> str:
    """Stands for these cautions and no others."""
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()
