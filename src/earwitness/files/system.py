"""Where things lie on this machine."""

import os
from pathlib import Path

ARCHIVE_VARIABLE = "EARWITNESS_ARCHIVE"


def archive_folder(given: Path | None) -> Path:
    """The archive: what was given, else the environment variable, else the platform's data folder."""
    if given is not None:
        return given.expanduser()
    if named := os.environ.get(ARCHIVE_VARIABLE):
        return Path(named).expanduser()
    import platformdirs

    return Path(platformdirs.user_data_dir("earwitness", appauthor=False)) / "archive"
