"""About forty invented loudspeakers, simulated at response level: no recording was ever made of them.

The pressure in each direction is a formula: a bass high-pass, pistons in the mouths of a body (first-order Bessel
function; Beranek, Acoustics, chapter on the piston in a baffle, from memory), a loss behind the body that grows with
frequency, a crossover of fourth order with its drivers apart, and a few resonances. All numbers come from the place
in the list, so the same list comes out on every machine.
"""

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt
from pathlib import Path
from typing import Literal

import numpy as np

from earwitness.demo.circuits import Stage, stage_response
from earwitness.errors import InputError
from earwitness.quantities import BudgetLine, DirectionalResponse, Gate, Measurement, cta_orbits, report_axis, step
from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.quantities.measurement import Setting
from earwitness.session.session import Session

Type = Literal["stand-mount", "floor-stander", "monitor", "center"]
COUNT = 40
NOTE_FILE = "simulated.txt"
TAKE = "simulated"
NOTE = "Simulated at response level from a formula; no recording exists. Invented, for show."
_SPEED_M_S = 343.0
_NUMBERED = re.compile(r"[A-Z][a-z]+ ([1-9][0-9]{0,5}) \(invented\)")
_MAKERS = ("Ostrevant Acoustics", "Pellfield Sound", "Quarrow & Daughters", "Marrowby Audio", "Tillenhouse")
_NAMES = ("Alder", "Bracken", "Cinder", "Damson", "Ember", "Fallow", "Gorse", "Hazel")
_TYPES: tuple[Type, ...] = (
    "stand-mount",
    "stand-mount",
    "floor-stander",
    "monitor",
    "stand-mount",
    "floor-stander",
    "center",
)
_DATES = ("2025-02", "2025-05", "2025-09", "2025-11", "2026-01")


@dataclass(frozen=True, slots=True)
class Invented:
    """One loudspeaker of the list. level_db : dB SPL at 1 m for 2.83 V; corner_hz, corner_q : of the bass high-pass;
    woofer_m, tweeter_m : radii of the pistons; spacing_m : from woofer up to tweeter; faults : resonances and shelves;
    price : EUR a pair."""

    number: int
    name: str
    maker: str
    type: Type
    enclosure: Literal["closed", "vented"]
    price: float
    date: str
    level_db: float
    corner_hz: float
    corner_q: float
    crossover_hz: float
    woofer_m: float
    tweeter_m: float
    spacing_m: float
    width_m: float
    faults: tuple[Stage, ...]


def catalogue(count: int = COUNT) -> tuple[Invented, ...]:
    """The first `count` loudspeakers of the list; it goes on as long as one asks."""
    if count < 0:
        raise InputError(f"{count} loudspeakers were asked for", expected="0 or more")
    return tuple(_invented(number) for number in range(count))


def simulate(one: Invented, settings: dict[str, Setting] | None = None) -> Measurement:
    """The measurement of an invented loudspeaker. settings : kept with the step, so that a reader of the archive finds
    it under the settings it asks for."""
    axis, directions = report_axis(), cta_orbits()
    pressure = _pressure(one, axis.hz, directions.unit_vectors())
    own = np.broadcast_to(0.15 + 0.25 * (axis.hz < 40), pressure.shape)
    response = DirectionalResponse(
        axis, directions, pressure, own, np.full(axis.hz.shape, 0.25), np.broadcast_to(axis.hz >= 20.0, pressure.shape)
    )
    return Measurement(
        response=response,
        snr_db=np.full(pressure.shape, 60.0),
        gate=Gate(start_s=0.0, end_s=0.2, taper_s=0.0, reflection_s=None, source="anechoic", lowest_valid_hz=20.0),
        splice=None,
        near_field=(),
        harmonics=(),
        impedance=None,
        impulse_rate_hz=48_000.0,
        impulse=np.zeros(64),
        impulse_onset_s=0.0,
        budget=(
            BudgetLine("level", "assumed for the simulation", np.full(axis.hz.shape, 0.25), True),
            BudgetLine("each direction", "assumed for the simulation", np.array(own[0]), False),
        ),
        flags=(),
        kept_takes=(TAKE,),
        steps=(step("simulate", settings or {}, (_hash(one),)),),
    )


def session_of(one: Invented) -> Session:
    """The session that stands for an invented loudspeaker: one silent take, which says that nothing was recorded."""
    return Session.model_validate(
        {
            "format": 1,
            "date": one.date,
            "loudspeaker": {
                "name": one.name,
                "maker": one.maker,
                "type": one.type,
                "enclosure": one.enclosure,
                "invented": True,
                "year": int(one.date[:4]),
                "price": {"amount": one.price, "currency": "EUR", "per": "pair"},
                "width_m": one.width_m,
                "height_m": round(1.7 * one.width_m if one.type != "floor-stander" else 4.5 * one.width_m, 3),
                "depth_m": round(1.3 * one.width_m, 3),
                "reference_axis": "axis of the tweeter",
                "driver": [
                    {
                        "name": "woofer",
                        "kind": "cone",
                        "diameter_m": round(2 * one.woofer_m, 4),
                        "position_m": [0.0, 0.0, -one.spacing_m],
                    },
                    {"name": "tweeter", "kind": "dome", "diameter_m": round(2 * one.tweeter_m, 4)},
                ],
            },
            "tester": {"name": "the demo", "obtained": "simulated at response level, not recorded"},
            "microphone": {"sensitivity_fs_per_pa": 0.01},
            "drive": {"voltage_v": 2.83},
            "stimulus": {"kind": "sweep", "start_hz": 10.0, "stop_hz": 22_000.0, "duration_s": 5.0},
            "environment": {"anechoic": True},
            "takes": [{"kind": "noise floor", "id": TAKE, "file": NOTE_FILE, "sha256": _hash(one), "note": NOTE}],
            "file_hashes": {NOTE_FILE: _hash(one)},
        }
    )


def write_note(one: Invented, folder: Path) -> None:
    """Write the file that stands in the place of recordings."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / NOTE_FILE).write_bytes(_note(one))


def simulated(session: Session) -> Invented | None:
    """The invented loudspeaker that a session of the archive stands for; None for a session with recordings."""
    if not session.loudspeaker.invented or [take.id for take in session.takes] != [TAKE]:
        return None
    found = _NUMBERED.fullmatch(session.loudspeaker.name)
    if found is None:
        return None
    one = _invented(int(found[1]) - 1)
    return one if session.takes[0].sha256 == _hash(one) else None


def _invented(number: int) -> Invented:
    draw = np.random.default_rng([2026, number])
    kind: Type = _TYPES[number % len(_TYPES)]
    # The radius of the woofer follows from the type; what it can do in the bass follows from it.
    woofer = float(draw.uniform(0.055, 0.075) if kind != "floor-stander" else draw.uniform(0.07, 0.1))
    price = round(10 ** float(draw.uniform(2.3, 3.9)) / 10) * 10.0
    # Dear ones have fewer and smaller faults, on the whole: there is a frontier, and there are those behind it.
    care = float(np.clip((np.log10(price) - 2.3) / 1.6 + draw.normal(0.0, 0.35), 0.0, 1.0))
    return Invented(
        number=number,
        name=f"{_NAMES[number % len(_NAMES)]} {number + 1} (invented)",
        maker=_MAKERS[(number // len(_NAMES)) % len(_MAKERS)],
        type=kind,
        enclosure="closed" if number % 5 == 3 else "vented",
        price=price,
        date=f"{_DATES[number % len(_DATES)]}-{1 + number % 28:02d}",
        level_db=round(float(draw.uniform(83.0, 90.0)), 1),
        corner_hz=round(3.1 / woofer * float(draw.uniform(0.85, 1.15)), 1),
        corner_q=0.707 if number % 5 == 3 else round(float(draw.uniform(0.65, 0.95)), 2),
        crossover_hz=round(float(draw.uniform(1700.0, 3200.0)), 0),
        woofer_m=round(woofer, 4),
        tweeter_m=round(float(draw.uniform(0.0125, 0.017)), 4),
        spacing_m=round(woofer + float(draw.uniform(0.04, 0.07)), 3),
        width_m=round(2.6 * woofer, 3),
        faults=tuple(_faults(draw, care)),
    )


def _faults(draw: np.random.Generator, care: float) -> Iterator[Stage]:
    size = 4.5 * (1.0 - 0.85 * care)
    for low, high in ((180.0, 600.0), (700.0, 2500.0), (3000.0, 12_000.0)):
        at = float(np.exp(draw.uniform(np.log(low), np.log(high))))
        yield Stage("peak", round(at, 1), q=float(draw.uniform(1.5, 6.0)), gain_db=float(draw.normal(0.0, 0.5) * size))
    yield Stage("high shelf", 4000.0, q=0.7, gain_db=float(draw.normal(0.0, 0.35) * size))


def _pressure(one: Invented, hz: FloatArray, unit: FloatArray) -> ComplexArray:
    """(D, F) pressure at 1 m for 1 V [Pa/V]."""
    order = 2 if one.enclosure == "closed" else 4
    bass = stage_response(Stage("high-pass 2", one.corner_hz, q=one.corner_q), hz)
    bass = bass if order == 2 else bass * stage_response(Stage("high-pass 2", 0.95 * one.corner_hz, q=0.9), hz)
    for fault in one.faults:
        bass = bass * stage_response(fault, hz)
    angle = np.arccos(np.clip(unit[:, 0], -1.0, 1.0))
    wave = 2 * np.pi * hz / _SPEED_M_S
    woofer = stage_response(Stage("low-pass LR4", one.crossover_hz), hz) * _piston(one.woofer_m, wave, angle)
    tweeter = stage_response(Stage("high-pass LR4", one.crossover_hz), hz) * _piston(one.tweeter_m, wave, angle)
    # The woofer sits below the axis: farther from listeners above it.
    below = np.exp(1j * wave * (-one.spacing_m) * unit[:, 2, None])
    # Behind a body of this width nothing is lost when it is small against the wave, much when it is large.
    behind = (1 - np.cos(angle[:, None])) / 2
    shade = 1 / np.sqrt(1 + behind * (hz * one.width_m / (0.35 * _SPEED_M_S)) ** 2)
    level = 20e-6 * 10 ** (one.level_db / 20) / 2.83
    return np.asarray(level * bass * (woofer * below + tweeter) * shade)


def _piston(radius_m: float, wave: FloatArray, angle: FloatArray) -> FloatArray:
    """2 J1(x) / x with x = k a sin(angle), 1 on axis; (D, F). Behind the front it is taken as at a right angle."""
    from scipy.special import j1

    x = wave * radius_m * np.sin(np.minimum(angle, np.pi / 2))[:, None]
    safe = np.where(x < 1e-6, 1.0, x)
    # In the body of a loudspeaker the nulls of a rigid piston are filled: cones bend and edges scatter.
    return np.asarray(np.where(x < 1e-6, 1.0, np.hypot(2 * j1(safe) / safe, 0.05 * np.minimum(1.0, x / 4) * sqrt(0.5))))


def _note(one: Invented) -> bytes:
    return f"{NOTE}\n{one!r}\n".encode()


def _hash(one: Invented) -> str:
    return hashlib.sha256(_note(one)).hexdigest()
