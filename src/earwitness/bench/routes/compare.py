"""The place Compare: the catalogue with its figures, loudspeakers over each other, ranks, prices, saved groups."""

from dataclasses import asdict, replace
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import HTMLResponse
from pydantic import Field

from earwitness.app.compare import COMPARED, compare_results
from earwitness.app.jobs import Progress
from earwitness.app.shelf import (
    browse_catalogue,
    figure_range,
    index_missing,
    shelf_facts,
    shelf_prices,
    shelf_standings,
)
from earwitness.archive.search import FoundFigure, SearchQuery
from earwitness.bench.pages import page, part, safe
from earwitness.bench.state import BenchState, Body, Entry
from earwitness.errors import InputError
from earwitness.exhibits.compare import CURVES, MOST, differs
from earwitness.exhibits.figures_table import SIGNED, figure_name
from earwitness.exhibits.record import record
from earwitness.exhibits.words import figure_words
from earwitness.figures.registry import FIGURES, base_key
from earwitness.insight.compare import BALANCE, MATCH_BAND_HZ
from earwitness.quantities import Figure
from earwitness.render.html import figure_html, table_html

router = APIRouter()
WIDTH_PX = 960
ROWS = 100
USUAL_COLUMNS = ("preference_rating", "sensitivity", "f6", "linearity_half_range")
Ids = Annotated[str, Query(pattern=r"^\d{1,15}(,\d{1,15}){0,3}$", max_length=70)]
# A loudspeaker by its number, with the number of a session behind the mark where it is not the one shown.
_ONE = r"\d{1,15}(@\d{1,15})?"
Wanted = Annotated[str, Query(pattern=rf"^{_ONE}(,{_ONE}){{0,3}}$", max_length=140)]
Text = Annotated[str, Query(max_length=300)]
Word = Annotated[str | None, Query(max_length=60)]
Price = Annotated[float | None, Query(ge=0, le=1e12, allow_inf_nan=False)]
Ranges = Annotated[list[str] | None, Query(max_length=12)]
Hz = Annotated[float, Query(ge=20, le=20_000, allow_inf_nan=False)]


def _left(
    q: Text = "",
    type: Word = None,
    currency: Word = None,
    price_low: Price = None,
    price_high: Price = None,
    figure: Ranges = None,
) -> SearchQuery:
    """What the filters of the place leave. figure : ranges as "f6=30:45"."""
    return SearchQuery(
        text=q,
        figures=tuple(figure_range(text[:120]) for text in figure or ()),
        type=type or None,
        currency=currency or None,
        price_low=price_low,
        price_high=price_high,
        limit=ROWS,
    )


Left = Annotated[SearchQuery, Depends(_left)]


class ChosenLoudspeakers(Body):
    """Loudspeakers by number, "3", or with a session of theirs, "3@12"."""

    ids: Annotated[
        list[Annotated[int, Field(ge=1, le=2**53)] | Annotated[str, Field(pattern=f"^{_ONE}$")]],
        Field(min_length=2, max_length=MOST),
    ]


@router.get("/compare", response_class=HTMLResponse, include_in_schema=False)
def compare_start(request: Request, bench: BenchState) -> HTMLResponse:
    """The catalogue."""
    facts = shelf_facts(bench.archive_folder)
    return page(
        request, "compare.html.jinja", place="compare", title="Compare", facts=facts, data=_page_data(facts, None)
    )


@router.get("/compare/{loudspeaker_id}", response_class=HTMLResponse, include_in_schema=False)
def compare_one(request: Request, bench: BenchState, entry: Entry) -> HTMLResponse:
    """The catalogue, with one loudspeaker chosen."""
    facts = shelf_facts(bench.archive_folder)
    return page(
        request,
        "compare.html.jinja",
        place="compare",
        title="Compare",
        loudspeaker=entry,
        facts=facts,
        data=_page_data(facts, entry.id),
    )


@router.get("/compare/part/beside", response_class=HTMLResponse, include_in_schema=False)
def compare_beside(
    request: Request,
    bench: BenchState,
    ids: Wanted,
    low_hz: Hz = MATCH_BAND_HZ[0],
    high_hz: Hz = MATCH_BAND_HZ[1],
    curve: Annotated[str, Query(pattern=f"^({'|'.join(CURVES)})$")] = BALANCE,
) -> HTMLResponse:
    """Charts, figures and verdicts of two to four loudspeakers."""
    if low_hz >= high_hz:
        raise InputError("the band in which levels are matched is empty", expected="the lower frequency first")
    wanted = [_parted(one) for one in ids.split(",")]
    results = [bench.reading(number, session_id=session) for number, session in wanted]
    found = compare_results(results, match_hz=(low_hz, high_hz), curve=curve)
    for number, _ in wanted:
        bench.saw(number, "compare asked")
    rows = found.table.rows
    apart = tuple(row for row in rows if differs(row))
    return part(
        request,
        "compare_beside.html.jinja",
        charts=[safe(figure_html(chart, WIDTH_PX)) for chart in found.charts],
        table=safe(table_html(replace(found.table, rows=apart))) if apart else "",
        count=len(rows) - len(apart),
        rest=safe(table_html(replace(found.table, rows=rows[len(apart) :], key="compare_alike", note=""))),
        verdicts=found.verdicts,
        names=[(one.key, one.title) for one in found.candidates],
    )


@router.post("/api/compare/ready", tags=["compare"])
def compare_ready(bench: BenchState, body: ChosenLoudspeakers) -> dict[str, Any]:
    """Whether these loudspeakers are read already, so that laying them over each other takes no time."""
    wanted = [_parted(str(one)) for one in body.ids]
    return {"is_ready": all(bench.holds_reading(bench.loudspeaker(one).id, session) for one, session in wanted)}


@router.post("/api/compare/read", tags=["compare"])
def compare_read(bench: BenchState, body: ChosenLoudspeakers) -> dict[str, Any]:
    """Read loudspeakers so that they can be laid over each other, as a job."""
    wanted = [_parted(str(one)) for one in body.ids]
    entries = [bench.loudspeaker(number) for number, _ in wanted]

    def work(progress: Progress) -> dict[str, Any]:
        for place, (entry, (_, session)) in enumerate(zip(entries, wanted, strict=True)):
            progress(place / len(entries), f"read {entry.name}")
            bench.reading(entry.id, session_id=session)
        return {"ids": body.ids}

    return asdict(bench.jobs.start("Read " + ", ".join(one.name for one in entries), work))


@router.post("/api/compare/index", tags=["compare"])
def compare_index(bench: BenchState) -> dict[str, Any]:
    """Read every loudspeaker that the catalogue does not know yet, as a job."""

    def work(progress: Progress) -> dict[str, Any]:
        with bench.heavy:
            return {"failed": index_missing(bench.archive_folder, progress=progress)}

    return asdict(bench.jobs.start("Bring the catalogue up to date", work))


@router.get("/api/compare/catalogue", tags=["compare"])
def compare_catalogue(
    bench: BenchState,
    left: Left,
    columns: Text = "",
    sort: Annotated[str, Query(max_length=80)] = "title",
    descending: bool = False,
    offset: Annotated[int, Query(ge=0, le=10**9)] = 0,
    opened: bool = False,
) -> dict[str, Any]:
    """A page of the catalogue. columns : keys of the figures to show, with commas;
    opened : show figures of loudspeakers never opened too, which opens them."""
    query = replace(left, sort=sort, descending=descending, offset=offset)
    wanted = [key for key in columns.split(",") if key][:24] if columns else list(USUAL_COLUMNS)
    found = browse_catalogue(query, bench.archive_folder, open_all=opened)
    return {
        **record(found, "total left_out"),
        "offset": offset,
        "limit": ROWS,
        "rows": [
            {
                **record(row, "title type date", id="loudspeaker_id"),
                "price": None if row.price is None else f"{row.price:,.0f} {row.currency}",
                "is_closed": row.loudspeaker_id in found.closed,
                "figures": {f.key: _words(f) for f in row.figures if f.key in wanted},
            }
            for row in found.rows
        ],
    }


@router.get("/api/compare/standings", tags=["compare"])
def compare_standings(bench: BenchState, ids: Ids, left: Left) -> dict[str, Any]:
    """Rank and percentile of loudspeakers among the opened ones that the filters leave."""
    numbers = [int(one) for one in dict.fromkeys(ids.split(","))]
    found = shelf_standings(numbers, COMPARED, left, bench.archive_folder)
    named = {k: [{**asdict(one), "name": figure_name(one.key)} for one in rows] for k, rows in found.items()}
    return {"standings": [{"id": number, "rows": rows} for number, rows in named.items()]}


@router.get("/api/compare/prices", tags=["compare"])
def compare_prices(bench: BenchState, left: Left) -> dict[str, Any]:
    """Price against preference rating of the opened loudspeakers that the filters leave, cheapest first."""
    offers, told = shelf_prices(left, bench.archive_folder)
    return {"currency": told, "figure": figure_name("preference_rating"), "offers": [asdict(one) for one in offers]}


def _parted(wanted: str) -> tuple[int, int | None]:
    number, _, session = wanted.partition("@")
    return int(number), int(session) if session else None


def _page_data(facts: Any, in_hand: int | None) -> dict[str, Any]:
    order = {key: place for place, key in enumerate(FIGURES)}
    figures = sorted(facts.figures, key=lambda one: (order.get(base_key(one.key), len(order)), one.key))
    return {
        "in_hand": in_hand,
        "columns": list(USUAL_COLUMNS),
        "most": MOST,
        "curves": CURVES,
        "figures": [{"key": f.key, "name": figure_name(f.key), "unit": f.unit, "count": f.count} for f in figures],
    }


def _words(one: FoundFigure) -> str:
    return figure_words(Figure(one.key, one.value, one.u, one.unit, None, "", bound=one.bound), sign=one.key in SIGNED)
