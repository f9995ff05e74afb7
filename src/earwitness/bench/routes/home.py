"""The first page: the desk, with every loudspeaker and what comes next."""

from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from earwitness.bench import home as desk
from earwitness.bench.pages import page, part
from earwitness.bench.state import BenchState
from earwitness.files.data import table_of

router = APIRouter(include_in_schema=False)
_WORDS = table_of("bench", "places")


@router.get("/", response_class=HTMLResponse)
def home(
    request: Request,
    bench: BenchState,
    q: Annotated[str, Query(max_length=200)] = "",
    order: desk.Order = "work",
    which: desk.Which = "all",
    at: Annotated[int, Query(ge=1, le=10_000)] = 1,
) -> HTMLResponse:
    """Where a day begins; its list alone where a script asks for a piece."""
    told = desk.home(bench.archive_folder, words=q, order=order, which=which, page=at)

    def address(**other: object) -> str:
        return "/?" + urlencode({"q": q, "order": order, "which": which, **other})

    shown = {"desk": told, "q": q, "order": order, "which": which, "address": address}
    shown |= {"orders": _WORDS["orders"], "whiches": _WORDS["which"], "verbs": desk.VERBS}
    if request.headers.get("wants-piece"):
        return part(request, "home_list.html.jinja", **shown)
    return page(request, "home.html.jinja", place="", title="Desk", **shown)
