"""What a design looks at: levels of positions, and the curves they make, on the design's grid.

On axis the positions are the measured directions; for another aim they are turned along. The grid is log-spaced
through 1 kHz. Every operator on it is a matrix, so that the ends are treated the same for every curve: running boxes
bend there and give the lowest octave a shelf.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from earwitness.dsp.smoothing import smooth_power
from earwitness.errors import InputError
from earwitness.figures.windows import NAMES, UNTRUSTED_SHARE, DirectionalLevels, window_weights
from earwitness.quantities import BoolArray, FloatArray, Locked, from_orbit, log_axis
from earwitness.standards import cta2034

MINIMUM_PHASE_DEG = 20.0
"""An equalizer is of minimum phase (physics); the limit is an own choice."""
_LOCAL_OCTAVES = 1 / 3


def phase_bend_deg(hz: FloatArray, excess_phase_rad: FloatArray) -> FloatArray:
    """(F,) largest departure of the excess phase (F,) [rad, unwrapped] from a constant and a delay [degrees].

    Least squares over every third of an octave; each frequency gets the largest of all that hold it. Zeros where hz,
    log-spaced, spans less than that.
    """
    step = float(np.log2(hz[1] / hz[0]))
    reach = max(2, round(_LOCAL_OCTAVES / 2 / step))
    if hz.size < 2 * reach + 1:
        return np.zeros(hz.size)
    # A delay's phase goes with frequency, so on a log grid one projection serves every window.
    columns = np.stack([np.ones(2 * reach + 1), 2.0 ** (step * np.arange(-reach, reach + 1))], axis=-1)
    rest = np.eye(2 * reach + 1) - columns @ np.linalg.pinv(columns)
    windows = np.lib.stride_tricks.sliding_window_view(excess_phase_rad, 2 * reach + 1)
    worst = np.pad(np.rad2deg(np.abs(windows @ rest).max(axis=1)), 2 * reach)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(worst, 2 * reach + 1).max(axis=1), dtype=float)


PER_OCTAVE = 24
TREND_OCTAVES = 0.42
SHARED_OCTAVES = 0.05
NEAR_NARROW_OCTAVES, NEAR_BROAD_OCTAVES = 1 / 3, 1.0
_UNITS = 9


@dataclass(frozen=True, slots=True, eq=False)
class Scales(Locked):
    """Operators (F, F) for F points; a row of levels L (F,) becomes `operator @ L`.

    trend : local straight line, Gaussian weights of 0.42 octave; shared : the same of 0.05 octave
    near_narrow, near_broad : moving mean over a third of an octave and an octave
    """

    trend: FloatArray
    shared: FloatArray
    near_narrow: FloatArray
    near_broad: FloatArray


@lru_cache(maxsize=8)
def scales_of(points: int) -> Scales:
    """The operators of a grid of so many points, 24 an octave."""
    x = np.arange(points) / PER_OCTAVE
    return Scales(
        _local_line(x, TREND_OCTAVES),
        _local_line(x, SHARED_OCTAVES),
        moving_mean(points, NEAR_NARROW_OCTAVES),
        moving_mean(points, NEAR_BROAD_OCTAVES),
    )


def _local_line(x: FloatArray, sd_octaves: float) -> FloatArray:
    """(F, F) local straight-line fit with Gaussian weights (handbook: local linear regression); a straight line comes
    out as it is, at the ends too."""
    d = x[None, :] - x[:, None]
    w = np.exp(-0.5 * (d / sd_octaves) ** 2)
    s0, s1, s2 = w.sum(axis=1), (w * d).sum(axis=1), (w * d * d).sum(axis=1)
    return np.asarray(w * (s2[:, None] - s1[:, None] * d) / (s0 * s2 - s1**2)[:, None], dtype=float)


@lru_cache(maxsize=64)
def moving_mean(points: int, octaves: float) -> FloatArray:
    """(F, F) moving mean over a span, cut at the ends. Read-only."""
    x = np.arange(points) / PER_OCTAVE
    m = (np.abs(x[None, :] - x[:, None]) <= octaves / 2 + 1e-9).astype(float)
    m /= m.sum(axis=1, keepdims=True)
    m.setflags(write=False)
    return m


def moved_up(rows: FloatArray, octaves: float) -> FloatArray:
    """(N, F) rows with every feature so many octaves higher; the end's value goes on beyond the end."""
    points = rows.shape[-1]
    at = np.clip(np.arange(points) - octaves * PER_OCTAVE, 0, points - 1)
    low = np.minimum(at.astype(int), points - 2)
    part = at - low
    return np.asarray((1 - part) * rows[..., low] + part * rows[..., low + 1], dtype=float)


def over_units(row: FloatArray, percent: float) -> FloatArray:
    """(F,) mean of a row (F,) over units whose features lie up to so much off in frequency."""
    shifts = np.linspace(-1.0, 1.0, _UNITS) * np.log2(1 + percent / 100)
    return np.asarray(np.mean([moved_up(row, shift) for shift in shifts], axis=0), dtype=float)


@lru_cache(maxsize=64)
def _smooth_rows(points: int, octaves: float) -> FloatArray:
    x = np.arange(points) / PER_OCTAVE
    grid = np.arange(x[0] - 3 * octaves, x[-1] + 3 * octaves, octaves / 8)
    w = np.exp(-0.5 * ((x[:, None] - grid) / (octaves / np.sqrt(2))) ** 2)
    w /= np.sqrt((w**2).sum(axis=1, keepdims=True))
    w.setflags(write=False)
    return np.asarray(w, dtype=float)


def smooth_errors(random: np.random.Generator, points: int, octaves: float, count: int) -> FloatArray:
    """(count, F) normal errors of unit variance that hang together over so many octaves (Gaussian correlation)."""
    rows = _smooth_rows(points, octaves)
    return np.asarray(random.normal(size=(count, rows.shape[1])) @ rows.T, dtype=float)


CURVES = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
ON, WINDOW, EARLY, POWER, ROOM = range(5)
NEAR = "near"
NEAR_DEG = 15.0
DETAIL_FRACTION = float(PER_OCTAVE)
HIGHEST_HZ = 20_000.0
BASS_DROP_DB = 6.0
_LEAST_DIRECTIONS = 3
_SAME_DEG = 0.01
_FAINTEST = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Views(Locked):
    """Positions and what is made of them.

    hz : (A,); level_db, u_db : (P, A); valid : (P, A) bool; u_common_db : (A,) shared by all
    rows : (P,) energy weights by key of a curve, and "near" for the positions about 10 degrees off the axis
    missing : why a curve is not there, by key
    """

    hz: FloatArray
    level_db: FloatArray
    u_db: FloatArray
    valid: BoolArray
    u_common_db: FloatArray
    rows: Mapping[str, FloatArray]
    missing: Mapping[str, str]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """The views on the design's grid, 24 points an octave through 1 kHz, smoothed over 1/24 octave of energy.

    hz : (F,); curve_db : (5, F) in the order of CURVES; known : (5, F) where each is there and trusted; what is not
    known is filled with a neighbor's shape and carries no weight
    near_db : (F,) energy mean of the positions about 10 degrees off; level_db : (P, F); trusted : (P, F) 1 or a trace
    window, early : (P,) weights of the two groups of positions, early None where it is missing
    u_own_db : (F,) of a position of the window; u_common_db : (F,)
    bass_hz : where the window has fallen 6 dB, or the lowest frequency of the data; rolls_off : whether it has
    missing : as in `Views`
    """

    hz: FloatArray
    curve_db: FloatArray
    known: BoolArray
    near_db: FloatArray
    level_db: FloatArray
    trusted: FloatArray
    window: FloatArray
    early: FloatArray | None
    u_own_db: FloatArray
    u_common_db: FloatArray
    bass_hz: float
    rolls_off: bool
    missing: Mapping[str, str]

    @property
    def octaves(self) -> FloatArray:
        """(F,) octaves above 1 kHz."""
        return np.asarray(np.log2(self.hz / 1000.0), dtype=float)


def views_of(levels: DirectionalLevels) -> Views:
    """The positions of `levels` with the curves an equalizer is weighed by.

    InputError when fewer than three directions of the listening window were measured.
    """
    parts = window_weights(levels.directions, half_space=levels.half_space)
    rows = {key: part for key in CURVES if not isinstance(part := parts[key], str)}
    missing = {key: part for key in CURVES if isinstance(part := parts[key], str)}
    if "listening_window" not in rows:
        rows["listening_window"] = _measured_window(levels)
    window = rows["listening_window"]
    if np.count_nonzero(window) < _LEAST_DIRECTIONS:
        raise InputError.of("insight.too_few_directions")
    if "on_axis" not in rows:
        raise InputError("there is no curve on axis to equalize", expected=missing["on_axis"])
    ahead = levels.directions.unit_vectors()[:, 0]
    near = (ahead > np.cos(np.deg2rad(NEAR_DEG))) & (rows["on_axis"] == 0)
    rows[NEAR] = near / near.sum() if near.sum() >= 2 else window
    known = np.ones(levels.valid.shape, dtype=bool) if levels.known is None else levels.known
    valid = levels.valid & known & np.isfinite(levels.level_db)
    level = np.where(np.isfinite(levels.level_db), levels.level_db, -300.0)
    return Views(levels.axis.hz, level, levels.u_of_levels_db(), valid, levels.u_common_db, rows, missing)


def _measured_window(levels: DirectionalLevels) -> FloatArray:
    """(D,) alike for those of the listening window's directions that were measured, sum 1."""
    vectors = levels.directions.unit_vectors()
    weights = np.zeros(len(levels.directions))
    for orbit, angle in cta2034.positions("listening_window"):
        toward = from_orbit("horizontal" if orbit == "horizontal" else "vertical", angle).unit_vectors()[0]
        weights[vectors @ toward > np.cos(np.deg2rad(_SAME_DEG))] = 1.0
    return np.asarray(weights / max(float(weights.sum()), 1.0), dtype=float)


def seen_of(views: Views, *, highest_hz: float = HIGHEST_HZ) -> Seen:
    """On the design's grid, over the stretch about 1 kHz in which axis and window are trusted.

    InputError without such a stretch of an octave, or where the middle is no level to go by (a subwoofer).
    """
    x_all = np.log2(views.hz)
    energy = 10 ** (views.level_db / 10)
    energy = np.maximum(energy, _FAINTEST * energy.max())
    trusted = _trusted(views, energy)
    low_hz, high_hz = _stretch(views.hz, trusted["on_axis"] & trusted["listening_window"])
    hz = log_axis(low_hz, min(high_hz, highest_hz), PER_OCTAVE).hz
    fine = smooth_power(energy, views.hz, hz, DETAIL_FRACTION)
    x = np.log2(hz)

    def level(row: FloatArray) -> FloatArray:
        return np.asarray(10 * np.log10(row @ fine), dtype=float)

    curves = np.stack(
        [level(views.rows[key] if key in views.rows else views.rows["listening_window"]) for key in CURVES]
    )
    nearest = np.abs(x_all[:, None] - x).argmin(axis=0)
    known = np.stack([trusted[key][nearest] if key in trusted else np.zeros(hz.size, dtype=bool) for key in CURVES])
    curves = _filled(curves, known)
    window = views.rows["listening_window"]
    u_own = np.sqrt((window[:, None] * views.u_db**2).sum(axis=0))
    bass_hz, rolls_off = _bass(hz, curves[WINDOW])
    return Seen(
        hz=hz,
        curve_db=curves,
        known=known,
        near_db=level(views.rows[NEAR]),
        level_db=10 * np.log10(fine),
        trusted=np.where(views.valid[:, nearest], 1.0, 1e-6),
        window=window,
        early=views.rows.get("early_reflections"),
        u_own_db=np.interp(x, x_all, u_own),
        u_common_db=np.interp(x, x_all, views.u_common_db),
        bass_hz=bass_hz,
        rolls_off=rolls_off,
        missing=views.missing,
    )


def _trusted(views: Views, energy: FloatArray) -> dict[str, BoolArray]:
    """(A,) by curve: at most a quarter of its energy comes from positions that are not trusted."""
    found = {}
    for key in CURVES:
        if key in views.rows:
            row = views.rows[key][:, None]
            found[key] = (row * energy * ~views.valid).sum(axis=0) <= UNTRUSTED_SHARE * (row * energy).sum(axis=0)
    return found


def _stretch(hz: FloatArray, good: BoolArray) -> tuple[float, float]:
    """Ends of the good stretch about 1 kHz; InputError without one."""
    middle = int(np.argmin(np.abs(np.log(hz / 1000.0))))
    name = f"curve {NAMES['on_axis']} or the listening window"
    if not good[middle]:
        raise InputError(f"the {name} is not valid at 1 kHz", expected="a valid stretch about 1 kHz to equalize")
    bad = np.flatnonzero(~good)
    low = int(bad[bad < middle].max(initial=-1)) + 1
    high = int(bad[bad > middle].min(initial=hz.size)) - 1
    if hz[high] < 2 * hz[low]:
        raise InputError(f"the {name} is valid over too narrow a range to equalize", expected="an octave or more")
    return float(hz[low]), float(hz[high])


def _filled(curves: FloatArray, known: BoolArray) -> FloatArray:
    """Curves whose unknown parts follow the window, so that no trend is bent by what is not there."""
    found = curves.copy()
    for row in range(len(curves)):
        if known[row].all() or row == WINDOW:
            continue
        if not known[row].any():
            found[row] = curves[WINDOW]
            continue
        places = np.flatnonzero(known[row])
        nearest = places[np.abs(np.arange(known.shape[1])[:, None] - places).argmin(axis=1)]
        found[row] = np.where(known[row], curves[row], curves[WINDOW] + (curves[row] - curves[WINDOW])[nearest])
    return found


def _bass(hz: FloatArray, window_db: FloatArray) -> tuple[float, bool]:
    """Where the window first comes within 6 dB of its energy mean, 300 Hz to 3 kHz, going up from the lowest frequency.

    From below, for a deep dip at 200 Hz is no roll-off.
    """
    middle = (hz >= 300.0) & (hz <= 3000.0)
    if not middle.any():
        return float(hz[0]), False
    limit = 10 * np.log10(np.mean(10 ** (window_db[middle] / 10))) - BASS_DROP_DB
    place = int(np.flatnonzero(window_db >= limit)[0])
    last = max(int(np.flatnonzero(hz <= max(300.0, float(hz[0])))[-1]), 0)
    if place == 0:
        return float(hz[0]), False
    if place > last:
        return float(hz[last]), True
    share = (limit - window_db[place - 1]) / (window_db[place] - window_db[place - 1])
    return float(hz[place - 1] * (hz[place] / hz[place - 1]) ** share), True
