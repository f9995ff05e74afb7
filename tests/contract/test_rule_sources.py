"""Where the rule of every public function of the physics comes from: each has a line in its room's sources.toml."""

from __future__ import annotations

import ast
import re
import tomllib
from collections import Counter
from pathlib import Path

import pytest

import earwitness

PACKAGE = Path(earwitness.__file__).parent
ROOT = Path(__file__).parents[2]
ROOMS = ("dsp", "figures", "insight", "reduce")
PAGE = re.compile(r"docs/reference/[\w-]+\.md")
# A source is one of these, then in words: which clause, which paper, why.
KINDS = ("standard", "paper", "handbook", "reference", "own choice", "no rule")


def public_functions(room: str) -> set[str]:
    """ "module.function" and "module.Class.method" of a room; properties tell a value and have no rule."""
    found = set()
    for path in sorted((PACKAGE / room).rglob("*.py")):
        module = ".".join(path.relative_to(PACKAGE / room).with_suffix("").parts)
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                found.add(f"{module}.{node.name}")
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                found |= {
                    f"{module}.{node.name}.{one.name}"
                    for one in node.body
                    if isinstance(one, ast.FunctionDef) and not one.name.startswith("_") and not one.decorator_list
                }
    return found


def sources(room: str) -> dict[str, str]:
    """ "module.function" to source, as the room's table has them."""
    table = tomllib.loads((PACKAGE / room / "sources.toml").read_text(encoding="utf-8"))
    return {f"{module}.{name}": words for module, rows in table.items() for name, words in rows.items()}


@pytest.mark.parametrize("room", ROOMS)
def test_every_public_function_has_a_source(room: str) -> None:
    asked, given = public_functions(room), set(sources(room))
    assert asked - given == set(), "without a source"
    assert given - asked == set(), "no such function"


@pytest.mark.parametrize("room", ROOMS)
def test_a_source_says_what_it_is(room: str) -> None:
    for name, words in sources(room).items():
        kind, _, rest = words.partition(": ")
        assert kind in KINDS, f"{name}: {words}"
        assert rest or kind == "no rule", f"{name}: which?"
        for page in PAGE.findall(words):
            assert (ROOT / page).is_file(), f"{name}: {page}"


@pytest.mark.parametrize("room", ROOMS)
def test_most_that_computes_stands_on_something_outside(room: str) -> None:
    kinds = Counter(words.partition(": ")[0] for words in sources(room).values())
    assert kinds["no rule"] < 0.6 * kinds.total()
