"""Look after the archive: check, back up, move, search, export; make results anew; set sessions aside."""

import importlib
import os
import threading
from collections.abc import Callable, Generator, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import soundfile

from earwitness.app.add import keep_names, keep_summary, kept_measurement, measurement_of
from earwitness.app.jobs import ENDED, Progress, each_done, silent
from earwitness.app.printed import kept_printed
from earwitness.app.settings import need_choice
from earwitness.archive.backup import BackupReport, backup
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import session_words
from earwitness.archive.entries import LoudspeakerEntry, SessionEntry
from earwitness.archive.integrity import CheckReport, check
from earwitness.archive.integrity import Progress as BytesTold
from earwitness.archive.package import Exported, Imported, export_package, import_package
from earwitness.archive.search import drop_summary
from earwitness.errors import EarwitnessError, InputError, MissingExtraError, OutputError, named
from earwitness.exhibits.record import record
from earwitness.figures.level_series import placed_series
from earwitness.figures.read import levels_of
from earwitness.figures.windows import windows
from earwitness.files.data import table_of, worded
from earwitness.files.system import keep_freed_memory
from earwitness.insight.listening.remark import seal_hash
from earwitness.quantities import REFERENCE_VOLTAGE_V, DirectionalResponse, Impedance, Measurement, on_orbit
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray
from earwitness.session.from_files import Group, SeenFile, Stated, Survey, session_text
from earwitness.session.patterns import FILE
from earwitness.session.record import Loudspeaker
from earwitness.session.responses import Orbit


def check_archive(archive_folder: Path, *, progress: Progress = silent) -> CheckReport:
    """Verify every hash and relation. Raises ArchiveError without an archive."""
    with Archive.open(archive_folder, create=False) as archive:
        return check(archive, progress=_bytes_told(progress, "checked"), seal=seal_hash)


def back_up_archive(archive_folder: Path, target: Path, *, progress: Progress = silent) -> BackupReport:
    """Bring `target` to what the archive holds. Raises as `backup`."""
    with Archive.open(archive_folder, create=False) as archive:
        return backup(archive, target, progress=_bytes_told(progress, "copied or compared"))


def export_loudspeaker(name: str, folder: Path, archive_folder: Path) -> Exported:
    """Write the loudspeaker called `name` as a BagIt package. Raises as `Archive.find` and `export_package`."""
    with Archive.open(archive_folder, create=False) as archive:
        return export_package(archive, archive.find(name).id, folder)


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What a package brought. has_figures : the search knows the figures; without them it finds the loudspeaker by
    name, type, price and notes, until `rebuild` or a reading makes its result anew."""

    imported: Imported
    has_figures: bool


def import_loudspeaker(folder: Path, archive_folder: Path) -> TakenIn:
    """Take a package into the archive, which is made if there is none, and into the search index.

    A result in it that another version or other settings made is not made anew here; `rebuild` does that. Raises as
    `import_package`.
    """
    with Archive.open(archive_folder) as archive:
        done = import_package(folder, archive, seal=seal_hash, need_choice=need_choice)
        counting = [one for one in archive.sessions_of(done.loudspeaker_id) if one.standing == "counts"]
        measurement = kept_measurement(archive, counting[-1].id) if counting else None
        if measurement is not None:
            keep_summary(archive, done.loudspeaker_id, counting[-1].id, measurement)
        elif counting:
            keep_names(archive, done.loudspeaker_id)
        return TakenIn(done, measurement is not None)


def _bytes_told(progress: Progress, word: str) -> BytesTold:
    def tell(done: int, total: int) -> None:
        progress(done / total if total else 1.0, f"{done / 1e6:.0f} of {total / 1e6:.0f} MB {word}")

    return tell


# A worker of a cluster runs several tasks as threads of one process; the netCDF library bears one at a time.
_ALONE = threading.Lock()
# Below that many sessions to be made anew, to start workers takes longer than they save.
FEWEST_FOR_WORKERS = 8
# How long a scheduler has to answer [s].
_ANSWER_S = 10


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """What became of one session. state : "made anew", "was current", "failed", or "superseded" where it failed and
    another one is read in its place; title : loudspeaker and date; words : why it failed."""

    session_id: int
    title: str
    state: str
    words: str = ""


@dataclass(frozen=True, slots=True)
class RebuildReport:
    """All sessions but those set aside, by their number. aside : how many are set aside."""

    sessions: tuple[Rebuilt, ...]
    aside: int = 0

    @property
    def is_whole(self) -> bool:
        return all(one.state != "failed" for one in self.sessions)

    def count(self, state: str) -> int:
        return sum(one.state == state for one in self.sessions)


def rebuild(
    archive_folder: Path, *, workers: int | None = None, cluster: str | None = None, progress: Progress = silent
) -> RebuildReport:
    """Bring results and search index of the archive to what this version makes.

    workers : processes on this machine, None for one a core where there is enough to do; cluster : address of a Dask
    scheduler whose workers see the archive under the same path. Results are the same either way. A session that fails,
    for whatever reason, stays as it was and is in the report; one that is set aside is passed over. Raises ArchiveError
    without an archive, InputError for no workers, MissingExtraError without Dask.
    """
    if workers is not None and workers < 1:
        raise InputError(f"{workers} workers were asked for", expected="1 or more")
    archive_folder = archive_folder.resolve()
    with Archive.open(archive_folder, create=False) as archive:
        every = [(one, session) for one in archive.loudspeakers() for session in archive.sessions_of(one.id)]
        ours = [(one, session) for one, session in every if session.standing != "set aside"]
        progress(0.0, f"{len(ours)} sessions")
        done: list[Rebuilt] = []
        for one, session in ours:
            # What is current is told from its hashes, here: a worker is for what is to be made.
            printed = None
            with suppress(EarwitnessError):
                printed = kept_printed(archive, one.id, session.id)
            if printed is not None:
                done.append(Rebuilt(session.id, printed["title"], "was current"))
                progress(len(done) / len(ours), f"{len(done)} of {len(ours)}: {printed['title']}")
    numbers = sorted({session.id for _, session in ours} - {one.session_id for one in done})
    workers = workers or (1 if len(numbers) < FEWEST_FOR_WORKERS else os.cpu_count() or 1)
    if cluster is not None:
        made = _cluster_results(archive_folder, numbers, cluster)
    else:
        work = partial(rebuild_session, str(archive_folder))
        made = each_done(work, numbers, workers=workers, lost=lambda one: _failed(archive_folder, one, ENDED))
    with closing(made) as results:
        for found in results:
            done.append(found)
            progress(len(done) / len(ours), f"{len(done)} of {len(ours)}: {found.title}")
    return RebuildReport(tuple(sorted(done, key=lambda one: one.session_id)), len(every) - len(ours))


def rebuild_session(archive_folder: str, session_id: int) -> Rebuilt:
    """One session, in this process; whatever fails is in what is returned."""
    keep_freed_memory()
    with _ALONE:
        return _rebuild_session(Path(archive_folder), session_id)


def _rebuild_session(archive_folder: Path, session_id: int) -> Rebuilt:
    try:
        with named(f"session number {session_id}"), Archive.open(archive_folder, create=False) as archive:
            measurement, was_reduced = measurement_of(archive, session_id, mend=True)
            was_kept = keep_summary(archive, archive.owner_of(session_id), session_id, measurement)
            title = _title(archive, session_id)
    except EarwitnessError as error:
        return _failed(archive_folder, session_id, str(error))
    return Rebuilt(session_id, title, "made anew" if was_kept or was_reduced else "was current")


def _failed(archive_folder: Path, session_id: int, words: str) -> Rebuilt:
    """A session that failed, named as well as a damaged archive lets it be."""
    title, state = f"session {session_id}", "failed"
    with suppress(EarwitnessError), named(title), Archive.open(archive_folder, create=False) as archive:
        title = _title(archive, session_id)
        entries = {one.id: one for one in archive.sessions_of(archive.owner_of(session_id))}
        state = "superseded" if entries[session_id].standing == "superseded" else "failed"
    return Rebuilt(session_id, title, state, words)


def _title(archive: Archive, session_id: int) -> str:
    session = archive.session(session_id)
    return f"{session.loudspeaker.title}, session of {session.date}"


def _cluster_results(folder: Path, numbers: list[int], address: str) -> Generator[Rebuilt, None, None]:
    try:
        distributed = importlib.import_module("distributed")
    except ImportError:
        raise MissingExtraError.of("app.cluster_missing") from None
    try:
        client = distributed.Client(address, timeout=_ANSWER_S)
    except (OSError, ValueError) as error:
        raise InputError.of("app.no_scheduler", where=address, error=error) from error
    with client:
        futures = {client.submit(rebuild_session, str(folder), number, pure=False): number for number in numbers}
        for future in distributed.as_completed(futures):
            lost = future.exception()
            yield future.result() if lost is None else _failed(folder, futures[future], f"on the cluster: {lost}")


MOST_WORDS = 2000


@dataclass(frozen=True, slots=True)
class Moved:
    """A session that was set aside or taken back. counts : what became of the one that is read now, None without."""

    title: str
    session: SessionEntry
    counts: Rebuilt | None


def set_session_aside(name: str, archive_folder: Path, *, session_id: int | None = None, because: str = "") -> Moved:
    """Let a session of the loudspeaker called `name` count for nothing; everything of it stays in the archive.

    session_id : which one, None for the one that is read. The next one by date is read from then on, and the search
    index holds that. Raises as `Archive.find`; InputError for a number that is no session of it, or a reason too long.
    """
    if len(because) > MOST_WORDS:
        raise InputError("the reason is too long", expected=f"at most {MOST_WORDS} characters")
    with Archive.open(archive_folder, create=False) as archive:
        owner = archive.find(name)
        if session_id is None:
            chosen = archive.counting_session(owner.id)
        else:
            chosen = _one_of(owner, archive.sessions_of(owner.id), session_id)
        archive.set_aside(chosen.id, because)
    return _moved(archive_folder, owner, chosen)


def take_session_back(name: str, archive_folder: Path, *, session_id: int | None = None) -> Moved:
    """Let a session count again that was set aside. session_id : which one, None for the latest that is set aside.

    Raises as `set_session_aside`, and InputError where none is set aside.
    """
    with Archive.open(archive_folder, create=False) as archive:
        owner = archive.find(name)
        aside = [one for one in archive.sessions_of(owner.id) if one.standing == "set aside"]
        if not aside:
            raise InputError(f"no session of {owner.name} is set aside", where=str(archive_folder))
        chosen = aside[-1] if session_id is None else _one_of(owner, aside, session_id)
        archive.take_back(chosen.id)
    return _moved(archive_folder, owner, chosen)


def session_lines(name: str, archive_folder: Path) -> list[str]:
    """The sessions of a loudspeaker as lines of text, the one that is read last. Raises as `Archive.find`."""
    with Archive.open(archive_folder, create=False) as archive:
        owner = archive.find(name)
        sessions = archive.sessions_of(owner.id)
        takes = {one.id: len(archive.takes_of(one.id)) for one in sessions}
    lines = [f"{owner.maker} {owner.name}"]
    for place, one in enumerate(sessions):
        is_read = place == len(sessions) - 1 and one.standing == "counts"
        told = "read" if is_read else table_of("app", "settings")["standings"][one.standing]
        reason = f": {one.because}" if one.because else ""
        added = f"added {one.created_at[:10]} from {one.folder}"
        lines.append(f"    {session_words(one)}, {takes[one.id]} takes, {added}: {told}{reason}")
    return lines


def _one_of(owner: LoudspeakerEntry, sessions: Sequence[SessionEntry], session_id: int) -> SessionEntry:
    for one in sessions:
        if one.id == session_id:
            return one
    listed = ", ".join(f"{one.id} (of {one.date})" for one in sessions)
    raise InputError.of("app.session_not_there", name=owner.name, session_id=session_id, listed=listed)


def _moved(archive_folder: Path, owner: LoudspeakerEntry, chosen: SessionEntry) -> Moved:
    """Bring the search index to what is read now."""
    with Archive.open(archive_folder, create=False) as archive:
        counting = [one for one in archive.sessions_of(owner.id) if one.standing == "counts"]
        if not counting:
            drop_summary(archive, owner.id)
    counts = rebuild_session(str(archive_folder.resolve()), counting[-1].id) if counting else None
    return Moved(f"{owner.maker} {owner.name}", chosen, counts)


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
        **record(loudspeaker, "name maker type enclosure width_m height_m depth_m reference_axis rated_impedance_ohm"),
        **record(loudspeaker, "invented symmetric"),
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
    )


def _titles(response: DirectionalResponse) -> str:
    return "dB SPL" if response.absolute else "dB relative"


def _tables(folder: Path, response: DirectionalResponse) -> list[Group]:
    """One file a direction, with phase, validity and uncertainty in columns of their own."""
    level, phase = response.level_db(), np.degrees(np.angle(response.pressure))
    apart, shared = response.u_apart_db(), response.u_shared_db()
    turned = () if response.phase == "none" else ("deg",)
    head = "\t".join(["Hz", _titles(response), *turned, "valid", "u dB", "common u dB"])

    def write(path: Path, row: int) -> None:
        columns = [level[row], *([phase[row]] if turned else []), response.valid[row], apart[row], shared]
        _write_table(path, head, response.axis.hz, columns)

    return _each_direction(folder, response, "response", ".txt", write)


def _each_direction(
    folder: Path, response: DirectionalResponse, kind: str, ending: str, write: Callable[[Path, int], None]
) -> list[Group]:
    """One file a direction by `write`, which gets its path and the direction's row."""
    groups = []
    for orbit, letter in _ORBITS:
        rows, angles = on_orbit(response.directions, orbit)
        for row, angle in zip(rows, angles, strict=True):
            write(folder / f"{letter}_{angle:g}{ending}", row)
        groups.append(Group(kind, f"{letter}_{{angle}}{ending}", (), orbit, tuple(angles)))
    return [group for group in groups if group.angles_deg]


def _each_orbit(folder: Path, response: DirectionalResponse, kind: str) -> list[Group]:
    """One table an orbit: all "directions", with validity and standard uncertainty [dB] of each behind them; or its
    "uncertainty" alone, beside a form that has no place for it."""
    level, apart = response.level_db(), response.u_apart_db()
    groups = []
    for orbit, letter in _ORBITS:
        rows, angles = on_orbit(response.directions, orbit)
        if not rows.size:
            continue
        is_whole, letter = kind == "directions", letter.upper()
        titles = [f"{letter} {angle:g} {_titles(response)}" for angle in angles if is_whole]
        columns = [*level[rows]] if is_whole else []
        for row, angle in zip(rows, angles, strict=True):
            titles += [f"{letter} {angle:g} valid", f"{letter} {angle:g} u dB"]
            columns += [response.valid[row].astype(float), apart[row]]
        head, name = "\t".join(["Hz", *titles, "common u dB"]), f"{orbit}{'' if is_whole else '_uncertainty'}.txt"
        _write_table(folder / name, head, response.axis.hz, [*columns, response.u_shared_db()])
        groups.append(Group(kind, name, (), orbit, tuple(angles)))
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

    def write(path: Path, row: int) -> None:
        soundfile.write(path, _impulse(response.axis.hz, response.pressure[row]), RATE_HZ, subtype="FLOAT")

    found = _each_direction(folder, response, "impulse response", ".wav", write)
    return [*found, *_each_orbit(folder, response, "uncertainty")]


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

    path, about = folder / "directivity.sofa", "directivity"
    write_sofa(path, response, title="export", description=about, license="not stated", keep_marked=True)
    return [Group("directions", "directivity.sofa", (), None, (0.0,))]


def _harmonics(folder: Path, response: DirectionalResponse) -> list[Group]:
    """The smoothest series through the measured directions, which it gives back as they are."""
    from earwitness.formats.directivity_sofa import smoothest
    from earwitness.formats.sofa import write_harmonics

    if response.phase != "common":
        raise InputError.of("app.no_shared_time")
    coefficients = smoothest(response.directions.unit_vectors(), response.pressure, HARMONIC_ORDER)
    comment = worded("app.harmonics_comment")
    write_harmonics(folder / "harmonics.sofa", response.axis.hz, coefficients, comment=comment)
    return [Group("directions", "harmonics.sofa", (), None, (0.0,)), *_each_orbit(folder, response, "uncertainty")]


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
    "wide tables": lambda folder, response: _each_orbit(folder, response, "directions"),
    "impulse responses": _impulses,
    "sofa": _sofa,
    "spherical harmonics": _harmonics,
}
