"""Who may use the bench: host, origin, cookie, one-time token, sizes, and what the pages may load.

DNS rebinding and cross-site request forgery are as OWASP's cheat sheets describe them (from memory); the headers are of
the Content Security Policy Level 3 and Fetch standards.
"""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import uvicorn
from bench_client import BASE, PORT, entered, running
from starlette.testclient import TestClient

from earwitness.bench import server as server_module
from earwitness.bench.security import MOST_BODY_BYTES, Access, cookie_name
from earwitness.bench.server import create_app
from earwitness.cli.bench import private_address
from patience import PATIENCE_S

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """A bench on an empty archive, entered."""
    with entered(tmp_path_factory.mktemp("empty") / "archive") as client:
        yield client


@pytest.mark.parametrize("host", ["evil.example", f"127.0.0.1:{PORT + 1}", "127.0.0.1", f"evil.example:{PORT}", ""])
def test_another_host_is_refused(empty: TestClient, host: str) -> None:
    answer = empty.get("/", headers={"Host": host})
    assert answer.status_code == 421
    assert "Loudspeakers" not in answer.text


@pytest.mark.parametrize("origin", ["http://evil.example", "null", f"https://127.0.0.1:{PORT}", "http://127.0.0.1"])
def test_another_origin_is_refused_even_with_the_cookie(empty: TestClient, origin: str) -> None:
    put = empty.put("/api/drafts/mend:1", json={"revision": 0, "value": 1}, headers={"Origin": origin})
    assert put.status_code == 403
    assert empty.get("/api/drafts/mend:1").json()["revision"] == 0
    assert empty.get("/", headers={"Origin": origin}).status_code == 403


def test_a_change_without_an_origin_is_refused(empty: TestClient) -> None:
    request = empty.build_request("PUT", "/api/drafts/mend:1", json={"revision": 0, "value": 1})
    del request.headers["Origin"]
    assert empty.send(request).status_code == 403


def test_a_page_framed_or_loaded_by_another_site_is_refused(empty: TestClient) -> None:
    assert empty.get("/", headers={"Sec-Fetch-Site": "cross-site"}).status_code == 403
    assert empty.get("/", headers={"Sec-Fetch-Site": "same-origin"}).status_code == 200


def test_without_the_cookie_nothing_is_shown(tmp_path: Path) -> None:
    app = create_app(tmp_path / "archive", gate=Access(), port=PORT)
    with TestClient(app, base_url=BASE, headers={"Origin": BASE}) as client:
        for path in ("/", "/api/jobs", "/api/openapi.json", "/read/1"):
            assert client.get(path).status_code == 401
        client.cookies.set(cookie_name(PORT), "x" * 43)
        assert client.get("/").status_code == 401


def test_the_token_opens_once(tmp_path: Path) -> None:
    gate = Access()
    app = create_app(tmp_path / "archive", gate=gate, port=PORT)
    with TestClient(app, base_url=BASE) as client:
        assert client.get("/enter/wrong").status_code == 403
        first = client.get(f"/enter/{gate.token}", follow_redirects=False)
        assert first.status_code == 303
        cookie = first.headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=strict" in cookie
        assert client.get("/").status_code == 200
    with TestClient(app, base_url=BASE) as other:
        assert other.get(f"/enter/{gate.token}", follow_redirects=False).status_code == 403


def test_two_benches_of_a_machine_do_not_throw_each_other_out(tmp_path: Path) -> None:
    # RFC 6265, 8.5: cookies do not provide isolation by port.
    gates = {port: Access() for port in (PORT, PORT + 1)}
    apps = {port: create_app(tmp_path / str(port), gate=gate, port=port) for port, gate in gates.items()}
    jar = {cookie_name(port): gate.session for port, gate in gates.items()}
    for port, app in apps.items():
        with TestClient(app, base_url=f"http://127.0.0.1:{port}") as client:
            client.cookies.update(jar)
            assert client.get("/").status_code == 200


def test_pages_may_load_nothing_from_elsewhere_and_run_nothing_inline(empty: TestClient) -> None:
    answer = empty.get("/")
    policy = dict(part.split(" ", 1) for part in answer.headers["content-security-policy"].split("; "))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
    assert "unsafe" not in answer.headers["content-security-policy"]
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "<script>" not in answer.text
    assert " style=" not in answer.text
    assert " onclick=" not in answer.text


def test_what_is_too_large_is_refused_by_its_length_and_by_its_bytes(empty: TestClient) -> None:
    body = b'{"revision": 0, "value": "' + b"x" * MOST_BODY_BYTES + b'"}'
    assert empty.put("/api/drafts/mend:1", content=body).status_code == 413

    def chunks() -> Iterator[bytes]:
        for at in range(0, len(body), 65_536):
            yield body[at : at + 65_536]

    unannounced = empty.put("/api/drafts/mend:1", content=chunks())
    assert unannounced.status_code >= 400
    assert empty.get("/api/drafts/mend:1").json()["revision"] == 0


@pytest.mark.parametrize(
    "path",
    [
        "/static/../server.py",
        "/static/%2e%2e/server.py",
        "/static/..%2fserver.py",
        "/static//etc/passwd",
        "/static/bench.css%00.js",
    ],
)
def test_no_path_leads_out_of_the_static_files(empty: TestClient, path: str) -> None:
    assert empty.get(path).status_code in {401, 404}


def test_static_files_have_their_kinds(empty: TestClient) -> None:
    kinds = {"bench.css": "text/css", "bench.js": "text/javascript", "charts.js": "text/javascript"}
    for name, kind in kinds.items():
        answer = empty.get(f"/static/{name}")
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith(kind)


def test_an_unknown_page_is_told_in_words(empty: TestClient) -> None:
    answer = empty.get("/nowhere")
    assert answer.status_code == 404
    assert "there is no such page" in answer.text
    api = empty.get("/api/nowhere")
    assert api.json()["what"] == "there is no such page"


def test_an_empty_archive_teaches_the_next_step(empty: TestClient) -> None:
    answer = empty.get("/")
    assert "The archive is empty" in answer.text
    assert 'href="/listen"' in answer.text


def test_a_connection_that_does_not_go_on_is_let_go_and_a_slow_answer_is_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Nothing sent, half a header, half a body: closed; an answer that takes its time, and one after a pause: not."""
    monkeypatch.setattr(server_module, "PATIENCE_S", 2.0)

    async def slow(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "http":
            await receive()
            await asyncio.sleep(4.0)
            await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"2")]})
            await send({"type": "http.response.body", "body": b"ok"})

    with server_module.free_port(None) as place:
        config = uvicorn.Config(slow, log_level="error", http=server_module._patient(), lifespan="off")
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [place]}, daemon=True)
        thread.start()
        while not server.started:
            thread.join(0.02)
            assert thread.is_alive()
        at = place.getsockname()
        begun = b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 10\r\n"
        with ExitStack() as stack:
            halves = [stack.enter_context(socket.create_connection(at, timeout=PATIENCE_S)) for _ in range(4)]
            for half, sent in zip(halves, (b"", b"GET / HT", begun, begun + b"\r\n12345"), strict=True):
                half.sendall(sent)
            assert [half.recv(100) for half in halves] == [b""] * 4
        with socket.create_connection(at, timeout=PATIENCE_S) as connection:
            connection.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
            assert connection.recv(1000).endswith(b"ok") or connection.recv(100) == b"ok"
        server.should_exit = True
        thread.join(PATIENCE_S)


@pytest.mark.parametrize(("program", "is_private"), [("firefox", True), ("/snap/bin/firefox", False)])
def test_the_address_is_given_to_the_browser_in_a_file_of_its_own(
    monkeypatch: pytest.MonkeyPatch, program: str, is_private: bool
) -> None:
    monkeypatch.setattr("shutil.which", lambda _name: program)
    address = "http://127.0.0.1:8741/enter/secret"
    with private_address(address, {"name": "firefox"}) as given:
        assert (given != address) == is_private
        assert ("secret" in given) != is_private
        if is_private:
            page = Path(given.removeprefix("file://"))
            assert page.stat().st_mode & 0o777 == 0o600
            assert page.parent.stat().st_mode & 0o777 == 0o700
            assert address in page.read_text()
    if is_private:
        assert not page.parent.exists()


def test_entered_from_a_file_the_browser_keeps_its_cookie(browser: Browser, tmp_path: Path) -> None:
    """Chromium, with the cookie's own rule: a page of another site that leads on is not shown it."""
    with running(tmp_path / "archive") as bench, private_address(bench.address, {}) as given:
        context = browser.new_context()
        page = context.new_page()
        page.goto(given)
        page.wait_for_url(f"{bench.base}/")
        assert page.get_by_role("navigation").first.is_visible()
        context.close()
