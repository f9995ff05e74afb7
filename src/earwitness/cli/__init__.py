"""The command line: parse, call app, show. Every verb's module is imported only when it is run."""

import importlib
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import click

from earwitness import __version__
from earwitness.files.data import table_of

_VERBS = table_of("cli", "verbs")


class _Verbs(click.Group):
    """Verbs by name; the help lists them without importing any."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002, click's signature
        return sorted(_VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in _VERBS:
            return None
        command: click.Command = importlib.import_module(f"earwitness.cli.{cmd_name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl(sorted(_VERBS.items()))


@click.group(cls=_Verbs, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 90})
@click.version_option(__version__, prog_name="earwitness")
@click.option("--debug", is_flag=True, help="Show the traceback of errors.")
def main(debug: bool) -> None:
    """From raw loudspeaker recordings to a published review.

    \b
    A first look, with an invented loudspeaker:
      earwitness demo --to review
    With your own recordings:
      earwitness measure new-folder my-session
      earwitness measure signals my-signals
      earwitness add my-session
      earwitness read "Name of the loudspeaker"
      earwitness mend "Name of the loudspeaker"
      earwitness publish "Name of the loudspeaker" --to review

    \b
    Exit codes: 0 done, 1 the program failed, 2 input cannot be used, 3 the
    session folder has faults, 4 a recording cannot be used, 5 another file
    cannot be used, 6 the archive refuses, 7 a result cannot be written, 8 an
    optional part is not installed, 9 the program failed on one thing that it
    names, 130 stopped.
    """


def archive_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--archive; the command gets the folder of the archive, given or usual."""

    @wraps(command)
    def placed(*args: Any, archive: Path | None, **others: Any) -> Any:
        from earwitness.files.system import archive_folder

        return command(*args, archive=archive_folder(archive), **others)

    return click.option(
        "--archive",
        type=click.Path(file_okay=False, path_type=Path),
        help="Archive folder; default: $EARWITNESS_ARCHIVE, else the platform's data folder.",
    )(placed)
