"""Sound cards in memory for the tests of live measuring in the bench, and a session that they may record."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from starlette.testclient import TestClient

from earwitness.capture.simulated import SimulatedSound, SimulatedStream
from earwitness.capture.sound import Block, Outgoing, Wiring
from patience import PATIENCE_S

TAB = "page-one-1"
LIVE = "/api/measure/live"


@dataclass(frozen=True, slots=True)
class Listened:
    """What a stream played, block by block, with the time of each."""

    blocks: list[tuple[float, Block]] = field(default_factory=list)

    def after(self, moment: float) -> float:
        """Highest sample of all blocks asked for after a moment."""
        return max((float(np.max(np.abs(one), initial=0.0)) for at, one in self.blocks if at > moment), default=0.0)


class ListenedSound(SimulatedSound):
    """The simulated wire, with an ear on everything that leaves."""

    heard: Listened = Listened()

    def open(self, wiring: Wiring, outgoing: Outgoing) -> SimulatedStream:
        return super().open(wiring, _Tapped(outgoing, self.heard))

    def pace(self, speed: float) -> None:
        """From now on so many times faster than a real one, also in the midst of a stream; 0 is at once."""
        object.__setattr__(self, "speed", speed)


class _Tapped:
    def __init__(self, outgoing: Outgoing, heard: Listened) -> None:
        self._outgoing, self._heard = outgoing, heard

    def pull(self, frames: int) -> Block:
        # Asked for at this moment, whenever the thread gets on with it.
        at = time.monotonic()
        block = self._outgoing.pull(frames)
        self._heard.blocks.append((at, block))
        return block

    @property
    def over(self) -> bool:
        return self._outgoing.over


def wait_for(client: TestClient, holds: Callable[[dict], bool], *, beats: bool = True) -> dict:
    """The state once it is as wanted; meanwhile the page gives signs of life, as a real one does."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        if beats:
            client.post(f"{LIVE}/beat", json={"tab": TAB})
        told: dict = client.get(LIVE).json()
        if holds(told):
            return told
        time.sleep(0.02)
    raise AssertionError(f"not within {PATIENCE_S:g} s: {told}")


def is_ready(told: dict) -> bool:
    return told["phase"] == "ready"


def begun(client: TestClient, folder: Path, **setup: object) -> dict:
    """The folder opened and set up on the simulated wire."""
    assert client.post(f"{LIVE}/open", json={"folder": str(folder)}).status_code == 200
    chosen = {"source": "simulated", "sink": "simulated", "outputs": [1], "step_deg": 180.0, **setup}
    told = client.post(f"{LIVE}/setup", json=chosen)
    assert told.status_code == 200, told.text
    answer: dict = told.json()
    return answer


def sounding(told: dict, **more: object) -> dict:
    """The body of a request that makes sound, confirmed."""
    return {"tab": TAB, "confirmed": told["cautions_key"], **more}
