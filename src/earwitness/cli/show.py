"""How the command line shows progress and errors: both on stderr, so that stdout stays clean for results."""

import os
import shutil
import sys
import time
import traceback
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import Any

import click

from earwitness.errors import EarwitnessError, ProgramFaultError, named
from earwitness.files.data import table_of

_PLAIN_EVERY_S = 5.0


def terminal_width() -> int | None:
    """Columns of the terminal that the results go to (or $COLUMNS of it); None for a file or a pipe, where nothing is
    to be wrapped."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


@contextmanager
def progress_bar(title: str) -> Iterator[Callable[[float, str], None]]:
    """A bar on a terminal; elsewhere a plain line every few seconds, so that a log shows that work goes on."""
    if sys.stderr.isatty():
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.fields[words]}"))
        with Progress(*columns, TimeElapsedColumn(), console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task(title, total=1.0, words="")
            yield lambda share, words: bar.update(task, completed=share, words=words)
        return
    last = time.monotonic()

    def tell(share: float, words: str) -> None:
        nonlocal last
        if time.monotonic() - last >= _PLAIN_EVERY_S:
            last = time.monotonic()
            click.echo(f"{title}: {share:.0%} {words}", err=True)

    yield tell


def options(table: str, **kinds: Any) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """The options of a command as a table of options.toml lists them. kinds : types of this command alone, by name."""
    kinds |= {"path": click.Path(path_type=Path), "file": click.Path(dir_okay=False, path_type=Path)}
    kinds |= {"folder": click.Path(file_okay=False, path_type=Path), "float": float, "int": int}
    kinds["band"] = (click.Choice(["peaking", "low_shelf", "high_shelf"]), float, float, float)
    ranges: dict[str, Any] = {"float": click.FloatRange, "int": click.IntRange}

    def made(flag: str, said: dict[str, Any]) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
        rest: dict[str, Any] = {key: tuple(one) if isinstance(one, list) else one for key, one in said.items()}
        name, kind, choices, low, high = (rest.pop(key, None) for key in ("name", "type", "choices", "min", "max"))
        rest["type"] = click.Choice(choices) if choices else None if kind is None else kinds[kind]
        if (low, high) != (None, None):
            rest["type"] = ranges[kind](low, high)
        return click.option(flag, *rest.pop("also", ()), *([name] if name else ()), **rest)

    every = [made(flag, said) for flag, said in table_of("cli", "options")[table].items()]

    def add(function: Callable[..., Any]) -> Callable[..., Any]:
        for option in reversed(every):
            function = option(function)
        return function

    return add


class Command(click.Command):
    """A command that ends in words and a documented exit code, never in a traceback."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except EarwitnessError as error:
            tell_error(error)
            ctx.exit(error.exit_code)
        except (KeyboardInterrupt, click.exceptions.Abort):
            click.echo("stopped; what was finished is kept, run the same command again to go on", err=True)
            ctx.exit(130)
        except (click.exceptions.ClickException, click.exceptions.Exit):
            raise
        except BrokenPipeError:
            # Who read the output has had enough, as `head` has; Python must not complain at its end either.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            ctx.exit(141)
        except Exception as error:
            if ctx.find_root().params.get("debug"):
                raise
            click.echo("this is a fault of the program, not of your input", err=True)
            click.echo(f"where: {type(error).__name__}: {error}", err=True)
            _keep_report(error)
            ctx.exit(1)
        return None


def tell_error(error: EarwitnessError, *, about: str = "") -> None:
    """Say what went wrong, on stderr; of a fault of the program the details are kept in a file."""
    context = click.get_current_context(silent=True)
    debug = context is not None and context.find_root().params.get("debug")
    if debug:
        traceback.print_exception(error)
    click.echo(f"{about}: {error}" if about else str(error), err=True)
    if isinstance(error, ProgramFaultError) and not debug:
        _keep_report(error)


def _keep_report(error: Exception) -> None:
    import tempfile

    with tempfile.NamedTemporaryFile(
        "w", prefix="earwitness-", suffix=".txt", delete=False, encoding="utf-8"
    ) as report:
        report.write("".join(traceback.format_exception(error)))
    click.echo(
        f"to do: keep the report {report.name} and tell the makers what you did; nothing taken in was lost", err=True
    )


class Failures:
    """What failed of several things: told at once, while the others go on, and in the code at the end."""

    def __init__(self, *, alone: bool = False) -> None:
        """alone : there is only one thing, whose error is the command's."""
        self._alone = alone
        self._failed: list[tuple[str, int]] = []

    @contextmanager
    def told(self, subject: str) -> Iterator[None]:
        """Work on `subject`, which is told where it fails."""
        try:
            with named(subject):
                yield
        except EarwitnessError as error:
            if self._alone:
                raise
            self.tell(subject, error)

    def tell(self, subject: str, error: EarwitnessError) -> None:
        """Tell what became of `subject`, and remember it for the end."""
        tell_error(error, about=subject)
        self._failed.append((subject, error.exit_code))

    def end(self, ctx: click.Context, failed: Iterable[tuple[str, EarwitnessError]] = ()) -> None:
        """Name all that failed once more, and end with the code of the first. failed : what is to be told yet."""
        for subject, error in failed:
            self.tell(subject, error)
        if self._failed:
            click.echo(f"not done: {'; '.join(subject for subject, _ in self._failed)}", err=True)
            ctx.exit(self._failed[0][1])


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
