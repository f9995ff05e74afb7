"""What a change of gate or splice does to the response on axis, fast enough to follow a slider.

Only the takes that the on-axis response is made from are reduced, by the same code as the whole session and with the
same result; their recordings stay in memory while the preview is held, and so do the curves shown lately: a slider goes
to and fro.
"""

from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from earwitness.app.add import impedance_table_of, recordings_of
from earwitness.app.settings import Chosen, reduce_settings
from earwitness.archive.catalogue import Archive
from earwitness.demo.catalogue import simulated
from earwitness.errors import InputError
from earwitness.figures.read import levels_of
from earwitness.figures.time_domain import time_curves
from earwitness.figures.windows import windows
from earwitness.formats.audio import Recording
from earwitness.formats.correction_file import read_correction
from earwitness.quantities import Curve, Gate, Measurement, Splice
from earwitness.reduce.flow import reduce_session
from earwitness.reduce.plan import nearest_to_axis
from earwitness.session.session import FarFieldTake, NearFieldTake, NoiseFloorTake, Session

# How far past the direct sound the ungated energy is looked at.
OPEN_MS = 40.0
_KEPT_CURVES = 100
_OPEN = Chosen(gate_ms=OPEN_MS, taper_percent=5.0)


@dataclass(frozen=True, slots=True, eq=False)
class Preview:
    """The response on axis under some settings. warnings : sentences that want attention."""

    chosen: Chosen
    curve: Curve
    gate: Gate
    splice: Splice | None
    warnings: tuple[str, ...]


class AxisPreview:
    """The takes behind the response on axis of one session, to be reduced again and again."""

    def __init__(self, session_id: int, archive_folder: Path) -> None:
        """Raises InputError for a session without recordings of its own, ArchiveError as the archive does."""
        with Archive.open(archive_folder, create=False) as archive:
            whole = archive.session(session_id)
            files = archive.files_of(session_id)
        if simulated(whole) is not None or not whole.takes_of(FarFieldTake):
            raise InputError.of("app.nothing_to_reduce")
        self.session = _on_axis_only(whole)
        self._read = recordings_of(files)
        self._held: dict[str, Recording] = {}
        self._shown: OrderedDict[Chosen, Preview] = OrderedDict()
        self._energy: tuple[Curve, float] | None = None
        correction_file = whole.microphone.correction_file
        self._correction = read_correction(files[correction_file]) if correction_file else None
        self._impedance = impedance_table_of(self.session, files)

    def at(self, chosen: Chosen) -> Preview:
        """The response on axis with other settings. Raises InputError where they cannot be used."""
        if chosen not in self._shown:
            self._shown[chosen] = self._made(chosen)
        self._shown.move_to_end(chosen)
        while len(self._shown) > _KEPT_CURVES:
            self._shown.popitem(last=False)
        return self._shown[chosen]

    def _made(self, chosen: Chosen) -> Preview:
        measurement = self._reduced(chosen)
        curve = windows(levels_of(measurement.response)).curves["on_axis"]
        warnings = tuple(flag.sentence for flag in measurement.flags if flag.severity != "info" and "splice" in flag.id)
        return Preview(chosen, curve, measurement.gate, measurement.splice, warnings)

    def energy(self) -> tuple[Curve, float]:
        """Energy over time of the on-axis take before any gate cuts it, in milliseconds, and the time of the direct
        sound on that axis [ms]."""
        if self._energy is None:
            measurement = self._reduced(_OPEN)
            self._energy = time_curves(measurement)["energy_time"], 1e3 * measurement.impulse_onset_s
        return self._energy

    def _reduced(self, chosen: Chosen) -> Measurement:
        return reduce_session(
            self.session,
            self._kept,
            settings=reduce_settings(chosen),
            correction=self._correction,
            impedance=self._impedance,
        )

    def _kept(self, name: str) -> Recording:
        if name not in self._held:
            self._held[name] = self._read(name)
        return self._held[name]


def largest_change_db(before: Curve, after: Curve) -> tuple[float, float] | None:
    """Largest change where both hold [dB] and its frequency [Hz]; None where they hold nowhere together."""
    both = before.valid & after.valid
    if not both.any():
        return None
    change = np.where(both, after.values - before.values, 0.0)
    row = int(np.argmax(np.abs(change)))
    return float(change[row]), float(before.axis.hz[row])


def _on_axis_only(session: Session) -> Session:
    axis = nearest_to_axis(session.takes_of(FarFieldTake))
    kept = tuple(
        take for take in session.takes if take.id == axis.id or isinstance(take, NearFieldTake | NoiseFloorTake)
    )
    return session.model_copy(update={"takes": kept})
