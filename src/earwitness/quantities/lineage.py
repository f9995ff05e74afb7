"""Where a number came from: the steps that made it, their settings and their inputs."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass

from earwitness import __version__

Setting = str | int | float | bool | None | tuple["Setting", ...]


@dataclass(frozen=True, slots=True)
class Step:
    """One step of processing, as data.

    name : such as "reduce"; settings : sorted (name, value) pairs; inputs : hashes of files or keys of earlier
    steps; program : version that ran it.
    """

    name: str
    settings: tuple[tuple[str, Setting], ...]
    inputs: tuple[str, ...]
    program: str

    @property
    def key(self) -> str:
        """Name under which this step's result is stored: 32 hex digits over all fields."""
        text = json.dumps([self.name, self.settings, self.inputs, self.program], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:32]


def step(name: str, settings: Mapping[str, Setting], inputs: tuple[str, ...]) -> Step:
    """A step run by this version of the program."""
    return Step(name, tuple(sorted(settings.items())), tuple(inputs), f"earwitness {__version__}")
