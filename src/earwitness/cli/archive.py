"""earwitness archive."""

from __future__ import annotations

from pathlib import Path

import click

from earwitness.cli import archive_option, distance
from earwitness.cli.show import Command, progress_bar
from earwitness.errors import ArchiveError

_NOT_WHOLE = ArchiveError.exit_code


@click.group()
def command() -> None:
    """Look after the archive: check, backup, export, import, rebuild, search, listening distance."""


command.add_command(distance.listening_distance)


@command.command(cls=Command)
@archive_option
@click.pass_context
def check(ctx: click.Context, archive: Path | None) -> None:
    """Verify every hash and relation; ends with code 6 when something is lost or damaged."""
    from earwitness.app.archive import check_archive
    from earwitness.app.config import archive_folder

    with progress_bar("check") as progress:
        report = check_archive(archive_folder(archive), progress=progress)
    for finding in report.findings:
        click.echo(str(finding))
    names = ("loudspeaker", "session", "recording", "result", "publication")
    counts = [(getattr(report, f"{name}s"), name) for name in names]
    told = ", ".join(f"{count} {name}{'s' * (count != 1)}" for count, name in counts)
    click.echo(f"{told}; {report.bytes_read / 1e6:.1f} MB read")
    leftovers = f", {len(report.leftovers)} files that nothing names" if report.leftovers else ""
    click.echo(("the archive is sound" if report.is_sound else f"{len(report.damage)} found damaged") + leftovers)
    if not report.is_sound:
        ctx.exit(_NOT_WHOLE)


@command.command(cls=Command)
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@archive_option
@click.pass_context
def backup(ctx: click.Context, folder: Path, archive: Path | None) -> None:
    """Make or renew a verified copy of the archive in FOLDER; the archive may be in use meanwhile."""
    from earwitness.app.archive import back_up_archive
    from earwitness.app.config import archive_folder

    with progress_bar("backup") as progress:
        report = back_up_archive(archive_folder(archive), folder, progress=progress)
    for finding in report.damage:
        click.echo(str(finding))
    click.echo(
        f"{report.sessions} sessions; {report.copied} files copied ({report.bytes_written / 1e6:.1f} MB), "
        f"{report.reused} were there already"
    )
    click.echo(f"the backup in {report.target} is {'whole' if report.is_whole else 'not whole'}")
    if not report.is_whole:
        ctx.exit(_NOT_WHOLE)


@command.command("export", cls=Command)
@click.argument("name")
@click.argument("folder", type=click.Path(path_type=Path))
@archive_option
def export_(name: str, folder: Path, archive: Path | None) -> None:
    """Write all there is on the loudspeaker NAME as a BagIt package (RFC 8493) at FOLDER."""
    from earwitness.app.archive import export_loudspeaker
    from earwitness.app.config import archive_folder

    done = export_loudspeaker(name, folder, archive_folder(archive))
    click.echo(
        f"{done.title}: {done.sessions} sessions, {done.results} results, {done.files} files, "
        f"{done.size_bytes / 1e6:.1f} MB"
    )
    click.echo(f"the package is in {done.folder}")


@command.command("import", cls=Command)
@click.argument("folder", type=click.Path(path_type=Path))
@archive_option
def import_(folder: Path, archive: Path | None) -> None:
    """Take the package in FOLDER into the archive; what is there already stays as it is."""
    from earwitness.app.archive import import_loudspeaker
    from earwitness.app.config import archive_folder

    taken = import_loudspeaker(folder, archive_folder(archive))
    done = taken.imported
    click.echo(
        f"{done.title}: new here are {done.sessions} sessions, {done.recordings} recordings, {done.results} results, "
        f"{done.publications} publications, {done.sheets} listening sheets"
    )
    if not taken.has_figures:
        click.echo("the search finds it by its words; its figures come with: earwitness archive rebuild")


@command.command(cls=Command)
@archive_option
@click.option("--workers", type=click.IntRange(min=1), default=None, help="Processes; default: one a core.")
@click.option("--cluster", metavar="ADDRESS", default=None, help="Dask scheduler to work on, tcp://HOST:PORT.")
@click.pass_context
def rebuild(ctx: click.Context, archive: Path | None, workers: int | None, cluster: str | None) -> None:
    """Make anew what is stale, missing or damaged, and the search index; a stopped run goes on where it was."""
    from earwitness.app.config import archive_folder
    from earwitness.app.rebuild import rebuild as rebuild_all

    with progress_bar("rebuild") as progress:
        report = rebuild_all(archive_folder(archive), workers=workers, cluster=cluster, progress=progress)
    for one in report.sessions:
        if one.state == "failed":
            click.echo(f"{one.title}: {one.words}", err=True)
    click.echo(
        f"sessions: {report.count('made anew')} made anew, {report.count('was current')} current, "
        f"{report.count('failed')} failed"
    )
    if not report.is_whole:
        ctx.exit(_NOT_WHOLE)


@command.command(cls=Command)
@click.argument("words", nargs=-1)
@archive_option
@click.option("--type", "kind", default=None, help="Type of loudspeaker.")
@click.option("--price-from", type=float, default=None, help="Lowest price of a pair.")
@click.option("--price-to", type=float, default=None, help="Highest price of a pair.")
@click.option("--currency", default=None, help="Currency of the prices (ISO 4217).")
@click.option("--figure", "figures", multiple=True, metavar="KEY=LOW:HIGH", help="Range of a figure; may be repeated.")
@click.option("--sort", default="title", show_default=True, help="title, price, date, relevance or a figure's key.")
@click.option("--descending", is_flag=True, help="Highest first.")
@click.option("--limit", type=int, default=50, show_default=True, help="Rows to show.")
def search(
    words: tuple[str, ...],
    archive: Path | None,
    kind: str | None,
    price_from: float | None,
    price_to: float | None,
    currency: str | None,
    figures: tuple[str, ...],
    sort: str,
    descending: bool,
    limit: int,
) -> None:
    """Find loudspeakers by WORDS of maker, name, type and notes, by type, price and figures."""
    from earwitness.app.archive import figure_range, found_lines, search_archive
    from earwitness.app.config import archive_folder
    from earwitness.archive.search import SearchQuery

    query = SearchQuery(
        text=" ".join(words),
        figures=tuple(figure_range(text) for text in figures),
        type=kind,
        currency=currency,
        price_low=price_from,
        price_high=price_to,
        sort=sort,
        descending=descending,
        limit=limit,
    )
    found = search_archive(query, archive_folder(archive))
    shown = tuple(dict.fromkeys([*(one.key for one in query.figures), sort]))
    click.echo("\n".join(found_lines(found, shown)))
