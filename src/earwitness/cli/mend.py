"""earwitness mend."""

from pathlib import Path
from typing import Any

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command, options, pick_options, progress_bar


@click.command(cls=Command)
@click.argument("name")
@pick_options
@options("mend")
@options("mend-band")
@options("mend-2")
@archive_option
def command(
    name: str, bands: int | None, goal: str, by_hand: tuple[tuple[str, float, float, float], ...],
    preamp_db: float | None, aim: bool, folder: Path | None, as_json: bool, archive: Path, **limited: Any,
) -> None:  # fmt: skip
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
    from earwitness.app import mend as acts
    from earwitness.app.advice import advice_text, mend_lines
    from earwitness.app.listen import findings_of
    from earwitness.app.read import read_loudspeaker
    from earwitness.app.trial import own_trials
    from earwitness.exhibits.advice import Advice
    from earwitness.exhibits.heard import trial_words

    limits = acts.limits_of(**limited)
    acts.goal_from(goal)  # What cannot be is refused before the recordings are read.
    with progress_bar("mend") as progress:
        result = read_loudspeaker(name, archive, progress=progress)
        findings = findings_of(result, archive)
        if by_hand:
            made = acts.mend_by_hand(result, acts.equalizer_of(by_hand, preamp_db), findings, goal=goal, limits=limits)
        else:
            made = acts.mend_loudspeaker(result, findings, goal=goal, bands=bands, limits=limits)
        count = 0 if made.design is None else len(made.design.equalizer.bands)
        studied = acts.study_aim(result, bands=count) if aim else None
    trials = own_trials(findings, result.session.loudspeaker.title, archive)
    advice = Advice(findings=findings, trials=trials, mend=made, aim=studied)
    files = () if folder is None or made.design is None else acts.export_equalizer(made.design.equalizer, folder)
    click.echo(advice_text(result, advice) if as_json else "\n".join(mend_lines(result, advice)))
    for one in () if as_json else trials:
        if one.beside or one.about_equalizer:
            click.echo(f"finding {one.finding}: {one.beside}" if one.beside else trial_words(one))
    for file in files:
        click.echo(f"{file.path}: {file.words}", err=as_json)
    if folder is not None and not files:
        click.echo(f"nothing was written to {folder}: no band pays", err=as_json)
