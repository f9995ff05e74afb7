"""An archive with short sessions of the three measured demo loudspeakers."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from made_once import QUICK_KEYS, MadeOnce


@dataclass(frozen=True, slots=True)
class QuickWorld:
    """recordings : holds one session folder for each key; archive : to be copied, as reading it writes to it."""

    recordings: Path
    archive: Path


def quick_world_of(made_once: MadeOnce) -> QuickWorld:
    """Short sessions, 30 degree steps, written, added and reduced."""
    archive = made_once.archive(*QUICK_KEYS)
    return QuickWorld(made_once.recordings(QUICK_KEYS[0]).parent, archive)
