"""Worlds that take seconds to make, made once in a run of the suite, by whichever of its processes asks first."""

from __future__ import annotations

import fcntl
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from earwitness.app.add import add_catalogue, add_folder
from earwitness.app.advice import ADVICE, advice_on, advice_step
from earwitness.app.listen import FINDINGS, findings_step
from earwitness.app.read import read_loudspeaker
from earwitness.archive.catalogue import Archive
from earwitness.demo.lineup import DemoLoudspeaker, members
from earwitness.demo.recorder import write_member, write_session

QUICK_KEYS = ("thimble", "causeway", "lantern")


def keep_advice(archive_folder: Path) -> None:
    """Keep findings and advice of every loudspeaker, as its first page would; its data stay unopened.

    They are worked out on a copy, which notes that the data were shown, and are put in place from there.
    """
    with tempfile.TemporaryDirectory() as name:
        other = Path(shutil.copytree(archive_folder, Path(name) / "archive"))
        with Archive.open(other) as there:
            titles = {one.id: f"{one.maker} {one.name}" for one in there.loudspeakers()}
        for number, title in titles.items():
            result = read_loudspeaker(title, other)
            advice_on(result, other)
            with Archive.open(other) as there, Archive.open(archive_folder) as here:
                for made, kind in ((findings_step(result), FINDINGS), (advice_step(result), ADVICE)):
                    document = there.document(made.key, kind)
                    assert document is not None
                    here.keep_document(here.counting_session(number).id, made, kind, document)


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
        """An archive with all sessions of the demo loudspeaker that has several, reduced and advised, never opened."""

        def fill(place: Path) -> None:
            for one in members("thimble"):
                add_folder(self.member(one), place)
            add_folder(self.recordings("thimble"), place)
            keep_advice(place)

        return self.folder("archive-family", fill)

    def archive(self, *keys: str) -> Path:
        """An archive with the short sessions of these demo loudspeakers, in this order, reduced and advised, never
        opened."""
        *former, last = keys

        def fill(place: Path) -> None:
            if former:
                shutil.copytree(self.archive(*former), place, dirs_exist_ok=True)
            add_folder(self.recordings(last), place)
            keep_advice(place)

        return self.folder("archive-" + "-".join(keys), fill)

    def catalogue(self, count: int) -> Path:
        """An archive with the first `count` loudspeakers simulated at response level, advised, never opened."""

        def fill(place: Path) -> None:
            if count > 1:
                shutil.copytree(self.catalogue(count - 1), place, dirs_exist_ok=True)
            add_catalogue(place, count=count)
            keep_advice(place)

        return self.folder(f"archive-simulated-{count}", fill)
