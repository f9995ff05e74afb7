"""Who may talk to the bench: this machine's browser, once it has shown the token of the address.

Other pages that the tester's browser has open must not reach the bench, so the host, the origin, the cookie and the
size of what is sent are checked before anything else (DNS rebinding and cross-site requests; RFC 9110, 7.2; RFC 6454).
"""

import hmac
import secrets
from dataclasses import dataclass, field

from starlette.datastructures import MutableHeaders
from starlette.requests import HTTPConnection
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from earwitness.files.data import table_of

MOST_BODY_BYTES = 2_000_000
UPLOADS = "/api/uploads/"
MOST_UPLOAD_BYTES = 4_000_000_000
_SAFE = {"GET", "HEAD", "OPTIONS"}
_OPEN = ("/enter/", "/static/")
POLICY: str = table_of("bench", "policies")["page"]


@dataclass(slots=True)
class Access:
    """What opens the bench. token : in the address, good for one use; session : the cookie that it buys."""

    token: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    session: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    is_used: bool = False

    def enter(self, token: str) -> bool:
        """Whether this token opens the bench; it does so once."""
        right = hmac.compare_digest(token.encode("utf-8", "replace"), self.token.encode()) and not self.is_used
        self.is_used = self.is_used or right
        return right


class Guard:
    """ASGI middleware that lets through what the gate opened, and sets the headers that keep pages to themselves."""

    def __init__(self, app: ASGIApp, *, gate: Access, port: int) -> None:
        self.app = app
        self.gate = gate
        self.cookie = cookie_name(port)
        self.hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
        self.origins = {f"http://{host}" for host in self.hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        most = MOST_UPLOAD_BYTES if scope["path"].startswith(UPLOADS) else MOST_BODY_BYTES
        refused = self._refusal(HTTPConnection(scope), most)
        if refused is not None:
            await _answer_no(scope["path"], *refused)(scope, receive, send)
            return
        await self.app(scope, _limited(receive, most), _guarded(send, scope["path"]))

    def _refusal(self, asked: HTTPConnection, most: int) -> tuple[int, str, str] | None:
        headers, is_open = asked.headers, asked.scope["path"].startswith(_OPEN)
        if headers.get("host", "") not in self.hosts:
            return 421, "this host is not the bench", "open the address that the bench printed"
        origin = headers.get("origin")
        if origin is not None and origin not in self.origins:
            return 403, "another page tried to use the bench", "close that page"
        if asked.scope["method"] not in _SAFE and origin is None:
            return 403, "the request does not say which page it is from", "use the bench in a browser"
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none") and not is_open:
            return 403, "another page tried to use the bench", "close that page"
        sent = asked.cookies.get(self.cookie, "")
        if not is_open and not hmac.compare_digest(sent.encode("utf-8", "replace"), self.gate.session.encode()):
            return 401, "the bench does not know this browser", "open the address that `earwitness bench` printed"
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > most:
            return 413, "what was sent is too large", f"send at most {most / 1e6:g} MB"
        return None


def cookie_name(port: int) -> str:
    """Cookies do not know ports: each bench of a machine has a name of its own, so that two do not throw each other
    out."""
    return f"earwitness-{port}"


def _limited(receive: Receive, most: int) -> Receive:
    """A body that is cut off once it is longer than it may be: a length header can lie, or be missing."""
    seen = 0

    async def limited() -> Message:
        nonlocal seen
        message = await receive()
        if message["type"] == "http.request":
            seen += len(message.get("body", b""))
            if seen > most:
                return {"type": "http.disconnect"}
        return message

    return limited


def _guarded(send: Send, path: str) -> Send:
    async def guarded(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            headers.setdefault("Content-Security-Policy", POLICY)
            headers["X-Content-Type-Options"] = "nosniff"
            headers["Referrer-Policy"] = "no-referrer"
            headers["Cross-Origin-Opener-Policy"] = "same-origin"
            headers["Cross-Origin-Resource-Policy"] = "same-origin"
            headers["Cache-Control"] = "no-cache" if path.startswith("/static/") else "no-store"
        await send(message)

    return guarded


def _answer_no(path: str, status: int, what: str, remedy: str) -> Response:
    """No in words: JSON to a script, a line of text to a person."""
    headers = {"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff"}
    headers["Content-Security-Policy"] = "default-src 'none'"
    if path.startswith("/api/"):
        return JSONResponse({"what": what, "where": "", "expected": "", "remedy": remedy}, status, headers)
    return PlainTextResponse(f"{what}\nto do: {remedy}\n", status, headers)
