"""Facts that no real session has, a treble that ends where no loudspeaker does, and the microphone's correction."""

import numpy as np

from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.quantities import QualityFlag
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.reduce.flags import flag, limits
from earwitness.session.session import Session

# Own choices: wide enough for what is sold.
LIMITS = limits("facts")
CUT_HZ = (12_000.0, 19_000.0)


def fact_flags(session: Session) -> list[QualityFlag]:
    """Slips of the pen: a point or a unit in the wrong place. Each asked with the key."""
    told, found = session.loudspeaker, list[tuple[str, float, float, str]]()
    ohm = told.rated_impedance_ohm
    if ohm is not None and not LIMITS["rated_least_ohm"] <= ohm <= LIMITS["rated_most_ohm"]:
        limit = LIMITS["rated_most_ohm" if ohm > 8.0 else "rated_least_ohm"]
        found.append(("rated_impedance_ohm", ohm, limit, f"a rated impedance of {ohm:g} ohm; 4, 6 and 8 are usual"))
    if told.price is not None and not LIMITS["price_least"] <= told.price.amount <= LIMITS["price_most"]:
        words = f"a price of {told.price.amount:g} {told.price.currency} per {told.price.per}; thousands take no point"
        found.append(("price amount", told.price.amount, LIMITS["price_least"], words))
    edges = (told.width_m, told.height_m, told.depth_m)
    volume = edges[0] * edges[1] * edges[2]
    cones = [one.diameter_m for one in told.drivers if one.kind == "cone"]
    words = f"a cabinet of {edges[0]:g} x {edges[1]:g} x {edges[2]:g} m; lengths are in meters"
    if volume > LIMITS["volume_most_m3"] or max(edges) > LIMITS["edge_most_m"]:
        found.append(("width_m, height_m, depth_m", volume, LIMITS["volume_most_m3"], words))
    elif cones and max(cones) < LIMITS["driver_of_edge_least"] * min(edges):
        found.append(("width_m, height_m, depth_m", max(cones), LIMITS["driver_of_edge_least"] * min(edges), words))
    if told.mass_kg is not None and not LIMITS["density_least"] <= told.mass_kg / volume <= LIMITS["density_most"]:
        words = f"a mass of {told.mass_kg:g} kg in {1000 * volume:.3g} liters"
        found.append(("mass_kg", told.mass_kg / volume, LIMITS["density_least"], words))
    year = float(session.date[:4])
    if year < LIMITS["year_first"]:
        found.append(("date", year, LIMITS["year_first"], f"the date {session.date}"))
    return [flag("fact", number, limit, words=words, key=key) for key, number, limit, words in found]


def cutoff_flags(level_db: FloatArray, hz: FloatArray, high_hz: float, take: str) -> list[QualityFlag]:
    """A treble that ends like a wall well below the sweep's end: what lossy files and low rates do, not loudspeakers.

    level_db (F,) : on axis
    """
    top = min(CUT_HZ[1], 0.93 * high_hz / 2 ** (1 / 6))
    for edge in np.geomspace(max(top, CUT_HZ[0]), CUT_HZ[0], 60):
        below = (hz > edge * 2 ** (-1 / 6)) & (hz <= edge)
        above = (hz > edge * 2 ** (1 / 12)) & (hz <= edge * 2 ** (1 / 6))
        if not below.any() or not above.any():
            continue
        fall = float(np.median(level_db[below]) - np.max(level_db[above]))
        if fall > LIMITS["cut_db"]:
            band = (float(edge), float(hz[-1]))
            return [flag("cut_off", fall, LIMITS["cut_db"], takes=(take,), band_hz=band, edge_khz=edge / 1000)]
    return []


# Own choices. Which sign a file has cannot be told from it; a loudspeaker is seldom curved just as twice its mirror.
SIGN = limits("microphone")
SHOWN = "microphone correction"
_AT_HZ = (3000.0, 10_000.0, 16_000.0)
_BAND_HZ = (1500.0, 18_000.0)


def correction_flags(
    correction: MicrophoneCorrection | None, level_db: FloatArray, hz: FloatArray, valid: BoolArray
) -> list[QualityFlag]:
    """What was taken off, in decibels, and a question where turning it over would make the axis straighter.

    level_db, valid (F,) : on axis with the correction
    """
    if correction is None:
        return [flag("no_correction")]
    at = correction.at(np.array(_AT_HZ)).response_db
    told = ", ".join(f"{-one:+.1f} dB at {hz_at / 1000:g} kHz" for one, hz_at in zip(at, _AT_HZ, strict=True))
    flags = [flag("microphone_correction", -at[1], told=told)]
    rows = valid & (hz >= _BAND_HZ[0]) & (hz <= _BAND_HZ[1])
    if np.count_nonzero(rows) < 40:
        return flags
    x = np.log2(hz[rows])
    shape = correction.at(hz[rows]).response_db
    shape = shape - np.polyval(np.polyfit(x, shape, 1), x)
    size = float(np.sqrt(np.mean(shape**2)))
    if size < SIGN["least_db"]:
        return flags
    bent = level_db[rows] - np.polyval(np.polyfit(x, level_db[rows], 1), x)
    # Share of the file that makes the axis straightest: 1 as it stands, -1 turned over.
    share = 1.0 + float(np.mean(bent * shape) / np.mean(shape**2))
    if share < SIGN["share"]:
        flags.append(flag("correction_turned", share, SIGN["share"], band_hz=_BAND_HZ, told=told))
    return flags
