"""A session to practice live measuring with: an invented loudspeaker that the simulated wire may record."""

from __future__ import annotations

from contextlib import suppress
from itertools import count
from pathlib import Path

from earwitness.errors import InputError, OutputError

REHEARSALS = "rehearsals"
_TEXT = """\
# For practice: an invented loudspeaker, recorded over the simulated wire, which makes no sound.
# No such product or maker exists.
format = 1
date = "2026-11-01"

[loudspeaker]
name = "Practice One"
maker = "Invented Works"
type = "stand-mount"
enclosure = "closed"
invented = true
width_m = 0.20
height_m = 0.34
depth_m = 0.26
reference_axis = "middle of the front"

[[loudspeaker.driver]]
name = "woofer"
kind = "cone"
diameter_m = 0.13

[microphone]
sensitivity_fs_per_pa = 0.1

[drive]
voltage_v = 2.83

[stimulus]
kind = "sweep"
start_hz = {start_hz}
stop_hz = 20000.0
duration_s = {duration_s}
fade_in_s = 0.02
fade_out_s = 0.002
lead_in_s = {lead_in_s}

[reference]
channel = 2

[environment]
anechoic = true

[[take]]
kind = "far-field"
orbit = "horizontal"
distance_m = 1.0
files = "horizontal/{{angle}}.wav"

[[take]]
kind = "near-field"
driver = "woofer"
file = "near_woofer.wav"
"""


def rehearsal_text(*, start_hz: float = 20.0, duration_s: float = 1.0, lead_in_s: float = 0.5) -> str:
    """The session.toml of a rehearsal. start_hz, duration_s : of its sweep; lead_in_s : silence before it."""
    return _TEXT.format(start_hz=start_hz, duration_s=duration_s, lead_in_s=lead_in_s)


def new_rehearsal(folder: Path) -> Path:
    """Write the session into `folder`. InputError where one is there, OutputError where it cannot be written."""
    path = folder / "session.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(rehearsal_text())
    except FileExistsError:
        raise InputError(
            "there is a session.toml already, it was left as it is", where=str(path), remedy="choose another folder"
        ) from None
    except OSError as error:
        raise OutputError(
            f"the session cannot be written: {error.strerror}", where=str(path), remedy="check folder and permission"
        ) from None
    return path


def next_rehearsal(archive_folder: Path) -> Path:
    """A new folder beside the archive's files, with the session in it. OutputError where it cannot be written."""
    for number in count(1):
        folder = archive_folder / REHEARSALS / str(number)
        # Another program may take the number between the look and the writing.
        if not folder.exists():
            with suppress(InputError):
                new_rehearsal(folder)
                break
    return folder
