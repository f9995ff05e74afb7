"""How the bench starts: the first page needs little of the program, the places come when they are asked for."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
import urllib.request
from concurrent.futures import ThreadPoolExecutor
from http.cookiejar import CookieJar
from pathlib import Path

import pytest
from bench_client import entered
from live_server import bench_process

from earwitness.bench import server
from patience import PATIENCE_S

PLACES = ("listen", "measure", "read", "mend", "match", "compare", "publish")
# What the first page has no use for, and what took two thirds of the time until it was there.
HEAVY = ("scipy", "netCDF4", "soundfile", "earwitness.insight", "earwitness.reduce", "earwitness.figures")

IGNORING = "import os, signal, sys; signal.signal(signal.SIGINT, signal.SIG_IGN); os.execv(sys.argv[1], sys.argv[1:])"


def test_the_server_brings_in_nothing_that_the_first_page_has_no_use_for(tmp_path: Path) -> None:
    script = (
        "import sys; from pathlib import Path; from earwitness.bench.server import create_app\n"
        "from earwitness.bench.security import Access\n"
        f"create_app(Path({str(tmp_path / 'archive')!r}), gate=Access(), port=1)\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules])"
    )
    told = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True, text=True)
    assert told.stdout.strip() == "[]"


def test_places_are_there_once_one_is_asked_for(tmp_path: Path) -> None:
    with entered(tmp_path / "archive") as client:
        places: server.DeferredRoutes = client.app.state.places  # type: ignore[attr-defined]
        for path in ("/", "/static/charts.js", "/static/theme.css", "/api/jobs", "/api/drafts/mend:1"):
            assert client.get(path).status_code == 200, path
            assert not places.is_whole, path
        assert places.first_page.is_set()
        assert client.get("/measure").status_code == 200
        assert places.is_whole
        assert client.get("/nowhere").status_code == 404
        described = client.get("/api/openapi.json").json()["paths"]
        assert {"/api/measure/live", "/api/publish/site"} <= described.keys()


def test_what_is_nowhere_waits_for_all_places_before_it_is_refused(tmp_path: Path) -> None:
    with entered(tmp_path / "archive") as client:
        assert client.get("/api/measure/nothing").status_code == 404
        assert client.app.state.places.is_whole  # type: ignore[attr-defined]


def test_a_place_that_cannot_be_imported_is_told_and_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "LATER", ("measure_live", "no_such_place"))
    with entered(tmp_path / "archive") as client:
        answer = client.get("/api/measure/live")
        assert answer.status_code == 500
        assert answer.json()["what"] == "a fault of the program: ModuleNotFoundError"
        assert client.get("/").status_code == 200
        places: server.DeferredRoutes = client.app.state.places  # type: ignore[attr-defined]
        places._left[:] = ["read"]
        assert client.get("/api/measure/live").status_code == 200


def test_the_thread_that_brings_them_in_ends_with_the_bench(tmp_path: Path) -> None:
    with entered(tmp_path / "archive") as client:
        places: server.DeferredRoutes = client.app.state.places  # type: ignore[attr-defined]
        places.start_beforehand()
        places.stop()
        assert "places" not in {one.name for one in threading.enumerate()}
        assert client.get("/measure").status_code == 200


def test_all_places_asked_for_at_once_in_a_fresh_process_are_answered(tmp_path: Path) -> None:
    with bench_process(tmp_path / "archive") as (_, address):
        opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
        assert opener.open(address).status == 200
        base = address.split("/enter/")[0]
        with ThreadPoolExecutor(len(PLACES)) as pool:
            told = list(pool.map(lambda place: opener.open(f"{base}/{place}").status, PLACES))
        assert told == [200] * len(PLACES)


@pytest.mark.parametrize("is_ignored", [False, True])
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_bench_that_is_stopped_at_once_ends_without_a_fault(
    tmp_path: Path, how: signal.Signals, is_ignored: bool
) -> None:
    """Ctrl-C is told as 130 by convention of shells, also where the bench inherits that it is ignored."""
    command = [sys.executable, "-m", "earwitness", "bench", "--no-browser", "--archive", str(tmp_path / "archive")]
    if is_ignored:
        command = [sys.executable, "-c", IGNORING, *command]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert "http" in process.stdout.readline()
        process.send_signal(how)
        _, told = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == (130 if how is signal.SIGINT else -signal.SIGTERM)
    assert "Traceback" not in told
