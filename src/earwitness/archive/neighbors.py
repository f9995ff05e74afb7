"""Loudspeakers of the index at once, with some figures and the curves they are compared by.

A handful of questions that does not grow with the archive: what the page of one loudspeaker says of others.
"""

import zlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from sqlalchemy import Select, select
from sqlalchemy.dialects.sqlite import insert

from earwitness.archive.catalogue import Archive
from earwitness.archive.index_facts import opened_ids
from earwitness.archive.schema import SummaryRow, SummaryShapeRow
from earwitness.archive.search import FoundFigure, figures_in, shape_digest
from earwitness.quantities import Curve, report_axis

SHAPES = ("listening_window", "sound_power_di")
_PARTS = ("values", "u", "u_common", "valid")
_NAMES = {"listening_window": "listening window", "sound_power_di": "sound power directivity index"}


@dataclass(frozen=True, slots=True, eq=False)
class Neighbor:
    """A loudspeaker as the index holds it. price : of a pair; is_opened : its data were shown before; figures : those
    asked for; shapes : (S, 4, F) of SHAPES values, u, u_common and validity on the report axis, NaN for what it does
    not have, None where it has none."""

    loudspeaker_id: int
    title: str
    type: str
    price: float | None
    currency: str | None
    date: str
    is_opened: bool
    figures: Mapping[str, FoundFigure]
    shapes: npt.NDArray[np.float32] | None

    @property
    def curves(self) -> dict[str, Curve]:
        """Of SHAPES those that it has."""
        found, axis = {}, report_axis()
        for key, rows in zip(SHAPES, () if self.shapes is None else self.shapes.astype(float), strict=False):
            values, u, u_common, valid = rows
            if not np.isnan(valid).all():
                found[key] = Curve(
                    key, _NAMES[key], axis, values, u=u, u_common=u_common, valid=valid > 0.5, unit="dB", reference=""
                )
        return found


def put_shape(archive: Archive, loudspeaker_id: int, curves: Mapping[str, Curve], *, made_from: str) -> None:
    """Keep the curves of SHAPES beside the loudspeaker's summary, which must be there, in place of what was kept."""
    packed = _packed(curves)
    with archive.writing() as work:
        values = {"made_from": made_from, "curves": packed}
        values["digest"] = shape_digest(SummaryShapeRow(**values))
        put = insert(SummaryShapeRow).values(loudspeaker_id=loudspeaker_id, **values)
        work.execute(put.on_conflict_do_update(index_elements=["loudspeaker_id"], set_=values))


def neighbors(
    archive: Archive,
    keys: Collection[str],
    *,
    only: Collection[int] | None = None,
    kind: str | None = None,
    with_shapes: bool = True,
) -> tuple[Neighbor, ...]:
    """Loudspeakers of the index that have figures, by number, with the figures named by `keys` and their shapes.
    only, kind : those of these numbers, or of that type, None for all; with_shapes : False for figures alone.

    Shapes that were made from something else than the figures are left out, and damaged ones, which a check of the
    archive tells of: what is said of one loudspeaker does not hang on another's.
    """
    columns = (SummaryRow.loudspeaker_id, SummaryRow.title, SummaryRow.type, SummaryRow.price, SummaryRow.currency)
    rows = select(*columns, SummaryRow.date, SummaryRow.made_from).where(SummaryRow.made_from != "")
    numbers: Collection[int] | Select[int] | None = only
    if kind is not None:
        numbers = select(columns[0]).where(SummaryRow.type == kind)
    if numbers is not None:
        rows = rows.where(columns[0].in_(numbers))
    shapes: dict[int, tuple[str, bytes]] = {}
    with archive.reading() as work:
        ask, opened = work.connection().execute, opened_ids(work, numbers)
        figures = figures_in(work, keys, numbers)
        if with_shapes:
            of = SummaryShapeRow
            packed = select(of.loudspeaker_id, of.made_from, of.curves)
            packed = packed if numbers is None else packed.where(of.loudspeaker_id.in_(numbers))
            shapes = {row[0]: (row[1], row[2]) for row in ask(packed)}
        found = []
        for number, title, of_type, price, currency, date, source in ask(rows.order_by(columns[0])):
            made_from, data = shapes.get(number, ("", b""))
            own = (number in opened, figures.get(number, {}), _unpacked(data) if made_from == source else None)
            found.append(Neighbor(number, title, of_type, price, currency, date, *own))
    return tuple(found)


def figures_of(archive: Archive, loudspeaker_ids: Collection[int]) -> dict[int, dict[str, FoundFigure]]:
    """All figures that the index has of some loudspeakers."""
    with archive.reading() as work:
        return figures_in(work, None, loudspeaker_ids)


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


def _unpacked(packed: bytes) -> npt.NDArray[np.float32] | None:
    """(S, 4, F) as Neighbor.shapes; None for what is damaged."""
    try:
        return np.frombuffer(zlib.decompress(packed), "<f4").reshape(len(SHAPES), len(_PARTS), len(report_axis()))
    except (zlib.error, ValueError, TypeError):
        return None
