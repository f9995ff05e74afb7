"""Pictures and pages that lie in a published folder, whoever put them there: shown, never run.

What an SVG can hold is that of SVG 2 (script elements, event attributes, links with script, foreign HTML, external
files); what keeps it from running is Content Security Policy Level 3 with its sandbox, and nosniff of the Fetch
standard (all from memory). Chromium is the judge.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from bench_browser import entered_browser
from bench_client import entered
from playwright.sync_api import Browser, BrowserContext, Page, Route
from starlette.testclient import TestClient

from earwitness.app.publish import keep_place
from earwitness.publish.own_words import sanitized_html
from settled import page_until

RUN = "new Image().src='/harmed';try{fetch('/harmed')}catch(e){};try{parent.harmed=1;top.harmed=1}catch(e){}"
OPEN = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" width="90" height="60"'
HOSTILE = {
    "script": f"{OPEN}><script>{RUN}</script></svg>",
    "load": f'{OPEN} onload="{RUN}"><rect width="9" height="9"/></svg>',
    "animate": f'{OPEN}><rect width="9" height="9"><animate attributeName="x" dur="1ms" onbegin="{RUN}"/></rect></svg>',
    "foreign": f'{OPEN}><foreignObject width="9" height="9"><img xmlns="http://www.w3.org/1999/xhtml" src="x" '
    f'onerror="{RUN}"/></foreignObject></svg>',
    "image": f'{OPEN}><image href="/harmed" width="9" height="9"/></svg>',
    "use": f'{OPEN}><use href="/harmed#a"/></svg>',
    "style": f"{OPEN}><style>@import '/harmed'; rect {{ fill: url('/harmed#a') }}</style>"
    "<rect width='9' height='9'/></svg>",
    "borrowed": f'{OPEN}><script href="/static/bench.js"></script><script xlink:href="/harmed"/></svg>',
    "refresh": f'{OPEN}><foreignObject width="9" height="9"><meta xmlns="http://www.w3.org/1999/xhtml" '
    'http-equiv="refresh" content="0;url=/harmed"/></foreignObject></svg>',
}
PAGE = f"""<!doctype html><html lang="en"><head><title>x</title>
<script>{RUN}</script><script src="/static/bench.js"></script><link rel="stylesheet" href="/static/bench.css">
</head><body onload="{RUN}"><h1>A page of a stranger</h1><img src="/read/1"><img src="x" onerror="{RUN}">
<form action="/api/harmed" method="post" id="f"><button>go</button></form>
{{}}</body></html>"""
# Of what the page asks for on its own behalf, these only: its own files, and the icon that every browser looks for.
OWN = ("/publish/1/published/", "/favicon.ico")


@pytest.fixture(scope="module")
def archive(reduced_archive: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's archive, whose published folder holds a stranger's files."""
    folder = shutil.copytree(reduced_archive, tmp_path_factory.mktemp("pictures") / "archive")
    place = folder / "publications" / "strange"
    place.mkdir(parents=True)
    shown = []
    for name, text in HOSTILE.items():
        (place / f"{name}.svg").write_text(text)
        (place / f"{name}.png").write_text(text)
        for made in (f'<img src="{name}.svg">', f'<object data="{name}.svg"></object>', f'<embed src="{name}.svg">'):
            shown.append(made)
        shown.append(f'<iframe src="{name}.svg"></iframe>')
    (place / "index.html").write_text(PAGE.replace("{}", "".join(shown)))
    for name in ("page.xhtml", "page.htm", "page.xml", "picture.svgz", "other.js"):
        (place / name).write_text(HOSTILE["script"])
    keep_place(1, place / "index.html", (), folder)
    return folder


@pytest.fixture(scope="module")
def client(archive: Path) -> Iterator[TestClient]:
    with entered(archive) as made:
        yield made


@pytest.fixture(scope="module")
def opened(browser: Browser, archive: Path) -> Iterator[tuple[BrowserContext, str]]:
    with entered_browser(browser, archive) as made:
        yield made


def policy_of(client: TestClient, name: str) -> dict[str, list[str]]:
    headers = client.get(f"/publish/1/published/{name}").headers
    assert headers["x-content-type-options"] == "nosniff"
    rules = (rule.split() for rule in headers["content-security-policy"].split("; "))
    return {name: values for name, *values in rules}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_picture_comes_with_no_origin_no_script_and_no_other_file(client: TestClient, name: str) -> None:
    for ending, kind in (("svg", "image/svg+xml"), ("png", "image/png")):
        answer = client.get(f"/publish/1/published/{name}.{ending}")
        assert (answer.status_code, answer.headers["content-type"]) == (200, kind)
        policy = policy_of(client, f"{name}.{ending}")
        assert policy["sandbox"] == []
        assert policy["script-src"] == policy["default-src"] == ["'none'"]
        assert policy["img-src"] == ["data:"]


def test_a_page_may_load_its_own_files_and_nothing_of_the_bench(client: TestClient) -> None:
    policy = policy_of(client, "index.html")
    (folder,) = policy["script-src"]
    assert folder.endswith("/publish/1/published/")
    assert folder.startswith("http://127.0.0.1:")
    assert policy["img-src"] == [folder, "data:"]
    assert policy["default-src"] == ["'none'"]
    assert "'self'" not in policy["style-src"]


@pytest.mark.parametrize("name", ["page.xhtml", "page.htm", "page.xml", "picture.svgz", "other.js"])
def test_kinds_that_no_page_of_the_program_has_are_not_served(client: TestClient, name: str) -> None:
    assert client.get(f"/publish/1/published/{name}").status_code == 404


@pytest.mark.parametrize("svg", HOSTILE.values())
def test_own_words_let_no_picture_in(svg: str) -> None:
    data = "data:image/svg+xml;base64,PHN2ZyBvbmxvYWQ9ImFsZXJ0KDEpIi8+"
    for words in (svg, f"![x]({data})", f"[x]({data})", "![x](script.svg)", f"<{data}>", f"- {svg}"):
        made = sanitized_html(words)
        assert not any(tag in made.lower() for tag in ("<svg", "<img", "<script", "<object", "<embed", "<iframe"))
        assert 'href="data:' not in made


@contextmanager
def watched(context: BrowserContext, *, bare: dict[str, str] | None = None) -> Iterator[tuple[Page, list[str]]]:
    """A page, and the addresses that leave the browser for whatever is shown in it; what a policy holds back does not.

    bare : SVG by address, given without any policy.
    """
    page, asked = context.new_page(), []

    def leaving(route: Route) -> None:
        address = "/" + route.request.url.split("/", 3)[3]
        asked.append(address)
        if bare and address in bare:
            route.fulfill(body=bare[address], content_type="image/svg+xml")
        else:
            route.continue_()

    page.route("**", leaving)
    yield page, asked
    page.unroute_all(behavior="ignoreErrors")
    page.close()


def opened_at(page: Page, address: str) -> None:
    page.goto(address, wait_until="load")
    # For what a script would do after that.
    page.wait_for_timeout(300)


@pytest.mark.browser
@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_picture_opened_by_itself_runs_and_loads_nothing(
    opened: tuple[BrowserContext, str], name: str
) -> None:
    context, base = opened
    address = f"/publish/1/published/{name}.svg"
    with watched(context) as (page, asked):
        opened_at(page, base + address)
        assert set(asked) <= {address, "/favicon.ico"}
    # The same picture without the policy does harm, or this test could not fail.
    with watched(context, bare={address: HOSTILE[name]}) as (page, asked):
        opened_at(page, base + address)
        page_until(page, lambda: not set(asked) <= {address, "/favicon.ico"}, f"{name} does harm")


@pytest.mark.browser
def test_a_strangers_page_full_of_them_reaches_nothing_of_the_bench(opened: tuple[BrowserContext, str]) -> None:
    context, base = opened
    address = f"{base}/publish/1/published/index.html"
    with watched(context) as (page, asked):
        opened_at(page, address)
        assert page.locator("h1").text_content() == "A page of a stranger"
        assert page.evaluate("window.harmed") is None
        page.evaluate("document.getElementById('f').submit()")
        page.wait_for_timeout(300)
        assert page.url == address
        page_until(page, lambda: f"{OWN[0]}script.svg" in asked, "pictures of the folder are shown")
        assert [one for one in asked if not one.startswith(OWN)] == []
