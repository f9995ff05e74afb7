"""Look after the archive: check, back up, move one loudspeaker, search."""

from dataclasses import dataclass
from pathlib import Path

from earwitness.app.add import kept_measurement
from earwitness.app.jobs import Progress, silent
from earwitness.app.settings import need_choice
from earwitness.app.summary import keep_names, keep_summary
from earwitness.archive.backup import BackupReport, backup
from earwitness.archive.catalogue import Archive
from earwitness.archive.integrity import CheckReport, check
from earwitness.archive.integrity import Progress as BytesTold
from earwitness.archive.notes import record_opening
from earwitness.archive.package import Exported, Imported, export_package, import_package
from earwitness.archive.search import ORDERS, FigureRange, Found, SearchQuery, search, summary_sources
from earwitness.errors import InputError
from earwitness.exhibits.words import value_words
from earwitness.insight.listening.seal import seal_hash


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


def search_archive(query: SearchQuery, archive_folder: Path) -> Found:
    """Answer a question to the catalogue. Raises as `search`, and InputError where the index is empty."""
    with Archive.open(archive_folder, create=False) as archive:
        if archive.loudspeakers() and not summary_sources(archive):
            raise InputError.of("app.index_empty", where=str(archive_folder))
        found = search(archive, query)
        if query.figures or query.sort not in ORDERS:
            # An answer by figures tells the data: listening sheets sealed from now on were made with them known.
            for row in found.rows:
                owner = archive.loudspeaker(row.loudspeaker_id)
                record_opening(archive, name=owner.name, maker=owner.maker)
        return found


def figure_range(text: str) -> FigureRange:
    """ "f6=30:45", "sensitivity=88:", "f6=:40" as a range. Raises InputError for other text."""
    key, sign, span = text.partition("=")
    low, colon, high = span.partition(":")
    try:
        if not (key.strip() and sign and colon):
            raise ValueError
        return FigureRange(key.strip(), float(low) if low.strip() else None, float(high) if high.strip() else None)
    except ValueError:
        raise InputError.of("app.no_range", text=text) from None


def found_lines(found: Found, shown: tuple[str, ...]) -> list[str]:
    """An answer as lines of text; shown : keys of the figures to print."""
    lines = []
    for row in found.rows:
        price = "no price" if row.price is None else f"{row.price:,.0f} {row.currency} a pair"
        lines.append(f"{row.title}: {row.type}, {price}, measured {row.date}")
        for figure in row.figures:
            if figure.key in shown:
                bound = f"{figure.bound} " if figure.bound else ""
                lines.append(f"    {figure.key} {bound}{value_words(figure.value, figure.u, figure.unit)}")
    more = found.total - len(found.rows)
    tail = f"{found.total} found" + (f", {len(found.rows)} shown" if more > 0 else "")
    return [*lines, tail]


def _bytes_told(progress: Progress, word: str) -> BytesTold:
    def tell(done: int, total: int) -> None:
        progress(done / total if total else 1.0, f"{done / 1e6:.0f} of {total / 1e6:.0f} MB {word}")

    return tell
