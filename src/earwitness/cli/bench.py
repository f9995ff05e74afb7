"""earwitness bench."""

import os
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path

import click

from earwitness.cli import archive_option
from earwitness.cli.show import Command, options
from earwitness.errors import MissingExtraError

# Parts of paths of browsers that see only what their package lets them.
_WALLED = ("/snap/", "/flatpak/")


@click.command(cls=Command)
@options("bench")
@archive_option
def command(port: int | None, no_browser: bool, archive: Path) -> None:
    """Open the web bench: the whole job in the browser of this machine, on the archive.

    It answers this machine alone. The address is good for one use. Stop it with Ctrl-C; all that was entered is kept.
    """
    try:
        import uvicorn  # noqa: F401

        from earwitness.bench.server import serve
    except ModuleNotFoundError as error:
        raise MissingExtraError.of("cli.no_bench", package=error.name) from None
    with ExitStack() as until_stopped:

        def ready(address: str) -> None:
            click.echo(f"the bench is open at {address}")
            click.echo("the address is good for one use; stop the bench with Ctrl-C", err=True)
            if not no_browser:
                import webbrowser

                webbrowser.open(until_stopped.enter_context(private_address(address, webbrowser.get().__dict__)))

        serve(archive, port=port, ready=ready)


@contextmanager
def private_address(address: str, browser: Mapping[str, object]) -> Iterator[str]:
    """What to give a browser in place of `address`, which others on this machine could read off its command line: a
    file that only this user may read, and that leads there. Gone when the block ends.

    browser : what Python knows of it; one that is packed so that it cannot read such files gets the address itself.
    """
    import shutil
    import tempfile

    program = shutil.which(str(browser.get("name", ""))) or ""
    if any(part in os.path.realpath(program) for part in _WALLED):
        yield address
        return
    # A folder of mkdtemp is its owner's alone.
    folder = Path(tempfile.mkdtemp(prefix="earwitness-bench-"))
    try:
        page = folder / "open.html"
        with os.fdopen(os.open(page, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "w", encoding="utf-8") as stream:
            stream.write(
                "<!doctype html><html lang=en><meta charset=utf-8><title>Earwitness bench</title>"
                f'<meta http-equiv="refresh" content="0;url={address}">'
                f'<p><a href="{address}">To the bench</a></p></html>'
            )
        yield page.as_uri()
    finally:
        shutil.rmtree(folder, ignore_errors=True)
