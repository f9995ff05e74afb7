"""Invented sessions at 16 kHz for golden tests: a known loudspeaker, a wire, a room, and every fault that a knob makes.

Nothing here is of the reduction: sweep, loudspeaker and room are written out with numpy.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from earwitness.errors import AudioError, InputError
from earwitness.formats.audio import Recording
from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.quantities import FloatArray, Orbit
from earwitness.reduce.flags import TakeFacts
from earwitness.session.session import Session

Array = npt.NDArray[np.float64]
RATE, HASH, SPEED = 16_000, "0" * 64, 343.2


@dataclass(frozen=True)
class Rig:
    """How it was measured. gains, turned, late_s, cut_fs by take; bend : of second and third order, of the bass."""

    start_hz: float = 30.0
    stop_hz: float = 7500.0
    length_s: float = 0.9
    lead_s: float = 0.12
    tail_s: float = 0.35
    classic: bool = False
    drive_v: float = 2.83
    distance_m: float = 1.5
    horizontal: tuple[float, ...] = (-30.0, 0.0, 40.0, 180.0)
    vertical: tuple[float, ...] = (20.0,)
    near: tuple[str, ...] = ()
    levels: tuple[float, ...] = ()
    loop: bool = True
    latency_s: float = 0.004
    fs_per_pa: float = 0.05
    noise_fs: float = 2e-5
    echo_s: float | None = None
    echo: float = 0.4
    bend: tuple[float, float] = (0.002, 0.001)
    gains: dict[str, float] = field(default_factory=dict)
    turned: tuple[str, ...] = ()
    late_s: dict[str, float] = field(default_factory=dict)
    cut_fs: dict[str, float] = field(default_factory=dict)
    environment: dict[str, Any] = field(default_factory=lambda: {"anechoic": True})
    rate: int = RATE
    seed: int = 1


def swept(rig: Rig, rate: int = 0) -> Array:
    rate = rate or rig.rate
    rate_s = rig.length_s / math.log(rig.stop_hz / rig.start_hz)
    turns = np.exp(np.arange(round(rig.length_s * rate)) / rate / rate_s) - float(rig.classic)
    x = np.sin(2.0 * np.pi * rig.start_hz * rate_s * turns)
    rise, fall = round(0.04 * rate), round(0.005 * rate)
    x[:rise] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    x[-fall:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, fall + 1) / fall)
    return np.asarray(x)


def played(rig: Rig) -> Array:
    return np.concatenate([np.zeros(round(rig.lead_s * rig.rate)), swept(rig), np.zeros(round(rig.tail_s * rig.rate))])


def sounded(rig: Rig, x: Array, angle_deg: float, distance_m: float, delay_s: float, *, echo: bool = True) -> Array:
    """A closed box at 70 Hz, a bump, a treble that falls with the angle, at a distance."""
    count = 2 * x.size
    hz = np.fft.rfftfreq(count, 1.0 / rig.rate)
    # Only the bass is bent: what passes half the sample rate would fold back, as no loudspeaker does.
    bass = np.fft.irfft(
        np.fft.rfft(x, count) * (0.5 + 0.5 * np.cos(np.pi * np.clip(hz / 1200.0 - 1.0, 0.0, 1.0))), count
    )
    bass = bass[: x.size]
    bent = x + rig.bend[0] * bass**2 + rig.bend[1] * bass**3
    s = 1j * np.maximum(hz, 1e-3) / 70.0
    h = 0.3 * s**2 / (s**2 + 1.3 * s + 1.0) / (1.0 + 1j * hz / (6000.0 / (1.0 + abs(angle_deg) / 40.0)))
    s = 1j * hz / 900.0
    h = h * (s**2 + 0.7 * s + 1.0) / (s**2 + 0.5 * s + 1.0)
    h = h * np.exp(-2j * np.pi * hz * (delay_s + distance_m / SPEED)) / max(distance_m, 0.25)
    if rig.echo_s is not None and echo:
        h = h * (1.0 + rig.echo * np.exp(-2j * np.pi * hz * rig.echo_s))
    return np.fft.irfft(np.fft.rfft(bent, count) * h, count)[: x.size]


def recording(rig: Rig, name: str, angle_deg: float, distance_m: float, drive_v: float, number: int) -> Recording:
    x = played(rig)
    sound = sounded(rig, math.sqrt(2.0) * drive_v * x, angle_deg, distance_m, rig.latency_s, echo=distance_m > 0.1)
    late = round(rig.late_s.get(name, 0.0) * rig.rate)
    random = np.random.default_rng([rig.seed, number])
    heard = rig.fs_per_pa * rig.gains.get(name, 1.0) * np.roll(sound, late) * (-1.0 if name in rig.turned else 1.0)
    heard = heard + rig.noise_fs * random.standard_normal(x.size)
    if name in rig.cut_fs:
        heard = np.clip(heard, -rig.cut_fs[name], rig.cut_fs[name])
    if not rig.loop:
        return Recording(heard[None, :], rig.rate, "DOUBLE")
    wire = 0.1 * drive_v * np.roll(x, round(rig.latency_s * rig.rate)) + 1e-6 * random.standard_normal(x.size)
    return Recording(np.stack([heard, wire]), rig.rate, "DOUBLE")


LOUDSPEAKER: dict[str, Any] = {
    "name": "Invented Seven",
    "maker": "Nobody",
    "type": "stand-mount",
    "enclosure": "closed",
    "invented": True,
    "width_m": 0.2,
    "height_m": 0.34,
    "depth_m": 0.26,
    "reference_axis": "on the axis of the dome",
    "driver": [
        {"name": "woofer", "kind": "cone", "diameter_m": 0.13, "position_m": [0.0, 0.0, -0.1]},
        {"name": "tweeter", "kind": "dome", "diameter_m": 0.025},
    ],
}


def session(rig: Rig, more: Sequence[dict[str, Any]] = (), /, **changes: Any) -> Session:
    takes: list[dict[str, Any]] = []
    for orbit, angles in (("horizontal", rig.horizontal), ("vertical", rig.vertical)):
        for angle in angles:
            takes.append(
                {
                    "kind": "far-field",
                    "id": f"{orbit[0]}{angle:g}",
                    "orbit": orbit,
                    "angle_deg": angle,
                    "distance_m": rig.distance_m,
                }
            )
    takes += [{"kind": "near-field", "id": f"near {name}", "driver": name, "distance_m": 0.01} for name in rig.near]
    takes += [
        {"kind": "level", "id": f"v{volts:g}", "drive_v": volts, "distance_m": rig.distance_m} for volts in rig.levels
    ]
    for take in takes:
        take |= {"file": f"{take['id']}.wav", "sha256": HASH}
    document: dict[str, Any] = {
        "format": 1,
        "date": "2026-11-01",
        "loudspeaker": LOUDSPEAKER,
        "microphone": {"sensitivity_fs_per_pa": rig.fs_per_pa},
        "drive": {"voltage_v": rig.drive_v},
        "stimulus": {
            "kind": "sweep",
            "start_hz": rig.start_hz,
            "stop_hz": rig.stop_hz,
            "duration_s": rig.length_s,
            "fade_in_s": 0.04,
            "fade_out_s": 0.005,
            "lead_in_s": rig.lead_s,
        },
        "environment": rig.environment,
        "takes": [*takes, *more],
    }
    if rig.loop:
        document["reference"] = {"channel": 2}
    return Session.model_validate(document | changes)


def reader(rig: Rig, told: Session, more: dict[str, Recording] | None = None) -> Callable[[str], Recording]:
    made = dict(more or {})
    for number, take in enumerate(told.takes):
        if take.kind in ("far-field", "near-field", "level") and take.file not in made:
            made[take.file] = recording(
                rig,
                take.id,
                getattr(take, "angle_deg", 0.0),
                max(take.distance_m, 0.02),
                getattr(take, "drive_v", None) or told.drive.voltage_v,
                number,
            )

    def read(name: str) -> Recording:
        return made[name]

    return read


def microphone(*, phase: bool = False) -> MicrophoneCorrection:
    hz = np.array([20.0, 100.0, 1000.0, 3000.0, 7000.0, 12_000.0, 16_000.0, 20_000.0])
    db = np.array([-1.0, -0.2, 0.1, 0.6, 1.4, 3.0, 1.0, -4.0])
    return MicrophoneCorrection("mic.txt", hz, db, 0.002 * hz if phase else None)


def fact(
    name: str,
    angle_deg: float | None = 0.0,
    orbit: Orbit | None = "horizontal",
    *,
    distance_m: float = 2.0,
    rate_hz: float = 48_000.0,
    peak_fs: float = 0.5,
    runs: int = 0,
    excess_m: float = 0.0,
    known: bool = True,
    impulse: FloatArray | None = None,
    level_db: float = -10.0,
    early_db: float = -80.0,
) -> TakeFacts:
    """Facts of a take whose sound arrives as if from `excess_m` farther, at 343 m/s."""
    given = np.eye(1, 480, 40)[0] if impulse is None else impulse
    arrival = (distance_m + excess_m) / 343.0
    return TakeFacts(
        name, orbit, angle_deg, distance_m, rate_hz, peak_fs, runs, arrival, known, given, rate_hz, level_db, early_db
    )


def said(flags: Sequence[Any]) -> list[Any]:
    """What a checksum of a flag needs: less than the whole, so that many cases fit a file."""
    return [
        [one.id, one.severity, one.number, one.threshold, list(one.takes), one.band_hz, one.sentence[:400]]
        for one in flags
    ]


def outcome(work: Callable[[], Any]) -> Any:
    """What comes of it, or the words of the error."""
    try:
        return work()
    except (AudioError, InputError) as error:
        return [type(error).__name__, error.what, error.where, error.expected, error.remedy]
