"""earwitness archive."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from earwitness.cli import archive_option, from_files
from earwitness.cli.show import Command, options, progress_bar
from earwitness.errors import ArchiveError
from earwitness.files.data import worded

if TYPE_CHECKING:
    from earwitness.app.archive import Moved

_NOT_WHOLE = ArchiveError.exit_code


@click.group()
def command() -> None:
    """Look after the archive: check, backup, export, import, rebuild, search, set aside, listening distance."""


command.add_command(from_files.add_list)
command.add_command(from_files.export_responses)


# A number below 0 is to be refused as what it is, not as an option that is not known.
@command.command("listening-distance", cls=Command, context_settings={"ignore_unknown_options": True})
@click.argument("meters", type=float, required=False)
@archive_option
def listening_distance(meters: float | None, archive: Path) -> None:
    """Tell how far from a loudspeaker you listen, or keep METERS as that from now on.

    Levels at the seat are for this distance, in figures, advice and reviews: 0.5 to 10 m, 3 m at first.
    """
    from earwitness.app.settings import distance_in, keep_distance

    if meters is None:
        click.echo(f"listening distance: {distance_in(archive):g} m")
        return
    click.echo(f"listening distance: {keep_distance(meters, archive):g} m, from now on")
    click.echo("search and comparisons follow with: earwitness archive rebuild")


@command.command(cls=Command)
@archive_option
@click.pass_context
def check(ctx: click.Context, archive: Path) -> None:
    """Verify every hash and relation; ends with code 6 when something is lost or damaged."""
    from earwitness.app.archive import check_archive

    with progress_bar("check") as progress:
        report = check_archive(archive, progress=progress)
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
def backup(ctx: click.Context, folder: Path, archive: Path) -> None:
    """Make or renew a verified copy of the archive in FOLDER; the archive may be in use meanwhile."""
    from earwitness.app.archive import back_up_archive

    with progress_bar("backup") as progress:
        report = back_up_archive(archive, folder, progress=progress)
    for finding in report.damage:
        click.echo(str(finding))
    click.echo(worded("cli.backed_up", report=report, mb=report.bytes_written / 1e6))
    click.echo(f"the backup in {report.target} is {'whole' if report.is_whole else 'not whole'}")
    if not report.is_whole:
        ctx.exit(_NOT_WHOLE)


@command.command("export", cls=Command)
@click.argument("name")
@click.argument("folder", type=click.Path(path_type=Path))
@archive_option
def export_(name: str, folder: Path, archive: Path) -> None:
    """Write all there is on the loudspeaker NAME as a BagIt package (RFC 8493) at FOLDER."""
    from earwitness.app.archive import export_loudspeaker

    done = export_loudspeaker(name, folder, archive)
    click.echo(worded("cli.exported", done=done, mb=done.size_bytes / 1e6))
    click.echo(f"the package is in {done.folder}")


@command.command("import", cls=Command)
@click.argument("folder", type=click.Path(path_type=Path))
@archive_option
def import_(folder: Path, archive: Path) -> None:
    """Take the package in FOLDER into the archive; what is there already stays as it is."""
    from earwitness.app.archive import import_loudspeaker

    taken = import_loudspeaker(folder, archive)
    done = taken.imported
    click.echo(worded("cli.imported", done=done))
    if not taken.has_figures:
        click.echo("the search finds it by its words; its figures come with: earwitness archive rebuild")


@command.command(cls=Command)
@archive_option
@options("rebuild")
@click.pass_context
def rebuild(ctx: click.Context, archive: Path, workers: int | None, cluster: str | None) -> None:
    """Make anew what is stale, missing or damaged, and the search index; a stopped run goes on where it was."""
    from earwitness.app.jobs import ready_workers

    if workers != 1 and cluster is None:
        ready_workers()
    from earwitness.app.archive import rebuild as rebuild_all

    with progress_bar("rebuild") as progress:
        report = rebuild_all(archive, workers=workers, cluster=cluster, progress=progress)
    for one in report.sessions:
        if one.state == "failed":
            click.echo(f"{one.title}: {one.words}", err=True)
        elif one.state == "superseded":
            click.echo(f"{one.title}, which another session took the place of, is left as it was: {one.words}")
    passed = ((report.count("superseded"), "superseded and left"), (report.aside, "set aside"))
    click.echo(
        f"sessions: {report.count('made anew')} made anew, {report.count('was current')} current, "
        f"{report.count('failed')} failed" + "".join(f", {count} {words}" for count, words in passed if count)
    )
    if not report.is_whole:
        click.echo(worded("cli.mend_or_set_aside"), err=True)
        ctx.exit(_NOT_WHOLE)


@command.command(cls=Command)
@click.argument("name")
@archive_option
def sessions(name: str, archive: Path) -> None:
    """List the sessions of the loudspeaker NAME by number, and which of them is read."""
    from earwitness.app.archive import session_lines

    click.echo("\n".join(session_lines(name, archive)))


@command.command("set-aside", cls=Command)
@click.argument("name")
@options("session")
@options("set-aside")
@archive_option
def set_aside(name: str, number: int | None, because: str, archive: Path) -> None:
    """Let a session of NAME count for nothing, the one that is read unless --session names another.

    Everything of it stays: take-back undoes it. Reading, rebuild, site and compare go on without it.
    """
    from earwitness.app.archive import set_session_aside

    done = set_session_aside(name, archive, session_id=number, because=because)
    click.echo(f"{done.title}: session {done.session.id} of {done.session.date} is set aside; nothing of it is lost")
    _tell_read(done)


@command.command("take-back", cls=Command)
@click.argument("name")
@options("session")
@archive_option
def take_back(name: str, number: int | None, archive: Path) -> None:
    """Let a session of NAME count again that was set aside."""
    from earwitness.app.archive import take_session_back

    done = take_session_back(name, archive, session_id=number)
    click.echo(f"{done.title}: session {done.session.id} of {done.session.date} is no longer set aside")
    _tell_read(done)


def _tell_read(done: Moved) -> None:
    if done.counts is None:
        click.echo("no session of it is read now, and the search does not know it")
        return
    click.echo(f"read from now on: {done.counts.title}" + (f"; but {done.counts.words}" if done.counts.words else ""))


@command.command(cls=Command)
@click.argument("words", nargs=-1)
@archive_option
@options("search")
def search(words: tuple[str, ...], archive: Path, figures: tuple[str, ...], **asked: Any) -> None:
    """Find loudspeakers by WORDS of maker, name, type and notes, by type, price and figures."""
    from earwitness.app.shelf import figure_range, found_lines, search_archive
    from earwitness.archive.search import SearchQuery

    query = SearchQuery(text=" ".join(words), figures=tuple(figure_range(text) for text in figures), **asked)
    found = search_archive(query, archive)
    shown = tuple(dict.fromkeys([*(one.key for one in query.figures), query.sort]))
    click.echo("\n".join(found_lines(found, shown)))
