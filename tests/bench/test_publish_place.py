"""The place Publish through its addresses: preview, publication, published files, and no way out of their folder."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import nh3
import pytest
from click.testing import CliRunner
from starlette.testclient import TestClient

from earwitness.app.publish import folder_from, generated_review, keep_place, published_file, usual_folder
from earwitness.app.settings import words_of
from earwitness.cli.publish import command
from earwitness.errors import InputError
from earwitness.exhibits.chart import Caption, Chart
from earwitness.publish.arrangement import (
    AS_GENERATED,
    arranged,
    arrangement_for,
    from_document,
    outdated,
    to_document,
)
from earwitness.publish.own_words import markdown_of, own_words_of

# A choice of the cheat sheet of the Open Worldwide Application Security Project against filters (from memory).
HARM = (
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "<svg/onload=alert(1)>",
    "[x](javascript:alert(1))",
    "[x](JaVaScRiPt:alert(1))",
    "[x](data:text/html;base64,PHNjcmlwdD4=)",
    "![x](http://evil.example/x.png)",
    "<iframe src=//evil.example>",
    '<a href="x" onclick="alert(1)">x</a>',
    "<style>*{display:none}</style>",
    "`</code><script>alert(1)</script>`",
    "<javascript:alert(1)>",
)
OUTSIDE = (
    "../secret.txt", "%2e%2e/secret.txt", "..%2fsecret.txt", "downloads/../../secret.txt", "....//secret.txt",
    "%2e%2e%2fsecret.txt", "..%5csecret.txt", "/etc/passwd", "%2fetc%2fpasswd", "link.txt", ".hidden.txt",
    "index.html%00.txt", "downloads", "downloads/", "linked/secret.txt",
)  # fmt: skip


def ended(client: TestClient, job: dict[str, Any]) -> dict[str, Any]:
    while True:
        now: dict[str, Any] = client.get(f"/api/jobs/{job['id']}").json()
        if now["state"] not in ("waiting", "running"):
            return now
        time.sleep(0.1)


def body(**changes: Any) -> dict[str, Any]:
    return {
        "words": {"verdict": "Calm.", "likes": "- even\n- **cheap**"},
        "exhibits": {"order": ["in_room", "balance"], "left_out": ["evenness"], "captions": {"balance": "As I say."}},
        "products": {"talk": True},
        "folder": "mine",
        **changes,
    }


@pytest.fixture(scope="module")
def done(client: TestClient) -> Iterator[dict[str, Any]]:
    """The job of one publication."""
    job = ended(client, client.post("/api/publish/1", json=body()).json())
    assert job["state"] == "done", job
    return job


@pytest.mark.parametrize("harm", HARM)
def test_previews_hold_nothing_that_runs_or_loads(client: TestClient, harm: str) -> None:
    """nh3 (the ammonia sanitizer) with an allow-list stated here is the independent judge: it has nothing to remove."""
    made = client.post("/api/publish/preview", json={"verdict": harm, "likes": f"- {harm}"}).json()
    allowed = {"p", "ul", "li", "a", "code", "em", "strong"}
    for html in (made["verdict"], made["likes"]):
        attributes = {"a": {"href"}}
        judged = nh3.clean(html, tags=allowed, attributes=attributes, url_schemes={"https", "http"}, link_rel=None)
        seen = html.replace(' rel="noopener noreferrer nofollow"', "")
        assert judged == seen
        assert "javascript:" not in html.lower().split(">")[0]


def test_what_was_chosen_is_published_and_kept(client: TestClient, bench_archive: Path, done: dict[str, Any]) -> None:
    folder = bench_archive / "publications" / "mine"
    assert Path(done["result"]["page"]) == folder / "index.html"
    page = (folder / "index.html").read_text()
    assert "As I say." in page
    assert "The caption is the tester’s." in page
    assert page.index('id="figure-chart-in_5f_room"') < page.index('id="figure-chart-balance"')
    assert 'id="figure-chart-evenness"' not in page
    assert "Evenness: left out by the tester." in page
    assert "<strong>cheap</strong>" in page
    assert words_of("causeway", bench_archive).parts["verdict"] == "Calm."
    shown = client.get("/publish/1/published/index.html")
    assert shown.status_code == 200
    assert shown.content == (folder / "index.html").read_bytes()
    assert "sandbox" in shown.headers["content-security-policy"]
    assert client.get("/publish/1/published/charts.js").status_code == 200
    talk = client.get("/publish/1/product/0")
    assert "attachment" in talk.headers["content-disposition"]
    assert "As I say." in talk.text
    assert client.get("/publish/1/product/99").status_code == 404
    told = client.get("/api/publish/1/publications").json()
    assert (len(told["publications"]), told["corrections"], told["folder"]) == (1, [], str(folder))


@pytest.mark.parametrize("path", OUTSIDE)
def test_no_address_leads_out_of_the_published_folder(
    client: TestClient, bench_archive: Path, done: dict[str, Any], path: str
) -> None:
    folder = Path(done["result"]["page"]).parent
    secret = folder.parent / "secret.txt"
    secret.write_text("not to be seen")
    (folder / ".hidden.txt").write_text("not to be seen")
    for name, target in (("link.txt", secret), ("linked", folder.parent)):
        if not (folder / name).is_symlink():
            (folder / name).symlink_to(target)
    answer = client.get(f"/publish/1/published/{path}")
    assert answer.status_code in (404, 403, 405, 307), path
    assert "not to be seen" not in answer.text
    assert "root:" not in answer.text
    assert published_file(1, path, bench_archive) is None


def test_scripts_of_the_folder_are_not_served_unless_they_are_the_programs_own(
    client: TestClient, done: dict[str, Any]
) -> None:
    folder = Path(done["result"]["page"]).parent
    (folder / "other.js").write_text("parent.fetch('/api/jobs')")
    assert client.get("/publish/1/published/other.js").status_code == 404


def test_the_folder_of_a_publication_is_not_settable_through_drafts(client: TestClient, done: dict[str, Any]) -> None:
    for key in ("published folder of 1", "published%20folder%20of%201"):
        assert client.put(f"/api/drafts/{key}", json={"revision": 1, "value": {"folder": "/etc"}}).status_code in {
            404,
            422,
        }
    assert client.get("/api/publish/1/publications").json()["folder"] == str(Path(done["result"]["page"]).parent)


@pytest.mark.parametrize(
    "changes",
    [
        {"exhibits": {"order": ["no-such"]}},
        {"exhibits": {"order": ["balance", "balance"]}},
        {"exhibits": {"captions": {"balance": "x" * 1500}}},
        {"exhibits": {"captions": {"bands": "a caption for a table"}}},
    ],
)
@pytest.mark.usefixtures("done")
def test_a_faulty_choice_fails_before_anything_is_kept(
    client: TestClient, bench_archive: Path, changes: dict[str, Any]
) -> None:
    wanted = body(words={"verdict": "never kept"}, folder="faulty", **changes)
    job = ended(client, client.post("/api/publish/1", json=wanted).json())
    assert job["state"] == "failed"
    assert job["error"]["expected"]
    assert words_of("causeway", bench_archive).parts["verdict"] == "Calm."
    assert not (bench_archive / "publications" / "faulty").exists()


@pytest.mark.usefixtures("done")
@pytest.mark.usefixtures("done")
def test_the_command_line_honors_and_changes_the_same_choice(bench_archive: Path, tmp_path: Path) -> None:
    own = shutil.copytree(bench_archive, tmp_path / "archive", symlinks=True)

    def run(*arguments: object) -> str:
        result = CliRunner().invoke(command, ["causeway", *[str(a) for a in arguments], "--archive", str(own)])
        assert result.exit_code == 0, result.output
        return result.stdout

    run("--to", tmp_path / "same")
    assert "As I say." in (tmp_path / "same" / "index.html").read_text()
    listed = run("--exhibits", "balance,evenness", "--caption", "balance=", "--list-exhibits", "--to", tmp_path / "own")
    assert "(left out)" in next(line for line in listed.splitlines() if line.startswith("in_room"))
    page = (tmp_path / "own" / "index.html").read_text()
    assert 'id="figure-chart-evenness"' in page
    assert 'id="figure-chart-in_5f_room"' not in page
    assert "As I say." not in page
    assert "left out" not in run("--exhibits", "all", "--list-exhibits")


def test_an_own_caption_is_told_of_when_its_numbers_change(client: TestClient) -> None:
    bench = client.app.state.bench  # type: ignore[attr-defined]
    review = generated_review(bench.reading(1), bench.archive_folder, advice=bench.advice(1))
    own = arrangement_for(review, order=(), captions={"balance": "Mine."})
    assert outdated(review, own) == ()
    changed = tuple(
        replace(one, caption=Caption("Other numbers.", one.caption.reading))
        if isinstance(one, Chart) and one.key == "balance"
        else one
        for one in review.exhibits
    )
    assert outdated(replace(review, exhibits=changed), own) == ("balance",)
    assert from_document(to_document(own)) == own
    assert arranged(review, AS_GENERATED).exhibits == review.exhibits


@pytest.mark.parametrize("text", ["\0", "~nobody-of-that-name/x"])
def test_folders_that_cannot_be_are_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(InputError) as caught:
        folder_from(text, usual_folder("Nobody One", tmp_path))
    assert caught.value.remedy


def test_a_relative_folder_lies_beside_the_usual_one(tmp_path: Path) -> None:
    usual = usual_folder("Nobody One", tmp_path)
    assert folder_from("", usual) == usual
    assert folder_from("mine", usual) == usual.parent.resolve() / "mine"
    assert folder_from(str(tmp_path / "there"), usual) == (tmp_path / "there").resolve()


def test_a_place_that_is_gone_is_told(tmp_path: Path) -> None:
    keep_place(7, tmp_path / "gone" / "index.html", (), tmp_path / "archive")
    assert published_file(7, "index.html", tmp_path / "archive") is None


def test_headings_in_a_part_do_not_break_the_file() -> None:
    made = own_words_of(markdown_of("Nobody One", {"verdict": "# Big\n\ntext\n## Likes\nno", "likes": "- yes"}))
    assert set(made.parts) == {"verdict", "likes"}
    assert made.parts["likes"] == "- yes"
    assert made.html("verdict").count("<h4>") == 2
