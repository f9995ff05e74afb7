"""The options that pick one of several sessions, for every command that reads one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click


def pick_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """--session, --unit and --variant; `picked` makes one name of them."""
    for option in (
        click.option("--variant", default=None, metavar="WORDS", help='Of that state, such as "grille on".'),
        click.option("--unit", default=None, metavar="SERIAL", help="Of that unit; left or right of a pair."),
        click.option("--session", "session_number", type=int, default=None, help="That session, by its number."),
    ):
        command = option(command)
    return command


def picked(name: str, session: int | None, unit: str | None, variant: str | None) -> str:
    """The name with what was picked."""
    from earwitness.archive.choose import picking

    return picking(name, session=session, unit=unit, variant=variant)
