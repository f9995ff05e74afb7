"""What an archive holds, out again as a session folder of responses that this and other programs read."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile
from scipy.interpolate import CubicSpline

from earwitness.app.add import measurement_of
from earwitness.archive.catalogue import Archive
from earwitness.errors import InputError, OutputError
from earwitness.quantities import REFERENCE_VOLTAGE_V, DirectionalResponse, Impedance, on_orbit
from earwitness.quantities.arrays import FloatArray
from earwitness.session.from_files import Group, Stated, Survey, session_text
from earwitness.session.patterns import FILE
from earwitness.session.record import Loudspeaker
from earwitness.session.responses import Orbit

FORMS = ("tables", "wide tables", "impulse responses", "sofa")
RATE_HZ, SAMPLES = 48_000, 2**17
_LEAD_S = 0.05
_ORBITS: tuple[tuple[Orbit, str], ...] = (("horizontal", "h"), ("vertical", "v"))


def export_responses(archive_folder: Path, name: str, folder: Path, form: str) -> tuple[Path, ...]:
    """Write the responses of a loudspeaker's session into a new folder, with a session.toml, in one of FORMS.

    Tables and SOFA bring back every figure that they can bear; impulse responses carry no word on validity, so that
    the session states the band in which all of them hold.
    InputError for a form that is not known or a folder that is there; OutputError where it cannot be written.
    """
    if form not in FORMS:
        raise InputError(f"{form!r} is no form of export", expected=", ".join(FORMS))
    if folder.exists() and any(folder.iterdir()):
        raise InputError("the folder holds something already", where=str(folder), remedy="name a new folder")
    with Archive.open(archive_folder) as archive:
        entry = archive.find(name)
        session_id = archive.sessions_of(entry.id)[-1].id
        measurement, _ = measurement_of(archive, session_id)
        session = archive.session(session_id)
    response = measurement.response
    band = _common_band(response)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        groups = _WRITERS[form](folder, response)
        if measurement.impedance is not None:
            groups.append(_impedance(folder, measurement.impedance))
        stated = stated_of(session.loudspeaker, session.date, response, band if form == "impulse responses" else None)
        (folder / FILE).write_text(session_text(Survey(folder, tuple(groups), (), ()), stated), encoding="utf-8")
    except OSError as error:
        raise OutputError(f"the export cannot be written: {error.strerror}", where=str(folder)) from error
    return tuple(sorted(folder.iterdir()))


def stated_of(
    loudspeaker: Loudspeaker, date: str, response: DirectionalResponse, band_hz: tuple[float, float] | None
) -> Stated:
    """What the session of an export states."""
    return Stated(
        name=loudspeaker.name,
        maker=loudspeaker.maker,
        type=loudspeaker.type,
        enclosure=loudspeaker.enclosure,
        size_m=(loudspeaker.width_m, loudspeaker.height_m, loudspeaker.depth_m),
        reference_axis=loudspeaker.reference_axis,
        rated_impedance_ohm=loudspeaker.rated_impedance_ohm,
        invented=loudspeaker.invented,
        date=date,
        relative=not response.absolute,
        voltage_v=REFERENCE_VOLTAGE_V,
        reference_distance_m=1.0,
        measured_distance_m=response.distance_m,
        space="anechoic",
        lowest_hz=band_hz[0] if band_hz else None,
        highest_hz=band_hz[1] if band_hz else None,
        smoothing="none",
        phase={"common": "one time reference", "own": "each direction its own", "none": "none"}[response.phase],
        measured_by="as the archive of the export tells",
        data="Pa/V",
        samples="Pa/V",
        axis=(0.0, 0.0),
        symmetric=loudspeaker.symmetric,
    )


def _common_band(response: DirectionalResponse) -> tuple[float, float]:
    every = np.flatnonzero(response.valid.all(axis=0))
    if not every.size:
        raise InputError("no frequency is valid in all directions", remedy="export tables or SOFA instead")
    return float(response.axis.hz[every[0]]), float(response.axis.hz[every[-1]])


def _titles(response: DirectionalResponse) -> str:
    return "dB SPL" if response.absolute else "dB relative"


def _tables(folder: Path, response: DirectionalResponse) -> list[Group]:
    level, phase = response.level_db(), np.degrees(np.angle(response.pressure))
    groups = []
    for orbit, letter in _ORBITS:
        rows, angles = on_orbit(response.directions, orbit)
        for row, angle in zip(rows, angles, strict=True):
            columns = [level[row]] if response.phase == "none" else [level[row], phase[row]]
            head = f"Hz\t{_titles(response)}" + ("" if response.phase == "none" else "\tdeg")
            (folder / f"{letter}_{angle:g}.txt").write_text(
                _rows(head, response.axis.hz, columns, response.valid[row]), encoding="utf-8"
            )
        groups.append(Group("response", f"{letter}_{{angle}}.txt", (), orbit, tuple(angles)))
    return [group for group in groups if group.angles_deg]


def _wide_tables(folder: Path, response: DirectionalResponse) -> list[Group]:
    level, groups = response.level_db(), []
    for orbit, letter in _ORBITS:
        rows, angles = on_orbit(response.directions, orbit)
        if not rows.size:
            continue
        head = "\t".join(["Hz", *(f"{letter.upper()} {angle:g} {_titles(response)}" for angle in angles)])
        name = f"{orbit}.txt"
        known = response.valid[rows]
        lines = [head]
        for column, hz in enumerate(response.axis.hz):
            cells = [f"{level[r, column]:.5f}" if ok else "" for r, ok in zip(rows, known[:, column], strict=True)]
            lines.append("\t".join([f"{hz:.8g}", *cells]))
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
        groups.append(Group("directions", name, (), orbit, tuple(angles)))
    return groups


def _rows(head: str, hz: FloatArray, columns: list[FloatArray], known: np.ndarray) -> str:
    lines = [head]
    for place, f in enumerate(hz):
        cells = [f"{column[place]:.5f}" if known[place] else "" for column in columns]
        lines.append("\t".join([f"{f:.8g}", *cells]))
    return "\n".join(lines) + "\n"


def _impulses(folder: Path, response: DirectionalResponse) -> list[Group]:
    if response.phase == "none":
        raise InputError("the data have no phase, so there are no impulse responses", remedy="export tables or SOFA")
    low, high = _common_band(response)
    groups = []
    for orbit, letter in _ORBITS:
        rows, angles = on_orbit(response.directions, orbit)
        for row, angle in zip(rows, angles, strict=True):
            samples = _impulse(response.axis.hz, response.pressure[row], low, high)
            soundfile.write(folder / f"{letter}_{angle:g}.wav", samples, RATE_HZ, subtype="DOUBLE")
        groups.append(Group("impulse response", f"{letter}_{{angle}}.wav", (), orbit, tuple(angles)))
    return [group for group in groups if group.angles_deg]


def _impulse(hz: FloatArray, pressure: np.ndarray, low_hz: float, high_hz: float) -> FloatArray:
    """Samples in Pa/V whose spectrum is the response inside the band; outside it falls away smoothly.

    The lead keeps what rings before the pulse, because the band ends, from wrapping round; where a recording began
    tells nothing, so it is taken off again when the responses come back.
    """
    inside = (hz >= low_hz * (1 - 1e-9)) & (hz <= high_hz * (1 + 1e-9))
    x, grid = np.log(hz[inside]), np.fft.rfftfreq(SAMPLES, 1 / RATE_HZ)
    turn = np.unwrap(np.angle(pressure[inside]))
    late = -np.polyfit(hz[inside], turn, 1)[0]
    level = CubicSpline(x, np.log(np.abs(pressure[inside])))
    steady = CubicSpline(x, turn + late * hz[inside])
    at = np.clip(np.log(np.maximum(grid, 1e-3)), x[0], x[-1])
    away = np.abs(np.log2(np.maximum(grid, 1e-3) / np.exp(at)))
    size = np.exp(level(at)) * np.exp(-0.5 * (away / 0.5) ** 2)
    spectrum = size * np.exp(1j * (steady(at) - (late + 2 * np.pi * _LEAD_S) * grid))
    return np.asarray(np.fft.irfft(spectrum, SAMPLES), dtype=float)


def _sofa(folder: Path, response: DirectionalResponse) -> list[Group]:
    from earwitness.formats.sofa import write_sofa

    write_sofa(folder / "directivity.sofa", response, title="export", description="directivity", license="not stated")
    return [Group("directions", "directivity.sofa", (), None, (0.0,))]


def _impedance(folder: Path, load: Impedance) -> Group:
    rows = zip(load.axis.hz, np.abs(load.ohm), np.degrees(np.angle(load.ohm)), load.valid, strict=True)
    lines = ["Hz\tohm\tdeg", *(f"{f:.8g}\t{size:.6f}\t{turn:.5f}" for f, size, turn, ok in rows if ok)]
    (folder / "impedance.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return Group("impedance table", "impedance.txt", (), None, ())


_WRITERS: dict[str, Callable[[Path, DirectionalResponse], list[Group]]] = {
    "tables": _tables,
    "wide tables": _wide_tables,
    "impulse responses": _impulses,
    "sofa": _sofa,
}
