"""The bench's web application, and the server that runs it on this machine alone."""

import asyncio
import signal
import socket
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from importlib import import_module
from importlib.resources import files
from pathlib import Path
from types import FrameType

from fastapi import FastAPI, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from earwitness import __version__
from earwitness.bench.pages import install_errors
from earwitness.bench.routes import FIRST, LATER
from earwitness.bench.security import Access, Guard, cookie_name
from earwitness.bench.state import Bench
from earwitness.errors import InputError
from earwitness.render.html import chart_script
from earwitness.render.theme import base_css, theme_css

# A browser that takes longer to open than this finds the places there.
_LONGEST_WAIT_S = 1.0
_FIRST_PAGE = "/"
_FIRST = ("/static/", "/enter/", "/api/jobs", "/api/events", "/api/drafts/")


class DeferredRoutes:
    """The places that an application does not have from the start. first_page : set once it was answered.

    Their modules import most of the program, five times what the first page needs. They are imported by one thread at a
    time, and whoever asks for a place meanwhile waits for it: two threads that import the same modules could see half
    of one.
    """

    def __init__(self, app: FastAPI) -> None:
        self.first_page = threading.Event()
        self._app = app
        self._left = list(LATER)
        self._lock = threading.Lock()
        self._wants_stop = False
        self._thread: threading.Thread | None = None

    @property
    def is_whole(self) -> bool:
        """Whether all places are there."""
        return not self._left

    def bring_in(self) -> None:
        """All places, when it returns. Raises what importing them raises; the next call goes on where it was."""
        while self._bring_in_next():
            pass

    def start_beforehand(self) -> None:
        """Bring them in with a thread of its own, once the first page was answered, or a moment later where nobody
        asks for it."""
        self._thread = threading.Thread(target=self._bring_in_beforehand, name="places")
        self._thread.start()

    def stop(self) -> None:
        """End that thread, after the place it is at."""
        self._wants_stop = True
        self.first_page.set()
        if self._thread is not None:
            self._thread.join()

    def _bring_in_beforehand(self) -> None:
        self.first_page.wait(_LONGEST_WAIT_S)
        try:
            while not self._wants_stop and self._bring_in_next():
                pass
        except Exception:
            # Whoever asks for the place meets the same fault and is told.
            return

    def _bring_in_next(self) -> bool:
        """One more place; False where all are there."""
        with self._lock:
            if self._left:
                module = import_module(f"earwitness.bench.routes.{self._left[0]}")
                self._app.include_router(module.router)
                del self._left[0]
            return bool(self._left)


class WaitForRoutes:
    """ASGI middleware: a request beyond the first page waits until all places are there."""

    def __init__(self, app: ASGIApp, *, places: DeferredRoutes) -> None:
        self.app = app
        self.places = places

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or self.places.is_whole:
            await self.app(scope, receive, send)
            return
        if scope["path"] == _FIRST_PAGE:
            await self.app(scope, receive, self._watched(send))
            return
        if not scope["path"].startswith(_FIRST):
            await run_in_threadpool(self.places.bring_in)
        await self.app(scope, receive, send)

    def _watched(self, send: Send) -> Send:
        async def watched(message: Message) -> None:
            await send(message)
            if message["type"] == "http.response.body" and not message.get("more_body", False):
                self.places.first_page.set()

        return watched


HOST = "127.0.0.1"
# How long a request that has begun may be silent [s].
PATIENCE_S = 30.0
_KINDS = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml", ".txt": "text/plain"}


def create_app(archive_folder: Path, *, gate: Access, port: int) -> FastAPI:
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
    places = DeferredRoutes(app)
    app.state.places = places
    app.add_middleware(WaitForRoutes, places=places)
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
        gate = Access()
        app = create_app(archive_folder, gate=gate, port=at)
        places: DeferredRoutes = app.state.places
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
    gate: Access = request.app.state.gate
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
