"""Every fault of a session folder has its words, every word its fault, and every brace its fact."""

from __future__ import annotations

import ast
import string
from collections.abc import Iterator
from pathlib import Path

import pytest

import earwitness.session
from earwitness.session.toml_text import fault_texts, told

PARTS = {"what", "expected", "remedy"}


def calls() -> Iterator[tuple[str, set[str]]]:
    """Name and facts of every fault that the code of the session can tell."""
    for file in Path(earwitness.session.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant)):
                continue
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if called in ("fault", "take_fault", "told"):
                facts = {str(one.arg) for one in node.keywords}
                yield str(node.args[0].value), facts | ({"take"} if called == "take_fault" else set())


def roots(text: str) -> set[str]:
    return {name.split(".")[0] for _, name, _, _ in string.Formatter().parse(text) if name is not None}


def test_words_and_faults_are_the_same_names() -> None:
    assert {name for name, _ in calls()} == set(fault_texts())


@pytest.mark.parametrize(("name", "facts"), sorted(calls(), key=str))
def test_a_fault_has_the_facts_of_its_words(name: str, facts: set[str]) -> None:
    wanted = {root for words in fault_texts()[name].values() for root in roots(words)}
    assert wanted <= facts
    # No fact is handed over for nothing, and what the words leave open is decided by the case.
    assert facts - wanted <= {"take", "expected", "remedy"}


@pytest.mark.parametrize("name", sorted(fault_texts()))
def test_a_fault_says_what_is_wrong_and_what_to_do(name: str) -> None:
    text = fault_texts()[name]
    assert set(text) <= PARTS
    decided = {part for called, facts in calls() if called == name for part in facts}
    assert {"what", "remedy"} <= set(text) | decided


def test_what_the_case_decides_stands_in_place_of_the_usual_words() -> None:
    usual = told("scan_twice", "session.toml", 3, "take 1, kind")
    assert (usual.line, usual.remedy) == (3, "take one of them out")
    assert told("scan_twice", "session.toml", remedy="ask").remedy == "ask"
