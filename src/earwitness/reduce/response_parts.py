"""Files of responses drawn to the report axis: tables, impulse responses and directivities, each in its own way.

A table is drawn by straight lines over log frequency; the error of a straight line through a curve, an eighth of the
second difference at its worst, goes into u (handbook of numerical analysis, from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.fft

from earwitness.dsp.spherical import balloon_at
from earwitness.errors import InputError
from earwitness.formats.audio import Recording
from earwitness.formats.directivity_sofa import SofaDirectivity
from earwitness.formats.response_table import ResponseTable
from earwitness.quantities import (
    REFERENCE_PRESSURE_PA,
    REFERENCE_VOLTAGE_V,
    Average,
    Directions,
    QualityFlag,
    cta_orbits,
    from_orbit,
)
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.reduce.flags import flag
from earwitness.session.response_files import ResponseSource
from earwitness.session.responses import CurvesTake, DirectionsTake, ImpulseTake, ResponseFacts, ResponseTake
from earwitness.session.session import Session

ReadTake = CurvesTake | ResponseTake | ImpulseTake | DirectionsTake
SAME_DIRECTION_DEG = 0.5
# Of an average by somebody else: which directions, which weights, how it was drawn or read off (own choice).
AVERAGED_U_DB = 0.3
GROUND_PLANE_DB = 20 * np.log10(2.0)
# A frequency written with few digits stands for the point that it is nearest to.
_SNAP = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class Trust:
    """What files state of their values: valid (D, F); u_db (D, F) of each direction alone, NaN where nothing is stated;
    common_db (F,) shared by all directions, NaN where nothing is stated."""

    valid: BoolArray
    u_db: FloatArray
    common_db: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """Responses on the report axis: directions (D,), level_db (D, F) [dB re 1 Pa/V at 1 m, or relative], phase_rad
    (D, F) or None, u_db (D, F) of drawing them to the axis, known (D, F)."""

    directions: Directions
    level_db: FloatArray
    phase_rad: FloatArray | None
    u_db: FloatArray
    known: BoolArray
    trust: Trust
    take: str


def nothing_stated(shape: tuple[int, int]) -> Trust:
    """All valid, no uncertainty stated."""
    return Trust(np.ones(shape, dtype=np.bool_), np.full(shape, np.nan), np.full(shape[1], np.nan))


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """What every file of a session is drawn with: the session, its facts, the wanted frequencies (F,), and the flags
    that drawing adds to."""

    session: Session
    facts: ResponseFacts
    hz: FloatArray
    flags: list[QualityFlag]


def drawn(on: Drawing, take: ReadTake, source: ResponseSource | None) -> Part:
    """What a take's file holds, on the wanted frequencies. InputError where file and kind of take do not fit."""
    if source is None:
        raise InputError(f"the file of take {take.id} was not read", where="session.toml")
    if isinstance(source, ResponseTable):
        return _of_table(on, take, source)
    if isinstance(source, SofaDirectivity):
        return _of_sofa(on, take, source)
    if not isinstance(take, ImpulseTake) or not isinstance(source, Recording):
        raise InputError.of("reduce.take_is_sound", where="session.toml", take=take)
    samples, hz = source.samples[take.channel - 1], on.hz
    spectrum = _spectra(samples[None, :], np.zeros(1), float(source.rate_hz), hz)
    scale = 1.0 / source.rate_hz if take.samples == "Pa/V per second" else 1.0
    known = np.broadcast_to(hz < 0.45 * source.rate_hz, spectrum.shape)
    # A sum of samples is no part of the response: a loudspeaker and a microphone pass no constant.
    constant, loudest = abs(float(samples.sum())), float(np.abs(spectrum[0]).max())
    if constant > 0.1 * loudest:
        below = float(level_of(np.array(constant / loudest)))
        on.flags.append(flag("offset_in_an_impulse_response", constant / loudest, 0.1, takes=(take.id,), below=below))
    level = level_of(np.abs(spectrum) * scale) + _to_1_m_db(on.facts)
    directions = from_orbit(take.orbit, take.angle_deg)
    trust = nothing_stated(level.shape)
    return Part(directions, level, np.angle(spectrum), np.zeros(level.shape), np.array(known), trust, take.id)


def parted(part: Part, keys: Sequence[str]) -> tuple[list[Part], list[Average]]:
    """The on-axis row of curves alone as a direction, and the averages; keys : of the rows."""
    rows = [np.array([i]) for i, key in enumerate(keys) if key == "on_axis"]
    averages = [
        Average(
            key,
            part.level_db[i],
            np.sqrt(part.u_db[i] ** 2 + np.nan_to_num(part.trust.u_db[i]) ** 2 + AVERAGED_U_DB**2),
            part.known[i] & part.trust.valid[i],
        )
        for i, key in enumerate(keys)
        if key != "on_axis"
    ]
    return [rows_of(part, row) for row in rows], averages


def rows_of(whole: Part, rows: IntArray) -> Part:
    """Some directions of a part."""
    turned = None if whole.phase_rad is None else whole.phase_rad[rows]
    trust = Trust(whole.trust.valid[rows], whole.trust.u_db[rows], whole.trust.common_db)
    levels, drawn_u = whole.level_db[rows], whole.u_db[rows]
    return Part(whole.directions.take(rows), levels, turned, drawn_u, whole.known[rows], trust=trust, take=whole.take)


def _spectra(samples: FloatArray, start_s: FloatArray, rate_hz: float, hz: FloatArray) -> ComplexArray:
    """(D, F) sums of samples (D, N) times exp(-j omega t), the first at start_s (D,), at the frequencies themselves.

    By a transform padded to four times the length, its bins drawn to hz after the delay of the loudest sample is off:
    what is left is short, so that a straight line between bins serves.
    """
    length = scipy.fft.next_fast_len(4 * samples.shape[1], True)
    late = np.argmax(np.abs(samples), axis=1) / rate_hz
    bins = np.arange(length // 2 + 1) * (rate_hz / length)
    place = np.minimum(hz / (rate_hz / length), length // 2 - 1e-6)
    left = place.astype(int)
    part = place - left
    out = np.empty((len(samples), hz.size), complex)
    for row, (one, delay) in enumerate(zip(samples, late, strict=True)):
        steady = scipy.fft.rfft(one, length)[[left, left + 1]] * np.exp(2j * np.pi * bins[[left, left + 1]] * delay)
        out[row] = (1 - part) * steady[0] + part * steady[1]
    return np.asarray(out * np.exp(-2j * np.pi * hz * (late + start_s)[:, None]), dtype=np.complex128)


def _of_table(on: Drawing, take: ReadTake, table: ResponseTable) -> Part:
    facts, hz = on.facts, on.hz
    if isinstance(take, CurvesTake):
        directions = from_orbit("horizontal", np.zeros(len(table.values)))
    elif isinstance(take, DirectionsTake):
        directions = from_orbit(table.plane or take.plane or "horizontal", table.angles_deg)
    elif isinstance(take, ResponseTake):
        directions = from_orbit(take.orbit, take.angle_deg)
        if table.values.shape[0] > 1:
            where, count = f"session.toml and {table.name}", table.values.shape[0]
            raise InputError.of("reduce.several_directions", where=where, take=take, count=count)
    else:
        raise InputError(f"take {take.id} names a table", where="session.toml", remedy='write kind = "response"')
    shift = _to_1_m_db(facts) + 20 * np.log10(REFERENCE_PRESSURE_PA)
    shift -= 20 * np.log10(
        REFERENCE_VOLTAGE_V if table.unit in ("Pa/V", "dB re 1 Pa/V") else on.session.drive.voltage_v
    )
    if facts.level == "relative":
        shift = 0.0
    elif not table.absolute:
        raise InputError.of(
            "reduce.unit_not_absolute", where="session.toml, [responses]", table=table, unit=table.unit or "not known"
        )
    phase = None
    if table.phase is not None and all(one.delay_s is not None for one in table.phase):
        phase = np.stack([one.phase_rad for one in table.phase])
    level, u, known, turn = _to_axis(table.hz, table.values, phase, [p.delay_s for p in table.phase or ()], hz)
    trust = trust_at(table.hz, table.values.shape[0], table.valid, table.u_db, common_db=table.u_common_db, wanted=hz)
    for words in table.told:
        on.flags.append(flag("how_a_table_was_read", takes=(take.id,), words=f"{take.file}: {words}."))
    return Part(directions, level_db=level + shift, phase_rad=turn, u_db=u, known=known, trust=trust, take=take.id)


def _of_sofa(on: Drawing, take: ReadTake, source: SofaDirectivity) -> Part:
    facts, hz = on.facts, on.hz
    if source.impulse.size:
        spectrum = _spectra(source.impulse, source.delay_s, source.rate_hz, hz)
        level, phase = level_of(np.abs(spectrum)), np.angle(spectrum)
        u = np.zeros(level.shape)
        known = np.array(np.broadcast_to(hz < 0.45 * source.rate_hz, level.shape))
    else:
        # A pressure of exactly 0 stands for none.
        heard = np.isfinite(source.pressure) & (np.abs(source.pressure) > 0.0)
        turned = np.where(heard, np.angle(np.where(heard, source.pressure, 1.0)), 0.0)
        late = [common_delay_s(source.hz, row) for row in np.unwrap(turned, axis=1)]
        level = np.where(heard, level_of(np.abs(np.where(heard, source.pressure, 1.0))), np.nan)
        level, u, known, found = _to_axis(source.hz, level, turned, late, hz)
        phase = turned if found is None else found
    trust = nothing_stated(level.shape)
    if not source.impulse.size:
        trust = trust_at(source.hz, len(level), source.valid, u_db=source.u_db, common_db=source.u_common_db, wanted=hz)
    shift = _to_1_m_db(facts) if facts.level == "absolute" else 0.0
    if source.data == "Pa" and facts.level == "absolute":
        shift -= 20 * np.log10(on.session.drive.voltage_v)
    told = [f"{take.file}: {sentence}." for sentence in source.told]
    whole = Part(source.directions, level + shift, phase_rad=phase, u_db=u, known=known, trust=trust, take=take.id)
    drawn_part = _on_orbits(whole, told, on.flags)
    on.flags.extend(flag("how_a_directivity_was_read", takes=(take.id,), words=words) for words in told)
    return drawn_part


def _on_orbits(balloon: Part, told: list[str], flags: list[QualityFlag]) -> Part:
    """A balloon at the 70 directions of ANSI/CTA-2034-A: those that it holds are taken, the others drawn from it.

    Two orbits alone stay as they are: nothing between them was measured that a direction could be drawn from.
    """
    wanted = cta_orbits()
    at, to = balloon.directions.unit_vectors(), wanted.unit_vectors()
    if (np.abs(at[:, 1:]).min(axis=1) <= np.sin(np.radians(SAME_DIRECTION_DEG))).all():
        return balloon
    nearness = to @ at.T
    there = np.argmax(nearness, axis=1)
    taken = np.degrees(np.arccos(np.clip(nearness[np.arange(len(to)), there], -1.0, 1.0))) <= SAME_DIRECTION_DEG
    phase = balloon.phase_rad
    level, u, known = balloon.level_db[there], balloon.u_db[there], balloon.known[there]
    turn = None if phase is None else phase[there]
    kept = taken.copy()
    both = balloon.known.all(axis=0)
    if not taken.all() and both.any():
        try:
            found = balloon_at(at, balloon.level_db[:, both], None if phase is None else phase[:, both], to[~taken])
        except ValueError:
            found = None
        if found is not None:
            rows = np.flatnonzero(~taken)
            kept[rows] = found.known
            known[rows] = both & found.known[:, None]
            for row, one in zip(rows[found.known], np.flatnonzero(found.known), strict=True):
                level[row, both], u[row, both] = found.level_db[one], found.u_db[one]
                if turn is not None:
                    turn[row, both] = np.nan_to_num(found.phase_rad[one])
            if count := int((~taken & kept).sum()):
                told.append(
                    f"{int(taken.sum())} of the 70 directions stand in the file, {count} were drawn from its others, "
                    f"by {'harmonics' if found.harmonic.any() else 'neighbors'} where they serve"
                )
    if not kept.all():
        flags.append(flag("directions_missing", (~kept).sum(), takes=(balloon.take,)))
    rows = np.flatnonzero(kept)
    # A direction that was drawn is trusted no further than its nearest neighbor.
    trust = Trust(balloon.trust.valid[there][rows], balloon.trust.u_db[there][rows], balloon.trust.common_db)
    turned = None if turn is None else turn[rows]
    return Part(wanted.take(rows), level[rows], turned, u_db=u[rows], known=known[rows], trust=trust, take=balloon.take)


def _to_1_m_db(facts: ResponseFacts) -> float:
    return float(20 * np.log10(facts.reference_distance_m)) - (
        GROUND_PLANE_DB if facts.space == "ground plane" else 0.0
    )


def level_of(size: FloatArray) -> FloatArray:
    return np.asarray(20 * np.log10(np.maximum(size, 1e-30)), dtype=float)


def common_delay_s(hz: FloatArray, unwrapped_rad: FloatArray) -> float:
    x = 2 * np.pi * (hz - hz.mean())
    return -float(np.dot(x, unwrapped_rad)) / float(np.dot(x, x))


def _places(hz: FloatArray, wanted: FloatArray) -> tuple[IntArray, FloatArray, BoolArray]:
    """Left neighbor (G,) of each wanted frequency, share of the right one (G,), and whether it lies inside (G,)."""
    return _places_once(hz.tobytes(), wanted.tobytes())


@lru_cache(maxsize=8)
def _places_once(hz_bytes: bytes, wanted_bytes: bytes) -> tuple[IntArray, FloatArray, BoolArray]:
    """The same for all files of a session, which mostly share their frequencies."""
    hz, wanted = np.frombuffer(hz_bytes), np.frombuffer(wanted_bytes)
    x, to = np.log(hz), np.log(wanted)
    left = np.clip(np.searchsorted(x, to, side="right") - 1, 0, x.size - 2)
    part = np.clip((to - x[left]) / (x[left + 1] - x[left]), 0.0, 1.0)
    part = np.where(part < _SNAP, 0.0, np.where(part > 1 - _SNAP, 1.0, part))
    inside = (wanted >= hz[0] * (1 - 1e-6)) & (wanted <= hz[-1] * (1 + 1e-6))
    return left, part, inside


def _lines(rows: FloatArray, left: IntArray, part: FloatArray) -> FloatArray:
    """(D, G) straight lines through (D, F); a missing neighbor that has no weight does not matter."""
    first, second = rows[:, left], rows[:, left + 1]
    between = first * (1 - part) + second * part
    return np.asarray(np.where(part == 0.0, first, np.where(part == 1.0, second, between)), dtype=float)


def trust_at(
    hz: FloatArray,
    count: int,
    valid: BoolArray | None,
    u_db: FloatArray | None,
    common_db: FloatArray | None,
    wanted: FloatArray,
) -> Trust:
    """What a file states of its (count, F) values, at other frequencies; both neighbors must be valid."""
    found = nothing_stated((count, wanted.size))
    if valid is None and u_db is None and common_db is None:
        return found
    left, part, inside = _places(hz, wanted)

    def drawn(rows: FloatArray | BoolArray) -> FloatArray:
        return np.where(inside, _lines(np.asarray(rows, dtype=float), left, part), np.nan)

    return Trust(
        found.valid if valid is None else np.asarray(drawn(valid) == 1.0, dtype=np.bool_),
        found.u_db if u_db is None else drawn(u_db),
        found.common_db if common_db is None else drawn(common_db[None, :])[0],
    )


def _to_axis(
    hz: FloatArray, level: FloatArray, phase: FloatArray | None, delay_s: Sequence[float | None], wanted: FloatArray
) -> tuple[FloatArray, FloatArray, BoolArray, FloatArray | None]:
    """Level, its u, where it is known, and phase (D, G) at other frequencies; level (D, F) with NaN where missing."""
    left, part, inside = _places(hz, wanted)
    drawn = _lines(level, left, part)
    known = np.isfinite(drawn) & inside
    bend = np.zeros_like(level)
    if hz.size > 2:
        bend[:, 1:-1] = np.abs(level[:, 2:] - 2 * level[:, 1:-1] + level[:, :-2])
    bend = np.nan_to_num(bend)
    u = np.maximum(bend[:, left], bend[:, left + 1]) / 8.0 * 4.0 * part * (1 - part)
    turn = None
    if phase is not None:
        late = np.array([one or 0.0 for one in delay_s])[:, None]
        steady = np.unwrap(np.nan_to_num(phase) + 2 * np.pi * hz * late, axis=1)
        turn = _lines(steady, left, part) - 2 * np.pi * wanted * late
    return np.where(known, drawn, 0.0), np.where(known, u, 0.0), known, turn
