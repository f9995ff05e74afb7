"""The options that pick one of several sessions, for every command that reads one."""

from collections.abc import Callable
from functools import wraps
from typing import Any

import click


def pick_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """--session, --unit and --variant; the command gets one name with what was picked."""

    @wraps(command)
    def picked(
        *args: Any, name: str, session_number: int | None, unit: str | None, variant: str | None, **others: Any
    ) -> Any:
        from earwitness.archive.choose import picking

        return command(*args, name=picking(name, session=session_number, unit=unit, variant=variant), **others)

    options = (
        click.option("--variant", default=None, metavar="WORDS", help='Of that state, such as "grille on".'),
        click.option("--unit", default=None, metavar="SERIAL", help="Of that unit; left or right of a pair."),
        click.option("--session", "session_number", type=int, default=None, help="That session, by its number."),
    )
    made: Callable[..., Any] = picked
    for option in options:
        made = option(made)
    return made
