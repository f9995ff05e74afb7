"""Worlds that take seconds to make, made once in a run of the suite, by whichever of its processes asks first."""

from __future__ import annotations

import fcntl
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from earwitness.app.add import add_folder
from earwitness.demo.family import members
from earwitness.demo.lineup import DemoLoudspeaker
from earwitness.demo.recorder import write_member, write_session

QUICK_KEYS = ("thimble", "causeway", "lantern")


@dataclass(frozen=True, slots=True)
class MadeOnce:
    """Folders under `root`, which all processes of a run share. To be copied, or read, never written to."""

    root: Path

    def folder(self, name: str, make: Callable[[Path], object]) -> Path:
        """The folder `name`, filled by `make` unless it is there; who asks meanwhile waits."""
        place = self.root / name
        half = place.with_name(f".{place.name}.half")
        place.parent.mkdir(exist_ok=True)
        with place.with_name(f".{place.name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not place.is_dir():
                shutil.rmtree(half, ignore_errors=True)
                half.mkdir()
                make(half)
                half.rename(place)
        return place

    def recordings(self, key: str) -> Path:
        """A short session of a demo loudspeaker, 30 degree steps."""
        return self.folder(f"recordings/{key}", lambda place: write_session(key, place, quick=True))

    def member(self, one: DemoLoudspeaker) -> Path:
        """A session of a few takes of another unit or state of a demo loudspeaker."""
        return self.folder(f"recordings/{one.key}", lambda place: write_member(one, place))

    def family(self) -> Path:
        """An archive with all sessions of the demo loudspeaker that has several, reduced and never opened."""

        def fill(place: Path) -> None:
            for one in members("thimble"):
                add_folder(self.member(one), place)
            add_folder(self.recordings("thimble"), place)

        return self.folder("archive-family", fill)

    def archive(self, *keys: str) -> Path:
        """An archive with the short sessions of these demo loudspeakers, in this order, reduced and never opened."""
        *former, last = keys

        def fill(place: Path) -> None:
            if former:
                shutil.copytree(self.archive(*former), place, dirs_exist_ok=True)
            add_folder(self.recordings(last), place)

        return self.folder("archive-" + "-".join(keys), fill)
