"""Invented loudspeakers, loads, rooms and seats by formula, and results in the short form that golden files keep."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from scipy.special import j1

from earwitness.errors import EarwitnessError
from earwitness.quantities import (
    Curve,
    DirectionalResponse,
    Figure,
    FloatArray,
    FrequencyAxis,
    Impedance,
    Reading,
    cta_orbits,
    log_axis,
)
from earwitness.quantities.directions import Directions
from earwitness.session.record import Loudspeaker
from earwitness.session.room_plan import RoomPlan

SPEED_M_S = 343.0
REPORT = log_axis(20.0, 20_000.0, 24)
PA_PER_V = 20e-6 / 2.83


def brief(one: Any) -> Any:
    """A result without the words of the registry: methods and units of figures stand there, not in a golden file."""
    if isinstance(one, Figure):
        if one.value is None:
            return f"not judged: {one.reason}"
        kept = {
            "value": one.value, "u": one.u, "bound": one.bound, "band": one.band_hz, "interval": one.interval,
            "caveats": one.caveats, "shared": one.shared, "lineage": one.lineage,
        }  # fmt: skip
        return {key: brief(part) for key, part in kept.items() if part is not None and np.size(part) and part != ""}
    if isinstance(one, Curve):
        shown: dict[str, Any] = {
            "name": one.name, "hz": one.axis.hz, "values": np.where(one.valid, one.values, 0.0), "u": one.u,
            "common": one.u_common, "valid": one.valid, "reference": one.reference, "lineage": one.lineage,
        }  # fmt: skip
        return {key: part for key, part in shown.items() if not (isinstance(part, np.ndarray) and not part.any())}
    if isinstance(one, FrequencyAxis):
        return one.hz
    if dataclasses.is_dataclass(one) and not isinstance(one, type):
        return {field.name: brief(getattr(one, field.name)) for field in dataclasses.fields(one)}
    if isinstance(one, Mapping):
        return {key: brief(part) for key, part in one.items()}
    if isinstance(one, list | tuple):
        return [brief(part) for part in one]
    return one


def tried(way: Callable[..., object], *given: Any) -> Any:
    """What comes out, or the fault that is told."""
    try:
        return brief(way(*given))
    except (ValueError, EarwitnessError) as error:
        return f"{type(error).__name__}: {str(error)[:160]}"


def figure(key: str, value: float, u: float, unit: str = "dB", **more: Any) -> Figure:
    return Figure(key, value, u, unit, more.pop("band_hz", None), "made", **more)


def unknown(key: str, unit: str = "dB") -> Figure:
    return Figure(key, None, None, unit, None, "made", reason="too noisy")


def curve(
    values: FloatArray | float, *, key: str = "on_axis", axis: FrequencyAxis = REPORT, u: FloatArray | float = 0.1,
    common: FloatArray | float = 0.2, valid: Any = None, **more: Any,
) -> Curve:  # fmt: skip
    return Curve.of(
        key, key.replace("_", " "), axis, np.zeros(len(axis)) + values, valid, u=u, u_common=common,
        unit=more.get("unit", "dB"), reference=more.get("reference", "dB SPL at 1 m, 2.83 V"), lineage=(f"of {key}",),
    )  # fmt: skip


def level_of(hz: FloatArray, random: np.random.Generator) -> FloatArray:
    """A loudspeaker's level over frequency: its bass, a slope, humps and dips."""
    bass, order = random.uniform(30.0, 90.0), random.choice([1.0, 2.0])
    level = 86.0 + random.normal(0.0, 2.0) - 10.0 * np.log10(1.0 + (bass / hz) ** (2.0 * order))
    level += random.normal(0.0, 0.3) * np.log2(hz / 1000.0)
    for _ in range(4):
        at, width = np.exp(random.uniform(np.log(60.0), np.log(12_000.0))), random.uniform(0.1, 0.6)
        level += random.normal(0.0, 1.5) * np.exp(-((np.log2(hz / at) / width) ** 2))
    return np.asarray(level, dtype=float)


def load_of(random: np.random.Generator, *, axis: FrequencyAxis | None = None, valid: Any = None) -> Impedance:
    """Coil, box resonance and a notch of a crossover, as a load."""
    axis = axis or log_axis(15.625, 20_200.0, 48)
    f = axis.hz
    re, le = random.uniform(2.5, 7.0), random.uniform(0.1e-3, 0.8e-3)
    q, at = random.uniform(2.0, 6.0), random.uniform(35.0, 90.0)
    ohm = re + 2j * np.pi * f * le + random.uniform(8.0, 40.0) / (1.0 + 1j * q * (f / at - at / f))
    ohm = ohm + random.uniform(0.0, 9.0) / (1.0 + 1j * 2.0 * (f / 2200.0 - 2200.0 / f))
    good = np.ones(f.size, dtype=bool) if valid is None else valid
    u = random.uniform(0.005, 0.1) * np.abs(ohm) ** 0.5
    return Impedance(axis, ohm, u, 0.3 + 0.1 * np.log2(f / 20.0), good, ("of the load",))


def plan_of(
    random: np.random.Generator,
    *,
    loudspeakers: int = 2,
    rows: int = 2,
    across: int = 3,
    aimed: bool = True,
    **room: float,
) -> RoomPlan:
    """A room with loudspeakers before one wall and rows of seats."""
    length, width, height = random.uniform(4.5, 7.5), random.uniform(3.8, 5.5), random.uniform(2.3, 3.1)
    speakers = []
    for number in range(loudspeakers):
        at = (random.uniform(0.4, 0.9), width * (number + 0.7) / (loudspeakers + 0.4), random.uniform(0.6, 1.2))
        aim: dict[str, Any] = {"aim_at_m": (length * 0.6, width / 2.0, 1.1)}
        if not aimed:
            aim = {"azimuth_deg": random.uniform(-25.0, 25.0), "elevation_deg": random.uniform(-6.0, 6.0)}
        speakers.append({"name": f"speaker {number}", "position_m": at, **aim})
    seats = [
        {
            "name": f"seat {row}.{place}",
            "row": row + 1,
            "position_m": (
                length * (0.55 + 0.2 * row),
                width * (place + 0.6) / (across + 0.2),
                1.0 + 0.2 * row + random.uniform(0, 0.1),
            ),
        }
        for row in range(rows)
        for place in range(across)
    ]
    return RoomPlan.model_validate(
        {
            "room": {"length_m": length, "width_m": width, "height_m": height, **room},
            "loudspeaker": speakers,
            "seat": seats,
        }
    )


def piston(x: FloatArray) -> FloatArray:
    size = np.maximum(np.abs(x), 1e-9)
    return np.asarray(2.0 * j1(size) / size)


def response_of(
    random: np.random.Generator, *, axis: FrequencyAxis = REPORT, directions: Directions | None = None,
    side_by_side: bool = False, **more: Any,
) -> DirectionalResponse:  # fmt: skip
    """A woofer and a tweeter apart, as pistons whose sound falls behind them; the level of `level_of`."""
    directions = directions or cta_orbits()
    unit, hz = directions.unit_vectors(), axis.hz
    k = 2.0 * np.pi * hz / SPEED_M_S
    crossover, woofer, tweeter = random.uniform(1500.0, 3000.0), random.uniform(0.05, 0.1), 0.0125
    apart = random.uniform(0.1, 0.2) * (unit[:, 1] if side_by_side else unit[:, 2])
    sine = np.hypot(unit[:, 1], unit[:, 2])[:, None]
    turn = 1j * hz / crossover
    both = (1.0 + np.sqrt(2.0) * turn + turn**2) ** 2
    low = piston(k * woofer * sine) * np.exp(1j * np.outer(apart, k)) / both
    high = piston(k * tweeter * sine) * turn**4 / both
    if side_by_side:
        # Else left and right are alike, and the last bit chooses one of them.
        high = high * (1.0 - 0.1 * unit[:, 1:2])
    behind = 1.0 / (1.0 + (1.0 - unit[:, :1]) * 0.5 * np.minimum(hz / 300.0, 4.0))
    size = 10.0 ** (level_of(hz, random) / 20.0) * PA_PER_V
    pressure = (low + high) * behind * size * np.exp(0.3j * random.normal() * np.log2(hz / 1000.0))
    u = np.full(pressure.shape, random.uniform(0.05, 0.3)) * (1.0 + 0.5 * np.abs(unit[:, 1:2]))
    valid = np.ones(pressure.shape, dtype=bool)
    if "valid" in more:
        valid &= more.pop("valid")
    common = random.uniform(0.1, 0.4) * np.ones(hz.size)
    return DirectionalResponse(axis, directions, pressure, u, common, valid, lineage=("of the takes",), **more)


def read_of(response: DirectionalResponse, *, key: str = "", **figures: Figure) -> Reading:
    """On axis, power and window as plain means, with the level on axis from 300 Hz to 3 kHz."""
    level = response.level_db()
    weight = np.abs(np.sin(np.arccos(response.directions.unit_vectors()[:, 0]))) + 0.02
    power = 10.0 * np.log10((weight / weight.sum()) @ 10.0 ** (level / 10.0))
    front = response.directions.unit_vectors()[:, 0] > 0.85
    made = {
        "on_axis": level[response.directions.on_axis_row()],
        "sound_power": power,
        "listening_window": 10.0 * np.log10(np.mean(10.0 ** (level[front] / 10.0), axis=0)),
    }
    curves = {name: curve(values, key=name, axis=response.axis) for name, values in made.items() if name != key}
    inside = (response.axis.hz >= 300.0) & (response.axis.hz <= 3000.0)
    mean = 10.0 * math.log10(float(np.mean(10.0 ** (made["on_axis"][inside] / 10.0)))) if inside.any() else 86.0
    known = {"sensitivity": figure("sensitivity", mean, 0.25, band_hz=(300.0, 3000.0), lineage=("of the band",))}
    return Reading(curves, {**known, **figures}, {}, {}, {})


def told(kind: str, **more: object) -> Loudspeaker:
    facts = {
        "name": "One", "maker": "Invented", "type": kind, "enclosure": "closed", "reference_axis": "ahead",
        "width_m": 0.26, "height_m": 0.4, "depth_m": 0.3, **more,
    }  # fmt: skip
    return Loudspeaker.model_validate(facts, strict=False)
