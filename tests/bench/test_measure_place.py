"""The place Measure through its requests: a folder arrives file by file, all faults at once, taken in as a job."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
from bench_client import entered
from starlette.testclient import TestClient

from patience import until


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with entered(tmp_path_factory.mktemp("measure") / "archive") as client:
        yield client


@pytest.fixture
def key(fresh: TestClient) -> str:
    return str(fresh.post("/api/uploads", json={}).json()["id"])


def send(client: TestClient, key: str, name: str, body: bytes) -> int:
    return client.put(f"/api/uploads/{key}/files/{quote(name)}", content=body).status_code


def send_folder(client: TestClient, key: str, folder: Path) -> None:
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        assert send(client, key, f"dropped/{path.relative_to(folder).as_posix()}", path.read_bytes()) == 200


def ended(client: TestClient, job: dict) -> dict:
    def now() -> dict:
        return client.get(f"/api/jobs/{job['id']}").json()

    until(lambda: now()["state"] not in {"waiting", "running"})
    return now()


def test_a_dropped_folder_becomes_a_loudspeaker(fresh: TestClient, key: str, bench_recordings: Path) -> None:
    send_folder(fresh, key, bench_recordings)
    checked = fresh.post(f"/api/uploads/{key}/check")
    assert checked.status_code == 200, checked.text
    assert "Causeway" in checked.json()["title"]
    job = ended(fresh, fresh.post("/api/measure/add", json={"upload": key}).json())
    assert job["state"] == "done", job
    number = job["result"]["loudspeaker"]
    assert [one.id for one in fresh.app.state.bench.loudspeakers()] == [number]  # type: ignore[attr-defined]
    assert fresh.get(f"/api/uploads/{key}").status_code == 422


def test_all_faults_are_told_at_once_and_one_file_can_be_sent_again(
    fresh: TestClient, key: str, bench_recordings: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "session"
    shutil.copytree(bench_recordings, folder)
    toml = folder / "session.toml"
    right = toml.read_text(encoding="utf-8")
    toml.write_text(right.replace("date = ", "dat = ", 1), encoding="utf-8")
    broken = next(folder.rglob("*.flac"))
    whole = broken.read_bytes()
    broken.write_bytes(b"RIFF no audio")
    send_folder(fresh, key, folder)
    told = fresh.post(f"/api/uploads/{key}/check")
    assert told.status_code == 422
    faults = told.json()["faults"]
    assert any("date" in fault for fault in faults)
    assert send(fresh, key, "dropped/session.toml", right.encode()) == 200
    assert send(fresh, key, f"dropped/{broken.relative_to(folder).as_posix()}", whole) == 200
    assert fresh.post(f"/api/uploads/{key}/check").status_code == 200


@pytest.mark.parametrize(
    "name",
    [
        "../outside.toml",
        "a/../../outside.toml",
        "/etc/outside",
        "..",
        "a/b/c/d/e/f.wav",
        ".hidden",
        "a\\..\\outside.toml",
        "nul\0.wav",
        "con:stream.wav",
        "x" * 200,
    ],
)
def test_no_name_leads_out_of_the_folder(fresh: TestClient, key: str, name: str) -> None:
    archive = fresh.app.state.bench.archive_folder  # type: ignore[attr-defined]
    before = sorted(p for p in archive.parent.rglob("*"))
    status = fresh.put(f"/api/uploads/{key}/files/{quote(name, safe='')}", content=b"x").status_code
    assert status in {404, 405, 422}
    assert sorted(p for p in archive.parent.rglob("*")) == before


@pytest.mark.parametrize("key", ["A" * 16, "../../../etc", "a", "A" * 50])
def test_an_unknown_upload_is_refused(fresh: TestClient, key: str) -> None:
    assert fresh.put(f"/api/uploads/{key}/files/a.wav", content=b"x").status_code in {404, 422}
    assert fresh.post("/api/measure/add", json={"upload": key}).status_code == 422


@pytest.mark.parametrize(
    ("name", "body"),
    [
        ("session.toml", b"\xff\xfe\x00 not text"),
        ("session.toml", b"[" * 100_000),
        ("session.toml", b'format = 1\ndate = "2026-02-31"\n'),
        ("session.toml", b""),
    ],
)
def test_malformed_toml_ends_in_words(fresh: TestClient, key: str, name: str, body: bytes) -> None:
    assert send(fresh, key, name, body) == 200
    told = fresh.post(f"/api/uploads/{key}/check")
    assert told.status_code == 422, told.text
    assert told.json()["what"]
    job = fresh.post("/api/measure/add", json={"upload": key})
    assert ended(fresh, job.json())["state"] == "failed"


def test_a_relative_folder_is_refused(fresh: TestClient) -> None:
    for url in ("/api/measure/add", "/api/measure/session/read", "/api/measure/signals"):
        told = fresh.post(url, json={"folder": "here/there"})
        assert told.status_code == 422
        assert told.json()["what"] == "this is not a whole path"


def test_signals_are_written_with_their_cautions(fresh: TestClient, tmp_path: Path) -> None:
    told = fresh.post("/api/measure/signals", json={"folder": str(tmp_path / "signals"), "level_db": 95.0}).json()
    assert all(Path(name).is_file() for name in told["files"])
    assert any("hearing" in words.lower() for words in told["cautions"])


def test_the_page_names_its_parts(fresh: TestClient) -> None:
    text = fresh.get("/measure").text
    for words in ("Drop a session folder here", "Write session.toml", "Write the signals"):
        assert words in text
