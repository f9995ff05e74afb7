"""How far from a loudspeaker the tester listens: one number of the archive, which levels at the seat are stated for."""

import math
from pathlib import Path
from typing import Any

from earwitness.archive import drafts
from earwitness.archive.catalogue import Archive
from earwitness.errors import InputError
from earwitness.figures.level_series import SEAT_M

NEAREST_M, FARTHEST_M = 0.5, 10.0
WHY = (
    "nearer than 0.5 m the drivers are heard apart, and beyond 10 m, in most rooms, reflections alone: "
    "there the level does not fall with the distance as in free field, which is what is computed"
)
# With a blank, so that no address of the bench's drafts reaches it.
_KEY = "listening distance"


def checked_distance(distance_m: Any, *, where: str = "") -> float:
    """A listening distance [m]. InputError for one that is no number or out of bounds."""
    is_number = isinstance(distance_m, int | float) and not isinstance(distance_m, bool)
    if not is_number or not math.isfinite(distance_m) or not NEAREST_M <= distance_m <= FARTHEST_M:
        shown = f"{distance_m:g} m" if is_number else repr(distance_m)[:40]
        raise InputError.of(
            "app.listening_distance", where=where, shown=shown, nearest_m=NEAREST_M, farthest_m=FARTHEST_M, why=WHY
        )
    return float(distance_m)


def kept_distance(archive: Archive) -> float:
    """The tester's listening distance [m], 3 m where none is kept. InputError for a kept one that cannot be."""
    found = drafts.draft(archive, _KEY).value
    return SEAT_M if found is None else checked_distance(found, where="the archive's listening distance")


def distance_in(archive_folder: Path) -> float:
    """As `kept_distance`, from an archive's folder. Raises ArchiveError where there is none."""
    with Archive.open(archive_folder, create=False) as archive:
        return kept_distance(archive)


def keep_distance(distance_m: float, archive_folder: Path) -> float:
    """Keep the tester's listening distance [m] for all that is read, matched and published from now on.

    Raises InputError as `checked_distance`, OutputError where the archive cannot be written.
    """
    checked = checked_distance(distance_m)
    with Archive.open(archive_folder) as archive:
        drafts.save_draft(archive, _KEY, checked, revision=drafts.draft(archive, _KEY).revision)
    return checked


def distance_setting(distance_m: float) -> dict[str, str]:
    """What a step or an index entry says of the distance: nothing for the usual one, whose results stay what they
    are."""
    return {} if distance_m == SEAT_M else {"listening_distance": f"{distance_m:g} m"}
