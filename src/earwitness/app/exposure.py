"""The exposure of the day, kept on this machine over all live sessions."""

import datetime
from pathlib import Path

from earwitness.capture.budget import DayBudget, keep_budget, read_budget


def exposure_file(given: Path | None = None) -> Path:
    """Where it is kept: the given file, else one in the platform's data folder."""
    if given is not None:
        return given
    import platformdirs

    return Path(platformdirs.user_data_dir("earwitness", appauthor=False)) / "exposure.json"


def exposure_today(file: Path | None) -> DayBudget:
    """What was heard today. Raises InputError as `read_budget`."""
    return read_budget(exposure_file(file), datetime.date.today().isoformat())


def count_exposure(level_db: float | None, time_s: float, file: Path | None) -> None:
    """Add a level at the tester's place [dB] over a time; an unknown level adds nothing. Raises as `exposure_today`,
    and OutputError."""
    if level_db is not None and time_s > 0.0:
        keep_budget(exposure_file(file), exposure_today(file).with_exposure(level_db, time_s))
