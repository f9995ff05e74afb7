"""Whether an amplifier can drive a loudspeaker, with which margin, and where it runs out of voltage or current."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from earwitness.errors import InputError
from earwitness.figures.load import RATED_SHARE, dissipation_share, load_figures, on_load_grid
from earwitness.figures.registry import figure_infos
from earwitness.insight.words import value_and_spread
from earwitness.quantities import REFERENCE_VOLTAGE_V, Curve, Figure, Impedance, Reading
from earwitness.quantities.arrays import BoolArray, FloatArray, hz_words
from earwitness.session.amplifier_sheet import AmplifierSheet

FREE_FIELD_DB_PER_DECADE = 20.0
BAND_HZ = (20.0, 20_000.0)
REFERENCE_HZ = 1000.0
SAG_DB = 1.0
SINE_PEAK_DB = 10.0 * math.log10(2.0)
EPDR_PHASE_DEG = 45.0
AnswerWord = Literal["yes", "no", "cannot be told"]
AMPLIFIER_FIGURES = figure_infos("amplifier")
INFO = {info.key: info for info in AMPLIFIER_FIGURES}


@dataclass(frozen=True, slots=True)
class Amplifier:
    """ratings : (load [ohm], rms voltage of a sine [V]) by falling load; output_ohm : with cable, None if unknown."""

    name: str
    ratings: tuple[tuple[float, float], ...]
    minimum_load_ohm: float | None = None
    output_ohm: float | None = None
    peak_current_a: float | None = None


def amplifier(
    name: str,
    power_w: Sequence[tuple[float, float]],
    *,
    minimum_load_ohm: float | None = None,
    output_impedance_ohm: float | None = None,
    damping_factor: float | None = None,
    damping_load_ohm: float = 8.0,
    peak_current_a: float | None = None,
    cable_ohm: float = 0.0,
) -> Amplifier:
    """An amplifier from its sheet. power_w : (load [ohm], power [W]) pairs, such as [(8.0, 60.0), (4.0, 100.0)].

    Voltage sqrt(P R); output impedance = damping_load_ohm / damping_factor (definition, from memory).
    InputError without a rating or for numbers not above 0.
    """
    if not power_w or any(not (load > 0.0 and power > 0.0) for load, power in power_w):
        raise InputError("an amplifier needs a rated power", expected="load and power above 0", remedy="add one")
    if damping_factor is not None and output_impedance_ohm is None:
        output_impedance_ohm = damping_load_ohm / damping_factor
    output = None if output_impedance_ohm is None else output_impedance_ohm + cable_ohm
    if output is None and cable_ohm > 0.0:
        output = cable_ohm
    ratings = tuple(sorted(((load, math.sqrt(load * power)) for load, power in power_w), reverse=True))
    return Amplifier(name, ratings, minimum_load_ohm, output, peak_current_a)


def amplifier_of(sheet: AmplifierSheet) -> Amplifier:
    """The amplifier of a sheet."""
    title = f"{sheet.maker} {sheet.name}".strip()
    return amplifier(
        f"{title} (invented)" if sheet.invented and "invented" not in title.casefold() else title,
        [(one.load_ohm, one.power_w) for one in sheet.ratings],
        minimum_load_ohm=sheet.minimum_load_ohm,
        output_impedance_ohm=sheet.output_impedance_ohm,
        damping_factor=sheet.damping_factor,
        damping_load_ohm=sheet.damping_load_ohm,
        peak_current_a=sheet.peak_current_a,
        cable_ohm=sheet.cable_ohm,
    )


@dataclass(frozen=True, slots=True)
class Limited:
    """A stretch of frequencies in which voltage or current runs out first."""

    low_hz: float
    high_hz: float
    by: Literal["voltage", "current"]


@dataclass(frozen=True, slots=True, eq=False)
class AmplifierMatch:
    """can_drive with why; figures and curves by key; what limits where; sentences for the page."""

    amplifier: Amplifier
    can_drive: AnswerWord
    why: str
    figures: dict[str, Figure]
    curves: dict[str, Curve]
    limited: tuple[Limited, ...]
    sentences: tuple[str, ...]


def usable_voltage(one: Amplifier, size_ohm: FloatArray) -> tuple[FloatArray, BoolArray]:
    """(F,) largest rms voltage [V] into magnitudes (F,) [ohm], and where it is the current that limits it.

    Current counts as the limit where it costs more than 1 dB of the voltage the amplifier gives at most (own rule).

    Above the highest rated load the voltage of that rating; between ratings linear over conductance; below the lowest
    the current of that rating (own model, cautious); nowhere more than peak_current_a / sqrt(2) times |Z|.
    """
    conductance = np.array([1.0 / load for load, _ in one.ratings])
    volts = np.array([voltage for _, voltage in one.ratings])
    given = np.interp(1.0 / size_ohm, conductance, volts)
    lowest_load, lowest_volts = one.ratings[-1]
    given = np.where(size_ohm < lowest_load, lowest_volts / lowest_load * size_ohm, given)
    if one.peak_current_a is not None:
        given = np.minimum(given, one.peak_current_a / math.sqrt(2.0) * size_ohm)
    return np.asarray(given, dtype=np.float64), np.asarray(
        given < volts.max() * 10.0 ** (-SAG_DB / 20.0), dtype=np.bool_
    )


def response_change_db(
    ohm: FloatArray | np.ndarray[tuple[int, ...], np.dtype[np.complex128]], output_ohm: float
) -> FloatArray:
    """(F,) 20 lg |Z / (Z + Zo)| [dB] for complex loads (F,): the voltage divider."""
    return np.asarray(20.0 * np.log10(np.abs(ohm / (ohm + output_ohm))), dtype=np.float64)


def response_curve(impedance: Impedance, output_ohm: float) -> Curve:
    """Tonal change [dB] by an output impedance, 0 at 1 kHz, with its uncertainty from magnitude and phase.

    InputError where the impedance is not valid at 1 kHz.
    """
    grid = on_load_grid(impedance)
    at = int(np.argmin(np.abs(np.log(grid.axis.hz / REFERENCE_HZ))))
    if not grid.valid[at] or abs(math.log2(grid.axis.hz[at] / REFERENCE_HZ)) > 0.05:
        raise InputError("the impedance is not known at 1 kHz", remedy="measure it from 20 Hz to 20 kHz")
    change = response_change_db(grid.ohm, output_ohm)
    bigger = response_change_db(grid.ohm * (1.0 + 1e-4), output_ohm) - change
    turned = response_change_db(grid.ohm * np.exp(1e-4j), output_ohm) - change
    size = np.maximum(np.abs(grid.ohm), 1e-12)
    u = np.hypot(bigger * 1e4 * grid.u_ohm / size, turned * 1e4 * np.radians(grid.u_deg))
    u = np.hypot(u, u[at])
    u[at] = 0.0
    name, reference, change = (
        f"change by {output_ohm:g} ohm output impedance",
        "dB relative to 1 kHz",
        change - change[at],
    )
    return Curve.of(
        "amplifier_response", name, grid.axis, change, grid.valid, u=u, reference=reference, lineage=grid.lineage
    )


def voltage_for_level(
    level_db: float, sensitivity_db: float, *, distance_m: float = 1.0, decade_db: float = FREE_FIELD_DB_PER_DECADE
) -> float:
    """Rms voltage [V] for a level at a distance: 2.83 10^((L - S + D lg r) / 20), D dB per decade of distance."""
    wanted = level_db - sensitivity_db + decade_db * math.log10(distance_m)
    return REFERENCE_VOLTAGE_V * math.pow(10.0, wanted / 20.0)


PAIR_IN_ROOM_DB = (6.0, 9.0)
"""What two loudspeakers in a room give more than one in free field, from least to most: 3 dB for the second, whose
sound adds in energy (physics), 3 to 6 dB from the room at usual distances (common practice, no source)."""


def sources_gain_db(count: int, *, coherent: bool = False) -> float:
    """Level of equal sources over one: 10 lg n (not in phase) or 20 lg n (in phase) [dB]."""
    return (20.0 if coherent else 10.0) * math.log10(count)


def match_amplifier(
    one: Amplifier,
    reading: Reading,
    impedance: Impedance | None,
    *,
    distance_m: float = 3.0,
    decade_db: float = FREE_FIELD_DB_PER_DECADE,
    loudspeakers: int = 1,
    goal_db: float | None = None,
    peak_db: float = 0.0,
) -> AmplifierMatch:
    """Can it drive this load, what its output impedance changes, how loud it gets and what runs out first.

    distance_m : of the seat; decade_db : loss over ten times the distance (20 in free field; 10 to 15 in rooms, common
    practice, no source); loudspeakers : playing alike, not in phase; goal_db, peak_db : rms level wanted at the
    seat and how far instantaneous peaks go above it; those of a sine are 3.01 dB.
    Raises InputError for a distance or number not above 0.
    """
    if not (distance_m > 0.0 and math.isfinite(distance_m) and loudspeakers >= 1):
        raise InputError(f"{loudspeakers} loudspeakers at {distance_m} m", remedy="give one or more, above 0 m")
    sensitivity = reading.figures.get("sensitivity")
    volts = INFO["amplifier_voltage"].asked(band_hz=BAND_HZ).judged(max(v for _, v in one.ratings))
    figures = {volts.key: volts}
    if impedance is None:
        why = "no impedance was measured"
        rest = {key: INFO[key].refused(why) for key in INFO if key != "amplifier_voltage"}
        sentence = f"Whether {one.name} can drive it cannot be told: {why}."
        return AmplifierMatch(one, "cannot be told", why, figures | rest, curves={}, limited=(), sentences=(sentence,))
    grid = on_load_grid(impedance)
    figures |= _load_margins(one, impedance)
    can, why = _verdict(one, figures)
    curves, limited = _level_curve(one, grid, reading)
    figures |= _levels(one, grid, sensitivity, distance_m=distance_m, decade_db=decade_db, loudspeakers=loudspeakers)
    change = _response(one, impedance, figures)
    if change is not None:
        curves[change.key] = change
    said = _sentences(one, can, why, figures, limited=limited, distance_m=distance_m, goal_db=goal_db, peak_db=peak_db)
    if loudspeakers == 1 and figures["amplifier_highest_level_at"].is_judged:
        more = f"{PAIR_IN_ROOM_DB[0]:g} to {PAIR_IN_ROOM_DB[1]:g} dB"
        said = (*said, f"That is one loudspeaker in free field; two in a room give about {more} more.")
    return AmplifierMatch(one, can, why, figures=figures, curves=curves, limited=limited, sentences=said)


def _load_margins(one: Amplifier, impedance: Impedance) -> dict[str, Figure]:
    """What is left between the load and the least the amplifier is rated for."""
    keys = ("amplifier_load_margin", "amplifier_epdr_margin")
    if one.minimum_load_ohm is None:
        return {key: INFO[key].refused("the amplifier's sheet states no least load") for key in keys}
    load = load_figures(impedance)
    allowed = RATED_SHARE * one.minimum_load_ohm
    limits = (allowed, allowed * float(dissipation_share(np.array([EPDR_PHASE_DEG]))[0]))
    found = {}
    for key, name, limit in zip(keys, ("impedance_minimum", "epdr_minimum_program"), limits, strict=True):
        low = load[name]
        if low.value is None or low.u is None:
            found[key] = INFO[key].refused(low.reason)
            continue
        at = load[f"{name}_at"].judged_value
        note = f"{low.value:.2f} ohm at {hz_words(at)} against {limit:.2f} ohm"
        found[key] = INFO[key].asked(low.lineage, low.band_hz or BAND_HZ).judged(low.value - limit, low.u, note)
    return found


def _verdict(one: Amplifier, figures: dict[str, Figure]) -> tuple[AnswerWord, str]:
    """The less favorable of both margins decides; within twice its uncertainty nothing is told."""
    answers: list[tuple[int, AnswerWord, str]] = []
    for key in ("amplifier_load_margin", "amplifier_epdr_margin"):
        margin = figures[key]
        if margin.value is None or margin.u is None:
            answers.append((1, "cannot be told", margin.reason))
        elif margin.value <= -2.0 * margin.u:
            answers.append((0, "no", f"{INFO[key].name.split(' over ')[0]} {margin.caveats[0]}"))
        elif margin.value < 2.0 * margin.u:
            answers.append((1, "cannot be told", f"within the uncertainty: {margin.caveats[0]}"))
        else:
            answers.append((2, "yes", f"{margin.caveats[0]}"))
    _, word, why = min(answers, key=lambda answer: answer[0])
    if word == "yes":
        why = f"lowest impedance {answers[0][2]}, lowest peak dissipation resistance {answers[1][2]}"
    return word, f"{why} (least load {one.minimum_load_ohm:g} ohm)" if one.minimum_load_ohm else why


def _level_curve(
    one: Amplifier, grid: Impedance, reading: Reading
) -> tuple[dict[str, Curve], tuple[Limited, ...]]:  # fmt: skip
    """Highest level over frequency at 1 m, and the stretches where voltage or current runs out."""
    rows = np.flatnonzero(grid.valid & (grid.axis.hz >= BAND_HZ[0] * 0.999) & (grid.axis.hz <= BAND_HZ[1]))
    if not rows.size:
        return {}, ()
    hz = grid.axis.hz[rows]
    volts, current = usable_voltage(one, np.abs(grid.ohm[rows]))
    limited = _stretches(hz, current)
    direct = reading.curves.get("on_axis")
    sensitivity = reading.figures.get("sensitivity")
    if direct is None or sensitivity is None or sensitivity.value is None:
        return {}, limited
    x, wanted = np.log2(direct.axis.hz), np.log2(hz)
    inside = (wanted >= x[0]) & (wanted <= x[-1])
    known = inside & (np.interp(wanted, x, (~direct.valid).astype(float)) < 1e-6)
    level = np.interp(wanted, x, np.where(direct.valid, direct.values, 0.0))
    # A sheet may state next to nothing.
    level = level + 20.0 * np.log10(np.maximum(volts, 1e-9) / REFERENCE_VOLTAGE_V)
    u_load = np.where(current, 20.0 / math.log(10.0) * grid.u_ohm[rows] / np.abs(grid.ohm[rows]), 0.0)
    u = np.hypot(np.interp(wanted, x, direct.u), u_load)
    key, name, axis = "amplifier_highest_level", f"highest level with {one.name}", type(grid.axis)(hz)
    common, reference = np.interp(wanted, x, direct.u_common), "dB SPL at 1 m, rms of a sine"
    lineage = (*direct.lineage, *grid.lineage)
    curve = Curve.of(key, name, axis, level, known, u=u, u_common=common, reference=reference, lineage=lineage)
    return {key: curve}, limited


def _stretches(hz: FloatArray, current: BoolArray) -> tuple[Limited, ...]:
    edges = np.concatenate([[0], np.flatnonzero(np.diff(current.astype(int))) + 1, [hz.size]])
    return tuple(
        Limited(float(hz[a]), float(hz[b - 1]), "current" if current[a] else "voltage") for a, b in pairwise(edges)
    )


def _levels(
    one: Amplifier, grid: Impedance, sensitivity: Figure | None, distance_m: float, decade_db: float, loudspeakers: int
) -> dict[str, Figure]:
    near, far = "amplifier_highest_level", "amplifier_highest_level_at"
    if sensitivity is None or sensitivity.value is None or sensitivity.u is None:
        why = "no sensitivity is known" if sensitivity is None else f"sensitivity: {sensitivity.reason}"
        return {key: INFO[key].refused(why) for key in (near, far)}
    rows = np.flatnonzero(grid.valid & (grid.axis.hz >= BAND_HZ[0] * 0.999) & (grid.axis.hz <= BAND_HZ[1]))
    if not rows.size:
        return {key: INFO[key].refused("the impedance is not known from 20 Hz to 20 kHz") for key in (near, far)}
    size = np.abs(grid.ohm[rows])
    volts, current = usable_voltage(one, size)
    row = int(np.argmin(volts))
    by = "current" if current[row] else "voltage"
    u_load = 20.0 / math.log(10.0) * float(grid.u_ohm[rows[row]]) / float(size[row]) if current[row] else 0.0
    u = math.hypot(sensitivity.u, u_load)
    level = sensitivity.value + 20.0 * math.log10(float(volts[row]) / REFERENCE_VOLTAGE_V)
    place = f"at {hz_words(float(grid.axis.hz[rows[row]]))}, {size[row]:.1f} ohm"
    if float(volts.max() - volts.min()) < 1e-6 * float(volts.max()):
        place = "at every frequency alike"
    note = f"{volts[row]:.1f} V, {by} runs out first, {place}"
    lowest = one.ratings[-1][0]
    notes = [note, "power compression of the loudspeaker not in it"]
    if float(size.min()) < lowest:
        notes.append(f"below {lowest:g} ohm the current of that rating is taken as the most")
    gain = sources_gain_db(loudspeakers) - decade_db * math.log10(distance_m)
    place = f"at {distance_m:g} m, {loudspeakers} playing, {decade_db:g} dB less over ten times the distance"
    lineage = tuple(dict.fromkeys((*sensitivity.lineage, *grid.lineage)))
    asked = [INFO[key].asked(lineage, BAND_HZ) for key in (near, far)]
    return {near: asked[0].judged(level, u, *notes), far: asked[1].judged(level + gain, u, place, *notes)}


def _response(one: Amplifier, impedance: Impedance, figures: dict[str, Figure]) -> Curve | None:
    key = "amplifier_response_spread"
    if one.output_ohm is None:
        figures[key] = INFO[key].refused("the amplifier's sheet states neither output impedance nor damping factor")
        return None
    try:
        change = response_curve(impedance, one.output_ohm)
    except InputError as error:
        figures[key] = INFO[key].refused(error.what)
        return None
    rows = np.flatnonzero(change.valid & (change.axis.hz >= BAND_HZ[0] * 0.999) & (change.axis.hz <= BAND_HZ[1]))
    high, low = rows[np.argmax(change.values[rows])], rows[np.argmin(change.values[rows])]
    spread = float(change.values[high] - change.values[low])
    # Adding 0 takes the sign off a zero.
    most, least = (round(float(change.values[row]), 2) + 0.0 for row in (high, low))
    note = (
        f"{most:+.2f} dB at {hz_words(float(change.axis.hz[high]))}, "
        f"{least:+.2f} dB at {hz_words(float(change.axis.hz[low]))} against 1 kHz"
    )
    u = float(np.hypot(change.u[high], change.u[low]))
    figures[key] = INFO[key].asked(change.lineage, BAND_HZ).judged(spread, u, note)
    return change


def _sentences(
    one: Amplifier,
    can: AnswerWord,
    why: str,
    figures: dict[str, Figure],
    limited: tuple[Limited, ...],
    distance_m: float,
    goal_db: float | None,
    peak_db: float,
) -> tuple[str, ...]:
    opening = {
        "yes": f"{one.name} can drive this load",
        "no": f"{one.name} should not drive this load",
        "cannot be told": f"Whether {one.name} can drive this load cannot be told",
    }
    found = [f"{opening[can]}: {why}."]
    far = figures["amplifier_highest_level_at"]
    if far.value is not None and far.u is not None:
        reached = value_and_spread(far.value, max(2.0 * far.u, 0.1))
        found.append(
            f"By its voltage and current alone it reaches {reached} dB at {distance_m:g} m ({far.caveats[1]})."
        )
        if goal_db is not None:
            left = far.value - goal_db - max(peak_db - SINE_PEAK_DB, 0.0)
            if abs(left) <= 2.0 * far.u:
                verdict = "just reached, within the uncertainty"
            else:
                verdict = f"{left:.1f} dB to spare" if left > 0.0 else f"{-left:.1f} dB missing"
            found.append(
                f"For {goal_db:g} dB with peaks {peak_db:g} dB above: {verdict} (± {max(2.0 * far.u, 0.1):.1f} dB)."
            )
    current = [stretch for stretch in limited if stretch.by == "current"]
    if current:
        places = ", ".join(f"{hz_words(s.low_hz)} to {hz_words(s.high_hz)}" for s in current[:3])
        more = f" and {len(current) - 3} more" if len(current) > 3 else ""
        found.append(f"Current runs out before voltage at {places}{more}.")
    elif limited:
        found.append("Voltage runs out first at every frequency.")
    spread = figures["amplifier_response_spread"]
    if spread.value is not None and spread.u is not None:
        found.append(
            f"Its output impedance of {one.output_ohm:.2g} ohm changes the response by {spread.value:.2f} dB "
            f"(± {_hundredths(2.0 * spread.u)} dB) in all ({spread.caveats[0]})."
        )
    if can == "cannot be told" and len(found) > 1:
        # What can be used comes first.
        found = [*found[1:], found[0]]
    return tuple(found)


def _hundredths(spread_db: float) -> str:
    """Never 0.00, which nothing measured has."""
    return f"{spread_db:.2f}" if spread_db >= 0.005 else "less than 0.01"
