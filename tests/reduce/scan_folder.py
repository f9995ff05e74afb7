"""A session folder that holds a scan, as facts."""

from __future__ import annotations

import tomllib
from pathlib import Path

from earwitness.formats.audio import Recording, read_audio
from earwitness.formats.correction_file import MicrophoneCorrection, read_correction
from earwitness.session.responses import ScanSetup, ScanTake, spell_out_scan
from earwitness.session.session import NoiseFloorTake, Session


def load_scan(folder: Path) -> tuple[Session, tuple[ScanTake, ...], ScanSetup]:
    """The session without its scan, the scan's takes and its setup; hashes are left out."""
    document = tomllib.loads((folder / "session.toml").read_text(encoding="utf-8"))
    setup = ScanSetup.model_validate(document.pop("scan", {}))
    tables = spell_out_scan(document.pop("take")[0], folder)
    takes = tuple(ScanTake.model_validate({**table, "sha256": "0" * 64}) for table in tables)
    silence = NoiseFloorTake(kind="noise floor", id="silence", file="none.flac", sha256="0" * 64)
    return Session.model_validate({**document, "takes": (silence,)}), takes, setup


def reader(folder: Path):
    """Reads a recording of the folder by name."""

    def read(name: str) -> Recording:
        return read_audio(folder / name)

    return read


def correction_of(session: Session, folder: Path) -> MicrophoneCorrection | None:
    """The microphone's correction file of the session."""
    name = session.microphone.correction_file
    return None if name is None else read_correction(folder / name)
