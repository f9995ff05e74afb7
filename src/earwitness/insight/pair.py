"""Left and right of a pair: how far they match, and where they are most apart.

The difference is parted into an offset, which a balance control mends, and the shape that is left (own choice, after
common practice). The mean over log frequency is the offset, or the median where one local fault pulls the mean by more
than twice its uncertainty. "Well matched" and "no pair" are conventions, not thresholds of hearing (common practice, no
source): rms below 0.25 dB with nothing of a third of an octave beyond 0.5 dB; beyond 1 dB over a third of an octave.
"""

from dataclasses import dataclass, replace

import numpy as np

from earwitness.insight.change import ONE_SIDED, Change, edge_words
from earwitness.quantities.arrays import BoolArray, FloatArray, runs
from earwitness.quantities.axis import hz_words

WELL_RMS_DB, WELL_DB, NO_PAIR_DB = 0.25, 0.5, 1.0
SHORTEST_OCTAVES = 1.0 / 3.0


@dataclass(frozen=True, slots=True)
class Matching:
    """offset_db : first less second over the band; shape_rms_db, shape_db : of the rest, rms and where it is largest,
    shape_at_hz; most_db, most_at_hz : largest difference as it is; apart_hz : parts where the rest is beyond 0.5 dB."""

    offset_db: float
    shape_rms_db: float
    shape_db: float
    shape_at_hz: float
    most_db: float
    most_u_db: float
    most_at_hz: float
    apart_hz: tuple[tuple[float, float], ...]
    is_well_matched: bool
    no_pair_hz: tuple[tuple[float, float], ...]


def matching(hz: FloatArray, d: FloatArray, u: FloatArray, *, critical: float = 2.0) -> Matching:
    """How two of a pair match. hz : even on a log scale, (F,); d, u : difference and its standard uncertainty, (F,) dB;
    critical : times u beyond which the difference is seen, at once over the band."""
    mean, median = float(d.mean()), float(np.median(d))
    offset = median if abs(mean - median) > 2 * float(u.mean()) else mean
    shape = d - offset
    worst, most = int(np.argmax(np.abs(shape))), int(np.argmax(np.abs(d)))
    rms = float(np.sqrt(np.mean(shape**2)))
    may_be_apart = _wide(hz, np.abs(shape) + ONE_SIDED * u > WELL_DB)
    return Matching(
        offset,
        rms,
        float(shape[worst]),
        float(hz[worst]),
        float(d[most]),
        float(u[most]),
        float(hz[most]),
        _wide(hz, np.abs(shape) > WELL_DB),
        rms < WELL_RMS_DB and not may_be_apart,
        _wide(hz, (np.abs(shape) > NO_PAIR_DB) & (np.abs(shape) > critical * u)),
    )


def paired(found: Change) -> Change:
    """A change of left against right, or the other way, told as the matching of a pair first."""
    curve, (low, high) = found.curve, found.band_hz
    rows = curve.valid & (curve.axis.hz >= low * (1 - 1e-9)) & (curve.axis.hz <= high * (1 + 1e-9))
    told = matching(curve.axis.hz[rows], curve.values[rows], curve.u_total[rows], critical=found.critical)
    limit = np.ceil(found.within_db * 10 - 1e-9) / 10
    words = (
        f"Left and right match within {limit:.1f} dB from {edge_words(low)} to {edge_words(high)}, most apart at "
        f"{hz_words(told.most_at_hz)}, by {abs(told.most_db):.1f} ± {2 * told.most_u_db:.1f} dB."
    )
    if told.no_pair_hz:
        parts = ", ".join(f"{hz_words(a)} to {hz_words(b)}" for a, b in told.no_pair_hz)
        words += f" They are no pair at {parts}: more than {NO_PAIR_DB:g} dB apart in shape."
    elif told.is_well_matched:
        words += " In shape they are well matched."
    return replace(found, sentence=f"{words} {found.sentence}")


def _wide(hz: FloatArray, where: BoolArray) -> tuple[tuple[float, float], ...]:
    """Parts of the axis, a third of an octave or more, that hold throughout."""
    parts = [(float(hz[run][0]), float(hz[run][-1])) for run in runs(where)]
    return tuple(part for part in parts if np.log2(part[1] / part[0]) >= SHORTEST_OCTAVES - 1e-9)
