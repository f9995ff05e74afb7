"""From a measurement to everything that can be read off it: curves, maps and figures, or the reason why not."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from earwitness.figures import angles, linearity, maps
from earwitness.figures.bandwidth import lower_limit
from earwitness.figures.kinds import bass_levels, bass_reading, powered_figures
from earwitness.figures.level_series import SEAT_M, level_series_reading
from earwitness.figures.load import LOAD_CURVES, load_curves, load_figures
from earwitness.figures.rating import preference_rating
from earwitness.figures.registry import FIGURES, RESPONSE_FIGURES, base_key
from earwitness.figures.sensitivity import SENSITIVITY_BAND_HZ, band_level, band_means, mean_level_db, one_watt_level_db
from earwitness.figures.time_domain import decay_and_delay
from earwitness.figures.uncertainty import DRAWS, SEED, Drawn, drawn_curves
from earwitness.figures.windows import INDEX_NAMES, NAMES, DirectionalLevels, Windows, averaged, windows, with_averages
from earwitness.quantities import (
    Asked,
    Average,
    Curve,
    DirectionalResponse,
    DirectivityMap,
    Figure,
    Measurement,
    Reading,
    on_orbit,
)
from earwitness.quantities.arrays import BoolArray, FloatArray, runs
from earwitness.quantities.directions import Orbit
from earwitness.standards.cta2010 import MASK_A, BurstMask
from earwitness.standards.cta2034 import RearWall

ABSOLUTE = "dB SPL at 1 m, 2.83 V"
RELATIVE = "dB relative to the on-axis mean from 300 Hz to 3 kHz (level not calibrated)"
UNPLACED = "dB, level not calibrated"
DIRECTIVITY_BAND_HZ = (1000.0, 10_000.0)
_DRAWN = ("on_axis", "listening_window", "sound_power", "in_room")
BALANCE = (
    "linearity_above",
    "linearity_below",
    "linearity_half_range",
    "in_room_slope",
    "preference_rating",
    "preference_rating_with_subwoofer",
)
_NAMES = {**NAMES, **{key: name for key, (name, _) in INDEX_NAMES.items()}}
_ORBITS: tuple[Orbit, Orbit] = ("horizontal", "vertical")
_FALLBACKS = (("horizontal_window", "horizontal window", False), ("horizontal_power", "horizontal-only power", True))


def levels_of(response: DirectionalResponse) -> DirectionalLevels:
    """Levels at 1 m for 2.83 V, or what the response states in its place; without a calibration about the on-axis mean
    from 300 Hz to 3 kHz, where there is one.

    A pressure of exactly 0 has no level and is invalid; so is a point without a finite uncertainty.
    """
    level = response.level_db()
    valid = response.valid & np.isfinite(level) & np.isfinite(response.u_db) & np.isfinite(response.u_common_db)
    safe = np.where(np.isfinite(level), level, 0.0)
    u, common = (np.where(np.isfinite(part), part, 0.0) for part in (response.u_db, response.u_common_db))
    stated = ABSOLUTE if not response.reference else f"dB SPL at 1 m, {response.reference}"
    reference = stated if response.absolute else UNPLACED
    levels = DirectionalLevels(
        response.axis,
        response.directions,
        level_db=safe,
        u_db=u,
        u_common_db=common,
        valid=valid,
        reference=reference,
        lineage=response.lineage,
        known=np.isfinite(level) & np.isfinite(response.u_db) & np.isfinite(response.u_common_db),
        causes=response.causes,
        half_space=response.half_space,
    )
    axis = None if response.absolute else windows(levels, only=("on_axis",)).curves.get("on_axis")
    mean = None if axis is None else mean_level_db(axis)
    return levels if mean is None else replace(levels, level_db=safe - mean, reference=RELATIVE)


@dataclass(frozen=True, slots=True, eq=False)
class _Orbits:
    """What the two orbits give: maps, coverage curves, nominal figures, and what is missing or to be known."""

    maps: dict[str, DirectivityMap]
    curves: dict[str, Curve]
    figures: dict[str, Figure]
    missing: dict[str, str]
    choices: dict[str, str]


def _bands(mask: BoolArray, hz: FloatArray) -> str:
    """Frequencies of a mask in words, at most three stretches."""
    stretches = [f"{hz[run][0]:.0f} Hz to {hz[run][-1]:.0f} Hz" for run in runs(mask)]
    return ", ".join(stretches[:3]) + (f" and {len(stretches) - 3} more" if len(stretches) > 3 else "")


def _read_orbit(levels: DirectionalLevels, orbit: Orbit, found: _Orbits) -> None:
    """Add map, coverage curves and nominal coverage of one orbit to `found`."""
    (first, _), (second, _) = maps.SIDES[orbit]
    key = f"nominal_coverage_{orbit}"
    known = maps.orbit_levels(levels, orbit)
    if isinstance(known, str):
        found.missing[f"map_{orbit}"] = known
        for drop in maps.DROPS_DB:
            found.missing.update({f"coverage_{place}_{drop}db": known for place in (first, second, orbit)})
        found.figures[key] = FIGURES[key].asked(levels.lineage, maps.NOMINAL_BAND_HZ).refused(known)
        return
    found.maps[orbit] = known.map
    hz = levels.axis.hz
    dips = maps.dips_on_axis(known)
    if dips.any():
        found.choices[maps.dips_key(orbit)] = _bands(dips, hz)
    for drop in maps.DROPS_DB:
        sides = maps.coverage_sides(known, drop)
        total = sides[first].plus(sides[second])
        for place, side in ((first, sides[first]), (second, sides[second]), (orbit, total)):
            name = f"coverage_{place}_{drop}db"
            never = side.known & ~side.reached
            if never.any():
                found.choices[f"{name}_not_reached"] = f"the level does not fall by {drop} dB: {_bands(never, hz)}"
            if side.reached.any():
                found.curves[name] = maps.coverage_curve(
                    side, levels.axis, key=name, drop_db=drop, lineage=known.lineage
                )
            else:
                why = f"the level does not fall by {drop} dB" if never.any() else "the orbit does not give it"
                found.missing[name] = f"{why} at any frequency"
        if drop == 6:
            found.figures[key] = maps.nominal_coverage(known, total, key=key)


def _from_reference(reference: Figure, key: str) -> Figure:
    """Not judged, because there is no reference level."""
    return FIGURES[key].refused(reference.reason, reference.lineage)


def _sensitivities(reference: Figure, *, absolute: bool, rated_impedance_ohm: float | None) -> dict[str, Figure]:
    """Sensitivity for 2.83 V and for 1 W."""
    one_watt = replace(reference, key="sensitivity_1w")
    if not absolute:
        asked = Asked("sensitivity", "dB", reference.method, SENSITIVITY_BAND_HZ, reference.lineage)
        refused = asked.refused("the level of the recordings is not calibrated")
        return {"sensitivity": refused, "sensitivity_1w": replace(refused, key="sensitivity_1w")}
    if rated_impedance_ohm is None:
        why = "no rated impedance is stated"
        one_watt = replace(one_watt, value=None, u=None, interval=None, reason=why, caveats=())
    elif reference.value is not None:
        value = one_watt_level_db(reference.value, rated_impedance_ohm=rated_impedance_ohm)
        method = f"{reference.method}; for 1 W in {rated_impedance_ohm:g} ohm"
        ends = reference.interval and (
            reference.interval[0] + value - reference.value,
            reference.interval[1] + value - reference.value,
        )
        one_watt = replace(one_watt, value=value, method=method, interval=ends)
    return {"sensitivity": reference, "sensitivity_1w": one_watt}


def _bass_limits(on_axis: Drawn, reference: Figure, means: FloatArray) -> dict[str, Figure]:
    """F3, F6 and F10. means : (1 + N,) reference of the measured curve and of the drawn ones."""
    keys = {f"f{drop}": drop for drop in (3, 6, 10)}
    if reference.value is None:
        return {key: _from_reference(reference, key) for key in keys}
    return {key: lower_limit(on_axis, means, drop, key=key) for key, drop in keys.items()}


def _linearities(on_axis: Drawn, reference: Figure, means: FloatArray) -> dict[str, Figure]:
    """Deviations, shares and bands."""
    keys = [key for key in FIGURES if key.startswith("linearity_")]
    if reference.value is None:
        return {key: _from_reference(reference, key) for key in keys}
    found = linearity.deviations(on_axis, means)
    for name, half_width in linearity.CORRIDORS_DB.items():
        share, band = f"linearity_share_{name}", f"linearity_band_{name}"
        found[share] = linearity.share_figure(on_axis, means, half_width, key=share)
        found[band] = linearity.band_figure(on_axis, means, half_width, key=band)
    return found


def _direct_figures(
    found: Windows, draws: dict[str, Drawn], *, absolute: bool, rated_impedance_ohm: float | None
) -> dict[str, Figure]:
    """All figures of the on-axis curve."""
    on_axis = draws.get("on_axis")
    if on_axis is None:
        keys = [key for key, info in FIGURES.items() if info.curves == ("on_axis",)]
        return {key: _no_curve(key, found.missing) for key in keys}
    reference, means = band_level(on_axis), band_means(on_axis)
    return {
        **_sensitivities(reference, absolute=absolute, rated_impedance_ohm=rated_impedance_ohm),
        **_bass_limits(on_axis, reference, means),
        **_linearities(on_axis, reference, means),
    }


def _no_curve(key: str, missing: dict[str, str]) -> Figure:
    """Not judged, because curves are missing."""
    info = FIGURES[key]
    absent = [name for name in info.curves if name in missing]
    reason = "; ".join(f"{_NAMES[name]}: {missing[name]}" for name in absent)
    return info.refused(reason)


def _slope(curve: Drawn, *, band_hz: tuple[float, float], key: str) -> Figure:
    line = linearity.slope(curve, band_hz=band_hz, key=key)
    return line.slope if isinstance(line, linearity.FittedLine) else line


def _room_figures(found: Windows, draws: dict[str, Drawn]) -> dict[str, Figure]:
    """Slopes and ratings."""
    curves = dict(draws)
    if "sound_power_di" in found.curves:
        difference = draws["listening_window"].minus(draws["sound_power"], found.curves["sound_power_di"])
        curves["sound_power_di"] = difference
    figures: dict[str, Figure] = {}
    for key, name, band in (
        ("in_room_slope", "in_room", linearity.LINEARITY_BAND_HZ),
        ("directivity_slope", "sound_power_di", DIRECTIVITY_BAND_HZ),
    ):
        known = name in curves
        figures[key] = _slope(curves[name], band_hz=band, key=key) if known else _no_curve(key, found.missing)
    for key, ideal in (("preference_rating", False), ("preference_rating_with_subwoofer", True)):
        if any(name not in curves for name in _DRAWN):
            figures[key] = _no_curve(key, found.missing)
            continue
        four = (curves["on_axis"], curves["in_room"], curves["sound_power"], curves["listening_window"])
        figures[key] = preference_rating(*four, ideal_subwoofer=ideal)
    return figures


def balance_figures(levels: DirectionalLevels, found: Windows) -> dict[str, Figure]:
    """The figures of BALANCE of levels and their curves, as a reading has them."""
    draws = drawn_curves(levels, found, _DRAWN)
    every = {**_direct_figures(found, draws, absolute=True, rated_impedance_ohm=None), **_room_figures(found, draws)}
    return {key: every[key] for key in BALANCE}


def _fallbacks(levels: DirectionalLevels, found: Windows) -> None:
    """Curves of the horizontal orbit alone, under their own names, where there is no vertical orbit."""
    for key, name, power in _FALLBACKS:
        weights = angles.horizontal_weights(levels, power=power)
        if isinstance(weights, str):
            found.missing[key] = weights
            continue
        found.curves[key], found.pulls[key] = averaged(levels, weights, key=key, name=name)
        found.weights[key] = weights
    if "horizontal_window" in found.curves:
        note = "; the horizontal window (7 positions) is given under its own name"
        found.missing["listening_window"] += note


def _mark_filled(fill: angles.Filled, found: Windows, orbits: _Orbits) -> dict[str, str]:
    """How positions were filled in, by curve key."""
    sentences = {key: fill.sentence(weights) for key, weights in found.weights.items()}
    for orbit in _ORBITS:
        (first, _), (second, _) = maps.SIDES[orbit]
        rows, _ = on_orbit(fill.levels.directions, orbit)
        weights = np.zeros(len(fill.levels.directions))
        weights[rows] = 1.0
        sentence = fill.sentence(weights)
        for place in (first, second, orbit):
            for drop in maps.DROPS_DB:
                key = f"coverage_{place}_{drop}db"
                if key in orbits.curves:
                    sentences[key] = sentence
        if orbit in orbits.maps:
            sentences[f"map_{orbit}"] = sentence
    return {key: sentence for key, sentence in sentences.items() if sentence}


def _with_caveats(figure: Figure, sentences: dict[str, str], curves: dict[str, Curve]) -> Figure:
    """The figure with the fillings of its curves as caveats."""
    if not figure.is_judged:
        return figure
    filled = [key for key in FIGURES[figure.key].curves if key in sentences]
    extra = [f"{curves[key].name if key in curves else key}: {sentences[key]}" for key in filled]
    return replace(figure, caveats=(*figure.caveats, *extra))


def read_response(
    response: DirectionalResponse,
    *,
    rated_impedance_ohm: float | None = None,
    symmetric: bool = False,
    rear_wall: RearWall = "all 19",
    averages: Sequence[Average] = (),
) -> Reading:
    """Curves, maps and figures of a directional response; see `read_measurement`. averages : given beside its axis."""
    measured = levels_of(response)
    fill = angles.filled(measured, symmetric=symmetric)
    levels = fill.levels
    of_curves, parts = levels, None
    if averages:
        with np.errstate(divide="ignore"):
            pressure_db = np.nan_to_num(20 * np.log10(np.abs(response.pressure[0])), neginf=0.0)
        of_curves, parts = with_averages(levels, pressure_db, averages)
    found = windows(of_curves, rear_wall=rear_wall, parts=parts)
    if averages:
        found = replace(found, weights={})
    elif not angles.has_vertical(measured):
        _fallbacks(levels, found)
    draws = drawn_curves(of_curves, found, _DRAWN)
    orbits = _Orbits({}, {}, {}, {}, {})
    for orbit in _ORBITS:
        _read_orbit(levels, orbit, orbits)
    sentences = _mark_filled(fill, found, orbits)
    figures = {
        **_direct_figures(found, draws, absolute=response.absolute, rated_impedance_ohm=rated_impedance_ohm),
        **_room_figures(found, draws),
        **orbits.figures,
    }
    choices = {
        **found.choices,
        "symmetric": "yes" if symmetric else "no",
        "level_reference": levels.reference,
        "monte_carlo": f"{DRAWS} draws, seed {SEED}",
        **{f"angles_{i}": note for i, note in enumerate(fill.notes, 1)},
        **{f"filled_{key}": sentence for key, sentence in sentences.items()},
        **orbits.choices,
    }
    curves = {**found.curves, **orbits.curves}
    return Reading(
        curves,
        {key: _with_caveats(figures[key], sentences, curves) for key in RESPONSE_FIGURES},
        orbits.maps,
        {**found.missing, **orbits.missing},
        choices,
    )


def read_measurement(
    measurement: Measurement,
    *,
    rated_impedance_ohm: float | None = None,
    enclosure: str = "other",
    rated_band_hz: tuple[float, float] | None = None,
    symmetric: bool = False,
    rear_wall: RearWall = "all 19",
    seat_m: float = SEAT_M,
    own_level_db: float | None = None,
    mask: BurstMask = MASK_A,
    liters: float | None = None,
    full_scale_dbu: float | None = None,
    kinds: tuple[str, ...] = (),
) -> Reading:
    """Every curve of ANSI/CTA-2034-A, both directivity maps, coverage curves and all figures of the registry.

    rated_impedance_ohm : for the sensitivity at 1 W and the load, or None; enclosure : as in `load_figures`;
    rated_band_hz : the maker's frequency range, or None; symmetric : the tester states that left and right are
    alike, so half a horizontal orbit may be mirrored (and is marked); rear_wall : see `windows`; seat_m :
    listening distance, stated among the choices where it is not the usual one; own_level_db : at 1 m, at which the
    tester compares distortion beside 86 and 96 dB; mask : of bursts; liters : outer volume of the cabinet;
    full_scale_dbu : as in `powered_figures`; kinds : of `figures.kinds`, what those have is added.
    A curve that cannot be had stands in `missing` with its reason; a figure that cannot be had is not judged, with
    its reason. Levels are dB SPL at 1 m for 2.83 V where the recordings are calibrated, else relative.
    """
    reading = read_response(
        measurement.response,
        rated_impedance_ohm=rated_impedance_ohm,
        symmetric=symmetric,
        rear_wall=rear_wall,
        averages=measurement.averages,
    )
    if "subwoofer" in kinds:
        reading = bass_levels(reading)
    impedance = measurement.impedance
    levels = level_series_reading(measurement, reading, seat_m=seat_m, own_level_db=own_level_db, mask=mask)
    load = load_figures(
        impedance,
        rated_ohm=rated_impedance_ohm,
        enclosure=enclosure,
        sensitivity=reading.figures["sensitivity"],
        rated_band_hz=rated_band_hz,
    )
    electric = {} if impedance is None else load_curves(impedance)
    missing = {} if impedance is not None else dict.fromkeys(LOAD_CURVES, "the session has no impedance take")
    found = {**reading.figures, **load, **levels.figures}
    order = {key: place for place, key in enumerate(FIGURES)}
    whole = Reading(
        {**reading.curves, **decay_and_delay(measurement), **electric, **levels.curves},
        {key: found[key] for key in sorted(found, key=lambda key: order[base_key(key)])},
        reading.maps,
        {**reading.missing, **missing, **levels.missing},
        reading.choices if seat_m == SEAT_M else {**reading.choices, "listening_distance": f"{seat_m:g} m"},
    )
    if "subwoofer" in kinds:
        whole = bass_reading(measurement, whole, liters)
    level = whole.figures["bass_level" if "subwoofer" in kinds else "sensitivity"]
    return replace(whole, figures={**whole.figures, **powered_figures(measurement, level, full_scale_dbu)})
