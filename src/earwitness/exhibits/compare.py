"""Exhibits: loudspeakers beside each other, as curves, as a difference, as figures, and price against a figure."""

from collections.abc import Sequence
from dataclasses import replace
from math import ceil
from typing import Final, Literal

from earwitness.errors import InputError, choice
from earwitness.exhibits.chart import Caption, Chart, Panel, Role, Table, Trace, chart, table
from earwitness.exhibits.figures_table import SIGNED, figure_name
from earwitness.exhibits.level_facts import joined, level_span, step_span, valid_values
from earwitness.exhibits.words import band_words, figure_words, listed, value_words
from earwitness.figures.registry import info_of
from earwitness.files.data import worded
from earwitness.insight.change import Change
from earwitness.insight.compare import (
    BALANCE,
    DIRECTIVITY,
    MATCH_BAND_HZ,
    Candidate,
    Verdict,
    band_differences,
    compare_figure,
    difference,
    matched,
    price_frontier,
)
from earwitness.quantities import Curve, Figure

MOST: Final = 4
_ROLES: Final[tuple[Role, ...]] = ("first", "second", "third", "fourth")
_MARK: Final = "≠"
_USUAL_DB: Final = {"low": -20.0, "high": 10.0}
_USUAL_INDEX: Final = {"low": 0.0, "high": 15.0}
_BETTER, _WORSE = "● better", "◆ worse"
CURVES: Final = {
    "listening_window": "Direct sound (listening window)",
    "on_axis": "On axis",
    "early_reflections": "Early reflections",
    "sound_power": "Sound power",
    "in_room": "Predicted in-room response",
    "sound_power_di": "Directivity index of the sound power",
    "early_reflections_di": "Directivity index of the early reflections",
}
"""What can be laid over each other, the usual one first."""


def compare_curves(
    candidates: Sequence[Candidate],
    verdicts: Sequence[Verdict] = (),
    *,
    match_hz: tuple[float, float] = MATCH_BAND_HZ,
    curve: str = BALANCE,
) -> Chart:
    """One of CURVES of each over each other with its ribbon, levels matched unless it is an index; directivity indices
    beneath.

    Raises InputError for fewer than two or more than four loudspeakers, or where one has no such curve to match.
    """
    if not 2 <= len(candidates) <= MOST:
        raise InputError(f"{len(candidates)} loudspeakers cannot be overlaid", expected=f"2 to {MOST} of them")
    is_index = choice("the curve", curve, CURVES).endswith("_di")
    found = tuple(_own(one, curve) if is_index else matched(_own(one, curve), match_hz) for one in candidates)
    traces = _named(candidates, found, ribbon=True)
    span = step_span(valid_values(found, 40.0), 5.0, **(_USUAL_INDEX if is_index else _USUAL_DB))
    panels = [Panel("Level", found[0].reference, *span, 5.0, traces=traces)]
    if is_index:
        panels = [Panel("Directivity index", "dB", *span, 5.0, traces=traces)]
    with_index = [one for one in candidates if DIRECTIVITY in one.curves and not is_index]
    if with_index:
        indices = tuple(_own(one, DIRECTIVITY) for one in with_index)
        span = step_span(valid_values(indices), 5.0, **_USUAL_INDEX)
        panels.append(Panel("Directivity index", "dB", *span, 5.0, traces=_named(with_index, indices)))
    how = "Levels are matched by the mean over the stated band, so that only shape is compared; sensitivity stands in "
    return chart(
        "compare",
        panels,
        finding=joined(*(v.sentence for v in verdicts)) or "The curves are laid over each other.",
        name=CURVES[curve],
        matched=_matched_words(curve, match_hz),
        how="" if is_index else f"{how}the table. ",
        lower=" The lower panel shows how much louder the direct sound is than what goes elsewhere."
        if with_index
        else "",
    )


def compare_difference(
    first: Candidate, *others: Candidate, match_hz: tuple[float, float] = MATCH_BAND_HZ, curve: str = BALANCE
) -> Chart:
    """First less each other, with the uncertainty of both combined. Raises as `compare_curves`."""
    match = None if curve.endswith("_di") else match_hz
    found = tuple(difference(_own(first, curve), _own(one, curve), match_hz=match) for one in others)
    low, high = step_span(valid_values(found, 40.0), 5.0, low=-10.0, high=10.0)
    if len(others) == 1:
        traces: tuple[Trace, ...] = (Trace(replace(found[0], name="difference"), "first", "difference", ribbon=True),)
    else:
        named = [replace(one, title=f"less {one.title}") for one in others]
        traces = _named(named, found, roles=_ROLES[1:], ribbon=True)
    return chart(
        "compare_difference",
        (Panel("Difference", "dB", low, high, 5.0, traces=traces),),
        finding=joined(*(_difference_words(first, one, each, match) for one, each in zip(others, found, strict=True))),
        name=CURVES[curve],
        first=first,
        others=others[0].title if len(others) == 1 else "each of the others",
        matched=_matched_words(curve, match_hz),
    )


def _difference_words(first: Candidate, other: Candidate, curve: Curve, match: tuple[float, float] | None) -> str:
    level = "as measured" if match is None else "level-matched"
    found = sorted(band_differences(curve), key=lambda b: -abs(b.level_db))[:3]
    if not found:
        return worded("exhibits.level_matched_differ_nowhere", first=first, other=other, level=level)
    parts = tuple(
        f"{value_words(b.level_db, b.u_db, 'dB', sign=True)} from {band_words((b.low_hz, b.high_hz))}" for b in found
    )
    return f"Against {other.title}, {level}, {first.title} differs most by {listed(parts)}."


def _own(one: Candidate, key: str) -> Curve:
    """The curve of a loudspeaker under a key of its own, so that each can be hidden by itself."""
    if key not in one.curves:
        raise InputError(
            f"{one.title} has no curve of this kind: {CURVES[key].lower()}",
            remedy="choose another curve, or loudspeakers that have it",
        )
    return replace(one.curves[key], key=f"{key}_{one.key}".replace(" ", "_"))


def _named(
    candidates: Sequence[Candidate], curves: Sequence[Curve], *, roles: Sequence[Role] = _ROLES, ribbon: bool = False
) -> tuple[Trace, ...]:
    rows = zip(candidates, curves, roles, strict=False)
    return tuple(Trace(curve, role, one.title, ribbon=ribbon) for one, curve, role in rows)


def _matched_words(key: str, match_hz: tuple[float, float]) -> str:
    return "" if key.endswith("_di") else f", level-matched from {band_words(match_hz)}"


def compare_change(
    found: Change, first: Candidate, second: Candidate, *, key: str = "", title: str = "What changed"
) -> Chart:
    """Two sessions of one loudspeaker over each other as they are, and first less second with the uncertainty that
    they do not share. key : of the chart and of the difference; made from both where none is given."""
    key = key or f"change_{first.key}_{second.key}".replace(" ", "_")
    curve = replace(found.curve, key=key, name=f"{first.title} less {second.title}")
    both = tuple(one.curves[found.key] for one in (first, second))
    top, bottom = level_span(both, span_db=30.0)[::-1]
    low, high = step_span(valid_values((curve,), found.band_hz[0], found.band_hz[1]), 1.0, low=-3.0, high=3.0)
    levels = tuple(
        Trace(one, role, candidate.title) for one, role, candidate in zip(both, _ROLES, (first, second), strict=False)
    )
    return Chart(
        key=key,
        title=title,
        subtitle=f"{curve.name}, as measured",
        caption=Caption(found.sentence, worded("exhibits.what_device_moves_both", found=found)),
        panels=(
            Panel("Level", both[0].reference, bottom, top, 5.0, traces=levels),
            # A decade as long as 10 dB (IEC 60263): what is to be seen is small.
            Panel(
                "Difference",
                "dB",
                low,
                high,
                1.0,
                traces=(Trace(curve, "plain", "difference", ribbon=True),),
                db_per_decade=10.0,
            ),
        ),
    )


def compare_table(candidates: Sequence[Candidate]) -> Table:
    """Figures beside each other: first what is better or worse than the first one's beyond both uncertainties, then
    what is higher or lower without being either, then what cannot be told apart."""
    first, *others = candidates
    keys = [key for key in first.figures if any(key in one.figures for one in others)]
    rows = []
    for key in keys:
        cells = [figure_words(first.figures[key], sign=key in SIGNED)]
        for one in others:
            figure = one.figures.get(key)
            words = "not judged: not measured" if figure is None else figure_words(figure, sign=key in SIGNED)
            mark = "" if figure is None else _told_apart(first.figures[key], figure)
            cells.append(f"{words} {mark}".rstrip())
        if any(not cell.startswith("not judged") for cell in cells):
            rows.append((figure_name(key), *cells))
    rows.sort(key=lambda row: (not differs(row), not any(_BETTER in cell or _WORSE in cell for cell in row)))
    right: list[Literal["left", "right"]] = ["right"] * len(candidates)
    return table(
        "compare_figures",
        rows,
        columns=("Figure", *(one.title for one in candidates)),
        align=("left", *right),
        mark=_MARK,
        by_chance=ceil(len(rows) / 20),
        count=len(rows),
    )


def differs(row: tuple[str, ...]) -> bool:
    """Whether a row of `compare_table` marks a difference."""
    return any(mark in cell for cell in row[2:] for mark in (_BETTER, _WORSE, _MARK))


def _told_apart(own: Figure, other: Figure) -> str:
    """How another one's figure differs from the own one, "" where it does not beyond the uncertainty of both."""
    pair = compare_figure(own, other)
    if pair is None or not pair.is_beyond:
        return ""
    info, way = info_of(own.key), "lower" if pair.difference > 0 else "higher"
    if info is None or not info.better:
        return f"{_MARK} {way}"
    return _BETTER if info.better == way else _WORSE


def price_table(candidates: Sequence[Candidate], *, key: str = "preference_rating") -> Table:
    """Price against a figure, cheapest first, with those on the frontier. Raises as `price_frontier`."""
    figures = {one.key: one.figures[key] for one in candidates if key in one.figures}
    currency = {one.key: one.currency or "" for one in candidates}
    rows = []
    for offer in price_frontier(candidates, key=key):
        place = "on the frontier" if offer.on_frontier else "not told from it" if offer.near_frontier else ""
        price = f"{offer.price:,.0f} {currency[offer.key]}"
        rows.append((offer.title, price, figure_words(figures[offer.key]), place or "behind it"))
    return table(
        "compare_price",
        rows,
        columns=("Loudspeaker", "Price of a pair", figure_name(key), "Frontier"),
        figure=figure_name(key).lower(),
    )
