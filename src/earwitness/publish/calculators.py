"""Numbers for the questions that a page answers by itself, with the program's own formulas in its script."""

import json
from importlib.resources import files

import numpy as np

from earwitness.errors import InputError
from earwitness.figures.load_curves import on_load_grid
from earwitness.figures.sensitivity import band_level
from earwitness.insight.match.amplifier import BAND_HZ
from earwitness.insight.match.boundaries import walls_tried
from earwitness.insight.match.subwoofer import EXCURSION_BAND_HZ, main_response
from earwitness.publish.review import Review

SEAT_M = 3.0


def calculator_script() -> str:
    """The script of the questions: classic, it works from disk."""
    return files("earwitness.publish.site").joinpath("calculators.js").read_text(encoding="utf-8")


def calculator_data(review: Review) -> dict[str, object]:
    """Sensitivity [dB], sound power [dB at 1 m] and clean level [dB], load [ohm] over hz, the main's level [dB] over hz
    in the bass, each with its U (k = 2).

    What is not known is None; {} without a sensitivity, where no question can be answered.
    """
    reading, impedance = review.reading, review.measurement.impedance
    sensitivity, clean = (reading.figures.get(key) for key in ("sensitivity", "highest_clean_level"))
    if sensitivity is None or sensitivity.value is None or sensitivity.u is None:
        return {}
    load, main, spread = None, None, reading.curves.get("sound_power")
    power = None if spread is None else band_level(spread, key="power")
    if impedance is not None:
        grid = on_load_grid(impedance)
        rows = grid.valid & (grid.axis.hz >= 0.999 * BAND_HZ[0]) & (grid.axis.hz <= BAND_HZ[1])
        if rows.any():
            size, u = np.abs(grid.ohm[rows]), grid.u_ohm[rows]
            load = {"hz": _short(grid.axis.hz[rows]), "ohm": _short(size), "u95": _short(2.0 * u, 3)}
    try:
        found = main_response(reading.curves["on_axis"])
        rows = (found.axis.hz >= EXCURSION_BAND_HZ[0]) & (found.axis.hz <= EXCURSION_BAND_HZ[1])
        level_db = 20.0 * np.log10(np.abs(found.pressure[rows]))
        u95 = [round(2.0 * float(u), 3) for u in found.u_db[rows]]
        main = {"hz": _short(found.axis.hz[rows]), "db": [round(float(v), 3) for v in level_db], "u95": u95}
    except (InputError, KeyError):
        # The page leaves the question out, as the exhibit does.
        pass
    return {
        "sensitivity": round(sensitivity.value, 3),
        "sensitivityU95": round(2.0 * sensitivity.u, 3),
        "power": power and power.value and round(power.value, 3),
        "powerU95": power and power.u and round(2.0 * power.u, 3),
        "clean": None if clean is None or clean.value is None else round(clean.value, 3),
        "cleanU95": clean and clean.u and round(2.0 * clean.u, 3),
        "cleanBound": "" if clean is None else clean.bound,
        "ratedOhm": review.loudspeaker.rated_impedance_ohm,
        "load": load,
        "wall": _walls(review),
        "main": main,
    }


def _walls(review: Review) -> list[dict[str, float]] | None:
    """What a wall behind does at each distance that `wall_behind` tries, the seat 3 m ahead; None where that is not
    known."""
    response, depth_m = review.measurement.response, review.loudspeaker.depth_m
    try:
        found = walls_tried(response, SEAT_M, depth_m)
    except InputError:
        return None
    names = ("m", "lift", "liftU95", "dip", "dipU95", "hz")
    rows = ((m, one.lift_db, 2 * one.u[0], one.dip_db, 2 * one.u[1], one.dip_hz) for m, one in found.items())
    return [dict(zip(names, _short(np.array(row)), strict=True)) for row in rows]


def calculator_json(data: dict[str, object]) -> str:
    """The numbers as they stand in the page: nothing in them ends the element."""
    return json.dumps(data, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def _short(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]], digits: int = 6) -> list[float]:
    return [float(f"{value:.{digits}g}") for value in values]
