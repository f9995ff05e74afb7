"""What responses themselves tell of what was done to them, held against what the session states of it.

Told only where data and facts contradict each other beyond the rates of `dsp.data_traces`, with the likely cause;
nothing is changed by it. Limits are own choice unless a source stands beside them.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.dsp.data_traces import (
    ExcessPhase,
    drawn_from_step_hz,
    end_from_levels_s,
    end_of_impulse,
    excess_phase,
    flat_tail_snr_db,
    last_digit_db,
    smoothing_per_octave,
    snr_of_scatter_db,
)
from earwitness.files.data import worded
from earwitness.formats.audio import Recording
from earwitness.formats.directivity_sofa import SofaDirectivity
from earwitness.formats.response_table import ResponseTable
from earwitness.quantities import QualityFlag, on_orbit
from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.quality import Severity
from earwitness.reduce.response_parts import Part
from earwitness.session.response_files import Source
from earwitness.session.responses import RESPONSE_TAKES, CurvesTake, ResponseFacts
from earwitness.session.session import Session

SAME_PLACE_DB = 0.3
COPY_DB = 1e-3
GATE_LONGER = 1.3
CUT_DB = 30.0
LOW_SNR_DB = 20.0
COARSE_DIGIT_DB = 0.5
EARLY_S = 1e-4
TURNED_SHARE, LEAST_REST_DEG, MOST_TURNED_DEG = 0.5, 5.0, 15.0
OUTLIER, LEAST_OUTLIER_DB, EXCHANGED_SHARE = 3.0, 1.0, 0.5
_COMPARED_HZ = (300.0, 10_000.0)
_FEW_ROWS = 12


def phase_is_turned(found: ExcessPhase) -> bool:
    """Whether sound would come before it is sent, or the phase fits minimum phase far better with its sign turned."""
    better = found.turned_rest_deg < TURNED_SHARE * found.rest_deg
    fits = better and found.rest_deg > LEAST_REST_DEG and found.turned_rest_deg < MOST_TURNED_DEG
    return fits or found.delay_s < -EARLY_S


@dataclass(frozen=True, slots=True, eq=False)
class _Native:
    """Responses of one grid as their files hold them: hz (F,), level_db (D, F); take : of the first."""

    hz: FloatArray
    level_db: FloatArray
    take: str


def response_doubts(
    session: Session, facts: ResponseFacts, sources: Mapping[str, Source], parts: Sequence[Part], hz: FloatArray
) -> list[QualityFlag]:
    """Flags of everything in the data that contradicts the facts of the session, or another part of the data."""
    natives = list(_natives(session, sources))
    sounds = list(_sounds(session, sources))
    found: list[QualityFlag] = []
    for native in natives:
        found += _smoothing(facts, native)
        found += _gate_of_levels(facts, native)
        found += _grid(native)
        found += _scatter(facts, native)
    for take, samples, rate_hz in sounds[:_FEW_ROWS]:
        found += _gate_of_samples(facts, take, samples, rate_hz)
        found += _tail(take, samples)
    found += _places(parts, hz)
    found += _phase(parts, hz)
    return list({flag.id: flag for flag in reversed(found)}.values())[::-1]


def _flag(
    name: str, severity: Severity, number: float, limit: float, unit: str, takes: tuple[str, ...], sentence: str
) -> QualityFlag:
    return QualityFlag(name, severity, number, limit, unit, takes, None, sentence)


def _natives(session: Session, sources: Mapping[str, Source]) -> Iterator[_Native]:
    """Tables of one grid together, at most a few rows each: processing is the same in all of them."""
    grids: dict[bytes, tuple[str, FloatArray, list[FloatArray]]] = {}
    for take in session.takes:
        # An average over directions is smooth whatever was done to it.
        source = sources.get(take.id) if isinstance(take, RESPONSE_TAKES) and not isinstance(take, CurvesTake) else None
        if isinstance(source, ResponseTable):
            rows = grids.setdefault(source.hz.tobytes(), (take.id, source.hz, []))[2]
            rows += [row for row in source.values if np.isfinite(row).all()]
        elif isinstance(source, SofaDirectivity) and source.hz.size > 2:
            size = np.abs(source.pressure)
            whole = size[(size > 0).all(axis=1)]
            if len(whole):
                chosen = whole[:: max(len(whole) // _FEW_ROWS, 1)]
                yield _Native(source.hz, np.asarray(20 * np.log10(chosen), dtype=float), take.id)
    for name, grid, rows in grids.values():
        if rows:
            yield _Native(grid, np.array(rows[:: max(len(rows) // _FEW_ROWS, 1)]), name)


def _sounds(session: Session, sources: Mapping[str, Source]) -> Iterator[tuple[str, FloatArray, float]]:
    for take in session.takes:
        source = sources.get(take.id) if isinstance(take, RESPONSE_TAKES) else None
        if isinstance(source, Recording):
            yield take.id, source.samples[getattr(take, "channel", 1) - 1], float(source.rate_hz)
        elif isinstance(source, SofaDirectivity) and source.impulse.size:
            yield take.id, source.impulse[0], source.rate_hz


def _smoothing(facts: ResponseFacts, native: _Native) -> Iterator[QualityFlag]:
    """Only a room's reflections must show as fine detail; a smooth loudspeaker without them has none to be lost."""
    if facts.smoothing == "unknown" or facts.space in ("anechoic", "scan", "ground plane"):
        return
    found = smoothing_per_octave(native.hz, native.level_db)
    stated = 0.0 if facts.smoothing == "none" else float(facts.smoothing.partition("/")[2])
    # A width is found within a factor of sqrt 2; twice that is a contradiction.
    if not found or (stated and found > stated / 2):
        return
    in_room = facts.space == "room" and facts.gate_ms is None
    said = "not smoothed" if not stated else f"smoothed over {facts.smoothing} octave"
    sentence = f"The responses are stated as {said}; they hold no detail finer than about 1/{found:.1f} octave. "
    sentence += (
        worded("reduce.smoothed")
        if in_room
        else "That is so after smoothing, and for a loudspeaker without narrow peaks."
    )
    severity: Severity = "warn" if in_room else "info"
    yield _flag("smoothing found", severity, found, stated, "per octave", (native.take,), sentence)


def _gate_of_levels(facts: ResponseFacts, native: _Native) -> Iterator[QualityFlag]:
    if facts.gate_ms is None or facts.smoothing not in ("none", "unknown"):
        return
    found = end_from_levels_s(native.hz, native.level_db[0])
    if found is not None and facts.gate_ms / 1e3 > GATE_LONGER * found:
        yield _short_gate(facts.gate_ms, found, native.take)


def _short_gate(stated_ms: float, found_s: float, take: str) -> QualityFlag:
    sentence = worded(
        "reduce.gate_shorter", stated_ms=stated_ms, take=take, found_ms=1000.0 * found_s, from_hz=1.2 / found_s
    )
    return _flag("gate shorter than stated", "warn", 1e3 * found_s, stated_ms, "ms", (take,), sentence)


def _gate_of_samples(facts: ResponseFacts, take: str, samples: FloatArray, rate_hz: float) -> Iterator[QualityFlag]:
    end = end_of_impulse(samples, rate_hz)
    if end.fall_db < CUT_DB or end.end_s <= 0.0:
        return
    if facts.gate_ms is not None:
        if facts.gate_ms / 1e3 > GATE_LONGER * end.end_s:
            yield _short_gate(facts.gate_ms, end.end_s, take)
    elif end.end_s < 0.1:
        sentence = worded("reduce.window_not_stated", take=take, end_ms=1000.0 * end.end_s, from_hz=1.2 / end.end_s)
        yield _flag("gate not stated but found", "warn", 1e3 * end.end_s, 0.0, "ms", (take,), sentence)


def _tail(take: str, samples: FloatArray) -> Iterator[QualityFlag]:
    snr = flat_tail_snr_db(samples)
    if snr is not None and snr < LOW_SNR_DB:
        sentence = worded("reduce.end_is_noise", take=take, snr=snr)
        yield _flag("noise in an impulse response", "warn", snr, LOW_SNR_DB, "dB", (take,), sentence)


def _grid(native: _Native) -> Iterator[QualityFlag]:
    first = native.level_db[0]
    digit = last_digit_db(first)
    if digit >= COARSE_DIGIT_DB:
        sentence = f"Levels of {native.take} are rounded to {digit:g} dB. Export them with at least one decimal."
        yield _flag("coarse levels", "warn", digit, COARSE_DIGIT_DB, "dB", (native.take,), sentence)
    repeats = np.diff(first) == 0.0
    if repeats.mean() > 0.5 and digit < COARSE_DIGIT_DB and np.ptp(first) > 1.0:
        sentence = worded("reduce.levels_repeat", mean_percent=100 * repeats.mean(), native=native)
        yield _flag("repeated levels", "warn", float(repeats.mean()), 0.5, "", (native.take,), sentence)
        return
    step = drawn_from_step_hz(native.hz, first, max(digit, 1e-4))
    if step:
        sentence = worded("reduce.drawn_by_lines", native=native, step=step, below_hz=step * 20 / np.log(2))
        yield _flag("drawn from coarse points", "info", step, 0.0, "Hz", (native.take,), sentence)
    for end, rows in (("low", first), ("high", first[::-1])):
        same = int(np.argmax(np.append(rows != rows[0], True)))
        hz = native.hz if end == "low" else native.hz[::-1]
        if 5 <= same < rows.size and abs(np.log2(hz[same - 1] / hz[0])) > 1 / 6:
            low, high = sorted((float(hz[0]), float(hz[same - 1])))
            sentence = worded("reduce.end_filled", end=end, native=native, low=low, high=high)
            yield _flag(f"filled {end} end", "warn", float(same), 5.0, "points", (native.take,), sentence)


def _scatter(facts: ResponseFacts, native: _Native) -> Iterator[QualityFlag]:
    """Noise between independent points: an even grid as fine as the window's length allows, or an anechoic room."""
    step = np.diff(native.hz)
    even = np.ptp(step) <= 0.02 * step[0]
    length_s = (facts.gate_ms or 0.0) / 1e3
    independent = facts.space in ("anechoic", "scan") or (length_s > 0.0 and step[0] * length_s > 0.5)
    if not even or not independent or facts.smoothing not in ("none", "unknown"):
        return
    treble = (native.hz > 2000.0) & (native.hz < 16_000.0)
    if treble.sum() < 100:
        return
    worst = min(snr_of_scatter_db(row[treble]) for row in native.level_db)
    if worst < LOW_SNR_DB:
        sentence = worded("reduce.levels_scatter", native=native, worst=worst)
        yield _flag("noise between points", "warn", worst, LOW_SNR_DB, "dB", (native.take,), sentence)


def _places(parts: Sequence[Part], hz: FloatArray) -> Iterator[QualityFlag]:
    """Directions that both orbits give must agree; different ones are never alike to a thousandth of a decibel."""
    band = (hz >= _COMPARED_HZ[0]) & (hz <= _COMPARED_HZ[1])
    seen: dict[str, list[tuple[float, FloatArray, str]]] = {"horizontal": [], "vertical": []}
    for part in parts:
        if not part.known[:, band].all():
            continue
        for orbit in ("horizontal", "vertical"):
            rows, angles = on_orbit(part.directions, orbit)
            seen[orbit] += [
                (float(angle), part.level_db[row, band], part.take) for row, angle in zip(rows, angles, strict=True)
            ]
    yield from _both_orbits(parts, band)
    for orbit, found in seen.items():
        yield from _copies(orbit, found)
        yield from _exchanged(orbit, found)


def _both_orbits(parts: Sequence[Part], band: np.ndarray) -> Iterator[QualityFlag]:
    for angle, x in ((0, 1.0), (180, -1.0)):
        same = [
            (part.level_db[row, band], part.take)
            for part in parts
            for row in np.flatnonzero(part.directions.unit_vectors()[:, 0] * x > 1 - 1e-6)
            if part.known[row, band].all()
        ]
        for level, take in same[1:]:
            away = float(np.median(np.abs(level - same[0][0])))
            if away > SAME_PLACE_DB:
                sentence = worded("reduce.orbits_differ", other=same[0][1], take=take, angle=angle, away=away)
                yield _flag("orbits disagree", "warn", away, SAME_PLACE_DB, "dB", (same[0][1], take), sentence)


def _copies(orbit: str, found: list[tuple[float, FloatArray, str]]) -> Iterator[QualityFlag]:
    mirrored: list[tuple[float, str, str]] = []
    doubled: list[tuple[float, str, str]] = []
    sides = 0
    levels = np.array([level for _, level, _ in found])
    for i, (angle, _, take) in enumerate(found):
        away = np.abs(levels[i + 1 :] - levels[i]).max(axis=1, initial=0.0)
        for (other, _, twin), apart_db in zip(found[i + 1 :], away, strict=True):
            apart = abs(angle - other) % 360.0
            if min(apart, 360.0 - apart) < 0.5:
                continue
            opposite = abs(angle + other) < 0.5
            sides += opposite
            if apart_db < COPY_DB:
                (mirrored if opposite else doubled).append((angle, take, twin))
    if doubled:
        takes = tuple(dict.fromkeys(take for _, *pair in doubled for take in pair))
        sentence = worded("reduce.copied_file", listed=", ".join(takes[:4]), orbit=orbit)
        yield _flag("angles doubled", "warn", float(len(doubled)), 0.0, "pairs", takes, sentence)
    if mirrored and len(mirrored) == sides and sides >= 2:
        side = "left and right" if orbit == "horizontal" else "above and below"
        sentence = (
            f"The {orbit} orbit is the same {side} to a thousandth of a decibel: one half was measured and mirrored. "
            + ("Doubtful for drivers above each other." if orbit == "vertical" else "Right only for a symmetric box.")
        )
        takes = tuple(dict.fromkeys(take for _, *pair in mirrored for take in pair))
        severity: Severity = "warn" if orbit == "vertical" else "info"
        yield _flag(f"mirrored {orbit} orbit", severity, float(sides), 0.0, "pairs", takes, sentence)


def _exchanged(orbit: str, found: list[tuple[float, FloatArray, str]]) -> Iterator[QualityFlag]:
    """Two directions that lie far from the mean of their neighbors, and in line once their names are exchanged."""
    rows = sorted(found, key=lambda one: one[0])
    if len(rows) < _FEW_ROWS:
        return
    levels = np.array([level for _, level, _ in rows])
    rough = _off_neighbors_db(levels)
    worst = int(np.argmax(rough))
    usual = float(np.median(rough))
    limit = max(OUTLIER * usual, LEAST_OUTLIER_DB)
    if rough[worst] <= limit:
        return
    before = float(np.sum(rough**2))
    after = []
    for other in range(len(rows)):
        order = np.arange(len(rows))
        order[[worst, other]] = order[[other, worst]]
        after.append(float(np.sum(_off_neighbors_db(levels[order]) ** 2)))
    twin = int(np.argmin(after))
    if after[twin] < EXCHANGED_SHARE * before:
        takes = (rows[worst][2], rows[twin][2])
        sentence = (
            f"{takes[0]} at {rows[worst][0]:g} and {takes[1]} at {rows[twin][0]:g} degrees of the {orbit} orbit lie "
            f"{rough[worst]:.1f} dB from the mean of their neighbors, where {usual:.1f} dB is usual, and would fit if "
            "their files were exchanged: check the names."
        )
        yield _flag("files exchanged", "warn", float(rough[worst]), limit, "dB", takes, sentence)


def _off_neighbors_db(levels: FloatArray) -> FloatArray:
    """(D,) rms distance of each row of an orbit from the mean of the rows beside it."""
    around = 0.5 * (np.roll(levels, 1, axis=0) + np.roll(levels, -1, axis=0))
    return np.asarray(np.sqrt(np.mean((levels - around) ** 2, axis=1)), dtype=float)


def _phase(parts: Sequence[Part], hz: FloatArray) -> Iterator[QualityFlag]:
    front = max(parts, key=lambda part: float(part.directions.unit_vectors()[:, 0].max()))
    row = front.directions.on_axis_row()
    known = front.known[row]
    if front.phase_rad is None or known.sum() < 48:
        return
    phase = (
        np.unwrap(front.phase_rad[row, known]) if not _runs_on(front.phase_rad[row]) else front.phase_rad[row, known]
    )
    found = excess_phase(hz[known], front.level_db[row, known], phase)
    if found is None:
        return
    if phase_is_turned(found):
        early = -1e3 * found.delay_s
        why = f"rises as if the sound came {early:.2f} ms too early" if early > 1e3 * EARLY_S else "bends the wrong way"
        sentence = worded("reduce.phase_turned", front=front, why=why)
        yield _flag("phase turned", "warn", 1e3 * found.delay_s, -1e3 * EARLY_S, "ms", (front.take,), sentence)
    elif found.rest_deg < 0.5 and abs(found.delay_s) < 5e-6:
        sentence = worded("reduce.phase_computed", front=front)
        yield _flag("phase computed", "warn", found.rest_deg, 0.5, "deg", (front.take,), sentence)


def _runs_on(phase_rad: FloatArray) -> bool:
    return bool(np.ptp(phase_rad) > 2.02 * np.pi)
