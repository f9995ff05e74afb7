"""earwitness measure."""

from pathlib import Path

import click

from earwitness.cli import from_files, plan, record, rig
from earwitness.cli.show import Command, options


@click.group()
def command() -> None:
    """Session folders, test signals, and live measuring through the sound card."""


@command.command(name="new-folder", cls=Command)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--rehearsal", is_flag=True, help="An invented loudspeaker, to practice live measuring with.")
def new_folder(folder: Path, rehearsal: bool) -> None:
    """Write a commented session.toml to fill in into FOLDER."""
    from earwitness.app.measure import new_rehearsal
    from earwitness.session.template import write_template

    if rehearsal:
        new_rehearsal(folder)
        click.echo(f"rehearse without any sound: earwitness measure record {folder} --input simulated")
        return
    path = write_template(folder)
    click.echo(f"fill in {path}, put the recordings beside it, then: earwitness add {folder}")


@command.command(name="signals", cls=Command)
@click.argument("folder", type=click.Path(path_type=Path))
@options("signals")
def signals(folder: Path, peak_dbfs: float, rate_hz: int, tones: int, level_db: float, distance_m: float) -> None:
    """Write every test signal into FOLDER: sweep, multitone, two tones, bursts, noise, calibration tone.

    Each WAV file has a sidecar that says what it is. Nothing is louder than --peak, everything fades
    at both ends, and no file that is there is overwritten. Nothing is played.
    """
    from earwitness.app.measure import write_test_signals

    done = write_test_signals(
        folder, peak_dbfs=peak_dbfs, rate_hz=rate_hz, tones=tones, level_db=level_db, distance_m=distance_m
    )
    click.echo(f"{len(done.files)} test signals in {folder}, peak {peak_dbfs:g} dB re full scale:")
    for path in done.files:
        click.echo(f"  {path.name}")
    click.echo("before you play one:")
    for caution in done.cautions:
        click.echo(f"  {caution}")


for _live in (
    record.devices, record.calibrate, record.level, record.loopback, record.record, record.resume, record.turntable,
    plan.plan,
    from_files.from_files, rig.rig,
):  # fmt: skip
    command.add_command(_live)
