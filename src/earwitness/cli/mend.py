"""earwitness mend."""

from pathlib import Path

import click

from earwitness.cli import archive_option
from earwitness.cli.picking import pick_options
from earwitness.cli.show import Command, progress_bar


@click.command(cls=Command)
@click.argument("name")
@pick_options
@click.option("--bands", type=click.IntRange(1, 20), default=None, help="How many bands; default: automatic.")
@click.option(
    "--goal",
    default="even",
    show_default=True,
    metavar="even|slope=-0.8|FILE",
    help="Even on axis and in the room; an in-room response of a slope in dB/octave; or a table.",
)
@click.option(
    "--gain",
    "gain_db",
    nargs=2,
    type=click.FloatRange(-40.0, 24.0),
    default=None,
    metavar="LEAST MOST",
    help="Of one band, dB [default: -12 3].",
)
@click.option(
    "--q",
    nargs=2,
    type=click.FloatRange(0.05, 100.0),
    default=None,
    metavar="LEAST MOST",
    help="Of a bell [default: 0.4 12].",
)
@click.option(
    "--range",
    "range_hz",
    nargs=2,
    type=click.FloatRange(1.0, 100_000.0),
    default=None,
    metavar="FROM TO",
    help="Of the bands, Hz.",
)
@click.option(
    "--boost",
    "total_boost_db",
    type=click.FloatRange(0.0, 24.0),
    default=None,
    metavar="DB",
    help="The most of all bands together [default: 3].",
)
@click.option("--force", "forced", is_flag=True, help="Also boost dips from interference, and below the useful bass.")
@click.option(
    "--band",
    "by_hand",
    type=(click.Choice(["peaking", "low_shelf", "high_shelf"]), float, float, float),
    multiple=True,
    metavar="KIND HZ DB Q",
    help="A band of your own; may be given again. Nothing is designed then.",
)
@click.option("--preamp", "preamp_db", type=float, default=None, metavar="DB", help="Before bands of your own.")
@click.option("--aim", is_flag=True, help="Also study where to point the loudspeaker.")
@click.option("--to", "folder", type=click.Path(path_type=Path), help="Folder for the files to set an equalizer from.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document, docs/advice-document.md.")
@archive_option
def command(
    name: str,
    bands: int | None,
    goal: str,
    gain_db: tuple[float, float] | None,
    q: tuple[float, float] | None,
    range_hz: tuple[float, float] | None,
    total_boost_db: float | None,
    forced: bool,
    by_hand: tuple[tuple[str, float, float, float], ...],
    preamp_db: float | None,
    aim: bool,
    folder: Path | None,
    as_json: bool,
    archive: Path,
) -> None:
    """Say whether an equalizer pays for the loudspeaker NAME, and design it.

    \b
    The verdict, and as many bands as pay; none where it is to be left alone:
      earwitness mend "Name of the loudspeaker"
    Three bands, as table, coefficients and impulse responses in a folder:
      earwitness mend "Name of the loudspeaker" --bands 3 --to my-equalizer
    An in-room response that falls 0.8 dB an octave:
      earwitness mend "Name of the loudspeaker" --goal slope=-0.8
    Your own target, two columns of frequency in Hz and level in dB:
      earwitness mend "Name of the loudspeaker" --goal target.txt

    \b
    What bands of your own do, and where they boost in vain:
      earwitness mend "Name of the loudspeaker" --band peaking 240 -2.1 1.0 --band high_shelf 8000 1.5 0.7

    Dips from interference and bass below the loudspeaker's range are not boosted, unless forced.
    """
    from earwitness.app.advice import advice_text
    from earwitness.app.desk import equalizer_of, mend_by_hand
    from earwitness.app.findings import findings_of
    from earwitness.app.mend import export_equalizer, goal_from, limits_of, mend_loudspeaker, study_aim
    from earwitness.app.read import read_loudspeaker
    from earwitness.app.telling import mend_lines
    from earwitness.app.trial import own_thresholds
    from earwitness.exhibits.advice import Advice

    limits = limits_of(gain_db=gain_db, q=q, range_hz=range_hz, total_boost_db=total_boost_db, forced=forced)
    goal_from(goal)  # What cannot be is refused before the recordings are read.
    with progress_bar("mend") as progress:
        result = read_loudspeaker(name, archive, progress=progress)
        findings = findings_of(result, archive)
        if by_hand:
            made = mend_by_hand(result, equalizer_of(by_hand, preamp_db), findings, goal=goal, limits=limits)
        else:
            made = mend_loudspeaker(result, findings, goal=goal, bands=bands, limits=limits)
        count = 0 if made.design is None else len(made.design.equalizer.bands)
        studied = study_aim(result, bands=count) if aim else None
    advice = Advice(findings=findings, mend=made, aim=studied)
    files = () if folder is None or made.design is None else export_equalizer(made.design.equalizer, folder)
    click.echo(advice_text(result, advice) if as_json else "\n".join(mend_lines(result, advice)))
    heard = {} if as_json else own_thresholds(findings, result.session.loudspeaker.title, archive)
    for key, sentences in heard.items():
        click.echo("\n".join(f"finding {key}: {one}" for one in sentences))
    for file in files:
        click.echo(f"{file.path}: {file.words}", err=as_json)
    if folder is not None and not files:
        click.echo(f"nothing was written to {folder}: no band pays", err=as_json)
