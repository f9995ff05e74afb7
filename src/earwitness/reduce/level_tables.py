"""Tables of distortion, levels and multitones by drive level become what recordings of a level series become.

A harmonic in percent, as a ratio or in dB is put beside the fundamental by definition (20 lg of the share). Where the
data hold no level of the fundamental, it is the on-axis response raised by the voltage: then distortion is known and
compression is not.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from earwitness.errors import InputError
from earwitness.formats.level_table import LevelColumn, LevelTable
from earwitness.quantities import (
    REFERENCE_PRESSURE_PA,
    REFERENCE_VOLTAGE_V,
    DirectionalResponse,
    Harmonics,
    MultitoneReading,
    QualityFlag,
)
from earwitness.quantities.arrays import BoolArray, FloatArray, IntArray
from earwitness.quantities.measurement import MultitoneLines
from earwitness.reduce.flags import flag
from earwitness.session.response_files import Source
from earwitness.session.responses import LevelTableTake, MultitoneTableTake
from earwitness.session.session import Session

ORDERS = (2, 3, 4, 5)
_LOWEST_DB, _NO_NOISE_DB = -250.0, -300.0
_BAND_HZ = (300.0, 3000.0)
# Half width of a tone in lines, and noise bandwidth in lines (Harris 1978, from memory).
_WINDOWS = {"none": (0, 1.0), "Hann": (2, 1.5), "Blackman-Harris": (4, 2.004)}
# What stands near a tone, how far a tone stands clear, and how weak it may be, as powers (own choice).
_NEAR, _CLEAR, _WEAKEST = 2.0**0.5, 4.0, 1e-4


@dataclass(slots=True, eq=False)
class _Level:
    """What the tables hold at one voltage, (F,) each with NaN where nothing is told; order 0 is the total, or all."""

    take: str
    temperature_c: float | None
    fundamental_db: FloatArray | None = None
    noise_db: dict[int, FloatArray] = field(default_factory=dict)
    relative: dict[int, tuple[str, FloatArray]] = field(default_factory=dict)


def level_tables(
    session: Session, sources: Mapping[str, Source], response: DirectionalResponse, flags: list[QualityFlag]
) -> tuple[tuple[Harmonics, ...], tuple[MultitoneReading, ...]]:
    """Harmonics by voltage and multitones of a session's tables; response : whose on-axis level stands in.

    InputError for a table that was not read, for a sound pressure level where the response has none, and a spectrum
    whose tones are not those stated.
    """
    takes = session.takes_of(LevelTableTake)
    front = response.directions.on_axis_row()
    on_axis = np.where(response.valid[front], response.level_db()[front], np.nan)
    levels: dict[tuple[float, float], _Level] = {}
    for take in takes:
        for column in _table(sources, take.id).columns:
            volts = _volts(take, column, response, on_axis)
            one = levels.setdefault((take.distance_m, round(volts, 4)), _Level(take.id, take.temperature_c))
            _put(one, take, column, volts, on_axis, response.axis.hz)
    told = {order for one in levels.values() for order in one.relative}
    orders = tuple(sorted(told & set(ORDERS))) or ((0,) if told == {0} else ORDERS)
    if told - {0} and orders != ORDERS:
        names = " and ".join(map(str, orders))
        _tell(flags, takes, f"The tables hold harmonics {names} alone: every total is that of these.")
    if 0 in told and orders != (0,):
        _tell(flags, takes, "The total distortion of the tables is computed anew from the harmonics that they hold.")
    if takes and not any(one.noise_db for one in levels.values()):
        _tell(flags, takes, "The tables tell no noise: what they call distortion may hold some.")
    made = [
        _harmonics(one, volts, distance_m, orders, on_axis, response)
        for (distance_m, volts), one in sorted(levels.items())
    ]
    tones = [_multitone(take, _table(sources, take.id)) for take in session.takes_of(MultitoneTableTake)]
    return tuple(made), tuple(tones)


def _tell(flags: list[QualityFlag], takes: Sequence[LevelTableTake], sentence: str) -> None:
    names = tuple(take.id for take in takes)
    flags.append(flag("how_a_table_was_read", takes=names, words=sentence))


def _table(sources: Mapping[str, Source], take: str) -> LevelTable:
    found = sources.get(take)
    if not isinstance(found, LevelTable):
        raise InputError(f"the file of take {take} was not read", where="session.toml")
    return found


def _volts(take: LevelTableTake, column: LevelColumn, response: DirectionalResponse, on_axis: FloatArray) -> float:
    if column.drive_v is not None:
        return column.drive_v
    if column.at_db is None:
        if take.drive_v is None:
            raise InputError(f"take {take.id} states no voltage", where="session.toml", remedy="write drive_v")
        return take.drive_v
    hz = response.axis.hz
    band = (hz >= _BAND_HZ[0]) & (hz <= _BAND_HZ[1]) & np.isfinite(on_axis)
    if not response.absolute or not band.any():
        raise InputError.of("reduce.level_without_response", where="session.toml", take=take, column=column)
    mean = 10 * np.log10(np.mean(10 ** (on_axis[band] / 10)))
    return float(REFERENCE_VOLTAGE_V * 10 ** ((column.at_db - mean) / 20))


def _put(
    one: _Level, take: LevelTableTake, column: LevelColumn, volts: float, on_axis: FloatArray, hz: FloatArray
) -> None:
    values = column.values
    with np.errstate(divide="ignore", invalid="ignore"):
        if column.unit in ("%", "ratio"):
            values = np.maximum(20 * np.log10(values / (100.0 if column.unit == "%" else 1.0)), _LOWEST_DB)
    drawn = np.interp(np.log(hz), np.log(column.hz), values, left=np.nan, right=np.nan)
    if column.role == "level":
        one.fundamental_db = drawn if one.fundamental_db is None else one.fundamental_db
    elif column.role == "noise":
        one.noise_db[column.order] = drawn
    elif column.role == "compression":
        # The level that the losses count from is the response's own at that voltage.
        at_1_m = on_axis + 20 * math.log10(volts / REFERENCE_VOLTAGE_V) - drawn
        one.fundamental_db = at_1_m - 20 * math.log10(take.distance_m)
    else:
        one.relative[column.order] = (column.unit, drawn)


def _harmonics(
    one: _Level,
    volts: float,
    distance_m: float,
    orders: tuple[int, ...],
    on_axis: FloatArray,
    response: DirectionalResponse,
) -> Harmonics:
    raised = on_axis + 20 * math.log10(volts / REFERENCE_VOLTAGE_V / distance_m)
    told = one.fundamental_db if one.fundamental_db is not None else np.full(raised.size, np.nan)
    measured: BoolArray = np.asarray(np.isfinite(told), dtype=np.bool_)
    fundamental = np.where(measured, told, raised)
    level = np.full((len(orders), raised.size), _NO_NOISE_DB)
    for row, order in enumerate(orders):
        unit, values = one.relative.get(order, ("dB SPL", level[row] * np.nan))
        level[row] = values if unit == "dB SPL" else fundamental + values
    valid = np.isfinite(level) & np.isfinite(fundamental)
    quiet = np.full(raised.size, _NO_NOISE_DB)
    noise = np.array([one.noise_db.get(order, one.noise_db.get(0, quiet)) for order in orders])
    return Harmonics(
        one.take,
        volts,
        distance_m,
        "far-field",
        orders,
        response.axis,
        np.nan_to_num(fundamental, nan=_NO_NOISE_DB),
        np.where(valid, level, _NO_NOISE_DB),
        np.nan_to_num(noise, nan=_NO_NOISE_DB),
        valid,
        temperature_c=one.temperature_c,
        level_known=measured,
    )


def _multitone(take: MultitoneTableTake, table: LevelTable) -> MultitoneReading:
    """Tones and residue as a table lists them, or found in a spectrum."""
    parts = {column.role: column for column in table.columns}
    if "level" not in parts:
        raise InputError(f"take {take.id} names no level of tones", where=take.file, remedy='title it "tone dB SPL"')
    hz, tone = parts["level"].hz, _power(parts["level"].values)
    if "distortion" not in parts:
        return _of_spectrum(take, hz, tone)
    residue = _share(parts["distortion"], tone)
    noise = _share(parts["noise"], tone) if "noise" in parts else None
    lines = MultitoneLines(
        hz,
        tone,
        residue,
        noise,
        float(tone.sum()),
        float(residue.sum()),
        None if noise is None else float(noise.sum()),
        1,
        0.0,
    )
    return MultitoneReading(take.id, take.drive_v, take.distance_m, take.crest_db, lines)


def _power(level_db: FloatArray) -> FloatArray:
    """Mean squares [Pa^2]; a missing line holds nothing."""
    return np.nan_to_num(REFERENCE_PRESSURE_PA**2 * 10 ** (level_db / 10), nan=0.0)


def _share(column: LevelColumn, tone: FloatArray) -> FloatArray:
    if column.unit == "dB SPL":
        return _power(column.values)
    size = {"%": column.values / 100.0, "ratio": column.values}.get(column.unit, 10 ** (column.values / 20))
    return np.nan_to_num(tone * size**2)


def _of_spectrum(take: MultitoneTableTake, hz: FloatArray, power: FloatArray) -> MultitoneReading:
    """The tones are the lines that stand highest against the strongest within half an octave; the rest is residue.

    Powers of lines are divided by the noise bandwidth of the window, so that a sum over lines is a power.
    """
    steps = np.diff(hz)
    if take.window is None or take.tones is None or not np.allclose(steps, steps[0], rtol=1e-2):
        raise InputError.of("reduce.spectrum_unstated", where=f"session.toml and {take.file}", take=take)
    half, bandwidth = _WINDOWS[take.window]
    rows = _tone_rows(hz, power, half, take)
    near = np.clip(rows[:, None] + np.arange(-half, half + 1), 0, hz.size - 1)
    tone = power[near].sum(axis=1) / bandwidth
    rest = power / bandwidth
    rest[near.reshape(-1)] = 0.0
    middle = np.sqrt(hz[rows][:-1] * hz[rows][1:])
    edges = np.concatenate([[hz[rows[0]] ** 2 / middle[0]], middle, [hz[rows[-1]] ** 2 / middle[-1]]])
    band = np.digitize(hz, edges) - 1
    inside = (band >= 0) & (band < rows.size)
    residue = np.bincount(band[inside], weights=rest[inside], minlength=rows.size).astype(float)
    total = float(rest[hz >= hz[rows[0]] / 2].sum())
    lines = MultitoneLines(hz[rows], tone, residue, None, float(tone.sum()), total, None, 1, 0.0)
    return MultitoneReading(take.id, take.drive_v, take.distance_m, take.crest_db, lines)


def _tone_rows(hz: FloatArray, power: FloatArray, half: int, take: MultitoneTableTake) -> IntArray:
    """(K,) lines that are tones. InputError where the K strongest do not stand clear of the next one."""
    count, reach = take.tones or 0, max(half, 1)
    top = np.concatenate([np.zeros(reach), power, np.zeros(reach)])
    near = np.lib.stride_tricks.sliding_window_view(top, 2 * reach + 1).max(axis=1)
    peaks = np.flatnonzero((power >= near) & (power > 0.0))
    low, high = np.searchsorted(hz[peaks], hz[peaks] / _NEAR), np.searchsorted(hz[peaks], hz[peaks] * _NEAR, "right")
    # Beyond the tones nothing strong is near: there the strongest of all, lowered, is the measure.
    least = _WEAKEST * power.max()
    score = np.array(
        [power[at] / max(power[peaks[a:b]].max(), least) for at, a, b in zip(peaks, low, high, strict=True)]
    )
    order = np.argsort(-score, kind="stable")
    if peaks.size < count or (peaks.size > count and score[order[count]] * _CLEAR > score[order[count - 1]]):
        raise InputError.of("reduce.spectrum_without_tones", where=take.file, take=take, count=count)
    return np.sort(peaks[order[:count]])
