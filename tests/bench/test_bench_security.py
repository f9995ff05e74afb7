"""Who may use the bench: host, origin, cookie, one-time token, sizes, and what the pages may load.

DNS rebinding and cross-site request forgery are as OWASP's cheat sheets describe them (from memory); the headers are of
the Content Security Policy Level 3 and Fetch standards.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_client import BASE, PORT, entered
from starlette.testclient import TestClient

from earwitness.bench.security import MOST_BODY_BYTES, Gate, cookie_name
from earwitness.bench.server import create_app


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
    app = create_app(tmp_path / "archive", gate=Gate(), port=PORT)
    with TestClient(app, base_url=BASE, headers={"Origin": BASE}) as client:
        for path in ("/", "/api/jobs", "/api/openapi.json", "/read/1"):
            assert client.get(path).status_code == 401
        client.cookies.set(cookie_name(PORT), "x" * 43)
        assert client.get("/").status_code == 401


def test_the_token_opens_once(tmp_path: Path) -> None:
    gate = Gate()
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
    gates = {port: Gate() for port in (PORT, PORT + 1)}
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
