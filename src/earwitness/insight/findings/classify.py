"""Where a deviation comes from, by how it varies over directions.

An equalizer multiplies all directions by the same factor; only what all directions share can be mended by it. The
thresholds are project defaults, no source.
"""

from earwitness.insight.findings.evidence import Evidence
from earwitness.insight.findings.finding import EQUALIZABLE, Kind

SHARED = 0.5
"""Least part of the size on axis or in the window that a curve shows of the same, and its inverse the most."""
LEAST_EQUALIZABILITY = 0.8
ACROSS_SHARE, ACROSS_DB = 0.25, 2.0
MINIMUM_PHASE_DEG = 20.0


def kind_of(evidence: Evidence, *, size_db: float, in_direct: bool) -> Kind:
    """The kind that the sizes in curves and directions speak for.

    size_db : of the peak where it was found; in_direct : found in the direct sound, not in the in-room prediction
    """
    sizes = evidence.curve_db
    direct = _larger(sizes.get("on_axis"), sizes.get("listening_window"))
    around = _larger(sizes.get("early_reflections"), sizes.get("sound_power"), sizes.get("in_room"))
    opposed = in_direct and direct is not None and around is not None and direct * size_db > 0 > around * direct
    in_all_direct = all(sizes.get(key, size_db) / size_db >= SHARED for key in ("on_axis", "listening_window"))
    faint = direct is None or (around is not None and abs(direct) < SHARED * abs(around) and not in_all_direct)
    if around is not None and not opposed and faint:
        return "vertical" if _is_vertical(evidence) else "off_axis"
    if direct is None:
        return "partial"
    shares = [size / direct for size in sizes.values()]
    even = evidence.equalizability is None or evidence.equalizability >= LEAST_EQUALIZABILITY
    if min(shares) >= SHARED and max(shares) <= 1.0 / SHARED and even:
        return _resonance_of(evidence)
    reflected = [sizes[key] / direct for key in ("early_reflections", "sound_power") if key in sizes]
    if reflected and max(reflected) < SHARED:
        if _is_vertical(evidence) and abs(sizes.get("on_axis", 0.0)) < SHARED * abs(direct):
            return "vertical"
        if opposed and around is not None and direct is not None and abs(around) >= SHARED * abs(direct):
            return "off_axis"
        if not even:
            return "near_axis"
        return "off_axis" if opposed else "partial"
    return "partial"


def is_equalizable(kind: Kind, evidence: Evidence) -> bool:
    """At all angles alike, and of minimum phase where the phase is known."""
    phase = evidence.excess_phase_deg
    return kind in EQUALIZABLE and (phase is None or phase <= MINIMUM_PHASE_DEG)


def _larger(*sizes: float | None) -> float | None:
    """The one of largest magnitude, with its sign."""
    known = [size for size in sizes if size is not None]
    return max(known, key=abs) if known else None


def _is_vertical(evidence: Evidence) -> bool:
    across, up = evidence.horizontal_db, evidence.vertical_db
    return across is not None and up is not None and abs(across) < min(ACROSS_SHARE * abs(up), ACROSS_DB)


def _resonance_of(evidence: Evidence) -> Kind:
    if evidence.is_port:
        return "port"
    return "load" if evidence.wrinkle_percent is not None else "source"
