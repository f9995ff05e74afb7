"""One random session from its draw to the errors of everything that was read from it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from unittest.mock import patch

import numpy as np
from numpy.typing import NDArray

from coverage_worlds.bodies import FloatArray
from coverage_worlds.loudspeakers import HELD_OUT, TUNED_ON, Loudspeaker, draw_loudspeaker
from coverage_worlds.recordings import Recorded, answered, recorded
from coverage_worlds.rigs import ERRORS, Rig, draw_rig
from coverage_worlds.truth import Truth, truth_of
from earwitness.errors import EarwitnessError
from earwitness.figures.read import read_response
from earwitness.figures.registry import RESPONSE_FIGURES
from earwitness.quantities import Figure, Measurement, Reading
from earwitness.reduce import flow
from earwitness.reduce.deconvolve import DeconvolvedTakes
from earwitness.reduce.flow import reduce_session
from earwitness.session.session import Session

CURVES = (
    "on_axis",
    "listening_window",
    "early_reflections",
    "sound_power",
    "in_room",
    "sound_power_di",
    "early_reflections_di",
    "coverage_horizontal_6db",
    "coverage_vertical_6db",
    "coverage_horizontal_3db",
    "coverage_vertical_3db",
)
# The sessions of "held out" were looked at before causes were mended; "fresh" were not.
DRAWS = {"tuning": (1, TUNED_ON), "held out": (7, HELD_OUT), "fresh": (2211, HELD_OUT)}


@dataclass(frozen=True, eq=False)
class CurveErrors:
    """(F,) what was read less what was true, standard uncertainty, where it is valid, where there is a truth."""

    error: FloatArray
    u: FloatArray
    valid: NDArray[np.bool_]
    there: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class FigureError:
    """What was read beside what was true; value None where refused; inside : what was claimed of it holds."""

    value: float | None
    true: float
    u: float
    bound: str
    inside: bool
    reason: str = ""


@dataclass(frozen=True, eq=False)
class Judged:
    """One session. groups : what it was, for the tables by group; refused : why there is no measurement at all."""

    number: int
    groups: frozenset[str]
    hz: FloatArray
    curves: dict[str, CurveErrors]
    figures: dict[str, FigureError]
    flags: tuple[str, ...] = ()
    refused: str = ""
    facts: dict[str, float] = field(default_factory=dict)


def drawn(draw: str, number: int, on: frozenset[str] = frozenset(ERRORS)) -> tuple[Loudspeaker, Rig]:
    """The loudspeaker and the rig of session `number` of a draw, one of DRAWS."""
    seed, boxes = DRAWS[draw]
    random = np.random.default_rng([seed, number])
    one = draw_loudspeaker(random, boxes=boxes)
    return one, draw_rig(random, one, (seed, number), on)


def measured(one: Loudspeaker, rig: Rig, *, recordings: bool = True) -> tuple[Recorded, Measurement]:
    """The session and its reduction: from recordings, or from the impulse responses that they would give."""
    if recordings:
        taken = recorded(one, rig)
        return taken, reduce_session(taken.session, taken.read, correction=taken.correction)
    taken, impulses = answered(one, rig)
    with patch.object(flow, "deconvolve_takes", lambda *_, **__: DeconvolvedTakes(impulses, ())):
        return taken, reduce_session(taken.session, taken.read, correction=taken.correction)


def judged(draw: str, number: int, on: frozenset[str] = frozenset(ERRORS), *, recordings: bool = True) -> Judged:
    one, rig = drawn(draw, number, on)
    try:
        taken, measurement = measured(one, rig, recordings=recordings)
    except EarwitnessError as error:
        return Judged(number, _groups(one, rig), np.zeros(0), {}, {}, refused=str(error))
    truth = truth_of(one, measurement, taken.session, rig.facts.distance_m)
    found = compared(number, one, rig, taken.session, measurement, truth)
    return replace(found, groups=found.groups | {"recorded"}) if recordings else found


def compared(
    number: int, one: Loudspeaker, rig: Rig, session: Session, measurement: Measurement, truth: Truth
) -> Judged:
    """Errors of every curve and figure that is read from a measurement."""
    reading = read_response(measurement.response, symmetric=session.loudspeaker.symmetric)
    curves = {}
    for key in CURVES:
        true = truth.of(key)[0].curves.get(key)
        if true is not None:
            curves[key] = _curve(reading, key, truth.bounds_of(key), true.valid)
    figures = {}
    for key in RESPONSE_FIGURES:
        exact = truth.range_of(key)
        if exact is not None:
            figures[key] = figure_error(reading.figures[key], *exact)
    groups = _groups(one, rig) | {"joined" if measurement.splice is not None else "not joined"}
    facts = {"gate_ms": 1e3 * measurement.gate.end_s, "distance_m": rig.facts.distance_m}
    flags = tuple(flag.id for flag in measurement.flags)
    return Judged(number, groups, measurement.response.axis.hz, curves, figures, flags, "", facts)


def _curve(reading: Reading, key: str, bounds: tuple[FloatArray, FloatArray], there: NDArray[np.bool_]) -> CurveErrors:
    found, (low, high) = reading.curves.get(key), bounds
    if found is None:
        nothing = np.zeros(low.size)
        return CurveErrors(nothing, nothing, nothing > 0, there)
    error = found.values - np.clip(found.values, low, high)
    return CurveErrors(error, found.u_total, found.valid & there, there)


def figure_error(figure: Figure, least: float, most: float) -> FigureError:
    """least, most : between which the truth lies."""
    if figure.value is None or figure.u is None:
        return FigureError(None, least, 0.0, "", False, figure.reason)
    true = min(max(figure.value, least), most)
    low, high = figure.value - 2 * figure.u, figure.value + 2 * figure.u
    if figure.interval is not None:
        low, high = figure.interval
    if figure.bound:
        inside = least <= high if figure.bound == "at most" else most >= low
    else:
        inside = low <= true <= high
    return FigureError(figure.value, true, figure.u, figure.bound, bool(inside))


def _groups(one: Loudspeaker, rig: Rig) -> frozenset[str]:
    facts = rig.facts
    found = {
        "box" if one.kind.startswith("box") else "sphere",
        one.kind,
        "anechoic" if facts.anechoic else "in a room",
        "near field" if facts.near else "no near field",
        "loop-back" if facts.loop_back else "no loop-back",
        "half orbit" if facts.half else "whole orbit",
        f"step {facts.step_deg}",
        "vented" if one.bass.vented else "closed",
        "calibrated" if facts.calibrator or facts.sensitivity else "not calibrated",
    }
    if facts.by_hand:
        found.add("started by hand")
    if not facts.anechoic:
        found.add("near 1.6 m" if facts.distance_m < 1.6 else "far 1.6 m")
    return frozenset(found)
