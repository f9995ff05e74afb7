"""Where a deviation comes from: its kind, by how it varies over directions, and causes that the evidence speaks for.

An equalizer multiplies all directions by the same factor; only what all directions share can be mended by it. A cause
is named only where its frequency, its sign and the places that show it fit, by a formula of handbooks and facts of the
loudspeaker; that is evidence, no proof, and the sentence says which. Thresholds and tolerances are own choices.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import log2, pi

from earwitness.insight.findings.evidence import Evidence
from earwitness.insight.findings.finding import DIRECT, EQUALIZABLE, SOURCES, Kind, Origin, Sized
from earwitness.session.record import Driver, Loudspeaker

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


SOUND_M_S = 343.0
_WALL_M = 0.02
_NARROW_Q, _BROAD_Q = 3.0, 1.5
_FITS_OCTAVES, _STEP_OCTAVES = 0.12, 1.0
_STEP_M_HZ = 115.0
_BEAMING_KA, _BREAKUP_KA = 2.0, 1.0
_BEAMING_OCTAVES = (-0.5, 1.5)
_LOBE_WAVELENGTHS = (0.35, 2.0)


@dataclass(frozen=True, slots=True)
class Cabinet:
    """Outer lengths of a box [m]; below_top_m, left_m : of the reference point, from the top and to the left of the
    front's middle, the first None where it is not known; is_hollow : sound stands inside it."""

    width_m: float
    height_m: float
    depth_m: float
    below_top_m: float | None = None
    left_m: float = 0.0
    is_hollow: bool = True

    @staticmethod
    def of(loudspeaker: Loudspeaker) -> Cabinet | None:
        """The cabinet of a loudspeaker; None for what is no free box."""
        if loudspeaker.shape != "box" or loudspeaker.type == "in-wall":
            return None
        return Cabinet(
            loudspeaker.width_m,
            loudspeaker.height_m,
            loudspeaker.depth_m,
            loudspeaker.reference_below_top_m,
            loudspeaker.reference_left_m,
            loudspeaker.enclosure != "open",
        )


def origins_of(
    kind: Kind,
    center_hz: float,
    q: float,
    size_db: float,
    sizes: Mapping[str, Sized],
    evidence: Evidence,
    drivers: Sequence[Driver],
    cabinet: Cabinet | None,
) -> tuple[Origin, ...]:
    """What may have made it, the surest first; empty where no evidence speaks for a cause.

    size_db : on axis where it is known, for the sign that diffraction and the baffle step need.
    """
    found: list[Origin] = []
    if kind in SOURCES:
        found += _of_radiator(center_hz, q, evidence, drivers)
        found += _standing(center_hz, q, evidence, cabinet)
    radiating = [one for one in drivers if one.kind not in ("port", "passive radiator")]
    if kind == "vertical":
        found += _lobe(center_hz, radiating)
    if kind in ("near_axis", "partial"):
        found += _edge(center_hz, size_db, sizes, radiating, cabinet)
    if q < _BROAD_Q:
        found += _baffle_step(center_hz, sizes, cabinet)
    if kind in ("off_axis", "partial"):
        found += _beaming(center_hz, sizes, evidence, radiating)
    return tuple(found)


def _of_radiator(center_hz: float, q: float, evidence: Evidence, drivers: Sequence[Driver]) -> list[Origin]:
    """Source: the near field itself. Breakup: a cone of ka over 1 (common practice, no source)."""
    driver = next((one for one in drivers if one.name == evidence.radiator), None)
    if driver is None:
        return []
    share = {"share_db": evidence.share_db[driver.name]}
    if driver.kind == "port":
        return [Origin("port", share, driver.name)]
    ka = ka_of(center_hz, driver.diameter_m)
    if driver.kind in ("cone", "dome") and ka >= _BREAKUP_KA and q >= _NARROW_Q:
        return [Origin("breakup", {**share, "ka": ka}, driver.name)]
    return [Origin("driver", share, driver.name)]


def _standing(center_hz: float, q: float, evidence: Evidence, cabinet: Cabinet | None) -> list[Origin]:
    """c / (2 L) between parallel walls (handbook), where near field or impedance witness something of the box."""
    witnessed = bool(evidence.radiator) or evidence.wrinkle_percent is not None
    if cabinet is None or not cabinet.is_hollow or not witnessed or q < _NARROW_Q:
        return []
    inside = [length - 2 * _WALL_M for length in (cabinet.height_m, cabinet.width_m, cabinet.depth_m)]
    fitting = [(abs(log2(center_hz * 2 * length / SOUND_M_S)), length) for length in inside if length > _WALL_M]
    off, length = min(fitting, default=(1.0, 0.0))
    if off > _FITS_OCTAVES:
        return []
    return [Origin("standing wave", {"length_m": length, "expected_hz": SOUND_M_S / (2 * length)})]


def _lobe(center_hz: float, radiating: Sequence[Driver]) -> list[Origin]:
    """Two neighboring drivers a third to two wavelengths apart in height (path difference, handbook)."""
    heights = sorted({round(one.position_m[2], 4) for one in radiating})
    apart = [above - below for below, above in pairwise(heights)]
    fitting = [one for one in apart if _LOBE_WAVELENGTHS[0] <= one * center_hz / SOUND_M_S <= _LOBE_WAVELENGTHS[1]]
    if not fitting:
        return []
    distance = min(fitting)
    return [Origin("crossover lobe", {"distance_m": distance, "wavelengths": distance * center_hz / SOUND_M_S})]


def _edge(
    center_hz: float, size_db: float, sizes: Mapping[str, Sized], radiating: Sequence[Driver], cabinet: Cabinet | None
) -> list[Origin]:
    """The edge's wave, of the other sign and late by d / c: a dip on axis where d is a wavelength, a peak at half.

    Olson 1951 as told by third parties, from memory. From the smallest driver on, and only for what is stronger on
    axis than off.
    """
    off = [sizes[key] for key in ("early_reflections", "sound_power") if key in sizes]
    here = sizes.get(DIRECT)
    if cabinet is None or not radiating or here is None or not off or not all(here.is_larger(one) for one in off):
        return []
    smallest = min(radiating, key=lambda one: one.diameter_m)
    if ka_of(center_hz, smallest.diameter_m) < 0.3:
        return []
    y = cabinet.left_m + smallest.position_m[1]
    edges = [cabinet.width_m / 2 - y, cabinet.width_m / 2 + y]
    if cabinet.below_top_m is not None:
        edges.append(cabinet.below_top_m - smallest.position_m[2])
    share = 0.5 if size_db > 0 else 1.0
    expected = [(share * SOUND_M_S / one, one) for one in edges if one > smallest.diameter_m / 2]
    off_octaves, hz, distance = min(((abs(log2(center_hz / hz)), hz, one) for hz, one in expected), default=(1.0, 0, 0))
    if off_octaves > _FITS_OCTAVES:
        return []
    return [Origin("edge diffraction", {"distance_m": distance, "expected_hz": hz}, smallest.name)]


def _baffle_step(center_hz: float, sizes: Mapping[str, Sized], cabinet: Cabinet | None) -> list[Origin]:
    """115 m/s over the width (common practice for the middle of Olson's step): a broad rise above it or a broad dip
    below it, larger on axis than in the sound power, for the box gathers sound to the front and adds none."""
    here, power = sizes.get(DIRECT), sizes.get("sound_power")
    if cabinet is None or here is None or power is None or not here.is_sure or not here.is_apart(power):
        return []
    expected = _STEP_M_HZ / cabinet.width_m
    octaves = log2(center_hz / expected)
    away = octaves if here.size_db > 0 else -octaves
    if not 0.0 <= away <= _STEP_OCTAVES or not here.is_larger(power):
        return []
    return [Origin("baffle step", {"width_m": cabinet.width_m, "expected_hz": expected})]


def _beaming(
    center_hz: float, sizes: Mapping[str, Sized], evidence: Evidence, radiating: Sequence[Driver]
) -> list[Origin]:
    """A dip off axis, horizontally too, where a driver that has a smaller one above it passes ka 2 (handbook)."""
    here, across = sizes.get(DIRECT), evidence.horizontal_db
    off = [sizes[key] for key in ("early_reflections", "sound_power") if key in sizes]
    if here is None or not off or across is None or across >= 0 or len(radiating) < 2:
        return []
    if not all(one.size_db < 0 and one.is_larger(here) for one in off):
        return []
    smallest = min(one.diameter_m for one in radiating)
    larger = [one for one in radiating if one.diameter_m > smallest]
    fitting = []
    for one in larger:
        begins = _BEAMING_KA * SOUND_M_S / (pi * one.diameter_m)
        octaves = log2(center_hz / begins)
        if _BEAMING_OCTAVES[0] <= octaves <= _BEAMING_OCTAVES[1]:
            fitting.append((abs(octaves), one.name, begins))
    if not fitting:
        return []
    _, name, begins = min(fitting)
    return [Origin("beaming", {"expected_hz": begins, "horizontal_db": across}, name)]


def ka_of(hz: float, diameter_m: float) -> float:
    """Circumference over wavelength of a round driver."""
    return pi * diameter_m * hz / SOUND_M_S
