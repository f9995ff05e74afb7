"""earwitness demo."""

from pathlib import Path

import click

from earwitness.cli.show import Command, options, progress_bar


@click.command(cls=Command)
@options("demo", positions=click.Path(exists=True, dir_okay=False, path_type=Path))
def command(
    folder: Path,
    loudspeaker: str | None,
    everything: bool,
    simulated: bool,
    scan: bool,
    points: int,
    positions: Path | None,
    open_page: bool,
) -> None:
    """Run the whole job on an invented loudspeaker: recordings, archive, figures, review.

    A second run uses again whatever has not changed, and says so.
    """
    from earwitness.app.demo import add_simulated, run_demo

    with progress_bar("demo") as progress:
        results = run_demo(
            folder,
            loudspeaker,
            everything=everything,
            scan_points=points if scan or positions is not None else None,
            positions=positions,
            progress=progress,
        )
    for result in results:
        for line in result.lines:
            click.echo(line)
        click.echo(f"open {result.page}")
    if simulated or (everything and not scan):
        with progress_bar("demo") as progress:
            click.echo(add_simulated(folder, progress=progress))
        click.echo(f"one site of them all: earwitness site --to SITE --archive {folder / 'archive'}")
    if open_page:
        import webbrowser

        webbrowser.open(results[0].page.resolve().as_uri())
