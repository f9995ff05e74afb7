"""Several units of one loudspeaker: what is read of each, how far units spread, what the next one may be."""

from collections.abc import Sequence
from dataclasses import asdict
from functools import lru_cache
from pathlib import Path
from typing import Any

from earwitness import __version__
from earwitness.app.columns import two_columns
from earwitness.app.jobs import Progress, part, silent
from earwitness.app.read import ReadResult, read_loudspeaker
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import picking
from earwitness.errors import InputError
from earwitness.exhibits.family import TOGETHER, UnitsTold, units_row
from earwitness.exhibits.figures_table import figure_name
from earwitness.insight.variation import Variation, u_of_mean, variation
from earwitness.quantities import Figure

DOCUMENT = "earwitness.units"
NOT_STATED = "unit not stated"
MOST_SESSIONS = 60


def units_of(name: str, archive_folder: Path, *, progress: Progress = silent) -> UnitsTold:
    """Every session of the loudspeaker called `name` that counts and is in the state of the latest one, by unit.

    Raises InputError where fewer than two units were measured in that state, or as `read_loudspeaker`.
    """
    with Archive.open(archive_folder, create=False) as archive:
        entry = archive.find(name)
        counting = [one for one in archive.sessions_of(entry.id) if one.standing == "counts"]
    if not counting:
        raise InputError(f"{name} has no session that counts", remedy="add a session folder, or take one back")
    variant = counting[-1].variant
    chosen = [one for one in counting if one.variant == variant][-MOST_SESSIONS:]
    if len({one.unit for one in chosen}) < 2:
        raise InputError.of("app.one_unit_only", entry=entry, state=f" in the state {variant}" if variant else "")
    results: list[ReadResult] = []
    for place, one in enumerate(chosen):
        told = part(progress, place / len(chosen), (place + 1) / len(chosen))
        results.append(
            read_loudspeaker(picking(f"{entry.maker} {entry.name}", session=one.id), archive_folder, progress=told)
        )
    return units_told(results)


@lru_cache(maxsize=4)
def alike(result: ReadResult) -> tuple[tuple[ReadResult, ...], ...]:
    """Sessions in the state of the one that was read, by unit; () where only its own unit was measured. Raises as
    `read_loudspeaker`."""
    by_unit: dict[str, list[ReadResult]] = {}
    if len({unit for unit, _ in result.units}) > 1:
        own = result.session.loudspeaker
        for unit, number in result.units[-MOST_SESSIONS:]:
            name = picking(f"{own.maker} {own.name}", session=number)
            one = result if number == result.session_id else read_loudspeaker(name, result.archive_folder)
            by_unit.setdefault(unit, []).append(one)
    return tuple(tuple(rows) for rows in by_unit.values())


def units_told(results: Sequence[ReadResult]) -> UnitsTold:
    """Figures over the units of sessions in one state, oldest first. A figure that is the same in all of them, such as
    a full share, has no spread that could be told, and is left out."""
    by_unit: dict[str, list[ReadResult]] = {}
    for one in results:
        by_unit.setdefault(one.session.unit.label or NOT_STATED, []).append(one)
    every = [one.reading.figures for rows in by_unit.values() for one in rows]
    figures: dict[str, Variation] = {}
    u_mean: dict[str, float] = {}
    for key in every[0]:
        values = [[_value(one.reading.figures.get(key)) for one in rows] for rows in by_unit.values()]
        known = [[value for value in row if value is not None] for row in values]
        if any(value is None for row in values for value in row) or len({value for row in known for value in row}) == 1:
            continue
        found = variation(known)
        if found is not None:
            figures[key] = found
            u_mean[key] = u_of_mean(found, [one[key] for one in every])
    return UnitsTold(
        results[0].session.loudspeaker.title,
        results[0].session.variant.label,
        {unit: tuple(one.session_id for one in rows) for unit, rows in by_unit.items()},
        figures,
        u_mean,
        {key: every[0][key].unit for key in figures},
    )


def _value(figure: Figure | None) -> float | None:
    """A figure's value; a bound says nothing of a spread."""
    return None if figure is None or figure.bound else figure.value


def units_lines(found: UnitsTold, width: int | None = None) -> list[str]:
    """The units as lines of text."""
    count = len(found.sessions)
    total = sum(len(numbers) for numbers in found.sessions.values())
    lines = [f"{found.title}: {count} units, {total} sessions" + (f", {found.variant}" if found.variant else "")]
    lines += [f"    {unit}: session {', '.join(map(str, numbers))}" for unit, numbers in found.sessions.items()]
    lines.append("")
    rows = []
    for key in found.figures:
        mean, spread, coming = units_row(found, key)
        rows.append((figure_name(key), f"mean {mean}; sd over units {spread}; next unit {coming}"))
    lines += two_columns(rows, width)
    if all(one.repeat_sd is None for one in found.figures.values()):
        lines += ["", TOGETHER]
    lines += ["± and all limits are 95 %; a next unit drawn as these were lies in its range in 95 of 100 cases"]
    return lines


def units_document(found: UnitsTold) -> dict[str, Any]:
    """The units as plain values for JSON."""
    return {
        "document": DOCUMENT,
        "version": 1,
        "program": f"earwitness {__version__}",
        "loudspeaker": found.title,
        "variant": found.variant,
        "sessions": {unit: list(numbers) for unit, numbers in found.sessions.items()},
        "figures": {
            key: {**asdict(one), "unit": found.units[key], "u_mean": found.u_mean[key]}
            for key, one in found.figures.items()
        },
    }
