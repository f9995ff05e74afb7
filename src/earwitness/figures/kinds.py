"""What a kind of loudspeaker cannot have, and what the place of its measurement leaves of the rest.

No wall behind an in-wall, a line too near; the tables stand in kinds.toml.
"""

from dataclasses import replace
from fnmatch import fnmatchcase
from typing import Literal

from earwitness.figures.registry import FIGURES, base_key
from earwitness.files.data import table_of, worded
from earwitness.quantities import DirectionalResponse, Figure, Reading
from earwitness.session.record import Loudspeaker

Part = Literal["figures", "curves", "exhibits", "questions", "claims"]


def kinds_of(loudspeaker: Loudspeaker) -> tuple[str, ...]:
    """The kinds of the table that a loudspeaker is."""
    return (loudspeaker.type, *(("powered",) if loudspeaker.powered else ()))


def lacks(kinds: tuple[str, ...], part: Part, name: str, *, even_judged: bool = False) -> bool:
    """Whether a loudspeaker of these kinds goes without a figure, curve, exhibit, question or claim.

    even_judged : only what has another meaning for it, so that it is not shown where the data give it either
    """
    table = table_of("figures", "kinds")
    rows = [table["kinds"].get(kind, {}) for kind in kinds]
    ways = ("replaced",) if even_judged else ("replaced", "without")
    groups = {group for row in rows for way in ways for group in row.get(way, ())}
    patterns = [pattern for group in groups for pattern in table["groups"][group].get(part, ())]
    return any(fnmatchcase(name, pattern) for pattern in patterns)


def of_kind(reading: Reading, kinds: tuple[str, ...]) -> Reading:
    """The reading without refusals of what loudspeakers of these kinds cannot have."""
    return replace(
        reading,
        figures={
            key: figure
            for key, figure in reading.figures.items()
            if not lacks(kinds, "figures", base_key(key), even_judged=figure.is_judged)
        },
        missing={key: why for key, why in reading.missing.items() if not lacks(kinds, "curves", key)},
    )


SPEED_M_S = 343.0
_TREBLE_HZ = 10_000.0


def line_length_m(loudspeaker: Loudspeaker) -> float:
    """Length of the row of the most alike drivers along the height, along the width of a soundbar; the cabinet's where
    no row is stated."""
    side = 1 if loudspeaker.type == "soundbar" else 2
    rows: dict[tuple[str, float], list[float]] = {}
    for one in loudspeaker.drivers:
        beside_m = (one.count - 1) * one.diameter_m / 2.0
        places = [one.position_m[side] - beside_m, one.position_m[side] + beside_m]
        rows.setdefault((one.kind, one.diameter_m), []).extend(places)
    found = [(max(ends) - min(ends), size) for (kind, size), ends in rows.items() if kind != "port"]
    cabinet_m = loudspeaker.width_m if side == 1 else loudspeaker.height_m
    return max((apart + size for apart, size in found if apart > 0.0), default=cabinet_m)


def far_field_to_hz(loudspeaker: Loudspeaker, distance_m: float) -> float:
    """Up to where a line's far field holds at a distance: c d / H^2 [Hz]."""
    return SPEED_M_S * distance_m / line_length_m(loudspeaker) ** 2


def as_measured(reading: Reading, loudspeaker: Loudspeaker, response: DirectionalResponse) -> Reading:
    """The reading with refusals and notes where it was measured so that figures of its kind do not hold."""
    if loudspeaker.type == "in-wall" and not response.half_space:
        return _measured_free(reading, loudspeaker.type)
    note = ""
    if response.half_space:
        note = worded("figures.before_a_wall")
    elif loudspeaker.type in ("line source", "soundbar"):
        to_hz = far_field_to_hz(loudspeaker, response.distance_m)
        if to_hz < _TREBLE_HZ:
            note = worded("figures.line_too_near", distance_m=response.distance_m, to_hz=to_hz)
    if not note:
        return reading
    return replace(reading, figures={key: _noted(one, note) for key, one in reading.figures.items()})


def _noted(figure: Figure, note: str) -> Figure:
    is_acoustic = "on_axis" in FIGURES[base_key(figure.key)].curves
    return replace(figure, caveats=(*figure.caveats, note)) if is_acoustic and figure.is_judged else figure


def _measured_free(reading: Reading, kind: str) -> Reading:
    table, reason = table_of("figures", "kinds")["measured_free"][kind], worded("figures.measured_free")

    def silent(part: str, key: str) -> bool:
        return any(fnmatchcase(key, pattern) for pattern in table[part])

    figures = {
        key: FIGURES[base_key(key)].refused(reason, one.lineage) if silent("figures", base_key(key)) else one
        for key, one in reading.figures.items()
    }
    gone = dict.fromkeys((key for key in reading.curves if silent("curves", key)), reason)
    curves = {key: one for key, one in reading.curves.items() if key not in gone}
    return replace(reading, figures=figures, curves=curves, missing={**reading.missing, **gone})
