"""What a kind of loudspeaker cannot have, so that it is not listed as refused; the table stands in kinds.toml."""

from dataclasses import replace
from fnmatch import fnmatchcase
from typing import Literal

from earwitness.figures.registry import base_key
from earwitness.files.data import table_of
from earwitness.quantities import Reading
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
