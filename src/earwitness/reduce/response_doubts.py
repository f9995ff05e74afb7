"""What responses themselves tell of what was done to them, held against what the session states of it.

Told only where data and facts contradict each other beyond the rates of `dsp.data_traces`, with the likely cause;
nothing is changed by it. Limits are own choice unless a source stands beside them.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.dsp import data_traces
from earwitness.formats.audio import Recording
from earwitness.formats.directivity_sofa import SofaDirectivity
from earwitness.formats.response_table import ResponseTable
from earwitness.quantities import FloatArray, QualityFlag, on_orbit
from earwitness.reduce.flags import flag
from earwitness.reduce.response_parts import Part
from earwitness.session.response_files import ResponseSource
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


def phase_is_turned(found: data_traces.ExcessPhase) -> bool:
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
    session: Session, facts: ResponseFacts, sources: Mapping[str, ResponseSource], parts: Sequence[Part], hz: FloatArray
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


def _natives(session: Session, sources: Mapping[str, ResponseSource]) -> Iterator[_Native]:
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


def _sounds(session: Session, sources: Mapping[str, ResponseSource]) -> Iterator[tuple[str, FloatArray, float]]:
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
    found = data_traces.smoothing_per_octave(native.hz, native.level_db)
    stated = 0.0 if facts.smoothing == "none" else float(facts.smoothing.partition("/")[2])
    # A width is found within a factor of sqrt 2; twice that is a contradiction.
    if not found or (stated and found > stated / 2):
        return
    in_room = facts.space == "room" and facts.gate_ms is None
    said = "not smoothed" if not stated else f"smoothed over {facts.smoothing} octave"
    yield flag("smoothing_in_room" if in_room else "smoothing_found", found, stated, takes=(native.take,), said=said)


def _gate_of_levels(facts: ResponseFacts, native: _Native) -> Iterator[QualityFlag]:
    if facts.gate_ms is None or facts.smoothing not in ("none", "unknown"):
        return
    found = data_traces.end_from_levels_s(native.hz, native.level_db[0])
    if found is not None and facts.gate_ms / 1e3 > GATE_LONGER * found:
        yield _short_gate(facts.gate_ms, found, native.take)


def _short_gate(stated_ms: float, found_s: float, take: str) -> QualityFlag:
    return flag("gate_shorter_than_stated", 1e3 * found_s, stated_ms, takes=(take,), from_hz=1.2 / found_s)


def _gate_of_samples(facts: ResponseFacts, take: str, samples: FloatArray, rate_hz: float) -> Iterator[QualityFlag]:
    end = data_traces.end_of_impulse(samples, rate_hz)
    if end.fall_db < CUT_DB or end.end_s <= 0.0:
        return
    if facts.gate_ms is not None:
        if facts.gate_ms / 1e3 > GATE_LONGER * end.end_s:
            yield _short_gate(facts.gate_ms, end.end_s, take)
    elif end.end_s < 0.1:
        yield flag("gate_not_stated_but_found", 1e3 * end.end_s, takes=(take,), from_hz=1.2 / end.end_s)


def _tail(take: str, samples: FloatArray) -> Iterator[QualityFlag]:
    snr = data_traces.flat_tail_snr_db(samples)
    if snr is not None and snr < LOW_SNR_DB:
        yield flag("noise_in_an_impulse_response", snr, LOW_SNR_DB, takes=(take,))


def _grid(native: _Native) -> Iterator[QualityFlag]:
    first, take = native.level_db[0], native.take
    digit = data_traces.last_digit_db(first)
    if digit >= COARSE_DIGIT_DB:
        yield flag("coarse_levels", digit, COARSE_DIGIT_DB, takes=(take,))
    share = float((np.diff(first) == 0.0).mean())
    if share > 0.5 and digit < COARSE_DIGIT_DB and np.ptp(first) > 1.0:
        yield flag("repeated_levels", share, 0.5, takes=(take,), percent=100 * share)
        return
    step = data_traces.drawn_from_step_hz(native.hz, first, max(digit, 1e-4))
    if step:
        yield flag("drawn_from_coarse_points", step, takes=(take,), below_hz=step * 20 / np.log(2))
    for end, rows in (("low", first), ("high", first[::-1])):
        same = int(np.argmax(np.append(rows != rows[0], True)))
        hz = native.hz if end == "low" else native.hz[::-1]
        if 5 <= same < rows.size and abs(np.log2(hz[same - 1] / hz[0])) > 1 / 6:
            low, high = sorted((float(hz[0]), float(hz[same - 1])))
            yield flag("filled_end", same, 5.0, takes=(take,), end=end, low_hz=low, high_hz=high)


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
    worst = min(data_traces.snr_of_scatter_db(row[treble]) for row in native.level_db)
    if worst < LOW_SNR_DB:
        yield flag("noise_between_points", worst, LOW_SNR_DB, takes=(native.take,))


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
                yield flag("orbits_disagree", away, SAME_PLACE_DB, takes=(same[0][1], take), angle=angle)


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
        yield flag("angles_doubled", len(doubled), takes=takes, listed=", ".join(takes[:4]), orbit=orbit)
    if mirrored and len(mirrored) == sides and sides >= 2:
        upright = orbit == "vertical"
        takes = tuple(dict.fromkeys(take for _, *pair in mirrored for take in pair))
        yield flag("mirrored_vertical_orbit" if upright else "mirrored_horizontal_orbit", sides, takes=takes)


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
        degrees = (rows[worst][0], rows[twin][0])
        yield flag("files_exchanged", rough[worst], limit, takes=takes, orbit=orbit, usual=usual, degrees=degrees)


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
    phase = front.phase_rad[row, known]
    if np.ptp(front.phase_rad[row]) <= 2.02 * np.pi:
        phase = np.unwrap(phase)
    found = data_traces.excess_phase(hz[known], front.level_db[row, known], phase)
    if found is None:
        return
    if phase_is_turned(found):
        early = -1e3 * found.delay_s
        why = f"rises as if the sound came {early:.2f} ms too early" if early > 1e3 * EARLY_S else "bends the wrong way"
        yield flag("phase_turned", -early, -1e3 * EARLY_S, takes=(front.take,), why=why)
    elif found.rest_deg < 0.5 and abs(found.delay_s) < 5e-6:
        yield flag("phase_computed", found.rest_deg, 0.5, takes=(front.take,))
