"""Every chart and table of exhibits.toml is made somewhere, and whoever makes one hands over the facts of its words."""

from __future__ import annotations

import ast
import string
from collections.abc import Iterator
from pathlib import Path

import pytest

import earwitness.exhibits
from earwitness.exhibits.chart import exhibit_texts

PARTS = {"charts": {"title", "subtitle", "reading", "note"}, "tables": {"title", "note", "columns", "align"}}
OTHERS = {"finding", "low_hz", "high_hz", "axis", "lanes"}


def calls() -> Iterator[tuple[str, str, frozenset[str]]]:
    for file in Path(earwitness.exhibits.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("chart", "table"):
                assert isinstance(node.args[0], ast.Constant)
                yield f"{node.func.id}s", str(node.args[0].value), frozenset(str(one.arg) for one in node.keywords)  # type: ignore[attr-defined]


def test_what_is_made_and_what_has_words_is_the_same() -> None:
    written = {(kind, key) for kind, rows in exhibit_texts().items() for key in rows}
    assert {(kind, key) for kind, key, _ in calls()} == written


@pytest.mark.parametrize(("kind", "key", "given"), sorted(calls(), key=str))
def test_words_have_their_facts(kind: str, key: str, given: frozenset[str]) -> None:
    text = exhibit_texts()[kind][key]
    assert set(text) <= PARTS[kind]
    said = [words for part, words in text.items() if isinstance(words, str) and part not in given]
    wanted = {name.split(".")[0] for words in said for _, name, _, _ in string.Formatter().parse(words) if name}
    assert wanted == given - PARTS[kind] - OTHERS
    assert "title" in set(text) | given
    if kind == "tables":
        assert {"columns", "align"} <= set(text) | given
