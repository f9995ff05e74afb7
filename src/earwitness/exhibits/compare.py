"""Exhibits: loudspeakers beside each other, as curves, as a difference, as figures, and price against a figure."""

from collections.abc import Sequence
from dataclasses import replace
from math import ceil
from typing import Final, Literal

from earwitness.errors import InputError
from earwitness.exhibits.chart import Caption, Chart, Panel, Role, Table, Trace
from earwitness.exhibits.figures_table import SIGNED, figure_name
from earwitness.exhibits.level_facts import joined, level_span, step_span, valid_values
from earwitness.exhibits.texts import chart, table
from earwitness.exhibits.words import band_words, figure_words, listed, value_words
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

MOST: Final = 4
_ROLES: Final[tuple[Role, ...]] = ("first", "second", "third", "fourth")
_MARK: Final = "≠"


def compare_curves(
    candidates: Sequence[Candidate], verdicts: Sequence[Verdict] = (), *, match_hz: tuple[float, float] = MATCH_BAND_HZ
) -> Chart:
    """Listening windows, level-matched, over each other, directivity indices beneath.

    Raises InputError for fewer than two or more than four loudspeakers, or where one has no curve to match.
    """
    if not 2 <= len(candidates) <= MOST:
        raise InputError(f"{len(candidates)} loudspeakers cannot be overlaid", expected=f"2 to {MOST} of them")
    traces = []
    for one, role in zip(candidates, _ROLES, strict=False):
        if BALANCE not in one.curves:
            raise InputError(f"{one.title} has no listening window", remedy="choose loudspeakers that have one")
        traces.append(Trace(matched(one.curves[BALANCE], match_hz), role, one.title))
    curves = tuple(trace.curve for trace in traces)
    low, high = step_span(valid_values(curves, 40.0), 5.0, low=-20.0, high=10.0)
    panels = [Panel("Level", curves[0].reference, low, high, 5.0, traces=tuple(traces))]
    indices = tuple(
        Trace(one.curves[DIRECTIVITY], role, one.title)
        for one, role in zip(candidates, _ROLES, strict=False)
        if DIRECTIVITY in one.curves
    )
    if indices:
        low, high = step_span(valid_values(tuple(t.curve for t in indices)), 5.0, low=0.0, high=15.0)
        panels.append(Panel("Directivity index", "dB", low, high, 5.0, traces=indices))
    return chart(
        "compare",
        panels,
        finding=joined(*(v.sentence for v in verdicts)) or "The curves are laid over each other.",
        band=band_words(match_hz),
    )


def compare_difference(first: Candidate, second: Candidate, *, match_hz: tuple[float, float] = MATCH_BAND_HZ) -> Chart:
    """First less second with the uncertainty of both combined. Raises as `compare_curves`."""
    for one in (first, second):
        if BALANCE not in one.curves:
            raise InputError(f"{one.title} has no listening window", remedy="choose loudspeakers that have one")
    curve = difference(first.curves[BALANCE], second.curves[BALANCE], match_hz=match_hz)
    found = sorted(band_differences(curve), key=lambda b: -abs(b.level_db))[:3]
    parts = tuple(
        f"{value_words(b.level_db, b.u_db, 'dB', sign=True)} from {band_words((b.low_hz, b.high_hz))}" for b in found
    )
    told = f"Level-matched, {first.title} differs from {second.title} most by {listed(parts)}."
    alike = worded("exhibits.level_matched_differ_nowhere", first=first, second=second)
    low, high = step_span(valid_values((curve,), 40.0), 5.0, low=-10.0, high=10.0)
    return chart(
        "compare_difference",
        (
            Panel(
                "Difference",
                "dB",
                low,
                high,
                5.0,
                traces=(Trace(replace(curve, name="difference"), "first", "difference", ribbon=True),),
            ),
        ),
        finding=told if parts else alike,
        first=first,
        second=second,
        band=band_words(match_hz),
    )


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
    """Figures beside each other; those that differ from the first one's beyond both uncertainties are marked."""
    first, *others = candidates
    keys = [key for key in first.figures if any(key in one.figures for one in others)]
    rows = []
    for key in keys:
        own = first.figures[key]
        cells = [figure_words(own, sign=key in SIGNED)]
        for one in others:
            figure = one.figures.get(key)
            if figure is None:
                cells.append("not judged: not measured")
                continue
            pair = compare_figure(own, figure)
            mark = f" {_MARK}" if pair is not None and pair.is_beyond else ""
            cells.append(figure_words(figure, sign=key in SIGNED) + mark)
        if any(not cell.startswith("not judged") for cell in cells):
            rows.append((figure_name(key), *cells))
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
