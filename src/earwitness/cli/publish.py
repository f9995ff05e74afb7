"""earwitness publish."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command, Failures, options, progress_bar

if TYPE_CHECKING:
    from earwitness.app.publish import Products


@click.command(cls=Command)
@click.argument("name")
@options("publish")
@options("distance")
@options("publish-2")
@archive_option
@click.pass_context
def command(
    ctx: click.Context, /, name: str, folder: Path | None, material: Path | None, words: Path | None,
    write_words: Path | None, exhibits: str | None, leave_out: str | None, captions: tuple[str, ...],
    list_exhibits: bool, listening_distance_m: float | None, because: str, archive: Path, **wanted: Any,
) -> None:  # fmt: skip
    """Write the review of the loudspeaker NAME: static pages that open from disk, with downloads.

    Your verdict, likes, dislikes, ties and how you had the sample are Markdown: --write-words gives a file to fill
    in, --words takes it into the archive. Which exhibits are shown, in which order and under whose captions is kept
    in the archive too. All loudspeakers at once: earwitness site.
    """
    from earwitness.app.publish import publish_review
    from earwitness.app.settings import keep_words
    from earwitness.app.settings import write_words as write

    arranges = exhibits is not None or leave_out is not None or bool(captions)
    if folder is None and words is None and write_words is None and not arranges and not list_exhibits:
        raise click.UsageError("give a folder for the page: --to FOLDER")
    products = _products(**wanted)
    if words is not None:
        kept = keep_words(name, words, archive)
        click.echo(f"your words are in the archive: {', '.join(kept.parts) or 'none'}")
    if write_words is not None:
        click.echo(f"your words are in {write(name, write_words, archive)}")
    if arranges:
        _arrange(name, archive, _keys(exhibits), _keys(leave_out), captions)
    if list_exhibits:
        _list(name, archive)
    if folder is None:
        return
    with progress_bar("publish") as progress:
        done = publish_review(
            name,
            folder,
            archive,
            products=products,
            material=material,
            because=because,
            listening_distance_m=listening_distance_m,
            progress=progress,
        )
    click.echo(f"the review is in {done.page}")
    _tell(done.files)
    for line in done.lines:
        click.echo(line)
    Failures().end(ctx, done.failed)


def _keys(text: str | None) -> tuple[str, ...] | None:
    return None if text is None else tuple(key.strip() for key in text.split(",") if key.strip())


def _arrange(
    name: str,
    place: Path,
    exhibits: tuple[str, ...] | None,
    left_out: tuple[str, ...] | None,
    captions: tuple[str, ...],
) -> None:
    from earwitness.app.publish import arrange_by_name

    faulty = next((one for one in captions if "=" not in one), None)
    if faulty is not None:
        raise click.UsageError(f"--caption {faulty!r}: give KEY=TEXT")
    texts = dict(one.split("=", 1) for one in captions)
    with progress_bar("exhibits") as progress:
        arrange_by_name(name, place, exhibits=exhibits, left_out=left_out, captions=texts, progress=progress)
    click.echo("your choice of exhibits is in the archive")


def _list(name: str, place: Path) -> None:
    from earwitness.app.publish import exhibit_lines

    with progress_bar("exhibits") as progress:
        lines = exhibit_lines(name, place, progress=progress)
    for line in lines:
        click.echo(line)


def _products(
    *, report: bool, paper: str, stills: str | None, talk: bool, data: str | None, everything: str | None, **how: Any
) -> Products:
    from earwitness.app.publish import Products

    wide, tall = stills in ("wide", "both") or bool(everything), stills in ("tall", "both") or bool(everything)
    return Products(
        report=("letter" if paper == "letter" else "a4") if report or everything else None,
        stills=(*(("wide",) if wide else ()), *(("tall",) if tall else ())),
        talk=talk or bool(everything),
        license=everything or data,
        **how,
    )


def _tell(files: tuple[Path, ...]) -> None:
    """Products by kind: pictures are counted, others named."""
    pictures = [path for path in files if path.suffix == ".png"]
    if pictures:
        click.echo(f"{len(pictures)} stills are in {pictures[0].parent}")
    for path in files:
        if path.suffix != ".png":
            click.echo(f"the {_KINDS[path.suffix]} is {path}")


_CAPTIONS = {".vtt": "caption file", ".srt": "caption file", ".txt": "list of chapters"}
_KINDS = {".svg": "build-up", ".webm": "video", ".pdf": "report", ".md": "talk", ".zip": "data set", **_CAPTIONS}
