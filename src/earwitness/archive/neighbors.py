"""All loudspeakers of the index at once, with some figures and the curves they are compared by.

A handful of questions that does not grow with the archive: what the page of one loudspeaker says of all others.
"""

import zlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
from sqlalchemy import select
from sqlalchemy.dialects.sqlite import insert
from sqlalchemy.orm import Session as Work

from earwitness.archive.catalogue import Archive
from earwitness.archive.schema import DataOpeningRow, LoudspeakerRow, SummaryFigureRow, SummaryRow, SummaryShapeRow
from earwitness.archive.search import FoundFigure, shape_digest
from earwitness.quantities import Curve
from earwitness.quantities.axis import FrequencyAxis, report_axis

SHAPES = ("listening_window", "sound_power_di")
_PARTS = ("values", "u", "u_common", "valid")
_NAMES = {"listening_window": "listening window", "sound_power_di": "sound power directivity index"}


@dataclass(frozen=True, slots=True, eq=False)
class Neighbor:
    """A loudspeaker as the index holds it. price : of a pair; is_opened : its data were shown before; figures : those
    asked for; curves : of SHAPES those that it has."""

    loudspeaker_id: int
    title: str
    type: str
    price: float | None
    currency: str | None
    date: str
    is_opened: bool
    figures: Mapping[str, FoundFigure]
    curves: Mapping[str, Curve]


def put_shape(archive: Archive, loudspeaker_id: int, curves: Mapping[str, Curve], *, made_from: str) -> None:
    """Keep the curves of SHAPES beside the loudspeaker's summary, which must be there, in place of what was kept."""
    packed = _packed(curves)
    with archive.writing() as work:
        values = {"made_from": made_from, "curves": packed}
        values["digest"] = shape_digest(SummaryShapeRow(**values))
        put = insert(SummaryShapeRow).values(loudspeaker_id=loudspeaker_id, **values)
        work.execute(put.on_conflict_do_update(index_elements=["loudspeaker_id"], set_=values))


def shape_source(archive: Archive, loudspeaker_id: int) -> str:
    """What the kept curves of a loudspeaker were made from; "" where there are none."""
    query = select(SummaryShapeRow.made_from).where(SummaryShapeRow.loudspeaker_id == loudspeaker_id)
    with archive.reading() as work:
        return work.scalar(query) or ""


def neighbors(archive: Archive, keys: Collection[str], *, only: Collection[int] | None = None) -> tuple[Neighbor, ...]:
    """Every loudspeaker of the index that has figures, by number, with the figures named by `keys` and its curves.
    only : numbers of those whose curves are asked for, None for all.

    Curves that were made from something else than the figures are left out, and damaged ones, which a check of the
    archive tells of: what is said of one loudspeaker does not hang on another's.
    """
    columns = (SummaryRow.loudspeaker_id, SummaryRow.title, SummaryRow.type, SummaryRow.price, SummaryRow.currency)
    rows = select(*columns, SummaryRow.date, SummaryRow.made_from).where(SummaryRow.made_from != "")
    names = select(LoudspeakerRow.id, LoudspeakerRow.folded_name, LoudspeakerRow.folded_maker)
    with archive.reading() as work:
        openings = work.execute(select(DataOpeningRow.folded_name, DataOpeningRow.folded_maker))
        opened = {(name, maker) for name, maker in openings}
        known = {number for number, name, maker in work.execute(names) if (name, maker) in opened}
        figures = _figures(work, keys)
        packed = select(SummaryShapeRow.__table__)
        packed = packed if only is None else packed.where(SummaryShapeRow.loudspeaker_id.in_(only))
        shapes = {row.loudspeaker_id: row for row in work.execute(packed)}
        found, axis = [], report_axis()
        for number, title, kind, price, currency, date, source in work.execute(rows.order_by(columns[0])):
            kept = shapes.get(number)
            curves = _unpacked(kept.curves, axis) if kept is not None and kept.made_from == source else {}
            found.append(
                Neighbor(number, title, kind, price, currency, date, number in known, figures.get(number, {}), curves)
            )
    return tuple(found)


def figures_of(archive: Archive, loudspeaker_ids: Collection[int]) -> dict[int, dict[str, FoundFigure]]:
    """All figures that the index has of some loudspeakers."""
    with archive.reading() as work:
        return _figures(work, (), loudspeaker_ids)


def _figures(
    work: Work, keys: Collection[str], loudspeaker_ids: Collection[int] | None = None
) -> dict[int, dict[str, FoundFigure]]:
    of = SummaryFigureRow
    query = select(of.loudspeaker_id, of.key, of.value, of.u, of.unit, of.bound)
    query = query.where(of.key.in_(keys) if loudspeaker_ids is None else of.loudspeaker_id.in_(loudspeaker_ids))
    found: dict[int, dict[str, FoundFigure]] = {}
    for number, key, value, u, unit, bound in work.execute(query.order_by(of.loudspeaker_id, of.key)):
        found.setdefault(number, {})[key] = FoundFigure(key, value, u, unit, bound)
    return found


def _packed(curves: Mapping[str, Curve]) -> bytes:
    """Curves that stand on the grid of results, as 32-bit numbers; one on other frequencies is left out."""
    axis = report_axis()
    rows = []
    for key in SHAPES:
        curve = curves.get(key)
        if curve is None or not curve.axis.same_as(axis):
            rows.append(np.full((len(_PARTS), len(axis)), np.nan))
        else:
            rows.append(np.stack([getattr(curve, part).astype(float) for part in _PARTS]))
    return zlib.compress(np.stack(rows).astype("<f4").tobytes(), 3)


def _unpacked(packed: bytes, axis: FrequencyAxis) -> dict[str, Curve]:
    try:
        parts = np.frombuffer(zlib.decompress(packed), "<f4").reshape(len(SHAPES), len(_PARTS), len(axis))
    except (zlib.error, ValueError, TypeError):
        return {}
    found = {}
    for key, rows in zip(SHAPES, parts.astype(float), strict=True):
        values, u, u_common, valid = rows
        if not np.isnan(valid).all():
            found[key] = Curve(key, _NAMES[key], axis, values, u, u_common, valid > 0.5, "dB", "")
    return found
