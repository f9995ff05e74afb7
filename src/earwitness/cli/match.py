"""earwitness match."""

from pathlib import Path
from typing import Any

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command, options, pick_options, progress_bar


@click.command(cls=Command)
@click.argument("name")
@pick_options
@options("match")
@options("match-distance")
@options("match-2")
@archive_option
def command(
    name: str, amplifier: Path | None, room: Path | None, area_m2: float | None, height_m: float,
    reverberation_s: float | None, absorption: float | None, listening_distance_m: float | None, slopes: str | None,
    subwoofer: str | None, beside: str | None, as_json: bool, archive: Path, **asked: Any,
) -> None:  # fmt: skip
    """Hold the maker's claims on the loudspeaker NAME against the data, and say what goes with it.

    \b
    Claims, subwoofer, and for whom it is:
      earwitness match "Name of the loudspeaker"
    Can my amplifier drive it, and how loud does it get:
      earwitness match "Name of the loudspeaker" --amplifier my-amplifier.toml
    Which seat hears what, and where to point it:
      earwitness match "Name of the loudspeaker" --room my-room.toml
    How loud it is in a room of 60 m2:
      earwitness match "Name of the loudspeaker" --room-area 60 --reverberation 0.5
    How near the wall behind it, or on a desk 0.2 m below it, the ears 0.4 m above that:
      earwitness match "Name of the loudspeaker" --wall 0.4
      earwitness match "Name of the loudspeaker" --desk 0.2 0.4 --distance 1
    How high and low, left and right one may sit for a change of 2 dB through the crossover:
      earwitness match "Name of the loudspeaker" --window 2
    A subwoofer that takes over at 80 Hz, with slopes of your own:
      earwitness match "Name of the loudspeaker" --corner 80 --slopes BW2/LR4
    A subwoofer that was measured too:
      earwitness match "Name of the loudspeaker" --subwoofer "Name of the subwoofer"
    """
    from earwitness.app.advice import advice_text, match_lines
    from earwitness.app.listen import findings_of
    from earwitness.app.match import match_loudspeaker, scheme_of
    from earwitness.app.read import read_loudspeaker
    from earwitness.exhibits.advice import Advice
    from earwitness.insight.match.in_room import ListeningRoom
    from earwitness.session.amplifier_sheet import read_amplifier_sheet
    from earwitness.session.room_plan import read_room_plan

    sheet = None if amplifier is None else read_amplifier_sheet(amplifier)
    plan = None if room is None else read_room_plan(room)
    if reverberation_s is None and absorption is None:
        reverberation_s = 0.4
    enclosed = None if area_m2 is None else ListeningRoom(area_m2, height_m, reverberation_s, absorption)
    scheme = None if slopes is None else scheme_of(slopes)
    with progress_bar("match") as progress:
        result = read_loudspeaker(name, archive, listening_distance_m=listening_distance_m, progress=progress)
        findings = findings_of(result, archive)
        matched = match_loudspeaker(
            result,
            findings,
            amplifier=sheet,
            room=plan,
            scheme=scheme,
            enclosed=enclosed,
            beside=None if beside is None else read_loudspeaker(beside, archive),
            measured_subwoofer=None if subwoofer is None else read_loudspeaker(subwoofer, archive),
            **asked,
        )
    advice = Advice(findings=findings, match=matched)
    click.echo(advice_text(result, advice) if as_json else "\n".join(match_lines(result, advice)))
