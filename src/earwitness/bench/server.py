"""The bench's web application, and the server that runs it on this machine alone."""

import asyncio
import signal
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from importlib.resources import files
from pathlib import Path
from types import FrameType

from fastapi import FastAPI, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware

from earwitness import __version__
from earwitness.bench.later import LaterPlaces, WaitForPlaces
from earwitness.bench.pages import install_errors
from earwitness.bench.routes import FIRST
from earwitness.bench.security import Gate, Guard, cookie_name
from earwitness.bench.state import Bench
from earwitness.errors import InputError
from earwitness.render.html import chart_script
from earwitness.render.theme import base_css, theme_css

HOST = "127.0.0.1"
# How long a request that has begun may be silent [s].
PATIENCE_S = 30.0
_KINDS = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml", ".txt": "text/plain"}


def create_app(archive_folder: Path, *, gate: Gate, port: int) -> FastAPI:
    """The bench on an archive, its places brought in when they are asked for.

    Raises ArchiveError and OutputError as opening the archive does.
    """
    bench = Bench(archive_folder)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        yield
        bench.close()

    app = FastAPI(
        title="Earwitness bench",
        version=__version__,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        lifespan=lifespan,
    )
    app.state.bench = bench
    app.state.gate = gate
    app.state.cookie = cookie_name(port)
    install_errors(app)
    app.get("/enter/{token}", include_in_schema=False)(_enter)
    app.get("/static/{name}", include_in_schema=False)(_static)
    for router in FIRST:
        app.include_router(router)
    places = LaterPlaces(app)
    app.state.places = places
    app.add_middleware(WaitForPlaces, places=places)
    app.add_middleware(GZipMiddleware, minimum_size=1000, compresslevel=5)
    app.add_middleware(Guard, gate=gate, port=port)
    return app


def free_port(wanted: int | None) -> socket.socket:
    """A listening place on this machine. Raises InputError where the wanted port is taken."""
    place = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    place.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        place.bind((HOST, wanted or 0))
    except OSError as error:
        place.close()
        raise InputError.of("bench.port_taken", wanted=wanted, error=error) from None
    return place


def _patient() -> type[asyncio.Protocol]:
    """uvicorn's protocol, which lets go of a connection that begins a request and does not go on with it."""
    import h11
    from uvicorn.protocols.http.h11_impl import H11Protocol

    class Patient(H11Protocol):
        heard_s = 0.0

        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            super().connection_made(transport)
            self.heard_s = self.loop.time()
            self.loop.call_later(PATIENCE_S / 2, self._look)

        def data_received(self, data: bytes) -> None:
            self.heard_s = self.loop.time()
            super().data_received(data)

        def _look(self) -> None:
            if self.transport.is_closing():
                return
            # Between requests uvicorn has a timeout of its own; an answer may take as long as it does.
            waits = self.conn.their_state is h11.SEND_BODY or (self.conn.their_state is h11.IDLE and self.cycle is None)
            if waits and self.loop.time() - self.heard_s > PATIENCE_S:
                self.transport.close()
                return
            self.loop.call_later(PATIENCE_S / 2, self._look)

    return Patient


def serve(archive_folder: Path, *, port: int | None, ready: Callable[[str], None]) -> None:
    """Serve until stopped. ready : told the address to open, once it answers."""
    import uvicorn

    with free_port(port) as place:
        at = place.getsockname()[1]
        gate = Gate()
        app = create_app(archive_folder, gate=gate, port=at)
        places: LaterPlaces = app.state.places
        config = uvicorn.Config(
            app, log_level="warning", server_header=False, timeout_graceful_shutdown=2, ws="none", http=_patient()
        )

        class Server(uvicorn.Server):
            was_interrupted = False

            def handle_exit(self, sig: int, frame: FrameType | None) -> None:
                self.was_interrupted |= sig == signal.SIGINT
                super().handle_exit(sig, frame)

            async def startup(self, sockets: list[socket.socket] | None = None) -> None:
                await super().startup(sockets=sockets)
                ready(f"http://{HOST}:{at}/enter/{gate.token}")
                places.start_beforehand()

        server = Server(config)
        try:
            server.run(sockets=[place])
        finally:
            places.stop()
        # Started where Ctrl-C is ignored, as a shell starts what it runs beside itself, the server ends in silence.
        if server.was_interrupted:
            raise KeyboardInterrupt


async def _enter(request: Request, token: str) -> Response:
    gate: Gate = request.app.state.gate
    if not gate.enter(token):
        if request.cookies.get(request.app.state.cookie) == gate.session:
            return RedirectResponse("/", status_code=303)
        return HTMLResponse(
            "<!doctype html><html lang=en><title>Earwitness bench</title><p>This address was used already, or is not "
            "the one the bench printed. Stop the bench with Ctrl-C and start it again for a new one.</p></html>",
            status_code=403,
        )
    answer: Response = RedirectResponse("/", status_code=303)
    if request.headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
        # From a file that holds the address: a page of the bench's own must ask for the next one, or the browser would
        # not show it the cookie.
        answer = HTMLResponse(
            "<!doctype html><html lang=en><title>Earwitness bench</title>"
            '<meta http-equiv="refresh" content="0;url=/"><p><a href="/">To the bench</a></p></html>'
        )
    answer.set_cookie(request.app.state.cookie, gate.session, httponly=True, samesite="strict", path="/")
    return answer


async def _static(name: str) -> Response:
    made = {"theme.css": theme_css, "base.css": base_css, "charts.js": chart_script}
    if name in made:
        return Response(made[name](), media_type=_KINDS[Path(name).suffix])
    folder = files("earwitness.bench").joinpath("static")
    kind = _KINDS.get(Path(name).suffix)
    known = {one.name for one in folder.iterdir()}
    if kind is None or name not in known:
        raise HTTPException(404)
    return Response(folder.joinpath(name).read_bytes(), media_type=kind)
