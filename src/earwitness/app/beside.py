"""A loudspeaker beside others of the archive, for its own page: by the index, without opening anybody's data."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from earwitness.app.compare import candidate_of
from earwitness.app.read import ReadResult
from earwitness.app.shelf import indexed, indexed_figures
from earwitness.archive.catalogue import Archive
from earwitness.archive.neighbors import Neighbor, figures_of, neighbors
from earwitness.exhibits.beside import RANKED, RATING, Alike, Beside, RankedGroup
from earwitness.insight.compare import (
    BALANCE,
    DIRECTIVITY,
    SHAPE_BAND_HZ,
    Candidate,
    nearest,
    price_frontier,
    standing,
    tell_apart,
)

ALIKE = 3
_SIFTED = 12
# A group of prices reaches from half to twice the own one.
_PRICE_FACTOR = 2.0
_PLURAL = {"subwoofer": "subwoofers", "monitor": "monitors", "other": "loudspeakers of no usual type"}


@dataclass(frozen=True, slots=True, eq=False)
class Others:
    """Every loudspeaker of the archive that may be shown, at one moment. left_out : those never opened, by number."""

    known: tuple[Neighbor, ...]
    left_out: frozenset[int]


def others_of(archive_folder: Path) -> Others:
    """The loudspeakers of the archive whose data were shown before. Raises ArchiveError as the archive does.

    Those never opened are left out, so that listening to them can come first: a page about one does not open others.
    """
    with Archive.open(archive_folder, create=False) as archive:
        found = neighbors(archive, RANKED)
        entries = archive.loudspeakers()
    shown = tuple(one for one in found if one.is_opened)
    seen = {one.loudspeaker_id for one in shown}
    return Others(shown, frozenset(one.id for one in entries) - seen)


def beside_others(result: ReadResult, archive_folder: Path, *, others: Others | None = None) -> Beside | None:
    """Place, likeness and price of a loudspeaker among others of its type; None where there is no other to show.

    others : as they were read before, for many pages at once. Raises as `others_of`.
    """
    others = others_of(archive_folder) if others is None else others
    own = candidate_of(result)
    same = [one for one in others.known if one.type == own.type and one.loudspeaker_id != result.loudspeaker_id]
    group = [indexed(one, one.figures.values(), one.curves) for one in same]
    if not group:
        return None
    words = _PLURAL.get(own.type, f"{own.type} loudspeakers")
    groups = [_ranked(own, group, words)]
    low, high = (own.price or 0.0) / _PRICE_FACTOR, (own.price or 0.0) * _PRICE_FACTOR
    priced = [one for one in group if one.price is not None and one.currency == own.currency]
    near = [one for one in priced if low <= (one.price or 0.0) <= high]
    if own.price is not None and near and len(near) < len(group):
        groups.append(_ranked(own, near, f"{words} from {low:,.0f} to {high:,.0f} {own.currency} a pair"))
    alike, candidates = _alike(own, group, archive_folder)
    return Beside(
        own=own,
        groups=tuple(groups),
        alike=alike,
        candidates=candidates,
        offers=price_frontier([*priced, own], key=RATING) if own.price is not None else (),
        currency=own.currency or "",
        left_out=len(others.left_out - {result.loudspeaker_id}),
    )


def _ranked(own: Candidate, group: Sequence[Candidate], words: str) -> RankedGroup:
    judged = [key for key in RANKED if (figure := own.figures.get(key)) is not None and figure.is_judged]
    shared = [key for key in judged if any(key in one.figures for one in group)]
    return RankedGroup(words, len(group), tuple(standing(key, own, group) for key in shared))


def _alike(
    own: Candidate, group: Sequence[Candidate], archive_folder: Path
) -> tuple[tuple[Alike, ...], tuple[Candidate, ...]]:
    """Those nearest in shape, with all their figures, and what the measurements say of both."""
    likes = nearest(own, _sifted(own, group), count=ALIKE)
    with Archive.open(archive_folder, create=False) as archive:
        every = figures_of(archive, [int(one.key) for one in likes])
    by_key = {one.key: one for one in group}
    whole = [replace(by_key[one.key], figures=indexed_figures(every.get(int(one.key), {}).values())) for one in likes]
    alike = tuple(Alike(like, tell_apart(own, one)) for like, one in zip(likes, whole, strict=True))
    return alike, tuple(whole)


def _sifted(own: Candidate, group: Sequence[Candidate]) -> Sequence[Candidate]:
    """Of very many, those that may be nearest, by all distances at once; `nearest` then says which."""
    if len(group) <= 3 * _SIFTED or BALANCE not in own.curves:
        return group
    square = np.zeros(len(group))
    for key in (BALANCE, DIRECTIVITY):
        if key not in own.curves:
            continue
        curve = own.curves[key]
        kept = (curve.axis.hz >= SHAPE_BAND_HZ[0]) & (curve.axis.hz <= SHAPE_BAND_HZ[1])
        there = np.array([key in one.curves and one.curves[key].axis.same_as(curve.axis) for one in group])
        rows = [one.curves[key] if ok else curve for one, ok in zip(group, there, strict=True)]
        values, valid = np.stack([row.values[kept] for row in rows]), np.stack([row.valid[kept] for row in rows])
        apart = np.where(valid & curve.valid[kept], values - curve.values[kept], np.nan)
        if key == BALANCE:
            apart = apart - np.nanmean(apart, axis=1, keepdims=True)
        square += np.where(there, np.nan_to_num(np.nanmean(apart**2, axis=1), nan=np.inf), np.inf)
    order = np.argsort(square, kind="stable")
    return [group[int(place)] for place in order[: 3 * _SIFTED]]
