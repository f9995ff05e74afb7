"""Responses that were measured before, through the bench: looked at, corrected, described, taken in.

Source: the data are a formula of this file; what the archive then holds must be that formula's levels.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bench_browser import on_page
from bench_client import entered, running
from playwright.sync_api import Browser, expect
from starlette.testclient import TestClient

from accessible import serious
from earwitness.app.add import measurement_of
from earwitness.archive.catalogue import Archive
from patience import until

FACTS = {
    "maker": "Nobody", "name": "Formula Two", "type": "stand-mount", "enclosure": "closed", "width_m": 0.2,
    "height_m": 0.3, "depth_m": 0.25, "reference_axis": "middle of the front", "date": "2026-11-01", "invented": True,
    "voltage_v": 2.83, "reference_distance_m": 1.0, "space": "anechoic", "smoothing": "none",
}  # fmt: skip
HZ = np.geomspace(20.0, 20_000.0, 160)


def level_db(angle_deg: float) -> np.ndarray:
    """Falls toward the sides, and more to the left than to the right."""
    turn = np.radians(angle_deg)
    lean = 1.0 + 0.3 * np.sin(turn)
    return np.asarray(84.0 - 6.0 * (HZ / 20_000.0) * (1.0 - np.cos(turn)) * lean)


def write_tables(folder: Path, *, title: str = "Hz\tdB") -> Path:
    folder.mkdir(parents=True)
    for letter in "hv":
        for angle in range(-170, 181, 10):
            levels = level_db(angle) if letter == "h" else 0.9 * level_db(angle) + 8.4
            rows = "".join(f"{f:.4f}\t{one:.4f}\n" for f, one in zip(HZ, levels, strict=True))
            (folder / f"{letter}_{angle}.txt").write_text(f"{title}\n{rows}", encoding="utf-8")
    (folder / "front.txt").write_text("Hz\tdB SPL\n100\t80\n1000\t81\n10000\t82\n", encoding="utf-8")
    (folder / "readme.md").write_text("nothing", encoding="utf-8")
    return folder


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with entered(tmp_path / "archive") as made:
        yield made


def ended(client: TestClient, job: dict[str, Any]) -> dict[str, Any]:
    def now() -> Any:
        return client.get(f"/api/jobs/{job['id']}").json()

    until(lambda: now()["state"] not in {"waiting", "running"})
    return now()


def test_a_dropped_folder_of_tables_becomes_a_loudspeaker(client: TestClient, tmp_path: Path) -> None:
    folder = write_tables(tmp_path / "data")
    key = client.post("/api/uploads", json={}).json()["id"]
    for path in sorted(folder.iterdir()):
        assert client.put(f"/api/uploads/{key}/files/data/{path.name}", content=path.read_bytes()).status_code == 200
    seen = client.post("/api/measure/responses/look", json={"upload": key}).json()
    by = {group["pattern"]: group for group in seen["groups"]}
    assert set(by) == {"h_{angle}.txt", "v_{angle}.txt"}
    assert by["h_{angle}.txt"]["files"] == 36
    assert by["h_{angle}.txt"]["questions"][0]["key"] == "unit"
    assert {one["file"]: one["can_take"] for one in seen["aside"]} == {"front.txt": True, "readme.md": False}
    assert "<svg" in seen["chart"]
    # The names count to the right: the tester says so, and what the decibels are.
    said = [
        {"pattern": "h_{angle}.txt", "unit": "dB SPL", "mirrored": True},
        {"pattern": "v_{angle}.txt", "unit": "dB SPL"},
    ]
    body = {"upload": key, "corrections": said, "facts": FACTS}
    written = client.post("/api/measure/responses/write", json=body)
    assert written.status_code == 200, written.text
    job = ended(client, client.post("/api/measure/add", json={"upload": key}).json())
    assert job["state"] == "done", job
    archive = client.app.state.bench.archive_folder  # type: ignore[attr-defined]
    with Archive.open(archive) as opened:
        session = opened.sessions_of(opened.find("Formula Two").id)[-1].id
        response = measurement_of(opened, session)[0].response
    azimuth = np.degrees(response.directions.azimuth_rad)
    at = int(np.argmin(np.abs(response.axis.hz - 10_000.0)))
    vectors = response.directions.unit_vectors()
    for told, meant in ((60.0, -60.0), (-60.0, 60.0)):
        row = int(np.flatnonzero((np.abs(azimuth - told) < 0.1) & (np.abs(vectors[:, 2]) < 1e-6))[0])
        wanted = np.interp(response.axis.hz[at], HZ, level_db(meant))
        assert response.level_db()[row, at] == pytest.approx(wanted, abs=0.02)


def test_a_table_of_levels_is_settled_by_numbers(client: TestClient, tmp_path: Path) -> None:
    folder = tmp_path / "data"
    folder.mkdir()
    rows = "".join(f"{100 * n}\t{80 + n % 3}\n" for n in range(1, 60))
    (folder / "h_0.txt").write_text("Hz\tdB SPL\n" + rows)
    (folder / "thd.txt").write_text("Hz\tTHD\n" + rows)
    (folder / "multitone.txt").write_text("Hz\ttone dB SPL\tresidue dB SPL\n" + rows.replace("\n", "\t30\n"))
    told = client.post("/api/measure/responses/look", json={"folder": str(folder)}).json()
    asked = {group["pattern"]: {one["key"] for one in group["questions"]} for group in told["groups"]}
    assert asked == {"h_0.txt": set(), "thd.txt": {"unit", "drive_v"}, "multitone.txt": {"drive_v", "crest_db"}}
    said = [
        {"pattern": "thd.txt", "unit": "%", "drive_v": "2.83"},
        {"pattern": "multitone.txt", "drive_v": "4", "crest_db": "11.5"},
    ]
    facts = {
        "name": "One", "maker": "Nobody", "type": "stand-mount", "enclosure": "closed", "width_m": 0.2,
        "height_m": 0.3, "depth_m": 0.25, "reference_axis": "x", "date": "2026-11-01", "voltage_v": 2.83,
        "invented": True,
    }  # fmt: skip
    body = {"folder": str(folder), "corrections": said, "facts": facts}
    assert client.post("/api/measure/responses/write", json=body).status_code == 200
    text = (folder / "session.toml").read_text()
    assert 'drive_v = 2.83\nunit = "%"' in text
    assert "drive_v = 4\ncrest_db = 11.5" in text


def test_what_is_open_is_told_with_its_line_and_nothing_is_taken_in(client: TestClient, tmp_path: Path) -> None:
    folder = write_tables(tmp_path / "data")
    body = {"folder": str(folder), "corrections": [], "facts": {**FACTS, "maker": "", "voltage_v": None}}
    told = client.post("/api/measure/responses/write", json=body)
    assert told.status_code == 422
    faults = "\n".join(told.json()["faults"])
    for words in ("unit", "maker", "voltage_v"):
        assert words in faults
    with Archive.open(client.app.state.bench.archive_folder) as opened:  # type: ignore[attr-defined]
        assert not opened.loudspeakers()


def test_a_session_that_is_there_is_not_written_over_unasked(client: TestClient, tmp_path: Path) -> None:
    folder = write_tables(tmp_path / "data", title="Hz\tdB SPL")
    (folder / "session.toml").write_text("# the tester's own\n", encoding="utf-8")
    body: dict[str, Any] = {"folder": str(folder), "facts": FACTS}
    told = client.post("/api/measure/responses/write", json=body)
    assert told.status_code == 422
    assert "there is a session.toml already" in told.json()["what"]
    assert (folder / "session.toml").read_text(encoding="utf-8") == "# the tester's own\n"
    assert client.post("/api/measure/responses/write", json={**body, "again": True}).status_code == 200
    assert (folder / "session.toml.old").read_text(encoding="utf-8") == "# the tester's own\n"


def test_a_file_without_a_direction_is_used_once_it_has_one(client: TestClient, tmp_path: Path) -> None:
    folder = tmp_path / "one"
    folder.mkdir()
    (folder / "front.txt").write_text("Hz\tdB SPL\n100\t80\n1000\t81\n10000\t82\n", encoding="utf-8")
    seen = client.post("/api/measure/responses/look", json={"folder": str(folder)}).json()
    assert seen["groups"] == []
    half = [{"pattern": "front.txt", "angle_deg": 0.0}]
    told = client.post("/api/measure/responses/look", json={"folder": str(folder), "corrections": half})
    assert told.status_code == 422
    assert "half stated" in told.json()["what"]
    whole = [{"pattern": "front.txt", "angle_deg": 0.0, "plane": "horizontal"}]
    seen = client.post("/api/measure/responses/look", json={"folder": str(folder), "corrections": whole}).json()
    assert [group["pattern"] for group in seen["groups"]] == ["front.txt"]
    out = [{"pattern": "front.txt", "left_out": True}]
    seen = client.post("/api/measure/responses/look", json={"folder": str(folder), "corrections": out}).json()
    assert seen["groups"] == []


@pytest.mark.parametrize("folder", ["here/there", "/no/such/folder"])
def test_a_folder_that_cannot_be_looked_at_ends_in_words(client: TestClient, folder: str) -> None:
    told = client.post("/api/measure/responses/look", json={"folder": folder})
    assert told.status_code == 422
    assert told.json()["what"]


@pytest.mark.browser
def test_the_whole_way_in_a_browser(browser: Browser, tmp_path: Path) -> None:
    folder = write_tables(tmp_path / "data")
    with running(tmp_path / "archive") as bench:
        context = browser.new_context(viewport={"width": 1280, "height": 1000})
        context.new_page().goto(bench.address)
        with on_page(context, f"{bench.base}/measure#responses", "measure") as page:
            page.locator("#responses-path").fill(str(folder))
            page.get_by_role("button", name="Look at it").click()
            expect(page.locator("#responses-groups tbody tr")).to_have_count(2)
            expect(page.locator("#responses-chart .wide svg")).to_be_visible()
            for pattern in ("h_{angle}.txt", "v_{angle}.txt"):
                page.get_by_label(f"What the decibels are, {pattern}").select_option("dB SPL")
                page.wait_for_load_state("networkidle")
            for name, value in FACTS.items():
                field = page.locator(f"#responses-facts [name={name}]")
                if isinstance(value, bool):
                    field.check()
                elif name in ("type", "enclosure", "space"):
                    field.select_option(str(value))
                else:
                    field.fill(str(value))
            assert serious(page) == []
            page.reload()
            page.wait_for_selector("body[data-ready=measure]")
            expect(page.locator("#responses-facts [name=name]")).to_have_value("Formula Two")
            expect(page.get_by_label("What the decibels are, h_{angle}.txt")).to_have_value("dB SPL")
            page.get_by_role("button", name="Write session.toml and take it in").click()
            page.wait_for_url("**/read/*")
            expect(page.locator("h1")).to_contain_text("Formula Two")
        context.close()
