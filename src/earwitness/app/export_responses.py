"""What an archive holds, out again as a session folder of responses that this and other programs read."""

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import soundfile

from earwitness.app.add import measurement_of
from earwitness.archive.catalogue import Archive
from earwitness.errors import InputError, OutputError
from earwitness.figures.level_series import placed_series
from earwitness.figures.read import levels_of
from earwitness.figures.windows import windows
from earwitness.files.data import worded
from earwitness.quantities import REFERENCE_VOLTAGE_V, DirectionalResponse, Impedance, Measurement, on_orbit
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.session.from_files import Group, SeenFile, Stated, Survey, session_text
from earwitness.session.patterns import FILE
from earwitness.session.record import Loudspeaker
from earwitness.session.responses import Orbit

FORMS = ("tables", "wide tables", "impulse responses", "sofa", "spherical harmonics")
RATE_HZ, SAMPLES = 48_000, 2**17
_LEAD_S = 0.05
HARMONIC_ORDER = 20
_FEWEST_POINTS = 4
_ORBITS: tuple[tuple[Orbit, str], ...] = (("horizontal", "h"), ("vertical", "v"))


def export_responses(archive_folder: Path, name: str, folder: Path, form: str) -> tuple[Path, ...]:
    """Write the responses of a loudspeaker's session into a new folder, with a session.toml, in one of FORMS.

    Every form brings back the figures that it can bear: levels that are not valid go out too, marked, and all with
    their uncertainty, in columns or variables, or in a table beside forms that have no place for them.
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
    try:
        folder.mkdir(parents=True, exist_ok=True)
        groups = _WRITERS[form](folder, response)
        if measurement.impedance is not None:
            groups.append(_impedance(folder, measurement.impedance))
        groups += _levels(folder, measurement)
        stated = stated_of(session.loudspeaker, session.date, response, form)
        (folder / FILE).write_text(session_text(Survey(folder, tuple(groups), (), ()), stated), encoding="utf-8")
    except OSError as error:
        raise OutputError(f"the export cannot be written: {error.strerror}", where=str(folder)) from error
    return tuple(sorted(folder.iterdir()))


def stated_of(loudspeaker: Loudspeaker, date: str, response: DirectionalResponse, form: str) -> Stated:
    """What the session of an export states."""
    return Stated(
        name=loudspeaker.name,
        maker=loudspeaker.maker,
        type=loudspeaker.type,
        enclosure=loudspeaker.enclosure,
        width_m=loudspeaker.width_m,
        height_m=loudspeaker.height_m,
        depth_m=loudspeaker.depth_m,
        reference_axis=loudspeaker.reference_axis,
        rated_impedance_ohm=loudspeaker.rated_impedance_ohm,
        invented=loudspeaker.invented,
        date=date,
        relative=not response.absolute,
        voltage_v=REFERENCE_VOLTAGE_V,
        reference_distance_m=1.0,
        measured_distance_m=response.distance_m,
        space="anechoic",
        smoothing="none",
        phase={"common": "one time reference", "own": "each direction its own", "none": "none"}[response.phase],
        measured_by="as the archive of the export tells",
        data="Pa/V",
        samples="Pa/V",
        axis_azimuth_deg=0.0,
        harmonics="orthonormal" if form == "spherical harmonics" else "",
        symmetric=loudspeaker.symmetric,
    )


def _titles(response: DirectionalResponse) -> str:
    return "dB SPL" if response.absolute else "dB relative"


def _tables(folder: Path, response: DirectionalResponse) -> list[Group]:
    """One file a direction, with phase, validity and uncertainty in columns of their own."""
    level, phase = response.level_db(), np.degrees(np.angle(response.pressure))
    apart, shared = response.u_apart_db(), response.u_shared_db()
    groups = []
    turned = () if response.phase == "none" else ("deg",)
    head = "\t".join(["Hz", _titles(response), *turned, "valid", "u dB", "common u dB"])
    for orbit, letter in _ORBITS:
        rows, angles = on_orbit(response.directions, orbit)
        for row, angle in zip(rows, angles, strict=True):
            columns = [level[row], *([phase[row]] if turned else []), response.valid[row], apart[row], shared]
            _write_table(folder / f"{letter}_{angle:g}.txt", head, response.axis.hz, columns)
        groups.append(Group("response", f"{letter}_{{angle}}.txt", (), orbit, tuple(angles)))
    return [group for group in groups if group.angles_deg]


def _wide_tables(folder: Path, response: DirectionalResponse) -> list[Group]:
    level, groups = response.level_db(), []
    for orbit, letter in _ORBITS:
        rows, angles = on_orbit(response.directions, orbit)
        if not rows.size:
            continue
        titles = [f"{letter.upper()} {angle:g} {_titles(response)}" for angle in angles]
        told, columns = _trust(response, rows, angles, letter)
        name = f"{orbit}.txt"
        _write_table(folder / name, "\t".join(["Hz", *titles, *told]), response.axis.hz, [*level[rows], *columns])
        groups.append(Group("directions", name, (), orbit, tuple(angles)))
    return groups


def _trust(
    response: DirectionalResponse, rows: IntArray, angles: FloatArray, letter: str
) -> tuple[list[str], list[FloatArray]]:
    """Titles and columns of validity and standard uncertainty [dB] of some directions."""
    apart = response.u_apart_db()
    titles, columns = [], []
    for row, angle in zip(rows, angles, strict=True):
        titles += [f"{letter.upper()} {angle:g} valid", f"{letter.upper()} {angle:g} u dB"]
        columns += [response.valid[row].astype(float), apart[row]]
    return [*titles, "common u dB"], [*columns, response.u_shared_db()]


def _uncertainty(folder: Path, response: DirectionalResponse) -> list[Group]:
    """Validity and uncertainty beside a form that has no place for them, one table an orbit."""
    groups = []
    for orbit, letter in _ORBITS:
        rows, angles = on_orbit(response.directions, orbit)
        if rows.size:
            told, columns = _trust(response, rows, angles, letter)
            name = f"{orbit}_uncertainty.txt"
            _write_table(folder / name, "\t".join(["Hz", *told]), response.axis.hz, columns)
            groups.append(Group("uncertainty", name, (), orbit, tuple(angles)))
    return groups


def _write_table(path: Path, head: str, hz: FloatArray, columns: Sequence[FloatArray | BoolArray]) -> None:
    """Numbers to five decimals, validity as 1 or 0, nothing where there is no number."""
    fields = [[f"{f:.8g}" for f in hz]]
    for column in columns:
        form = "d" if column.dtype == np.bool_ else ".5f"
        fields.append([format(value, form) if np.isfinite(value) else "" for value in column])
    lines = [head, *("\t".join(row) for row in zip(*fields, strict=True))]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _impulses(folder: Path, response: DirectionalResponse) -> list[Group]:
    if response.phase == "none":
        raise InputError("the data have no phase, so there are no impulse responses", remedy="export tables or SOFA")
    groups = []
    for orbit, letter in _ORBITS:
        rows, angles = on_orbit(response.directions, orbit)
        for row, angle in zip(rows, angles, strict=True):
            samples = _impulse(response.axis.hz, response.pressure[row])
            soundfile.write(folder / f"{letter}_{angle:g}.wav", samples, RATE_HZ, subtype="FLOAT")
        groups.append(Group("impulse response", f"{letter}_{{angle}}.wav", (), orbit, tuple(angles)))
    return [*(group for group in groups if group.angles_deg), *_uncertainty(folder, response)]


def _impulse(hz: FloatArray, pressure: ComplexArray) -> FloatArray:
    """Samples in Pa/V whose spectrum is the response where there is one; outside its band it falls away smoothly.

    The lead keeps what rings before the pulse, because the band ends, from wrapping round; where a recording began
    tells nothing, so it is taken off again when the responses come back.
    """
    from scipy.interpolate import CubicSpline

    inside = np.abs(pressure) > 0.0
    if inside.sum() < _FEWEST_POINTS:
        return np.zeros(SAMPLES)
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

    write_sofa(
        folder / "directivity.sofa",
        response,
        title="export",
        description="directivity",
        license="not stated",
        keep_marked=True,
    )
    return [Group("directions", "directivity.sofa", (), None, (0.0,))]


def _harmonics(folder: Path, response: DirectionalResponse) -> list[Group]:
    """The smoothest series through the measured directions, which it gives back as they are."""
    from earwitness.formats.harmonic_sofa import smoothest
    from earwitness.formats.sofa import write_harmonics

    if response.phase != "common":
        raise InputError.of("app.no_shared_time")
    coefficients = smoothest(response.directions.unit_vectors(), response.pressure, HARMONIC_ORDER)
    comment = worded("app.harmonics_comment")
    write_harmonics(folder / "harmonics.sofa", response.axis.hz, coefficients, comment=comment)
    return [Group("directions", "harmonics.sofa", (), None, (0.0,)), *_uncertainty(folder, response)]


def _impedance(folder: Path, load: Impedance) -> Group:
    columns = [np.abs(load.ohm), np.degrees(np.angle(load.ohm)), load.u_ohm, load.u_deg]
    head = "Hz\tohm\tdeg\tu ohm\tu deg"
    _write_table(folder / "impedance.txt", head, load.axis.hz[load.valid], [one[load.valid] for one in columns])
    return Group("impedance table", "impedance.txt", (), None, ())


def _levels(folder: Path, measurement: Measurement) -> list[Group]:
    """The level series at 1 m, one table a voltage: fundamental, harmonics and the noise under each."""
    groups = []
    on_axis = windows(levels_of(measurement.response), only=("on_axis",)).curves.get("on_axis")
    for one in placed_series(measurement, on_axis):
        if one.place != "far-field" or not one.orders[0]:
            continue
        head, columns = ["Hz", "dB SPL"], [one.fundamental_db]
        for order, level, noise, valid in zip(one.orders, one.harmonic_db, one.noise_db, one.valid, strict=True):
            head += [f"HD{order} dB SPL", f"noise HD{order} dB SPL"]
            columns += [np.where(valid, level, np.nan), noise]
        name = f"levels_{one.drive_v:g}V.txt"
        _write_table(folder / name, "\t".join(head), one.axis.hz, columns)
        seen = SeenFile(file=name, kind="level table", drives_v=(one.drive_v,))
        groups.append(Group("level table", name, (seen,), None, ()))
    return groups


_WRITERS: dict[str, Callable[[Path, DirectionalResponse], list[Group]]] = {
    "tables": _tables,
    "wide tables": _wide_tables,
    "impulse responses": _impulses,
    "sofa": _sofa,
    "spherical harmonics": _harmonics,
}
