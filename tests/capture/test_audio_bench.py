"""The bench as a process, recording over a virtual sound device: nothing stands between it and real streams.

A virtual device under load may lose samples, which is what the verdict is for: takes have some tries.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.cookiejar import CookieJar
from pathlib import Path
from urllib.parse import urlsplit
from urllib.request import HTTPCookieProcessor, Request, build_opener

import pytest
import soundfile
from rehearsal import SESSION, write_session
from virtual_sound import virtual_sound

from patience import PATIENCE_S, until

pytestmark = pytest.mark.audio
TRIES = 6
TAB = "page-one-1"
LIVE = "/api/measure/live"


class Client:
    """A browser of few words: it has entered the bench at its address of one use."""

    def __init__(self, address: str) -> None:
        self._base = "{0.scheme}://{0.netloc}".format(urlsplit(address))
        self._opener = build_opener(HTTPCookieProcessor(CookieJar()))
        self._opener.open(address, timeout=PATIENCE_S).close()

    def get(self, url: str) -> dict:
        return self._ask(Request(self._base + url))

    def post(self, url: str, body: object) -> dict:
        headers = {"Origin": self._base, "Content-Type": "application/json"}
        return self._ask(Request(self._base + url, json.dumps(body).encode(), headers))

    def _ask(self, request: Request) -> dict:
        with self._opener.open(request, timeout=PATIENCE_S) as answer:
            told: dict = json.load(answer)
            return told


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    """A client that has entered a bench whose sound card is a wire in PulseAudio."""
    home = tmp_path_factory.mktemp("bench")
    with virtual_sound() as sound:
        environment = {
            **os.environ, **sound, "PULSE_SINK": "wire", "PULSE_SOURCE": "wire.monitor", "XDG_DATA_HOME": str(home),
        }  # fmt: skip
        command = [sys.executable, "-m", "earwitness", "bench", "--no-browser", "--archive", str(home / "archive")]
        with subprocess.Popen(
            command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        ) as process:
            assert process.stdout is not None
            words = ""
            while "http" not in words:
                words = process.stdout.readline()
                assert words, "the bench has ended"
            address = next(word for word in words.split() if word.startswith("http"))
            try:
                yield Client(address)
            finally:
                process.kill()


@contextmanager
def signs_of_life(client: Client) -> Iterator[None]:
    """Given as a page gives them."""
    ended = threading.Event()

    def beat() -> None:
        while not ended.wait(0.25):
            client.post(f"{LIVE}/beat", {"tab": TAB})

    thread = threading.Thread(target=beat)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def spoiled(told: dict) -> set[Path]:
    """The takes kept though they failed; the folder for them comes with the first."""
    return set((Path(told["folder"]) / "spoiled").glob("*"))


def once(client: Client, holds: Callable[[dict], bool]) -> dict:
    told: dict = {}

    def is_so() -> bool:
        told.clear()
        told.update(client.get(LIVE))
        return holds(told)

    until(is_so)
    return told


def sounding(told: dict, **more: object) -> dict:
    return {"tab": TAB, "confirmed": told["cautions_key"], **more}


@pytest.fixture(scope="module")
def begun(client: Client, tmp_path_factory: pytest.TempPathFactory) -> dict:
    """A session set up on the wire, in both channels of which is what is played."""
    folder = write_session(tmp_path_factory.mktemp("s") / "s", SESSION)
    listed = client.get(f"{LIVE}/devices")
    assert "pulse" in {one["value"] for one in listed["devices"]}, listed
    client.post(f"{LIVE}/open", {"folder": str(folder)})
    chosen = {"source": "pulse", "sink": "pulse", "outputs": [1, 2], "step_deg": 180.0}
    return client.post(f"{LIVE}/setup", chosen)


def test_the_bench_records_a_session_over_a_real_stream(client: Client, begun: dict) -> None:
    with signs_of_life(client):
        client.post(f"{LIVE}/loopback", sounding(begun))
        told = once(client, lambda now: now["phase"] == "ready")
        assert "loopback" in told, told
        for _ in range(TRIES):
            client.post(f"{LIVE}/record", sounding(told, take=None, pause_s=0))
            told = once(client, lambda now: now["phase"] == "ready")
            if told["done"]:
                break
        assert told["done"], told["judged"]
    folder = Path(told["folder"])
    assert {path.name for path in (folder / "horizontal").iterdir()} == {"0.wav", "180.wav"}


def test_the_abort_key_ends_a_real_stream_long_before_its_end(client: Client, begun: dict) -> None:
    told = client.post(f"{LIVE}/setup", {"peak_dbfs": -20.0})
    if told["done"]:
        told = client.post(f"{LIVE}/again", {"take": "0"})
    before = spoiled(begun)
    with signs_of_life(client):
        client.post(f"{LIVE}/record", sounding(told, take=told["next"], pause_s=0))
        once(client, lambda now: now["phase"] == "recording")
        client.post(f"{LIVE}/silence", {})
        told = once(client, lambda now: now["phase"] == "ready")
    assert "abort key" in told["silenced"]
    # The whole take is 0.1 s of silence, 0.5 s of sweep, and 2 s for tail and buffers.
    for path in spoiled(begun) - before:
        assert soundfile.info(path).duration < 2.0
