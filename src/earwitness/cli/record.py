"""Live measuring: earwitness measure devices, calibrate, level, loopback, turntable, record, resume."""

from __future__ import annotations

import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from earwitness.cli.show import Command, options
from earwitness.errors import EarwitnessError, InputError
from earwitness.files.data import worded

if TYPE_CHECKING:
    from earwitness.app.capture import Answer
    from earwitness.capture.guard import Silencer
    from earwitness.capture.levels import MeterReading
    from earwitness.capture.series import Series, TakeState
    from earwitness.capture.take import Recorded

_folder = click.argument("folder", type=click.Path(path_type=Path))
_setup = options("live-setup")


@click.command(name="devices", cls=Command)
def devices() -> None:
    """List the sound devices with their channels."""
    from earwitness.app.capture import list_devices

    found = list_devices()
    if not found:
        raise InputError("the system shows no sound device", remedy="plug one in, check its driver, run this again")
    for one in found:
        marks = [word for word, on in (("input", one.default_input), ("output", one.default_output)) if on]
        usual = f"  (default {' and '.join(marks)})" if marks else ""
        click.echo(
            f"{one.key:>3}  {one.inputs} in, {one.outputs} out, {one.rate_hz} Hz  {one.name}, {one.system}{usual}"
        )


@click.command(name="calibrate", cls=Command)
@_folder
@options("calibrate")
def calibrate(folder: Path, source: str, microphone: int, rate_hz: int, level_db: float, frequency_hz: float) -> None:
    """Record a sound calibrator on the microphone into FOLDER. Nothing is played."""
    from earwitness.app import capture
    from earwitness.capture.sound import Wiring

    wiring = Wiring(source, source, rate_hz, microphone=microphone, reference=None, outputs=(1,))
    with _switch() as silencer:
        done = capture.calibrate(
            folder, wiring, level_db=level_db, frequency_hz=frequency_hz, silencer=silencer, tell=_meter("calibrator")
        )
    reading = done.reading
    if done.file is None:
        raise InputError.of("cli.no_steady_tone", where=str(folder), listed=" ".join(reading.faults))
    click.echo(f"{reading.frequency_hz:.1f} Hz, steady within {reading.steady_db:.2f} dB; kept as {done.file}")
    click.echo(f"{reading.fs_per_pa:.6g} of full scale for each pascal; in session.toml:")
    click.echo("\n".join(done.lines))


@click.command(name="level", cls=Command)
@_folder
@options("level")
@_setup
@options("yes")
def level(folder: Path, target_db: float, distance_m: float, yes: bool, **setup: Any) -> None:
    """Raise noise slowly from silence to --target, then look at the loop-back.

    Needs the microphone's sensitivity. Ctrl-C silences at once.
    """
    from earwitness.app import capture

    with closing(_series(folder, setup, begin=True)) as series, _switch_confirmed(series, yes) as silencer:
        done, _ = capture.check_levels(
            series, target_db, distance_m, silencer=silencer, tell=_meter("level"),
            budget_file=capture.day_file(series.settings.wiring),
        )  # fmt: skip
    found = done.level
    click.echo(found.sentence)
    if found.microphone_db is not None:
        click.echo(worded("cli.level_reached", found=found))
    if done.loopback is not None:
        click.echo(done.loopback.sentence)
    if done.peak_dbfs is None:
        raise EarwitnessError("no level was set", where=str(folder), remedy="see above, then run this again")
    click.echo(f"the sweep will have its peak at {done.peak_dbfs:g} dB full scale; measure the voltage at this setting")


@click.command(name="loopback", cls=Command)
@_folder
@_setup
@options("yes")
def loopback(folder: Path, yes: bool, **setup: Any) -> None:
    """Play a sweep of one second, -40 dB re full scale at most, and look whether the loop-back carries it."""
    from earwitness.app import capture

    with closing(_series(folder, setup, begin=True)) as series, _switch_confirmed(series, yes) as silencer:
        reading = capture.check_loopback(series, silencer=silencer, tell=_meter("loop-back"))
    click.echo(reading.sentence)
    if not reading.wired:
        raise EarwitnessError("the loop-back is not wired", where=str(folder), remedy="see above, then look again")


@click.command(name="record", cls=Command)
@_folder
@_setup
@options("record")
@options("live")
def record(
    folder: Path, only: str | None, again: bool, pause_s: float, table: str | None, away: bool, yes: bool, **setup: Any
) -> None:
    """Record the takes of FOLDER's session.toml through the sound card.

    An orbit in one line, files = "horizontal/{angle}.wav", is recorded every --step degrees. Each take is
    judged at once; what is not kept lies under spoiled/. Ctrl-C silences at once. Run it again, or resume,
    to go on after whatever stopped it.
    """
    from earwitness.capture.series import give_up

    if again and only is None:
        raise InputError("--again without a take, nothing was played", remedy="name it: --take ID --again")
    with closing(_series(folder, setup, begin=True)) as series:
        again_first = (lambda: give_up(series, only)) if again and only else None
        _record(series=series, only=only, pause_s=pause_s, away=away, yes=yes, table=table, before=again_first)


@click.command(name="resume", cls=Command)
@_folder
@options("live")
def resume(folder: Path, pause_s: float, table: str | None, away: bool, yes: bool) -> None:
    """Go on with the live session of FOLDER, with its own settings, after a crash or an unplugged device."""
    with closing(_series(folder, {}, begin=False)) as series:
        _record(series=series, only=None, pause_s=pause_s, away=away, yes=yes, table=table)


@click.command(name="turntable", cls=Command)
@click.argument("address", required=False)
@options("turntable")
def turntable(address: str | None, zero: bool, angle_deg: float | None, simulate: bool, port: int) -> None:
    """Ask the turntable at ADDRESS (HOST:PORT, a serial port, or simulated) where it stands, and turn it.

    Keep hands, hair and cables clear, and fix the cabinet: a heavy one can tip. Ctrl-C stops it. What its
    maker says goes first. docs/turntable.md describes the lines of text that it must answer.
    """
    from earwitness.app.measure import serve_simulated_table, turntable_at

    if simulate:
        serve_simulated_table(port, tell=click.echo)
        return
    if address is None:
        raise InputError("it is not said which turntable", remedy="give HOST:PORT or a port such as /dev/ttyACM0")
    with closing(turntable_at(address)) as table, _switch() as silencer:
        if zero:
            table.zero()
        if angle_deg is not None:
            table.turn(angle_deg, lambda: not silencer.pressed)
        low, high = table.limits_deg
        click.echo(f"{table.name}: at {table.where().angle_deg:g} degrees, turns from {low:g} to {high:g} degrees")


def _record(
    series: Series,
    only: str | None,
    pause_s: float,
    away: bool,
    yes: bool,
    table: str | None,
    *,
    before: Callable[[], object] | None = None,
) -> None:
    """before : called once the cautions are confirmed."""
    from earwitness.app import capture
    from earwitness.app.measure import turntable_at

    for name in series.recovered:
        click.echo(f"found after a stop: what was recorded is kept as {name}; the take will be offered again")
    for line in capture.remarks(series):
        click.echo(line, err=True)
    with _switch_confirmed(series, yes) as silencer, ExitStack() as held:
        turner = None if table is None else held.enter_context(closing(turntable_at(table)))
        if before is not None:
            before()
        done = capture.record(
            series, before=_before(silencer, pause_s, yes or table is not None), decide=None if yes else _decide,
            told=_told, silencer=silencer, tell=_meter("take"), only=only, away=away, table=turner,
            budget_file=capture.day_file(series.settings.wiring),
        )  # fmt: skip
    for line in done.checks:
        click.echo(f"Check: {line}", err=True)
    kept = len(done.map) - len(done.open)
    click.echo(f"{kept} of {len(done.map)} takes are there, {done.spoiled} attempts were not kept")
    if done.dose_percent is not None:
        click.echo(f"{done.dose_percent:.0f} % of today's recommended exposure is used")
    if done.open and only is None:
        stopped = f"stopped: {done.stopped}" if done.stopped else "some takes are still open"
        raise EarwitnessError(
            f"{stopped}; open: {', '.join(one.id for one in done.open)}",
            where=str(series.folder),
            remedy=f"earwitness measure resume {series.folder}",
        )
    if not done.open:
        click.echo(f"all recorded; next: earwitness add {series.folder}")


def _series(folder: Path, setup: dict[str, Any], *, begin: bool) -> Series:
    from earwitness.app.capture import begin_or_open
    from earwitness.app.measure import LiveSetup, changed_settings, usual_settings
    from earwitness.capture.series import is_live, kept_settings

    outputs = setup.get("outputs")
    chosen = LiveSetup(**{**setup, "outputs": None if outputs is None else _channels(outputs)})
    if is_live(folder):
        settings = None if chosen.is_empty else changed_settings(kept_settings(folder), chosen)
    else:
        settings = changed_settings(usual_settings(), chosen) if begin else None
    return begin_or_open(folder, settings)


def _channels(text: str) -> tuple[int, ...]:
    try:
        return tuple(int(part) for part in text.split(","))
    except ValueError:
        raise InputError(f"output channels {text!r}", expected="numbers such as 1 or 1,2") from None


@contextmanager
def _switch_confirmed(series: Series, yes: bool) -> Iterator[Silencer]:
    """As `_switch`, once the cautions were read."""
    from earwitness.app import capture

    click.echo("before anything is played:", err=True)
    for line in capture.cautions(series):
        click.echo(f"  {line}", err=True)
    if not yes and not sys.stdin.isatty():
        raise InputError("nobody can confirm the cautions here, nothing was played", remedy="read them, then add --yes")
    if not yes and not click.confirm("You have read this, and the amplifier is turned down?", err=True):
        raise InputError("not confirmed, nothing was played", remedy="run it again when ready")
    with _switch() as silencer:
        yield silencer


@contextmanager
def _switch() -> Iterator[Silencer]:
    """Ctrl-C silences at once and lets the recording end in order."""
    from earwitness.capture.guard import Silencer

    silencer = Silencer()
    old = signal.signal(signal.SIGINT, lambda _number, _frame: silencer.silence("Ctrl-C was pressed"))
    try:
        yield silencer
    finally:
        signal.signal(signal.SIGINT, old)


@contextmanager
def _asking() -> Iterator[None]:
    """While a question waits nothing sounds: Ctrl-C ends the command, as anywhere else."""
    old = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, old)


def _before(silencer: Silencer, pause_s: float, yes: bool) -> Callable[[TakeState], Answer]:
    def ask(state: TakeState) -> Answer:
        where = "" if state.angle_deg is None else f", {state.orbit} {state.angle_deg:g} degrees"
        click.echo(f"take {state.id} ({state.kind}{where})", err=True)
        if not yes:
            with _asking():
                typed = click.prompt("Enter: record, s: skip, q: stop", default="", show_default=False, err=True)
            if typed.strip().lower() in ("s", "q"):
                return "skip" if typed.strip().lower() == "s" else "stop"
        left = pause_s
        while left > 0 and not silencer.pressed:
            click.echo(f"  in {left:g} s", err=True)
            time.sleep(min(1.0, left))
            left -= 1.0
        return "go"

    return ask


def _decide(done: Recorded) -> bool:
    with _asking():
        return click.confirm(f"{done.verdict.sentence} Keep it all the same?", default=False, err=True)


def _told(state: TakeState, done: Recorded) -> None:
    from earwitness.capture.reading import background_line, curve_words, reading_words

    click.echo(f"{state.id}: {done.verdict.sentence}")
    click.echo(f"  {reading_words(done.verdict, done.reading, done.drift_db)}")
    if done.reading is not None:
        name, before = done.before or ("", None)
        click.echo(f"  {background_line(done.reading.background)} {curve_words(done.reading, before, name)}")


def _meter(title: str) -> Callable[[float, MeterReading], None]:
    """One line on a terminal, ten times a second; nothing elsewhere."""
    last = 0.0

    def tell(share: float, reading: MeterReading) -> None:
        nonlocal last
        if not sys.stderr.isatty() or time.monotonic() - last < 0.1:
            return
        last = time.monotonic()
        peaks = "  ".join(
            f"{n}: {peak:6.1f} dB{' CLIPPED' if clipped else ''}"
            for n, (peak, clipped) in enumerate(zip(reading.peak_dbfs, reading.clipped, strict=True), 1)
        )
        click.echo(f"\r{title} {share:4.0%}  {peaks}   ", nl=False, err=True)

    return tell
