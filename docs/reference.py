"""Write the pages that are made from the program: command-line.md from its help, api.md and api/ from its modules,
glossary.md from the tables of labels and figures, sources.md from the tables of sources, checks.md from that of red
flags.

    python docs/reference.py

A test compares the pages with what this makes (tests/contract/test_docs.py).
"""

from __future__ import annotations

import ast
import inspect
import tomllib
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import click

import earwitness
from earwitness.cli import main as command_line
from earwitness.figures.registry import FIGURES

DOCS = Path(__file__).parent
ROOMS = {
    "app": "Acts: one function for each thing a tester does. Command line and bench are doors to these.",
    "quantities": "Values: what acts give back. Frozen, with units in the names and uncertainty beside every number.",
}


def commands(command: click.Command, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], str]]:
    """Every command below and with this one, with its help as a terminal of 90 columns shows it."""
    context = click.Context(
        command,
        info_name=" ".join(path),
        max_content_width=90,
        terminal_width=90,
        # As every command of the program takes them; click keeps the first answer it was asked for.
        help_option_names=["-h", "--help"],
    )
    yield path, command.get_help(context)
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            if below is not None and not below.hidden:
                yield from commands(below, (*path, name))


def command_page() -> str:
    parts = [
        "# The command line",
        "Made from the program's own help by `python docs/reference.py`. Every command takes `--help`.",
    ]
    for path, text in commands(command_line, ("earwitness",)):
        parts += [f"## {' '.join(path)}", f"```text\n{text.rstrip()}\n```"]
    return "\n\n".join(parts) + "\n"


def glossary_page() -> str:
    """Every label of a chart and heading of a page, and every figure, with what it means."""
    table = tomllib.loads((files("earwitness.exhibits") / "glossary.toml").read_text(encoding="utf-8"))
    parts = [
        "# Glossary",
        "Every label of charts and headings of pages, and what it means; N stands for a number or a name. Made by "
        "`python docs/reference.py` from the tables that tests hold all labels against.",
    ]
    for kind, rows in table.items():
        lines = [f"| {word} | {meaning} |" for word, meaning in rows.items()]
        parts += [f"## {kind.capitalize()}", "\n".join(["| label | meaning |", "| --- | --- |", *lines])]
    lines = [f"| {row.name} | {row.unit or '1'} | {row.method} |" for row in FIGURES.values()]
    parts += ["## Figures", "\n".join(["| figure | unit | how it is found |", "| --- | --- | --- |", *lines])]
    return "\n\n".join(parts) + "\n"


def modules_of(room: str) -> list[str]:
    """Modules of a room that define anything public, by name."""
    folder = DOCS.parent / "src" / "earwitness" / room
    found = []
    for path in sorted(folder.glob("*.py")):
        body = ast.parse(path.read_text(encoding="utf-8")).body
        named = (n for n in body if isinstance(n, ast.FunctionDef | ast.ClassDef))
        if any(not one.name.startswith("_") for one in named):
            found.append(f"earwitness.{room}.{path.stem}")
    return found


def api_pages() -> dict[str, str]:
    """By file under docs: the page that leads to the rooms, and one page for each of them."""
    rooms = {room: (words, modules_of(room)) for room, words in ROOMS.items()}
    rooms["errors"] = ("What goes wrong, in words for a tester, each with its exit code.", ["earwitness.errors"])
    pages = {
        f"api/{room}.md": "\n\n".join([f"# {room}", words, *map(_module, modules)]) + "\n"
        for room, (words, modules) in rooms.items()
    }
    names = [
        f"| `{name}` | {' '.join(str(inspect.getdoc(getattr(earwitness, name))).partition(chr(10) * 2)[0].split())} |"
        for name in earwitness.__all__[1:]
    ]
    told = [
        "# Functions and values",
        "For programs of your own. Made from the docstrings by `python docs/reference.py`. What stands here is what "
        "the command line and the bench use; all other rooms are inside and may change.",
        "\n".join(f"- [{room}](api/{room}.md): {words}" for room, (words, _) in rooms.items()),
        "The names of `import earwitness`, [for scripts](scripting.md); `help(earwitness.find)` tells each:",
        "\n".join(["| name | what it is |", "| --- | --- |", *names]),
        "```{toctree}\n:hidden:\n\n" + "\n".join(f"api/{room}" for room in rooms) + "\n```",
    ]
    return {"api.md": "\n\n".join(told) + "\n"} | pages


def _module(name: str) -> str:
    return f"## {name}\n\n```{{eval-rst}}\n.. automodule:: {name}\n```"


def sources_page() -> str:
    """Every public function of the physics with the source of its rule."""
    parts = [
        "# Where rules come from",
        "The source of every public function of the physics: a standard, a paper, a handbook formula, a section of "
        "`docs/reference`, or an own choice; *no rule* marks what only carries values. Nothing of a standard was read "
        "in full. Made by `python docs/reference.py` from each room's `sources.toml`, which a test holds complete.",
    ]
    for room in ("dsp", "reduce", "figures", "insight"):
        table = tomllib.loads((files(f"earwitness.{room}") / "sources.toml").read_text(encoding="utf-8"))
        parts.append(f"## {room}")
        for module, rows in table.items():
            lines = [f"| `{name}` | {words.replace('|', chr(92) + '|')} |" for name, words in rows.items()]
            parts += [f"### {room}.{module}", "\n".join(["| function | source |", "| --- | --- |", *lines])]
    return "\n\n".join(parts) + "\n"


def checks_page() -> str:
    """Everything that checks of recordings, responses and scans may say."""
    table = tomllib.loads((files("earwitness.reduce") / "flags.toml").read_text(encoding="utf-8"))
    named = ((one.get("id", name.replace("_", " ")), one) for name, one in table.items())
    rows = sorted(named, key=lambda row: row[0])
    lines = [
        f"| {shown} | {one.get('severity', 'warn')} | {one.get('unit', '')} | "
        f"{one['sentence'].replace('|', chr(92) + '|')} |"
        for shown, one in rows
    ]
    return (
        "# What the checks say\n\n"
        "Every remark of the checks of recordings, responses and scans. *info* is told, *warn* asks for a look, "
        "*reject* leaves out what it concerns; some cases decide it themselves. Braces hold facts of the case. Made by "
        "`python docs/reference.py` from `reduce/flags.toml`, which a test holds complete.\n\n"
        "| check | severity | unit | sentence |\n| --- | --- | --- | --- |\n" + "\n".join(lines) + "\n"
    )


def main() -> None:
    (DOCS / "command-line.md").write_text(command_page(), encoding="utf-8")
    (DOCS / "api").mkdir(exist_ok=True)
    for name, text in api_pages().items():
        (DOCS / name).write_text(text, encoding="utf-8")
    (DOCS / "glossary.md").write_text(glossary_page(), encoding="utf-8")
    (DOCS / "sources.md").write_text(sources_page(), encoding="utf-8")
    (DOCS / "checks.md").write_text(checks_page(), encoding="utf-8")


if __name__ == "__main__":
    main()
