"""Loudspeakers of the archive beside each other: several chosen, one among its like, the other sessions of one."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from earwitness import __version__
from earwitness.app.jobs import Progress, part, silent
from earwitness.app.read import ReadResult, alike, read_loudspeaker, units_told
from earwitness.app.shelf import indexed, indexed_figures
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import picking, session_words
from earwitness.archive.index_facts import never_opened
from earwitness.archive.latest import latest_sessions
from earwitness.archive.neighbors import SHAPES, Neighbor, figures_of, neighbors
from earwitness.errors import AudioError, EarwitnessError, FormatError, InputError, OutputError
from earwitness.exhibits import compare as exhibits
from earwitness.exhibits.chart import Chart, Table
from earwitness.exhibits.compare import RANKED, RATING, Alike, Family, Kind, PeerComparison, RankedGroup, Relative
from earwitness.exhibits.figures_table import figure_name
from earwitness.exhibits.record import record
from earwitness.exhibits.words import value_words
from earwitness.files.durable import write_bytes
from earwitness.insight import compare as compared
from earwitness.insight.variation import Change, change, paired
from earwitness.publish.site.index import COMPARISON_MARK, comparison_html
from earwitness.quantities import report_axis
from earwitness.render.columns import hung
from earwitness.session.session import Session

DOCUMENT = "earwitness.comparison"
_PIECES = {"piece": 2.0, "pair": 1.0}
_LETTERS, _NAME_WIDTH, _VALUE_WIDTH = "ABCD", 26, 25
COMPARED = ("preference_rating", "sensitivity", "f6", "linearity_half_range")


@dataclass(frozen=True, slots=True)
class Group:
    """Which loudspeakers one is ranked among: a type, a span of prices of a pair, a period (ISO dates)."""

    type: str | None = None
    currency: str | None = None
    price_low: float | None = None
    price_high: float | None = None
    date_low: str | None = None
    date_high: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """charts : changes between sessions of one, differences from the first, all over each other; changes : from each
    other session of the first one's loudspeaker to the first; standings, nearest, prices : of the first among the
    group, empty without one; missing : loudspeakers that were asked for or in the group and cannot be read."""

    candidates: tuple[compared.Candidate, ...]
    charts: tuple[Chart, ...]
    table: Table
    verdicts: tuple[compared.Distinction, ...]
    standings: tuple[compared.Standing, ...] = ()
    nearest: tuple[compared.Likeness, ...] = ()
    prices: Table | None = None
    offers: tuple[compared.Offer, ...] = ()
    match_hz: tuple[float, float] = compared.MATCH_BAND_HZ
    missing: tuple[tuple[str, EarwitnessError], ...] = ()
    changes: tuple[Change, ...] = ()


def compare_loudspeakers(
    names: Sequence[str],
    archive_folder: Path,
    *,
    match_hz: tuple[float, float] = compared.MATCH_BAND_HZ,
    curve: str = compared.BALANCE,
    group: Group | None = None,
    progress: Progress = silent,
) -> Comparison:
    """Two to four loudspeakers beside each other; with `group`, the first one's place in it as well.

    A name may pick a session, "name @ session 3", so that a loudspeaker is compared with itself: other units, other
    states, before and after. One that cannot be read is in `missing` while two others can be. Raises InputError for
    another number of names, an unknown one or one session that is named twice, or a band in which levels cannot be
    matched; else as `read_loudspeaker`.
    """
    if not 2 <= len(names) <= exhibits.MOST:
        raise InputError(f"{len(names)} loudspeakers were named", expected=f"2 to {exhibits.MOST}")
    share = 0.4 if group is not None else 1.0
    results: list[ReadResult] = []
    missing: list[tuple[str, EarwitnessError]] = []
    for i, name in enumerate(names):
        told = part(progress, share * i / 4, share * (i + 1) / 4)
        try:
            results.append(read_loudspeaker(name, archive_folder, progress=told))
        except EarwitnessError as error:
            # Slips of the one who asks are told at once; two that can be read can still be compared.
            if isinstance(error, InputError) and not isinstance(error, AudioError | FormatError):
                raise
            missing.append((name, error))
    if len(results) < 2:
        raise missing[0][1]
    found = replace(compare_results(results, match_hz=match_hz, curve=curve), missing=tuple(missing))
    return found if group is None else _placed(found, group, archive_folder, match_hz, part(progress, share, 1.0))


def compare_results(
    results: Sequence[ReadResult],
    *,
    match_hz: tuple[float, float] = compared.MATCH_BAND_HZ,
    curve: str = compared.BALANCE,
) -> Comparison:
    """Two to four readings beside each other, with how far units of each spread where the archive has several.

    curve : one of CURVES, which the charts show
    Raises InputError as `compare_loudspeakers`.
    """
    if not 2 <= len(results) <= exhibits.MOST:
        raise InputError(f"{len(results)} loudspeakers were named", expected=f"2 to {exhibits.MOST}")
    if len({one.session_id for one in results}) != len(results):
        raise InputError.of("app.session_twice", where=", ".join(one.session.loudspeaker.title for one in results))
    chosen = _told_apart(results)
    if not all(_same_model(one, results[0]) for one in results):
        chosen = [replace(one, next_unit=_next_unit(row)) for one, row in zip(chosen, results, strict=True)]
    told = compared.verdicts(chosen, match_hz=match_hz)
    charts = [
        exhibits.compare_difference(*chosen, match_hz=match_hz, curve=curve),
        exhibits.compare_curves(chosen, told, match_hz=match_hz, curve=curve),
    ]
    changes = []
    for one, result in zip(chosen[1:], results[1:], strict=True):
        found = change(chosen[0], one) if _same_model(result, results[0]) else None
        if found is not None:
            changes.append((paired(found) if is_pair(result.session, results[0].session) else found, one))
    charts = [exhibits.compare_change(found, chosen[0], one) for found, one in changes] + charts
    told_changes = tuple(found for found, _ in changes)
    table = exhibits.compare_table(chosen)
    return Comparison(tuple(chosen), tuple(charts), table, told, match_hz=match_hz, changes=told_changes)


def _next_unit(result: ReadResult) -> dict[str, tuple[float, float]]:
    """Mean of a model's units and how far 95 % of further ones lie from it, by figure; empty where one cannot be
    read."""
    try:
        sessions = [one for unit in alike(result) for one in unit]
    except EarwitnessError:
        return {}
    figures = units_told(sessions).figures if sessions else {}
    return {key: (one.mean, (one.next_high - one.next_low) / 2.0) for key, one in figures.items()}


def is_pair(one: Session, other: Session) -> bool:
    """Whether one is the left and the other the right of a pair."""
    return {one.unit.side, other.unit.side} == {"left", "right"}


def _same_model(one: ReadResult, other: ReadResult) -> bool:
    return one.loudspeaker_id == other.loudspeaker_id


def _told_apart(results: Sequence[ReadResult]) -> list[compared.Candidate]:
    """The readings as candidates; several sessions of one loudspeaker by what they state, else by number and day."""
    found = []
    for one in results:
        candidate = candidate_of(one)
        rivals = [other for other in results if _same_model(one, other) and other is not one]
        if rivals:
            state = one.session.state
            is_clear = bool(state) and all(other.session.state != state for other in rivals)
            words = state if is_clear else f"session {one.session_id} of {one.session.date}"
            candidate = replace(candidate, key=f"{candidate.key} {one.session_id}", title=f"{candidate.title}, {words}")
        found.append(candidate)
    return found


def comparison_lines(found: Comparison) -> list[str]:
    """A comparison as lines of text; the loudspeakers' columns stand under letters, names being long."""
    lines = [f"{letter}: {one.title}" for letter, one in zip(_LETTERS, found.candidates, strict=False)]
    rows = hung(found.table.rows, (_NAME_WIDTH, *[_VALUE_WIDTH] * len(found.candidates)))
    heads = ("Figure", *_LETTERS[: len(found.candidates)])
    lines += [""]
    for name, *cells in [heads, *rows]:
        lines.append((f"{name:<{_NAME_WIDTH}}" + "".join(f"  {cell:<{_VALUE_WIDTH}}" for cell in cells)).rstrip())
    lines += [found.table.note, ""]
    lines += [chart.caption.finding for chart in found.charts]
    for found_change in found.changes:
        names = [figure_name(pair.key) for pair in found_change.figures]
        lines.append(f"    figures that changed beyond doubt: {', '.join(names) if names else 'none'}")
    first = found.candidates[0].title
    if found.standings:
        lines += ["", f"{first} among the group, counted from the highest value:"]
        for s in found.standings:
            others = f"{s.not_told_apart} other{'s' if s.not_told_apart != 1 else ''} cannot be told from it"
            told = others if s.not_told_apart else "told from all others"
            lines.append(f"    {figure_name(s.key)}: rank {s.rank} of {s.group}, percentile {s.percentile:.0f}; {told}")
    if found.nearest:
        lines += ["", f"Most like {first} in shape of direct sound and directivity:"]
        lines += [f"    {n.title}: {value_words(n.distance_db, n.u_db, 'dB')} rms" for n in found.nearest]
    if found.prices is not None:
        lines += ["", found.prices.title]
        lines += [f"    {name}: {price}, {value}, {place}" for name, price, value, place in found.prices.rows]
    return lines


def comparison_document(found: Comparison) -> dict[str, Any]:
    """A comparison as plain values for JSON: figures with their differences from the first, curves' differences,
    verdicts, and the first one's place in the group."""
    first, *others = found.candidates
    return {
        "document": DOCUMENT,
        "version": 1,
        "program": f"earwitness {__version__}",
        "match_hz": list(found.match_hz),
        "loudspeakers": [
            {
                **record(one, "title type date currency", price_pair="price"),
                "figures": {
                    key: record(figure, "value unit bound", standard_uncertainty="u")
                    for key, figure in one.figures.items()
                },
            }
            for one in found.candidates
        ],
        "differences": [
            {
                "less": first.title,
                "of": one.title,
                "figures": list(map(asdict, compared.compare_figures(one, first))),
                "bands": list(map(asdict, _bands(one, first, found.match_hz))),
            }
            for one in others
        ],
        **{name: list(map(asdict, getattr(found, name))) for name in ("verdicts", "standings", "nearest")},
        "prices": list(map(asdict, found.offers)),
        "changes": [
            {
                **record(one, "sentence band_hz within_db critical", verdict="told"),
                "parts": list(map(asdict, one.parts)),
                "figures": list(map(asdict, one.figures)),
            }
            for one in found.changes
        ],
        "missing": [{"name": name, "because": str(error)} for name, error in found.missing],
    }


def _bands(
    one: compared.Candidate, first: compared.Candidate, match_hz: tuple[float, float]
) -> tuple[compared.Part, ...]:
    return compared.band_differences(
        compared.difference(one.curves[compared.BALANCE], first.curves[compared.BALANCE], match_hz=match_hz)
    )


def write_comparison(found: Comparison, folder: Path) -> Path:
    """Write the comparison as a page with its charts; its path. Raises OutputError where it cannot be written."""
    folder = Path(folder).absolute()
    if folder.exists() and not folder.is_dir():
        raise OutputError("the comparison needs a folder, and this is a file", where=str(folder))
    tables = [found.table, *([found.prices] if found.prices is not None else [])]
    page = folder / "index.html"
    if page.is_file() and COMPARISON_MARK not in page.read_text(encoding="utf-8", errors="replace"):
        raise OutputError.of("app.page_no_comparison", where=str(page))
    lines = tuple(v.sentence for v in found.verdicts)
    text = comparison_html(found.charts, tables, lines, title=" and ".join(c.title for c in found.candidates))
    return write_bytes(page, text.encode())


def _placed(
    found: Comparison, group: Group, archive_folder: Path, match_hz: tuple[float, float], progress: Progress
) -> Comparison:
    own = found.candidates[0]
    own = replace(own, key=own.key.partition(" ")[0])
    with Archive.open(archive_folder, create=False) as archive:
        entries = latest_sessions(archive)
    every, missing = [], list(found.missing)
    for place, one in enumerate(entries):
        title = f"{one.maker} {one.name}"
        try:
            every.append(candidate_of(read_loudspeaker(title, archive_folder)))
        except EarwitnessError as error:
            if str(error) not in {str(known) for _, known in missing}:
                missing.append((title, error))
        progress((place + 1) / len(entries), f"read {one.name}")
    currency = None if group.currency is None else group.currency.upper()
    chosen = compared.group_of(every, **asdict(replace(group, currency=currency)))
    ranked = tuple(
        compared.standing(key, own, chosen)
        for key in COMPARED
        if key in own.figures and own.figures[key].value is not None
    )
    likes = compared.nearest(own, chosen, match_hz=match_hz)
    priced = [one for one in chosen if one.price is not None]
    currencies = {one.currency for one in priced}
    prices, offers = (
        (exhibits.price_table(priced), compared.price_frontier(priced)) if len(currencies) == 1 else (None, ())
    )
    told = replace(found, missing=tuple(missing))
    return replace(told, standings=ranked, nearest=likes, prices=prices, offers=offers)


def candidate_of(result: ReadResult) -> compared.Candidate:
    """A reading as a loudspeaker to be compared."""
    spoken = result.session.loudspeaker
    price = None if spoken.price is None else spoken.price.amount * _PIECES[spoken.price.per]
    return compared.Candidate(
        key=str(result.loudspeaker_id),
        title=spoken.title,
        type=spoken.type,
        date=result.session.date,
        figures=compared.at_equal_level(result.reading.figures),
        curves=result.reading.curves,
        price=price,
        currency=None if spoken.price is None else spoken.price.currency,
    )


ALIKE = 3
_SIFTED = 12
# A group of prices reaches from half to twice the own one.
_PRICE_FACTOR = 2.0
_PLURAL = {"subwoofer": "subwoofers", "monitor": "monitors", "other": "loudspeakers of no usual type"}


@dataclass(frozen=True, slots=True, eq=False)
class KnownPeers:
    """Every loudspeaker of the archive that may be shown, at one moment. left_out : those never opened, by number."""

    known: tuple[Neighbor, ...]
    left_out: frozenset[int]


def others_of(archive_folder: Path, *, kind: str | None = None) -> KnownPeers:
    """The loudspeakers of the archive whose data were shown before; kind : of that type, None for all. Raises
    ArchiveError as the archive does.

    Those never opened are left out, so that listening to them can come first: a page about one does not open others.
    """
    with Archive.open(archive_folder, create=False) as archive:
        found = neighbors(archive, RANKED, kind=kind)
        return KnownPeers(tuple(one for one in found if one.is_opened), never_opened(archive))


def compare_with_peers(
    result: ReadResult, archive_folder: Path, *, others: KnownPeers | None = None
) -> PeerComparison | None:
    """Place, likeness and price of a loudspeaker among others of its type; None where there is no other to show.

    others : as they were read before, for many pages at once. Raises as `others_of`.
    """
    own = candidate_of(result)
    others = others_of(archive_folder, kind=own.type) if others is None else others
    same = [one for one in others.known if one.type == own.type and one.loudspeaker_id != result.loudspeaker_id]
    group = [indexed(one, one.figures.values()) for one in same]
    if not group:
        return None
    words = _PLURAL.get(own.type, f"{own.type} loudspeakers")
    groups = [_ranked(own, group, words)]
    low, high = (own.price or 0.0) / _PRICE_FACTOR, (own.price or 0.0) * _PRICE_FACTOR
    priced = [one for one in group if one.price is not None and one.currency == own.currency]
    near = [one for one in priced if low <= (one.price or 0.0) <= high]
    if own.price is not None and near and len(near) < len(group):
        groups.append(_ranked(own, near, f"{words} from {low:,.0f} to {high:,.0f} {own.currency} a pair"))
    alike, candidates = _alike(own, same, archive_folder)
    return PeerComparison(
        own=own,
        groups=tuple(groups),
        alike=alike,
        candidates=candidates,
        offers=compared.price_frontier([*priced, own], key=RATING) if own.price is not None else (),
        currency=own.currency or "",
        left_out=len(others.left_out - {result.loudspeaker_id}),
    )


def _ranked(own: compared.Candidate, group: Sequence[compared.Candidate], words: str) -> RankedGroup:
    judged = [key for key in RANKED if (figure := own.figures.get(key)) is not None and figure.is_judged]
    shared = [key for key in judged if any(key in one.figures for one in group)]
    return RankedGroup(words, len(group), tuple(compared.standing(key, own, group) for key in shared))


def _alike(
    own: compared.Candidate, same: Sequence[Neighbor], archive_folder: Path
) -> tuple[tuple[Alike, ...], tuple[compared.Candidate, ...]]:
    """Those nearest in shape, with all their figures, and what the measurements say of both."""
    group = [indexed(one, one.figures.values(), one.curves) for one in _sifted(own, same)]
    likes = compared.nearest(own, group, count=ALIKE)
    with Archive.open(archive_folder, create=False) as archive:
        every = figures_of(archive, [int(one.key) for one in likes])
    by_key = {one.key: one for one in group}
    whole = [replace(by_key[one.key], figures=indexed_figures(every.get(int(one.key), {}).values())) for one in likes]
    alike = tuple(Alike(like, compared.tell_apart(own, one)) for like, one in zip(likes, whole, strict=True))
    return alike, tuple(whole)


def _sifted(own: compared.Candidate, same: Sequence[Neighbor]) -> Sequence[Neighbor]:
    """Of very many, those that may be nearest, by all distances at once; `nearest` then says which."""
    if len(same) <= 3 * _SIFTED or compared.BALANCE not in own.curves:
        return same
    axis, square = report_axis(), np.zeros(len(same))
    none = np.full((len(SHAPES), 4, len(axis)), np.nan, dtype=np.float32)
    shapes = np.stack([none if one.shapes is None else one.shapes for one in same])
    kept = (axis.hz >= compared.SHAPE_BAND_HZ[0]) & (axis.hz <= compared.SHAPE_BAND_HZ[1])
    for row, key in enumerate(SHAPES):
        if key not in own.curves:
            continue
        curve = own.curves[key]
        there = ~np.isnan(shapes[:, row, 3]).all(axis=1) & curve.axis.same_as(axis)
        if not there.any():
            square += np.inf
            continue
        valid = (shapes[there, row, 3][:, kept] > 0.5) & curve.valid[kept]
        apart = np.where(valid, shapes[there, row, 0][:, kept].astype(float) - curve.values[kept], np.nan)
        if key == compared.BALANCE:
            apart = apart - np.nanmean(apart, axis=1, keepdims=True)
        square[~there] = np.inf
        square[there] += np.nan_to_num(np.nanmean(apart**2, axis=1), nan=np.inf)
    order = np.argsort(square, kind="stable")
    return [same[int(place)] for place in order[: 3 * _SIFTED]]


MOST_SHOWN = 4


def family_of(result: ReadResult, archive_folder: Path) -> Family | None:
    """The latest other sessions of the loudspeaker that count, against the one that was read; None where none is.

    One that cannot be read is told, and the others are shown. Raises ArchiveError as the archive does.
    """
    with Archive.open(archive_folder, create=False) as archive:
        entry = archive.loudspeaker(result.loudspeaker_id)
        counting = [one for one in archive.sessions_of(entry.id) if one.standing == "counts"]
    others = [one for one in reversed(counting) if one.id != result.session_id]
    if not others:
        return None
    read, absent = [result], []
    for one in others[:MOST_SHOWN]:
        try:
            read.append(read_loudspeaker(picking(f"{entry.maker} {entry.name}", session=one.id), archive_folder))
        except EarwitnessError as error:
            absent.append(f"Not shown, {session_words(one)}: {error}")
    absent += [f"Also measured, not shown: {session_words(one)}." for one in others[MOST_SHOWN:]]
    relatives = []
    for other in read[1:]:
        found = _relative(result, other)
        if found is None:
            absent.append(f"Not shown, session {other.session_id}: it has no response on axis to compare.")
        else:
            relatives.append(found)
    alike = [one for one in reversed(read) if one.session.variant == result.session.variant and one.session.unit.label]
    units = units_told(alike) if len({one.session.unit.label for one in alike}) > 1 else None
    return Family(tuple(relatives), units, tuple(absent))


def _relative(shown: ReadResult, other: ReadResult) -> Relative | None:
    """A repair and a later day are told from the earlier to the later one, units and variants against the one shown."""
    kind = _kind(shown.session, other.session)
    is_later = (shown.session.date, shown.session_id) > (other.session.date, other.session_id)
    first, second = (shown, other) if kind in ("repair", "day") and is_later else (other, shown)
    names = _names(first.session, second.session, dated=kind in ("repair", "day"))
    one, two = (replace(candidate_of(row), title=name) for row, name in zip((first, second), names, strict=True))
    found = change(one, two)
    found = paired(found) if found is not None and kind == "pair" else found
    if found is None:
        return None
    name = names[0 if first is other else 1]
    return Relative(kind, other.session_id, change=found, first=one, second=two, words=name)


def _kind(shown: Session, other: Session) -> Kind:
    if is_pair(shown, other):
        return "pair"
    if shown.unit.label and other.unit.label and shown.unit.label != other.unit.label:
        return "sample"
    if shown.variant.condition != other.variant.condition:
        return "repair"
    return "variant" if shown.variant != other.variant else "day"


def _names(first: Session, second: Session, *, dated: bool) -> tuple[str, str]:
    """What each states that the other does not; its day where it states nothing more, or where days matter."""
    parts = [one.state.split(", ") if one.state else [] for one in (first, second)]
    own = [", ".join(part for part in mine if part not in other) for mine, other in (parts, parts[::-1])]
    days = [one.date for one in (first, second)]
    named = [
        (f"{words} ({day})" if dated else words) if words else f"the session of {day}"
        for words, day in zip(own, days, strict=True)
    ]
    return named[0], named[1]
