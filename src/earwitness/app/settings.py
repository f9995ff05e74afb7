"""What a tester chose for the reduction of a session: kept in the archive, undone as any draft is.

Nothing chosen means that the program decides, from the room, the drivers and the data.
"""

import json
import math
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

from pydantic import ConfigDict

from earwitness.archive import drafts
from earwitness.archive.catalogue import Archive
from earwitness.archive.drafts import Draft
from earwitness.archive.latest import REDUCTION
from earwitness.errors import InputError
from earwitness.files.data import table_of
from earwitness.reduce.plan import ReduceSettings

# The blend needs a third of an octave, as the splice itself does.
_NARROWEST = 2.0 ** (1 / 3)


@dataclass(frozen=True, slots=True)
class Choice:
    """One thing that may be chosen. low, high : its limits in `unit`; step : of a slider."""

    key: str
    name: str
    unit: str
    low: float
    high: float
    step: float
    help: str


CHOICES = tuple(Choice(key, **row) for key, row in table_of("app", "choices").items())


@dataclass(frozen=True, slots=True)
class Chosen:
    """What was chosen, None where the program decides. Keys and units as in CHOICES."""

    __pydantic_config__ = ConfigDict(extra="forbid")
    gate_ms: float | None = None
    taper_percent: float | None = None
    near_window_ms: float | None = None
    splice_low_hz: float | None = None
    splice_high_hz: float | None = None

    def __post_init__(self) -> None:
        for one in CHOICES:
            value = getattr(self, one.key)
            if value is None:
                continue
            if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
                raise InputError(f"{one.name} is no number", expected=_span(one))
            if not one.low <= value <= one.high:
                raise InputError(f"{one.name} is {value:g} {one.unit}", expected=_span(one))
        low, high = self.splice_low_hz, self.splice_high_hz
        if low is not None and high is not None and high < _NARROWEST * low:
            raise InputError.of("app.splice_too_narrow", low=low, high=high, least_hz=math.ceil(_NARROWEST * low))

    @property
    def is_automatic(self) -> bool:
        return self == Chosen()

    def words(self) -> str:
        """What was chosen, in words; "all automatic" for nothing."""
        told = [
            f"{one.name.lower()} {getattr(self, one.key):g} {one.unit}"
            for one in CHOICES
            if getattr(self, one.key) is not None
        ]
        return ", ".join(told) or "all automatic"


AUTOMATIC = Chosen()


def reduce_settings(chosen: Chosen) -> ReduceSettings:
    """The settings of the reduction that follow from what was chosen."""
    usual = ReduceSettings()
    return replace(
        usual,
        gate_length_s=usual.gate_length_s if chosen.gate_ms is None else chosen.gate_ms * 1e-3,
        fall_share=usual.fall_share if chosen.taper_percent is None else chosen.taper_percent / 100.0,
        near_window_s=usual.near_window_s if chosen.near_window_ms is None else chosen.near_window_ms * 1e-3,
        splice_low_hz=chosen.splice_low_hz,
        splice_high_hz=chosen.splice_high_hz,
    )


def chosen_from(value: Any, *, where: str = "") -> Chosen:
    """What was chosen, from a plain JSON value. Raises InputError for anything that Chosen cannot hold."""
    known = {one.name for one in fields(Chosen)}
    if value is None:
        return AUTOMATIC
    if not isinstance(value, dict) or not set(value) <= known:
        raise InputError.of("app.settings_unclear", where=where)
    return Chosen(**value)


def need_choice(text: str) -> None:
    """Raise InputError for a choice, as JSON text from elsewhere, that cannot be used."""
    chosen_from(json.loads(text))


def draft_key(session_id: int) -> str:
    """Where the choice of a session is kept among the drafts."""
    return f"{REDUCTION}{session_id}"


def kept_choice(archive: Archive, session_id: int) -> tuple[Chosen, Draft]:
    """What the tester keeps for a session, and the draft that holds it. Raises as `chosen_from`."""
    draft = drafts.draft(archive, draft_key(session_id))
    return chosen_from(draft.value, where=draft.key), draft


def choice_of(session_id: int, archive_folder: Path) -> tuple[Chosen, Draft]:
    """As `kept_choice`, from an archive's folder."""
    with Archive.open(archive_folder, create=False) as archive:
        return kept_choice(archive, session_id)


def keep_choice(session_id: int, chosen: Chosen, archive_folder: Path, *, revision: int | None = None) -> Draft:
    """Keep what was chosen for a session, from now on used by all that reads it.

    revision : of the draft that the choice was made from, None where nobody else can have changed it. Raises
    StaleDraftError where it was changed elsewhere since.
    """
    with Archive.open(archive_folder, create=False) as archive:
        key = draft_key(session_id)
        seen = drafts.draft(archive, key).revision if revision is None else revision
        if seen == 0:
            # So that undoing the first choice leads back to automatic.
            seen = drafts.save_draft(archive, key, asdict(AUTOMATIC), revision=0).revision
        return drafts.save_draft(archive, key, asdict(chosen), revision=seen)


def carry_choice(archive: Archive, session_id: int) -> Chosen:
    """Keep for a new session what was chosen for the one that it took the place of; AUTOMATIC where nothing was.

    Raises as `chosen_from`, and OutputError where the archive cannot be written.
    """
    former = archive.superseded_by(session_id)
    chosen = kept_choice(archive, former[-1].id)[0] if former else AUTOMATIC
    if not chosen.is_automatic:
        drafts.save_draft(archive, draft_key(session_id), asdict(chosen), revision=0, before=asdict(AUTOMATIC))
    return chosen


def _span(one: Choice) -> str:
    return f"{one.low:g} to {one.high:g} {one.unit}"
