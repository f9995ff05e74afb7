"""How much a tester has heard today, kept on disk over all sessions of the day."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

from earwitness.capture.disk import write_json
from earwitness.errors import InputError
from earwitness.standards.exposure import NIOSH, allowed_s, clock_words, dose_percent

_FORMAT = 1
_DAY_S = 24 * 3600.0
# What no exposure of a day is above: air knows no louder sound, and several programs may count one day at once.
_LOUDEST_DB, _LONGEST_S = 200.0, 100 * _DAY_S


@dataclass(frozen=True, slots=True)
class DayBudget:
    """Exposures (level [dBA], time [s]) of one day at the tester's ear. Levels count as A-weighted: the safe side."""

    day: str
    exposures: tuple[tuple[float, float], ...] = ()

    @property
    def dose_percent(self) -> float:
        """Dose by NIOSH 98-126; 100 is the recommended limit of a day."""
        return dose_percent(self.exposures)

    def remaining_s(self, level_db: float) -> float:
        """How long this level may still be heard today, at most the day."""
        left = max(0.0, 1.0 - self.dose_percent / 100.0) * allowed_s(level_db)
        return min(left, _DAY_S)

    def with_exposure(self, level_db: float, time_s: float) -> DayBudget:
        """This budget after one more exposure."""
        return replace(self, exposures=(*self.exposures, (level_db, time_s)))

    def words(self, level_db: float) -> str:
        """One sentence on what is used and what is left at this level."""
        return (
            f"{self.dose_percent:.0f} % of today's {NIOSH.name} is used; {level_db:.0f} dB at your place may go on for "
            f"{clock_words(self.remaining_s(level_db))} (h:mm:ss)."
        )


def require_budget(budget: DayBudget, level_db: float, time_s: float, *, away: bool = False) -> None:
    """InputError where this exposure would end above the day's limit and the tester is not away from the room."""
    after = budget.with_exposure(level_db, time_s).dose_percent
    if not away and after > 100.0:
        raise InputError.of("capture.exposure_of_day", after=after, niosh=NIOSH)


def read_budget(path: Path, day: str) -> DayBudget:
    """The budget of `day` ("2026-11-01"); an empty one where the file is of another day or there is none.

    InputError for a file that is damaged: exposure is never silently forgotten.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        rows = tuple((float(level), float(time_s)) for level, time_s in document["exposures"])
        if not all(abs(level) <= _LOUDEST_DB and 0.0 <= time_s <= _LONGEST_S for level, time_s in rows):
            raise ValueError
        found = DayBudget(str(document["day"]), rows)
    except FileNotFoundError:
        return DayBudget(day)
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
        raise InputError.of("capture.exposure_unreadable", where=str(path), kind=type(error).__name__) from None
    return found if found.day == day else DayBudget(day)


def keep_budget(path: Path, budget: DayBudget) -> None:
    """Write it atomically. OutputError."""
    rows = [[round(level, 2), round(time_s, 2)] for level, time_s in budget.exposures]
    write_json(path, {"format": _FORMAT, "day": budget.day, "exposures": rows})
