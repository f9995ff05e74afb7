"""An archive with short sessions of the three measured demo loudspeakers."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from earwitness.app.add import add_folder
from earwitness.demo.recorder import write_session

QUICK_KEYS = ("thimble", "causeway", "lantern")


@dataclass(frozen=True, slots=True)
class QuickWorld:
    """recordings : holds one session folder for each key; archive : to be read, or copied, but not written to."""

    recordings: Path
    archive: Path


def quick_world_in(folder: Path) -> QuickWorld:
    """Short sessions, 30 degree steps, written, added and reduced."""
    for key in QUICK_KEYS:
        write_session(key, folder / "recordings" / key, quick=True)
        add_folder(folder / "recordings" / key, folder / "archive")
    return QuickWorld(folder / "recordings", folder / "archive")
