"""Record one take: play a signal, keep every block on disk as it comes, judge it at once."""

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from earwitness.capture import guard
from earwitness.capture.disk import GrowingRecording, read_part
from earwitness.capture.levels import Meter, MeterReading
from earwitness.capture.reading import TakeReading
from earwitness.capture.sound import AudioHost, Block, DeviceLostError, Wiring, require_outputs
from earwitness.capture.verdict import Expected, Reason, TakeVerdict, judge
from earwitness.errors import OutputError
from earwitness.quantities import FloatArray

# A sound card's buffers delay what comes back; half a second was seen on a busy machine.
LATENCY_ROOM_S = 1.0
# Devices drop or repeat pieces while they start; what they do to silence harms nothing.
SETTLE_S = 0.7
READ_TIMEOUT_S = 3.0
Tell = Callable[[float, MeterReading], None]
Alive = Callable[[], bool]


@dataclass(frozen=True, slots=True, eq=False)
class Signal:
    """What one take plays: samples (N,) as they go out, silence around included.

    before_s : silence at the start; flight_s : of sound to the microphone; silent : a take that plays nothing;
    may_be_faint : a quiet microphone channel is no fault.
    """

    samples: FloatArray
    before_s: float
    flight_s: float = 0.0
    silent: bool = False
    may_be_faint: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Recorded:
    """One attempt. part : its file, still under its `.part` name; frames : on disk; aligned (frames, channels) : cut so
    that the signal begins `before_s` in as in what was played, None where it is not whole; played_s : sounded for;
    reading : of a sweep that is whole; before : name and reading of the take before it on the same orbit;
    drift_db : gain of the loop-back less that of the first kept take."""

    part: Path
    frames: int
    verdict: TakeVerdict
    aligned: Block | None
    played_s: float
    lost: DeviceLostError | None = None
    reading: TakeReading | None = None
    before: tuple[str, TakeReading] | None = None
    drift_db: float | None = None


def record_take(
    sound: AudioHost,
    wiring: Wiring,
    signal: Signal,
    part: Path,
    *,
    limits: guard.OutputLimits,
    calibration: guard.OutputCalibration | None = None,
    silencer: guard.Silencer | None = None,
    usual_noise_dbfs: float | None = None,
    tell: Tell | None = None,
    alive: Alive | None = None,
    watchdog_s: float = guard.WATCHDOG_S,
) -> Recorded:
    """Play the signal and record all wired inputs into `part`.

    tell : called after each block that is safe in the system's hands, with the share done and the meter; alive : asked
    after each block, False (a closed window, say) lets the watchdog silence the sound. An unplugged device, the abort
    key and a full disk end the attempt; the verdict says so, or OutputError for the disk: `part` stays in every case.
    LimitError before anything is played; InputError where the device does not open.
    """
    require_outputs(wiring)
    switch = guard.Silencer() if silencer is None else silencer
    samples = guard.faded(signal.samples, wiring.rate_hz)
    guard.require_within(samples, wiring.rate_hz, limits, calibration)
    settle, room = (np.zeros(round(seconds * wiring.rate_hz)) for seconds in (SETTLE_S, LATENCY_ROOM_S))
    outgoing = np.concatenate([settle, samples, room])
    outlet = guard.Outlet(guard.FixedSignal(outgoing), wiring, limits, switch, watchdog_s=watchdog_s)
    file = GrowingRecording(part, wiring.rate_hz, wiring.input_channels)
    began = time.monotonic()
    try:
        lost = run_stream(sound, wiring, outlet, file, outgoing.size, tell=tell, alive=alive)
    finally:
        file.close()
    played_s = min(time.monotonic() - began, samples.size / wiring.rate_hz)
    recorded = read_part(part)[0][settle.size :]
    expected = Expected(
        flight_s=signal.flight_s,
        usual_noise_dbfs=usual_noise_dbfs,
        silent=signal.silent,
        may_be_faint=signal.may_be_faint,
        stopped=_stopped(switch, lost),
    )
    verdict = judge(samples, recorded, wiring, expected)
    cut = recorded[verdict.delay : verdict.delay + samples.size]
    aligned = cut if expected.stopped is None and len(cut) == samples.size else None
    if aligned is None and expected.stopped is None and verdict.keep:
        short = Reason("ends early", "The recording ends before the take does.")
        verdict = replace(verdict, reasons=(*verdict.reasons, short))
    return Recorded(part=part, frames=file.frames, verdict=verdict, aligned=aligned, played_s=played_s, lost=lost)


def run_stream(
    sound: AudioHost,
    wiring: Wiring,
    outlet: guard.Outlet,
    file: GrowingRecording | None,
    expected_frames: int,
    *,
    tell: Tell | None = None,
    alive: Alive | None = None,
    hear: Callable[[Block], None] | None = None,
) -> DeviceLostError | None:
    """Let a stream run to its end; every block goes to `file` first, then to `hear` and `tell`.

    Returns the error of a device that went away. Whatever else is raised, the sound is off by then.
    """
    meter = Meter(wiring.input_channels)
    stream = sound.open(wiring, outlet)
    frames = 0
    try:
        while (block := stream.read(READ_TIMEOUT_S)) is not None:
            if file is not None:
                file.append(block)
            frames += len(block)
            if alive is None or alive():
                outlet.beat()
            if hear is not None:
                hear(block)
            if tell is not None:
                tell(min(frames / max(expected_frames, 1), 1.0), meter.feed(block))
    except DeviceLostError as error:
        outlet.silence("the sound device went away")
        return error
    except OutputError:
        outlet.silence("the disk refused")
        raise
    finally:
        stream.close()
    return None


def _stopped(switch: guard.Silencer, lost: DeviceLostError | None) -> Reason | None:
    if lost is not None:
        return Reason("unplugged", f"{lost.what}: plug it in again; the part that was recorded is kept.")
    if switch.pressed:
        return Reason("silenced", f"It was silenced: {switch.reason}.")
    return None


def silent_source(seconds: float, rate_hz: int) -> guard.SampleSource:
    """Silence that lasts, to listen only."""
    return guard.FixedSignal(np.zeros(round(seconds * rate_hz)))
