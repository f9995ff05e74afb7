"""The places that come after the first page: brought in when one is asked for, or beforehand while nothing is.

Their modules import most of the program, five times what the first page needs. They are imported by one thread at a
time, and whoever asks for a place meanwhile waits for it: two threads that import the same modules could see half of
one.
"""

import threading
from importlib import import_module

from fastapi import FastAPI
from starlette.concurrency import run_in_threadpool
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from earwitness.bench.routes import LATER

# A browser that takes longer to open than this finds the places there.
_LONGEST_WAIT_S = 1.0
_FIRST_PAGE = "/"
_FIRST = ("/static/", "/enter/", "/api/jobs", "/api/events", "/api/drafts/")


class LaterPlaces:
    """The places that an application does not have from the start. first_page : set once it was answered."""

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


class WaitForPlaces:
    """ASGI middleware: a request beyond the first page waits until all places are there."""

    def __init__(self, app: ASGIApp, *, places: LaterPlaces) -> None:
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
