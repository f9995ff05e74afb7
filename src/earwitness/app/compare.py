"""Loudspeakers of the archive beside each other."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from earwitness import __version__
from earwitness.app.columns import hung
from earwitness.app.jobs import Canceled, Progress, part, silent
from earwitness.app.read import ReadResult, read_loudspeaker
from earwitness.app.units import alike, units_told
from earwitness.archive.catalogue import Archive
from earwitness.archive.latest import latest_sessions
from earwitness.errors import AudioError, EarwitnessError, FormatError, InputError, OutputError
from earwitness.exhibits.chart import Chart, Table
from earwitness.exhibits.compare import (
    MOST,
    compare_change,
    compare_curves,
    compare_difference,
    compare_table,
    price_table,
)
from earwitness.exhibits.figures_table import figure_name
from earwitness.exhibits.record import record
from earwitness.exhibits.words import value_words
from earwitness.files.durable import write_bytes
from earwitness.insight.change import Change, change
from earwitness.insight.compare import (
    BALANCE,
    MATCH_BAND_HZ,
    BandDifference,
    Candidate,
    Likeness,
    Offer,
    Standing,
    Verdict,
    at_equal_level,
    band_differences,
    compare_figures,
    difference,
    group_of,
    nearest,
    price_frontier,
    standing,
    verdicts,
)
from earwitness.insight.pair import paired
from earwitness.publish.site.index import COMPARISON_MARK, comparison_html
from earwitness.session.session import Session

DOCUMENT = "earwitness.comparison"
_PIECES = {"piece": 2.0, "pair": 1.0}
_LETTERS, _NAME_WIDTH, _VALUE_WIDTH = "ABCD", 26, 25
RANKED = ("preference_rating", "sensitivity", "f6", "linearity_half_range")


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

    candidates: tuple[Candidate, ...]
    charts: tuple[Chart, ...]
    table: Table
    verdicts: tuple[Verdict, ...]
    standings: tuple[Standing, ...] = ()
    nearest: tuple[Likeness, ...] = ()
    prices: Table | None = None
    offers: tuple[Offer, ...] = ()
    match_hz: tuple[float, float] = MATCH_BAND_HZ
    missing: tuple[tuple[str, EarwitnessError], ...] = ()
    changes: tuple[Change, ...] = ()


def compare_loudspeakers(
    names: Sequence[str],
    archive_folder: Path,
    *,
    match_hz: tuple[float, float] = MATCH_BAND_HZ,
    curve: str = BALANCE,
    group: Group | None = None,
    progress: Progress = silent,
) -> Comparison:
    """Two to four loudspeakers beside each other; with `group`, the first one's place in it as well.

    A name may pick a session, "name @ session 3", so that a loudspeaker is compared with itself: other units, other
    states, before and after. One that cannot be read is in `missing` while two others can be. Raises InputError for
    another number of names, an unknown one or one session that is named twice, or a band in which levels cannot be
    matched; else as `read_loudspeaker`.
    """
    if not 2 <= len(names) <= MOST:
        raise InputError(f"{len(names)} loudspeakers were named", expected=f"2 to {MOST}")
    share = 0.4 if group is not None else 1.0
    results: list[ReadResult] = []
    missing: list[tuple[str, EarwitnessError]] = []
    for i, name in enumerate(names):
        told = part(progress, share * i / 4, share * (i + 1) / 4)
        try:
            results.append(read_loudspeaker(name, archive_folder, progress=told))
        except EarwitnessError as error:
            # Slips of the one who asks are told at once; two that can be read can still be compared.
            if isinstance(error, InputError | Canceled) and not isinstance(error, AudioError | FormatError):
                raise
            missing.append((name, error))
    if len(results) < 2:
        raise missing[0][1]
    found = replace(compare_results(results, match_hz=match_hz, curve=curve), missing=tuple(missing))
    return found if group is None else _placed(found, group, archive_folder, match_hz, part(progress, share, 1.0))


def compare_results(
    results: Sequence[ReadResult], *, match_hz: tuple[float, float] = MATCH_BAND_HZ, curve: str = BALANCE
) -> Comparison:
    """Two to four readings beside each other, with how far units of each spread where the archive has several.

    curve : one of CURVES, which the charts show
    Raises InputError as `compare_loudspeakers`.
    """
    if not 2 <= len(results) <= MOST:
        raise InputError(f"{len(results)} loudspeakers were named", expected=f"2 to {MOST}")
    if len({one.session_id for one in results}) != len(results):
        raise InputError.of("app.session_twice", where=", ".join(one.session.loudspeaker.title for one in results))
    chosen = _told_apart(results)
    if not all(_same_model(one, results[0]) for one in results):
        chosen = [replace(one, next_unit=_next_unit(row)) for one, row in zip(chosen, results, strict=True)]
    told = verdicts(chosen, match_hz=match_hz)
    charts = [
        compare_difference(*chosen, match_hz=match_hz, curve=curve),
        compare_curves(chosen, told, match_hz=match_hz, curve=curve),
    ]
    changes = []
    for one, result in zip(chosen[1:], results[1:], strict=True):
        found = change(chosen[0], one) if _same_model(result, results[0]) else None
        if found is not None:
            changes.append((paired(found) if is_pair(result.session, results[0].session) else found, one))
    charts = [compare_change(found, chosen[0], one) for found, one in changes] + charts
    told_changes = tuple(found for found, _ in changes)
    table = compare_table(chosen)
    return Comparison(tuple(chosen), tuple(charts), table, told, match_hz=match_hz, changes=told_changes)


def _next_unit(result: ReadResult) -> dict[str, tuple[float, float]]:
    """Mean of a model's units and how far 95 % of further ones lie from it, by figure; empty where one cannot be
    read."""
    try:
        sessions = [one for unit in alike(result) for one in unit]
    except Canceled:
        raise
    except EarwitnessError:
        return {}
    figures = units_told(sessions).figures if sessions else {}
    return {key: (one.mean, (one.next_high - one.next_low) / 2.0) for key, one in figures.items()}


def is_pair(one: Session, other: Session) -> bool:
    """Whether one is the left and the other the right of a pair."""
    return {one.unit.side, other.unit.side} == {"left", "right"}


def _same_model(one: ReadResult, other: ReadResult) -> bool:
    return one.loudspeaker_id == other.loudspeaker_id


def _told_apart(results: Sequence[ReadResult]) -> list[Candidate]:
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
        lines += [
            f"    {figure_name(s.key)}: rank {s.rank} of {s.group}, percentile {s.percentile:.0f}; " + _alike_words(s)
            for s in found.standings
        ]
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
                **record(one, "title", "type", "date", "currency", price_pair="price"),
                "figures": {
                    key: record(figure, "value", "unit", "bound", standard_uncertainty="u")
                    for key, figure in one.figures.items()
                },
            }
            for one in found.candidates
        ],
        "differences": [
            {
                "less": first.title,
                "of": one.title,
                "figures": [asdict(pair) for pair in compare_figures(one, first)],
                "bands": [asdict(band) for band in _bands(one, first, found.match_hz)],
            }
            for one in others
        ],
        "verdicts": [asdict(verdict) for verdict in found.verdicts],
        "standings": [asdict(standing) for standing in found.standings],
        "nearest": [asdict(one) for one in found.nearest],
        "prices": [asdict(offer) for offer in found.offers],
        "changes": [
            {
                **record(one, "sentence", "band_hz", "within_db", "critical", verdict="told"),
                "parts": [asdict(part) for part in one.parts],
                "figures": [asdict(pair) for pair in one.figures],
            }
            for one in found.changes
        ],
        "missing": [{"name": name, "because": str(error)} for name, error in found.missing],
    }


def _bands(one: Candidate, first: Candidate, match_hz: tuple[float, float]) -> tuple[BandDifference, ...]:
    return band_differences(difference(one.curves[BALANCE], first.curves[BALANCE], match_hz=match_hz))


def _alike_words(standing: Standing) -> str:
    others = standing.not_told_apart
    if others == 0:
        return "told from all others"
    return f"{others} other{'s' if others != 1 else ''} cannot be told from it"


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
        except Canceled:
            raise
        except EarwitnessError as error:
            if str(error) not in {str(known) for _, known in missing}:
                missing.append((title, error))
        progress((place + 1) / len(entries), f"read {one.name}")
    currency = None if group.currency is None else group.currency.upper()
    chosen = group_of(every, **asdict(replace(group, currency=currency)))
    ranked = tuple(
        standing(key, own, chosen) for key in RANKED if key in own.figures and own.figures[key].value is not None
    )
    likes = nearest(own, chosen, match_hz=match_hz)
    priced = [one for one in chosen if one.price is not None]
    currencies = {one.currency for one in priced}
    prices, offers = (price_table(priced), price_frontier(priced)) if len(currencies) == 1 else (None, ())
    told = replace(found, missing=tuple(missing))
    return replace(told, standings=ranked, nearest=likes, prices=prices, offers=offers)


def candidate_of(result: ReadResult) -> Candidate:
    """A reading as a loudspeaker to be compared."""
    spoken = result.session.loudspeaker
    price = None if spoken.price is None else spoken.price.amount * _PIECES[spoken.price.per]
    return Candidate(
        key=str(result.loudspeaker_id),
        title=spoken.title,
        type=spoken.type,
        date=result.session.date,
        figures=at_equal_level(result.reading.figures),
        curves=result.reading.curves,
        price=price,
        currency=None if spoken.price is None else spoken.price.currency,
    )
