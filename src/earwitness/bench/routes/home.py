"""The first page: the loudspeakers of the archive, and what comes next."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from earwitness.bench.pages import page

router = APIRouter(include_in_schema=False)


@router.get("/", response_class=HTMLResponse)
def home(request: Request) -> HTMLResponse:
    """Where a day begins."""
    return page(request, "home.html.jinja", place="", title="Loudspeakers")
