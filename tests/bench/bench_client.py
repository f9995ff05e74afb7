"""A client of the bench that has entered it, and a bench that runs for a real browser."""

from __future__ import annotations

import asyncio
import os
import random
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from earwitness.bench.security import Access, cookie_name
from earwitness.bench.server import create_app, free_port
from earwitness.bench.state import Bench
from patience import PATIENCE_S, SLOW

PORT = 8741
BASE = f"http://127.0.0.1:{PORT}"


@contextmanager
def entered(archive: Path) -> Iterator[TestClient]:
    """A client with the cookie, that says it is the bench's own page. Its `app.state.bench` is the bench."""
    gate = Access()
    app = create_app(archive, gate=gate, port=PORT)
    with TestClient(app, base_url=BASE, headers={"Origin": BASE}, raise_server_exceptions=False) as client:
        client.cookies.set(cookie_name(PORT), gate.session)
        yield client


@dataclass(frozen=True, slots=True)
class Running:
    """A bench that answers on a port. address : of one use; base : without the token; bench : its state."""

    address: str
    base: str
    bench: Bench


def late(app: Any) -> Any:
    """The application as on a machine with much to do: answers come late, each by another time, drawn by a seed."""
    draw = random.Random(int(os.environ.get("EARWITNESS_SLOW_SEED", "1")))

    async def answer(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "http" and not scope["path"].startswith("/static"):
            await asyncio.sleep(draw.uniform(0.0, SLOW / 10.0))
        await app(scope, receive, send)

    return answer


@contextmanager
def running(archive: Path) -> Iterator[Running]:
    """The bench as a server in a thread, for Chromium."""
    import uvicorn

    with free_port(None) as place:
        port = place.getsockname()[1]
        gate = Access()
        app = create_app(archive, gate=gate, port=port)
        config = uvicorn.Config(late(app) if SLOW > 1.0 else app, log_level="error", timeout_graceful_shutdown=1)
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [place]}, daemon=True)
        thread.start()
        try:
            while not server.started:
                thread.join(0.02)
                assert thread.is_alive(), "the bench did not start"
            base = f"http://127.0.0.1:{port}"
            yield Running(f"{base}/enter/{gate.token}", base, app.state.bench)
        finally:
            server.should_exit = True
            thread.join(PATIENCE_S)
