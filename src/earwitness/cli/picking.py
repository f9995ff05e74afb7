"""The options that pick one of several sessions, for every command that reads one."""

from collections.abc import Callable
from functools import wraps
from typing import Any

from earwitness.cli.show import options


def pick_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """--session, --unit and --variant; the command gets one name with what was picked."""

    @wraps(command)
    def picked(
        *args: Any, name: str, session_number: int | None, unit: str | None, variant: str | None, **others: Any
    ) -> Any:
        from earwitness.archive.choose import picking

        return command(*args, name=picking(name, session=session_number, unit=unit, variant=variant), **others)

    made: Callable[..., Any] = options("pick")(picked)
    return made
