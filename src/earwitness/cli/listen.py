"""earwitness listen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command, options, pick_options, progress_bar, terminal_width

if TYPE_CHECKING:
    from earwitness.app.audition import Ears
    from earwitness.app.listen import BlindTest


@click.group()
def command() -> None:
    """Write down what you hear before you look, seal it, and hold it against the data.

    \b
    Begin a sheet and fill it in while you listen:
      earwitness listen new my-notes.toml
    Seal it, so that nobody can say you wrote it afterwards:
      earwitness listen seal my-notes.toml
    Later, when the loudspeaker has been measured and added:
      earwitness listen match "Name of the loudspeaker"

    \b
    How often were you right, over all sheets:
      earwitness listen record

    Sealing stores the sheet, its hash and the time. What is sealed after the data were shown is kept
    too, marked as made with the data known.
    """


@command.command(name="new", cls=Command)
@click.argument("place", type=click.Path(path_type=Path), metavar="SHEET.toml|FOLDER")
def new(place: Path) -> None:
    """Write an empty listening sheet, with every word you may use."""
    from earwitness.app.listen import new_sheet

    path = new_sheet(place)
    click.echo(f"fill in {path} while you listen, then: earwitness listen seal {path}")


@command.command(name="seal", cls=Command)
@click.argument("sheets", type=click.Path(path_type=Path), nargs=-1, required=True, metavar="SHEET...")
@archive_option
def seal(sheets: tuple[Path, ...], archive: Path) -> None:
    """Check each SHEET (a file, or a folder with listening.toml) and seal it in the archive.

    The sheets of a blind test are sealed together, one for each letter; then the letters are told.
    """
    from earwitness.app.listen import seal_files

    made, test = seal_files(sheets, archive)
    for one in made:
        click.echo("\n".join(one.lines))
    if test is not None:
        _revealed(test)


@command.command(name="blind", cls=Command)
@click.argument("loudspeakers", nargs=-1, metavar="[NAME/MAKER...]")
@options("listen-blind")
@archive_option
def blind(loudspeakers: tuple[str, ...], card: Path | None, number: str | None, archive: Path) -> None:
    """Begin a blind test of two to eight loudspeakers, each given as "Name/Maker".

    The letters are dealt at random; only the card tells them. Write one sheet a letter, with the keys letter and
    blind_test, and seal all of them together.

    \b
    How a test stands, with letters and secret once it is sealed:
      earwitness listen blind --number 0a1b2c3d
    """
    from earwitness.app.listen import begin_test, blind_test, write_card

    if number is None and (not loudspeakers or card is None):
        raise click.UsageError("give the loudspeakers as Name/Maker, and --card FILE; or --number of a test")
    if number is not None and loudspeakers:
        raise click.UsageError("--number is for a test that was begun, without loudspeakers")
    if number is None:
        test = begin_test([(name, maker) for name, _, maker in (one.partition("/") for one in loudspeakers)], archive)
    else:
        test = blind_test(number, archive)
    click.echo(f'blind test {test.number}, letters {", ".join(test.letters)}: blind_test = "{test.number}"')
    if card is not None:
        click.echo(f"give this file to the helper, unread: {write_card(test.number, card, archive)}")
    click.echo(f"promise {test.promise}; it is the SHA-256 of the secret that is told after sealing")
    _revealed(test)


def _revealed(test: BlindTest) -> None:
    """Letters and secret, where they are known."""
    for letter, (name, maker) in (test.revealed or {}).items():
        click.echo(f"letter {letter} was {maker} {name}")
    if test.revealed is not None:
        click.echo(f"the secret that dealt the letters: {test.secret}")


@command.command(name="levels", cls=Command)
@click.argument("levels", nargs=-1, required=True, metavar="LETTER=DB...")
def levels(levels: tuple[str, ...]) -> None:
    """Gains that bring loudspeakers to one level, from their levels with pink noise at the seat: A=78.2 B=80.1."""
    from earwitness.app.listen import gains_of

    for letter, gain_db in gains_of(levels).items():
        click.echo(f"{letter}: {gain_db:+.1f} dB".replace("-", "\N{MINUS SIGN}"))


@command.command(name="list", cls=Command)
@click.argument("name", required=False, default="")
@archive_option
def listed(name: str, archive: Path) -> None:
    """List sealed sheets, of the loudspeaker NAME or all. No data are opened for it."""
    from earwitness.app.listen import sealed_sheets

    wanted = name.casefold()
    found = [
        kept for kept in sealed_sheets(archive) if wanted in f"{kept.sheet.maker} {kept.sheet.loudspeaker}".casefold()
    ]
    for kept in found:
        count = len(kept.sheet.remarks)
        click.echo(f"{kept.sheet.maker} {kept.sheet.loudspeaker}: {count} remark{'s' if count != 1 else ''}")
        click.echo(f"  {kept.entry.sealed_at}, {kept.mark}")
        click.echo(f"  seal {kept.entry.sha256}")
    if not found:
        click.echo("no sealed sheet; begin one: earwitness listen new FOLDER")


@command.command(name="match", cls=Command)
@click.argument("name")
@archive_option
@options("listen-match")
def match(name: str, archive: Path, as_json: bool, own_record: bool) -> None:
    """Hold every sealed remark on the loudspeaker NAME against its data.

    This shows the data: sheets sealed afterwards are marked.
    """
    from earwitness.app import listen as acts
    from earwitness.app.advice import advice_text, heard_lines
    from earwitness.app.read import read_loudspeaker
    from earwitness.app.trial import own_trials
    from earwitness.exhibits.advice import Advice

    with progress_bar("listen") as progress:
        result = read_loudspeaker(name, archive, progress=progress)
        findings = acts.findings_of(result, archive)
        heard = acts.heard_sheets(result, archive, findings)
        record = acts.own_record(archive)[0] if own_record else ()
        trials, agree = own_trials(findings, result.session.loudspeaker.title, archive), acts.listeners_agree(heard)
    advice = Advice(findings=findings, heard=heard, trials=trials, reliability=record, agreement=agree)
    click.echo(advice_text(result, advice) if as_json else "\n".join(heard_lines(result, advice)))


@command.command(name="record", cls=Command)
@archive_option
@options("listen-record")
def record(archive: Path, listener: str | None, as_json: bool) -> None:
    """Show how reliable your ear is, by region: remarks of all sheets sealed before the data that agree with them,
    findings that you wrote of, and from trials how small a finding you hear.

    Where several listeners sealed sheets, each has a record of its own behind the one of all.
    """
    import json

    from earwitness.app.advice import record_lines, reliability_rows
    from earwitness.app.listen import listeners_of, own_record
    from earwitness.app.trial import listeners_thresholds

    with progress_bar("listen"):
        names = () if listener is not None else listeners_of(archive)
        whose = (listener, *names) if len(names) > 1 else (listener,)
        each = {one: (*own_record(archive, listener=one), listeners_thresholds(archive, one)) for one in whose}
    if as_json:
        rows = {one: reliability_rows(own[0]) for one, own in each.items()}
        document = {
            "reliability": rows.pop(listener),
            "listeners": rows,
            "noticed": [asdict(one) for one in each[listener][1]],
            "thresholds": [
                {"listener": one.listener, "loudspeaker": one.loudspeaker, "sound": one.sound, **asdict(one.outcome)}
                for one in each[listener][2]
                if one.outcome is not None
            ],
        }
        click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1))
    else:
        for one, own in each.items():
            click.echo("\n".join(record_lines(*own, listener="" if one == listener else one or "")))


band_option = options("listen-band")


def room_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """--room and what belongs to it; the command gets the ears in it, None without a room."""

    @wraps(command)
    def placed(*args: Any, **others: Any) -> Any:
        from earwitness.app.audition import ears_in

        facts = {key: others.pop(key) for key in ("size", "reverberation_s", "seat_m", "head_set")}
        return command(*args, ears=ears_in(**facts), **others)

    made: Callable[..., Any] = options("listen-room")(placed)
    return made


@command.command(name="render", cls=Command)
@click.argument("name")
@pick_options
@options("listen-render")
@band_option
@options("listen-render-2")
@room_options
@archive_option
def render(name: str, folder: Path, equal_gain: bool, ears: Ears | None, archive: Path, **wanted: Any) -> None:
    """Render a sound as the loudspeaker NAME would change it, in versions to listen to.

    \b
    Noise as it is, through the loudspeaker, with its equalizer, with and without its first finding:
      earwitness listen render "Name of the loudspeaker" --to sounds
    Your own music, through two loudspeakers:
      earwitness listen render "Name of the loudspeaker" --sound my-music.flac \\
        --version as-is --against "Name of another" --to sounds
    With a band of your own, and with the distortion that was measured at the loudest level:
      earwitness listen render "Name of the loudspeaker" --band peaking 240 -2.1 1.0 --to sounds
      earwitness listen render "Name of the loudspeaker" --curve axis --version as-is --version distorted --to sounds
    Through headphones, a pair in your room:
      earwitness listen render "Name of the loudspeaker" --room 6x4x2.5 --to sounds

    All versions have the same loudness, and none clips. This shows the data: sheets sealed afterwards are marked.
    """
    from earwitness.app.audition import render as render_versions
    from earwitness.app.audition import rendered_lines

    with progress_bar("render") as progress:
        files = render_versions(
            name, folder, archive, match_loudness=not equal_gain, ears=ears, progress=progress, **wanted
        )
    lines = rendered_lines(files, match_loudness=not equal_gain, ears=ears, width=terminal_width())
    click.echo("\n".join(lines))


@command.command(name="trial", cls=Command)
@click.argument("name")
@pick_options
@options("listen-trial")
@band_option
@options("listen-trial-2")
@room_options
@archive_option
def trial(name: str, archive: Path, **plan: Any) -> None:
    """Begin blind trials: can you hear the difference, which do you prefer, how small a finding do you hear.

    \b
    Is the equalizer heard?
      earwitness listen trial "Name of the loudspeaker" --version as-is --version equalized
    Which is liked best, of three, with a band of your own:
      earwitness listen trial "Name of the loudspeaker" --kind prefer --version as-is --version equalized \\
        --band peaking 240 -2.1 1.0
    How small would finding 1 still be heard?
      earwitness listen trial "Name of the loudspeaker" --kind threshold --finding 1
    Then, trial by trial, until all are answered:
      earwitness listen next NUMBER --to sounds
      earwitness listen next NUMBER --to sounds --answer A

    The bench does the same with a switch that makes no click: Listen, Trials. This shows the data.
    """
    from earwitness.app.audition import CAUTIONS
    from earwitness.app.trial import begin_trials, trial_lines

    with progress_bar("trial"):
        begun = begin_trials(name, archive, **plan)
    click.echo("\n".join([*trial_lines(begun, terminal_width()), "", *CAUTIONS]))
    click.echo(f"first sounds: earwitness listen next {begun.number} --to FOLDER")


@command.command(name="next", cls=Command)
@click.argument("number")
@options("listen-next-trial")
@archive_option
def next_trial(number: str, folder: Path, answer: str | None, end: bool, archive: Path) -> None:
    """Keep the answer to a trial of those of NUMBER, and write the sounds of the next.

    a.wav, b.wav and x.wav, or 1.wav and 2.wav, in a folder of your own; play them with what you like. Nobody can hide
    X from one who compares the files: the key is safe from the ear alone.
    """
    from earwitness.app.trial import answer_trial, end_trials, trial_lines, trials_of, write_trial

    with progress_bar("next"):
        stands = trials_of(number, archive)
        if answer is not None:
            stands = answer_trial(number, stands.answered + 1, answer, archive)
        if end:
            stands = end_trials(number, archive)
        made = () if stands.is_over else write_trial(number, folder, archive)
    if stands.is_over:
        click.echo("\n".join(trial_lines(stands, terminal_width())))
    else:
        click.echo(f"trial {stands.answered + 1} of {stands.planned}: {', '.join(str(path) for path in made)}")


@command.command(name="trials", cls=Command)
@archive_option
def listed_trials(archive: Path) -> None:
    """List all trials: how they stand, and what came out."""
    from earwitness.app.trial import all_trials, trial_lines

    found = all_trials(archive)
    for one in found:
        click.echo("\n".join(trial_lines(one, terminal_width())))
    if not found:
        click.echo("no trials yet; begin some: earwitness listen trial NAME --version as-is --version equalized")
