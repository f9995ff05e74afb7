"""How the bench answers: a page of a place, a part of one, or an error in words."""

from collections.abc import Mapping, Sequence
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse
from markupsafe import Markup
from starlette.exceptions import HTTPException

from earwitness import __version__
from earwitness.app.jobs import error_record
from earwitness.archive.choose import state_words
from earwitness.archive.drafts import StaleDraftError
from earwitness.bench.state import UnknownLoudspeakerError, bench_of
from earwitness.errors import ArchiveError, EarwitnessError, InputError, OutputError
from earwitness.files.data import file_text, table_of

PLACES = table_of("bench", "places")["places"]


def page(request: Request, template: str, *, place: str, title: str, **shown: Any) -> HTMLResponse:
    """A page of the bench from a template. place : verb it belongs to, "" for none; shown : what the template shows;
    `loudspeaker` among it is the one in hand."""
    bench = bench_of(request)
    loudspeaker = shown.pop("loudspeaker", None)
    if loudspeaker is not None and place in ("mend", "match", "compare"):
        bench.saw(loudspeaker.id, place)
    sessions = bench.sessions(loudspeaker.id) if loudspeaker is not None else ()
    chosen = bench.shown(loudspeaker.id) if len(sessions) > 1 else None
    text = (
        _environment(request)
        .get_template(template)
        .render(
            place=place,
            title=title,
            loudspeaker=loudspeaker,
            loudspeakers=bench.loudspeakers(),
            sessions=[(one.id, state_words(one)) for one in sessions],
            session_shown=None if chosen is None else chosen.id,
            places=PLACES,
            version=__version__,
            **shown,
        )
    )
    return HTMLResponse(text)


def part(request: Request, template: str, **shown: Any) -> HTMLResponse:
    """A piece of a page, for a script to put in its place."""
    return HTMLResponse(_environment(request).get_template(template).render(**shown))


def safe(html: str) -> Markup:
    """HTML of our own renderers, which escape what comes from outside."""
    return Markup(html)


def install_errors(app: FastAPI) -> None:
    """Answer every error in words: JSON under /api/, else a page."""

    @app.exception_handler(EarwitnessError)
    async def known(request: Request, error: EarwitnessError) -> Response:
        record = error_record(error)
        if isinstance(error, StaleDraftError):
            record["now"] = {"revision": error.now.revision, "value": error.now.value}
        return _answer(request, _status(error), record)

    @app.exception_handler(RequestValidationError)
    async def malformed(request: Request, error: RequestValidationError) -> Response:
        return _answer(request, 422, _malformed(error.errors()))

    @app.exception_handler(HTTPException)
    async def other(request: Request, error: HTTPException) -> Response:
        what = "there is no such page" if error.status_code == 404 else str(error.detail)
        remedy = "choose a place on the left" if error.status_code == 404 else ""
        answer = _answer(request, error.status_code, {"what": what, "where": "", "expected": "", "remedy": remedy})
        for name, value in (error.headers or {}).items():
            answer.headers[name] = value
        return answer

    @app.exception_handler(Exception)
    async def unknown(request: Request, error: Exception) -> Response:
        return _answer(request, 500, error_record(InputError.of("bench.fault", kind=type(error).__name__)))


def _malformed(faults: Sequence[Any]) -> dict[str, str]:
    """What is wrong with what was sent: of a value that a field refuses, in the words of its bound or its reason."""
    record = {"what": "the request cannot be understood", "where": "", "expected": "", "remedy": ""}
    first = faults[0]
    # Where it was sent in says nothing to a person.
    name = " ".join(str(part) for part in first["loc"][1:])
    bounds = {"less_than_equal": ("le", "at most"), "greater_than_equal": ("ge", "at least")}
    if first["type"] in bounds:
        bound, words = bounds[first["type"]]
        record["what"] = f"{name} cannot be {str(first['input'])[:60]}"
        record["expected"] = f"{words} {first['ctx'][bound]:.15g}"
    elif first["type"] == "value_error":
        record["what"] = first["msg"].removeprefix("Value error, ")[:500]
    else:
        record["where"] = "; ".join(f"{'.'.join(str(p) for p in one['loc'])}: {one['msg']}" for one in faults[:5])[:500]
    return record


def _status(error: EarwitnessError) -> int:
    if isinstance(error, StaleDraftError):
        return 409
    if isinstance(error, UnknownLoudspeakerError):
        return 404
    if isinstance(error, InputError):
        return 422
    return 507 if isinstance(error, OutputError) else 503 if isinstance(error, ArchiveError) else 500


def _answer(request: Request, status: int, record: Mapping[str, Any]) -> Response:
    path = request.url.path
    if path.startswith("/api/"):
        return JSONResponse(dict(record), status_code=status)
    if request.headers.get("wants-piece"):
        text = _environment(request).get_template("error_part.html.jinja").render(error=record)
        return HTMLResponse(text, status_code=status)
    answer = page(request, "error.html.jinja", place="", title=record["what"], error=record)
    answer.status_code = status
    return answer


def _environment(request: Request) -> Any:
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    kept = getattr(request.app.state, "templates", None)
    if kept is None:
        kept = Environment(
            loader=FunctionLoader(lambda name: file_text("bench", f"templates/{name}")),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        request.app.state.templates = kept
    return kept
