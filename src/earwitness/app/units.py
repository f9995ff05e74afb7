"""Several units of one loudspeaker: what is read of each, how far units spread, what the next one may be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from math import sqrt
from pathlib import Path
from typing import Any

from earwitness import __version__
from earwitness.app.columns import two_columns
from earwitness.app.jobs import Progress, part, silent
from earwitness.app.read import ReadResult, read_loudspeaker
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import picking
from earwitness.errors import InputError
from earwitness.exhibits.figures_table import figure_name
from earwitness.exhibits.words import exact_words, value_words
from earwitness.figures.registry import info_of
from earwitness.insight.variation import Variation, variation
from earwitness.quantities import Figure

DOCUMENT = "earwitness.units"
NOT_STATED = "unit not stated"
MOST_SESSIONS = 60


@dataclass(frozen=True, slots=True)
class UnitsTold:
    """Figures over the units of a loudspeaker in one state.

    variant : the state, "" where none is stated; sessions : by unit, their numbers; figures : by key
    u_mean : standard uncertainty of the mean by key: what the sessions scatter, at least what each one's own
    uncertainty leaves of a mean, and what their devices move alike, which shows in no scatter
    """

    title: str
    variant: str
    sessions: Mapping[str, tuple[int, ...]]
    figures: Mapping[str, Variation]
    u_mean: Mapping[str, float]
    units: Mapping[str, str]


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
    by_unit: dict[str, list[int]] = {}
    for one in chosen:
        by_unit.setdefault(one.unit or NOT_STATED, []).append(one.id)
    if len(by_unit) < 2:
        raise InputError(
            f"of {entry.name} one unit only was measured" + (f" in the state {variant}" if variant else ""),
            expected="two units and more, each session with its unit's serial",
            remedy="write serial under [unit] in session.toml of each, and add the folders",
        )
    results: dict[str, list[ReadResult]] = {}
    for place, (unit, numbers) in enumerate(by_unit.items()):
        told = part(progress, place / len(by_unit), (place + 1) / len(by_unit))
        results[unit] = [
            read_loudspeaker(picking(f"{entry.maker} {entry.name}", session=one), archive_folder, progress=told)
            for one in numbers
        ]
    every = [result.reading.figures for rows in results.values() for result in rows]
    figures: dict[str, Variation] = {}
    u_mean: dict[str, float] = {}
    for key in every[0]:
        values = [[_value(one.reading.figures.get(key)) for one in rows] for rows in results.values()]
        if any(value is None for rows in values for value in rows):
            continue
        found = variation([[float(value) for value in rows if value is not None] for rows in values])
        if found is not None:
            figures[key] = found
            u_mean[key] = _u_mean(found, [one[key] for one in every])
    units = {key: every[0][key].unit for key in figures}
    title = next(iter(results.values()))[0].session.loudspeaker.title
    sessions = {unit: tuple(numbers) for unit, numbers in by_unit.items()}
    return UnitsTold(title, variant, sessions, figures, u_mean, units)


def _value(figure: Figure | None) -> float | None:
    """A figure's value; a bound says nothing of a spread."""
    return None if figure is None or figure.bound else figure.value


def _u_mean(found: Variation, told: Sequence[Figure]) -> float:
    """Of a mean of sessions; u of what all share from the first and the last of them (JCGM 100:2008, 5.2.2)."""
    other = dict(told[-1].shared)
    shared = max(0.0, sum(size * other.get(key, 0.0) for key, size in told[0].shared))
    own = sum(max(0.0, (one.u or 0.0) ** 2 - shared) for one in told) / len(told) ** 2
    return sqrt(max(found.u_mean**2, own) + shared)


def units_lines(found: UnitsTold, width: int | None = None) -> list[str]:
    """The units as lines of text."""
    count = len(found.sessions)
    total = sum(len(numbers) for numbers in found.sessions.values())
    lines = [f"{found.title}: {count} units, {total} sessions" + (f", {found.variant}" if found.variant else "")]
    lines += [f"    {unit}: session {', '.join(map(str, numbers))}" for unit, numbers in found.sessions.items()]
    lines.append("")
    rows = []
    for key, one in found.figures.items():
        mean = value_words(one.mean, found.u_mean[key], found.units[key], most=_finest(key))
        if one.repeat_sd is not None and not one.is_told:
            spread = f"units not told apart from repeats, sd at most {_words(found, key, one.high_sd)}"
        else:
            limits = f"{_words(found, key, one.low_sd)} to {_words(found, key, one.high_sd)}"
            spread = f"sd over units {_words(found, key, one.unit_sd)} ({limits})"
        coming = f"next unit {_words(found, key, one.next_low)} to {_words(found, key, one.next_high)}"
        rows.append((figure_name(key), f"mean {mean}; {spread}; {coming}"))
    lines += two_columns(rows, width)
    together = all(one.repeat_sd is None for one in found.figures.values())
    if together:
        lines += ["", "No unit was measured twice: the spread holds set-up and placement too."]
    lines += ["± and all limits are 95 %; a next unit drawn as these were lies in its range in 95 of 100 cases"]
    return lines


def _finest(key: str) -> int | None:
    known = info_of(key)
    return None if known is None else known.decimals


def _words(found: UnitsTold, key: str, value: float) -> str:
    """With one digit more than the figure is printed with: a spread is smaller than what it spreads."""
    finest = _finest(key)
    return exact_words(value, found.units[key], most=None if finest is None else finest + 1)


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
